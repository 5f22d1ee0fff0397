"""Which bench a rehearsal plays: a simulated one itself, a real one by its twin; and what the real one must have."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from benchd.named_files import find_bench

SIMULATED = find_bench("simulated").text
#: A heater load on Modbus TCP; the rest of the bench does not matter here and is simulated.
REAL = (
    'twin = "simulated"\n[instruments.load]\ndriver = "modbus"\nhost = "127.0.0.1"\n'
    'channels.heat_w = { register = 10, table = "input", type = "float32", range = [0, 400] }\n'
    "setpoints.heat_w = { register = 0, scale = 0.1, range = [0, 300], safe = 0 }\n"
    '[instruments.block]\ndriver = "simulated"\n'
    'channels.die_c = { source = "die", range = [0, 125] }\n'
    'channels.ambient_c = { source = "ambient", range = [5, 45] }\n'
    'channels.coolant_c = { source = "coolant", range = [0, 90], cooling = "liquid" }\n'
    'channels.fan_rpm = { source = "fan_speed", range = [0, 5000] }\n'
    'channels.level_dba = { source = "level", range = [20, 130] }\n'
    'setpoints.fan_pct = { target = "fans", range = [0, 100], safe = 100 }\n'
    'setpoints.pump_pct = { target = "pump", range = [0, 100], safe = 100, cooling = "liquid" }\n'
)
INTERLOCK = '[[interlocks]]\nchannel = "{}"\nabove = {}\n'
WARM = 'protocol = "warm"\n[[steps]]\nkind = "dwell"\nfor_min = 0.5\nheat_w = 100\npump_pct = 100\n'


@pytest.fixture
def warm(tmp_path: Path) -> Path:
    file = tmp_path / "warm.toml"
    file.write_text(WARM)
    return file


@pytest.fixture
def real(tmp_path: Path):
    """Writes a real bench with a twin and one interlock."""

    def write(channel: str, above: float) -> Path:
        file = tmp_path / "real.toml"
        file.write_text('bench = "real"\n' + REAL + INTERLOCK.format(channel, above))
        return file

    return write


def copied(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    text = SIMULATED
    for old, new in (('bench = "simulated"', 'bench = "copy"'), *changes):
        assert old in text
        text = text.replace(old, new)
    file = tmp_path / "copy.toml"
    file.write_text(text)
    return file


# --- a copy of the simulated bench


def test_a_copy_of_the_simulated_bench_is_played_and_not_the_shipped_one(benchd, warm, tmp_path):
    copy, db = copied(tmp_path, ("tick_s = 1.0", "tick_s = 2.0")), tmp_path / "x.db"
    told = benchd("replay", warm, "--bench", copy, "--db", db, "--specimen", "brook 2x140")
    assert (told.status, told.err) == (0, "")
    assert told.out.startswith("Protocol warm on bench copy, seed 1. ")
    with closing(sqlite3.connect(db)) as connection:
        assert connection.execute("SELECT bench, bench_text FROM run").fetchall() == [("copy", copy.read_text())]
        ticks = connection.execute("SELECT DISTINCT t_ms FROM sample ORDER BY t_ms").fetchall()
    assert [t_ms for (t_ms,) in ticks] == list(range(0, 30_001, 2000))


def test_its_own_interlocks_are_watched(benchd, warm, tmp_path):
    copy = copied(tmp_path, ("above = 95", "above = 30"))
    words = ("replay", warm, "--json", "--db", tmp_path / "x.db", "--specimen", "brook 2x140")
    told = benchd(*words, "--bench", copy)
    assert (told.status, json.loads(told.out)[0]["state"]) == (1, "tripped")
    assert "die_c above 30 degC" in told.err
    assert benchd(*words).status == 0


def test_a_copy_that_names_the_shipped_one_as_its_twin_is_played_all_the_same(benchd, warm, tmp_path):
    """A twin is for a bench that cannot be played itself."""
    copy = copied(tmp_path, ("tick_s = 1.0", 'tick_s = 1.0\ntwin = "simulated"'))
    told = benchd("replay", warm, "--bench", copy, "--db", tmp_path / "x.db", "--specimen", "brook 2x140")
    assert told.out.startswith("Protocol warm on bench copy, ")


# --- a real bench, by its twin


def test_a_real_bench_is_rehearsed_on_its_twin_and_not_touched(benchd, warm, real, tmp_path):
    told = benchd("replay", warm, "--bench", real("die_c", 95), "--db", tmp_path / "x.db", "--specimen", "brook 2x140")
    assert (told.status, told.err) == (0, ""), "nothing listens at its heater load, and nobody asks it"
    assert told.out.startswith("Protocol warm on bench simulated, ")


@pytest.mark.parametrize("command", ["replay", "check"])
@pytest.mark.parametrize("specimen", ["brook 2x140", "slate tower"])
@pytest.mark.parametrize(("channel", "above"), [("coolant_c", 60), ("ambient_c", 35)])
def test_a_real_bench_must_watch_the_die_itself_though_its_twin_does(
    benchd, warm, real, own_folders, command, specimen, channel, above
):
    file = real(channel, above)
    told = benchd(command, warm, "--bench", file, "--specimen", specimen)
    assert (told.status, told.out) == (2, "")
    assert told.err == (
        f"{warm}:5:10: steps.1 (dwell).heat_w: heat needs an interlock with die_c above a temperature;"
        ' bench "real" has none\n'
    )
    assert not (own_folders / "data" / "benchd" / "bench.db").exists()


def test_what_the_twin_lacks_is_refused_as_well(benchd, tmp_path, real):
    strong = tmp_path / "strong.toml"
    strong.write_text(WARM.replace("heat_w = 100", "heat_w = 310"))
    file = real("die_c", 95)
    file.write_text(file.read_text().replace("range = [0, 300]", "range = [0, 350]"))
    told = benchd("replay", strong, "--bench", file, "--db", tmp_path / "x.db")
    assert (told.status, told.out) == (2, "")
    assert 'must be 0 to 300 on bench "simulated", got 310 [W]' in told.err


def test_a_bench_is_judged_with_the_specimens_that_are_played(benchd, tmp_path, real):
    """A heat sink has no pump whose speed must be chosen; a liquid loop has, alone or beside it."""
    unsaid = tmp_path / "unsaid.toml"
    unsaid.write_text(
        'protocol = "unsaid"\n[[steps]]\nkind = "soak"\nheat_w = [60]\nfan_pct = [80]\nread_min = 0.5\n'
        "equilibrium = { within_k = 5, at_most_min = 3 }\n"
    )
    words = ("replay", unsaid, "--bench", real("die_c", 95), "--db", tmp_path / "x.db", "--specimen", "slate tower")
    assert benchd(*words).status == 0
    told = benchd(*words, "--specimen", "brook 2x140")
    assert (told.status, told.out) == (2, "")
    assert "soak).pump_pct: missing" in told.err
