"""Completion, by real shells on a real terminal: TAB is pressed and what then stands on the line is read."""

from __future__ import annotations

import os
import pty
import re
import select
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from benchd.commands.completion import SHELLS

CODES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|\x1b[=>]|[\x00\x07\r]")
BESIDE = str(Path(sys.executable).parent)
#: How each is started without what a person has configured, and what it has to be told first.
STARTED = {
    "bash": ["bash", "--norc", "--noprofile", "-i"],
    "zsh": ["zsh", "-f", "-i"],
}


class Terminal:
    """A shell on a terminal of its own."""

    def __init__(self, command: list[str], folder: Path) -> None:
        self._there, far = pty.openpty()
        environment = {
            **os.environ,
            "PATH": f"{BESIDE}:{os.environ['PATH']}",
            "PS1": "READY> ",
            "TERM": "dumb",
            "HOME": str(folder),
            "ZDOTDIR": str(folder),
            "INPUTRC": "/dev/null",
        }
        self.process = subprocess.Popen(
            command, stdin=far, stdout=far, stderr=far, cwd=folder, env=environment, start_new_session=True
        )
        os.close(far)

    def type(self, keys: str) -> None:
        os.write(self._there, keys.encode())

    def reads(self, wanted: str, within_s: float = 10.0) -> str:
        """What is written until it is on the screen, without what steers the terminal."""
        seen, due_s = "", time.monotonic() + within_s
        while wanted not in seen:
            left_s = due_s - time.monotonic()
            assert left_s > 0, f"{wanted!r} is not in {seen!r}"
            if select.select([self._there], [], [], left_s)[0]:
                seen = CODES.sub("", seen + os.read(self._there, 65536).decode(errors="replace"))
        return seen

    def close(self) -> None:
        self.process.kill()
        self.process.wait(10)
        os.close(self._there)


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Callable[[str], Terminal]]:
    """A shell that has read the script that is printed for it."""
    opened: list[Terminal] = []

    def terminal(shell: str) -> Terminal:
        if not shutil.which(shell):
            pytest.skip(f"{shell} is not here")
        printed = subprocess.run(
            [sys.executable, "-m", "benchd", "completion", shell],
            capture_output=True,
            text=True,
            timeout=30,
            check=True,
        )
        (tmp_path / "script").write_text(printed.stdout)
        one = Terminal(STARTED[shell], tmp_path)
        opened.append(one)
        if shell == "zsh":
            one.type("autoload -U compinit; compinit -u -D\n")
        one.type("source ./script; echo re''ad it\n")
        one.reads("read it")
        return one

    yield terminal
    for one in opened:
        one.close()


@pytest.mark.parametrize("shell", ["bash", "zsh"])
@pytest.mark.parametrize(
    ("typed", "stands"),
    [
        ("benchd que", "benchd queue"),
        ("benchd make-safe --ben", "benchd make-safe --bench"),
        ("benchd queue overn", "benchd queue overnight"),
        ("benchd make-safe --bench wir", "benchd make-safe --bench wired"),
        ("benchd replay quick --specimen brook\\ 2x12", "benchd replay quick --specimen brook\\ 2x120"),
        ("benchd replay quick --specimen b", "benchd replay quick --specimen brook\\ 2x1"),
    ],
)
def test_tab_completes(terminal, shell, typed, stands) -> None:
    one = terminal(shell)
    one.type(typed)
    one.reads(typed)
    one.type("\t")
    one.reads(stands.removeprefix(typed))
    # The line is run as it stands: what the program then gets is what was meant.
    one.type("\x01echo \x05 '|'\n")
    assert re.search(rf"{re.escape(stands.replace(chr(92), ''))} ?\|?", one.reads("|\n"))


@pytest.mark.skipif(not shutil.which("fish"), reason="fish is not here")
@pytest.mark.parametrize(
    ("typed", "offered"),
    [
        ("benchd que", ["queue"]),
        ("benchd queue overn", ["overnight"]),
        ("benchd make-safe --bench wir", ["wired"]),
        ("benchd replay quick --specimen br", ["brook 2x120", "brook 2x140"]),
    ],
)
def test_fish_completes(tmp_path, typed, offered) -> None:
    command = f"benchd completion fish | source; complete --do-complete '{typed}'"
    environment = {**os.environ, "PATH": f"{BESIDE}:{os.environ['PATH']}", "HOME": str(tmp_path)}
    told = subprocess.run(
        ["fish", "--no-config", "-c", command], env=environment, capture_output=True, text=True, timeout=30, check=True
    )
    assert [line.split("\t")[0].replace("\\", "") for line in told.stdout.splitlines()] == offered


def asked(words: list[str], **environment: str) -> list[str]:
    """What the program offers for the last of the words, as the bash script would be told."""
    told = subprocess.run(
        [sys.executable, "-m", "benchd"],
        env={
            **os.environ,
            "_BENCHD_COMPLETE": "bash_complete",
            "COMP_WORDS": "\n".join(["benchd", *words]),
            "COMP_CWORD": str(len(words)),
            **environment,
        },
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert told.stderr == ""
    return [line for line in told.stdout.splitlines() if line]


def test_within_quotes_nothing_is_quoted_again() -> None:
    words = ["replay", "quick", "--specimen", '"bro']
    assert asked(words) == ["plain,brook 2x120", "plain,brook 2x140"]


def test_a_persons_own_protocol_is_offered_and_what_is_no_name_is_a_file(own_folders) -> None:
    folder = own_folders / "config" / "benchd" / "protocols"
    folder.mkdir(parents=True)
    (folder / "my_night.toml").write_text('protocol = "my night"')
    assert asked(["queue", "my_"]) == ["plain,my_night"]
    assert asked(["queue", "./my"]) == ["file,./my"]


def test_a_bench_that_makes_no_sense_gives_no_names_and_no_message(tmp_path) -> None:
    (tmp_path / "b.toml").write_text("specimens = [")
    assert asked(["replay", "quick", "--bench", str(tmp_path / "b.toml"), "--specimen", "b"]) == []


@pytest.mark.parametrize("shell", SHELLS)
def test_the_script_is_for_that_shell(benchd, shell) -> None:
    told = benchd("completion", shell)
    assert (told.status, told.err) == (0, "")
    assert f"_BENCHD_COMPLETE={shell}_complete" in told.out


def test_another_shell_is_wrong_input(benchd) -> None:
    told = benchd("completion", "abacus")
    assert (told.status, told.out) == (2, "")
    assert "'bash', 'zsh', 'fish'" in told.err
