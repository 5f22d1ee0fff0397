"""The unit and the udev rules that are printed: whole, of this installation, and accepted by systemd itself."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

from benchd.bench_file import load_bench
from benchd.named_files import find_bench
from benchd.service.unit import unit_text

UNIT, RULES = "/etc/systemd/system/benchd.service", "/etc/udev/rules.d/90-benchd.rules"


def text(bench: str = "wired", db: Path | None = None) -> str:
    found = find_bench(bench)
    return unit_text(load_bench(found.text, found.file), bench, db)


def files(text: str) -> dict[str, str]:
    """What the awk line of its head would write, by file."""
    _, *parts = re.split(r"(?m)^# ==== ", text)
    return {part.split("\n", 1)[0]: part.split("\n", 1)[1] for part in parts}


def directives(text: str) -> dict[str, str]:
    lines = files(text)[UNIT].splitlines()
    said = [line for line in lines if line and line[0] not in "#["]
    return dict(line.split("=", 1) for line in said)


@pytest.fixture
def own_bench(tmp_path):
    def own_bench(name: str) -> Path:
        file = tmp_path / name
        file.write_text(Path(find_bench("simulated").file).read_text())
        return file

    return own_bench


def test_both_files_are_there_each_once_with_its_place() -> None:
    printed = text()
    assert list(files(printed)) == [UNIT, RULES]
    assert re.findall(r"(?m)^\[.*\]$", files(printed)[UNIT]) == ["[Unit]", "[Service]", "[Install]"]


def test_what_the_daemon_counts_on() -> None:
    said = directives(text())
    wanted = {
        "Type": "notify",
        "NotifyAccess": "main",
        "KillMode": "mixed",
        "OOMPolicy": "continue",
        "Restart": "always",
        "User": "benchd",
        "RuntimeDirectory": "benchd",
        "RuntimeDirectoryMode": "0750",
        "StateDirectory": "benchd",
        "ProtectSystem": "strict",
        "ExecReload": "/bin/kill -HUP $MAINPID",
    }
    assert wanted.items() <= said.items()
    assert int(said["WatchdogSec"]) >= 10
    assert int(said["TimeoutStopSec"]) >= 30  # the guard itself waits that long for its child


def test_nothing_closes_serial_ports_fans_and_power_limits() -> None:
    closing = {"PrivateDevices", "ProtectKernelTunables", "ProtectClock", "DeviceAllow", "DevicePolicy", "PrivateTmp"}
    assert not closing & set(directives(text()))


def test_commands_are_of_this_installation() -> None:
    said = directives(text("simulated"))
    for key, command in (("ExecStart", "serve"), ("ExecStopPost", "make-safe")):
        words = shlex.split(said[key])
        assert Path(words[0]).is_absolute()
        assert os.access(words[0], os.X_OK)
        assert words[1:4] == [command, "--bench", "simulated"]
    helped = subprocess.run(
        [shlex.split(said["ExecStart"])[0], "--version"], capture_output=True, timeout=30, check=True
    )
    assert helped.stdout.startswith(b"benchd ")


def test_an_own_bench_goes_by_its_whole_path_and_another_folder_may_be_written(
    own_bench, tmp_path, monkeypatch
) -> None:
    own_bench("my 50% $bench.toml")
    monkeypatch.chdir(tmp_path)
    said = directives(text("./my 50% $bench.toml", tmp_path / "data" / "b.db"))
    assert f'--bench "{tmp_path}/my 50%% $$bench.toml"' in said["ExecStart"]
    assert said["ReadWritePaths"].split()[-1] == str(tmp_path / "data")
    assert "--db" in said["ExecStart"]


def test_rehearsals_never_stand_among_real_measurements() -> None:
    assert "--db /var/lib/benchd/rehearsal.db" in directives(text("simulated"))["ExecStart"]
    assert "--db /var/lib/benchd/bench.db" in directives(text("wired"))["ExecStart"]


def test_a_home_folder_is_warned_of() -> None:
    printed = text(db=Path("/home/anna/bench.db"))
    assert "# WARNING: /home/anna/bench.db lies in a home folder: benchd must be able to get there." in printed
    assert directives(printed)["ProtectHome"] == "read-only"


def test_its_own_command_line_writes_both(tmp_path) -> None:
    (program,) = re.findall(r"awk '(.*)'$", text(), re.MULTILINE)
    below = program.replace("file=$3", f'file="{tmp_path}/" substr($3, match($3, /[^\\/]*$/))')
    subprocess.run(["awk", below], input=text(), text=True, timeout=10, check=True)
    assert {file.name for file in tmp_path.iterdir()} == {"benchd.service", "90-benchd.rules"}


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd is not here")
@pytest.mark.parametrize("bench", ["wired", "simulated"])
def test_systemd_accepts_it(tmp_path, bench) -> None:
    unit = tmp_path / "benchd.service"
    unit.write_text(files(text(bench))[UNIT])
    told = subprocess.run(["systemd-analyze", "verify", unit], capture_output=True, text=True, timeout=60, check=False)
    assert "benchd.service" not in told.stderr
    assert told.returncode == 0, told.stderr


def rule(word: str) -> str:
    return next(line for line in files(text())[RULES].splitlines() if word in line)


def test_rules_are_well_formed() -> None:
    """Each is a list of KEY OP "VALUE" with commas between, udev(7)."""
    one = r'[A-Z]+(\{\w+\})?(==|!=|\+=|=)"[^"]*"'
    rules = [line for line in files(text())[RULES].splitlines() if line and not line.startswith("#")]
    assert len(rules) == 4
    for line in rules:
        assert re.fullmatch(rf"{one}(, {one})*", line), line


def test_the_rule_for_fans_gives_outputs_to_the_group_and_nothing_else(tmp_path) -> None:
    chip = tmp_path / "hwmon3"
    chip.mkdir()
    for name in ("pwm1", "pwm1_enable", "fan1_input"):
        (chip / name).write_text("0")
        (chip / name).chmod(0o644)
    (run,) = re.findall(r'RUN\+="([^"]*)"', rule('"hwmon"'))
    group = Path("/proc/self").group()
    words = shlex.split(run.replace("/sys%p", str(chip)).replace(" benchd ", f" {group} "))
    subprocess.run(words, timeout=10, check=True)
    modes = {file.name: file.stat().st_mode & 0o777 for file in chip.iterdir()}
    assert modes == {"pwm1": 0o664, "pwm1_enable": 0o664, "fan1_input": 0o644}
    (chip / "pwm1").unlink()
    (chip / "pwm1_enable").unlink()
    assert subprocess.run(words, capture_output=True, timeout=10, check=True).stderr == b""


def test_the_rule_for_power_limits_has_to_be_chosen() -> None:
    assert rule('"powercap"').startswith("#")


def test_the_command_prints_it(capsys) -> None:
    from benchd.cli import run

    assert run(["serve", "--print-unit", "--bench", "wired"]) == 0
    assert capsys.readouterr().out == text()
