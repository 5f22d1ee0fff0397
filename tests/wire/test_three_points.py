"""Three test points over a real wire: the heater load is a process of its own on Modbus TCP, all else is simulated.

Its cable is pulled in the middle of the second point, or its process killed. From then on its samples are missing and
everyone else's are not, the run has a defined end, and nothing is heated any more, whatever could be said to the load.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from benchd.bench_file import LoadedBench, load_bench
from benchd.cli import run as benchd
from benchd.clock import PacedClock, real_s, utc_now
from benchd.errors import RunRefused
from benchd.protocol_file import load_protocol
from benchd.running.bench import OpenBench
from benchd.running.book import RunBook
from benchd.running.engine import Engine, Snapshot
from benchd.running.enroll import enroll
from benchd.running.states import Flag, RunState
from benchd.store import queries
from benchd.store.records import CLEAR, EventRow, PointRecord
from benchd.store.writer import Writer
from sim.heat_wire import HeatWire
from sim.modbus_load import RunningLoad, running

#: Bench seconds in a real one: a point takes some 3 min of bench time.
SPEED = 90
#: The load turns itself off after so much silence, in real seconds.
DEAD_MAN_S = 2.0
#: Bench seconds without a heat reading that trip the bench.
MISSING_S = 8
#: Bench seconds into the second point at which the cable is pulled.
PULLED_AFTER_S = 60

PROTOCOL = """
protocol = "three points"
[limits]
over_limit_c = 90
[[steps]]
kind = "soak"
heat_w = [150]
fan_pct = [40, 60, 80]
pump_pct = 100
equilibrium = { change_k = 2, in_min = 1, at_most_min = 6 }
read_min = 1
order = "listed"
"""

BENCH = """
bench = "wired"
[instruments.load]
driver = "modbus"
host = "127.0.0.1"
port = {modbus_port}
deadline_s = 0.3
timeout_register = 1
timeout_s = {dead_man_s}
channels.heat_w = {{ register = 10, table = "input", type = "float32", range = [0, 400], uncertainty_pct = 0.5 }}
setpoints.heat_w = {{ register = 0, scale = 0.1, range = [0, 400], safe = 0 }}

[instruments.block]
driver = "simulated"
heat_from = "127.0.0.1:{wire_port}"
channels.die_c = {{ source = "die", range = [0, 125], resolution = 0.1, uncertainty = 0.5 }}
channels.ambient_c = {{ source = "ambient", range = [5, 45], resolution = 0.01, uncertainty = 0.15 }}
channels.fan_rpm = {{ source = "fan_speed", range = [0, 5000] }}
setpoints.fan_pct = {{ target = "fans", range = [0, 100], safe = 100 }}
setpoints.pump_pct = {{ target = "pump", range = [0, 100], safe = 100, cooling = "liquid" }}

[instruments.meter]
driver = "simulated"
channels.level_dba = {{ source = "level", range = [20, 130], uncertainty = 0.7 }}

[[interlocks]]
channel = "die_c"
above = 95
for_s = 3

[[interlocks]]
channel = "heat_w"
above = 350
missing_s = {missing_s}
"""


@dataclass
class Night:
    """One run on the wired bench."""

    db: Path
    file: Path
    bench: LoadedBench
    writer: Writer
    run: int
    load: RunningLoad
    wire: HeatWire

    def play(self, on_tick: Callable[[Snapshot], None] | None = None) -> RunState:
        """Plays the run to an end with an engine and a bench of its own."""
        with OpenBench(self.bench.bench, "liquid") as bench:
            return Engine(RunBook(self.writer, self.run, bench), bench, PacedClock(SPEED), on_tick).play()

    def asked(self, query: str) -> list[tuple[object, ...]]:
        """What a person with the sqlite3 shell sees."""
        with closing(sqlite3.connect(self.db)) as connection:
            return connection.execute(query).fetchall()

    def points(self) -> list[PointRecord]:
        with self.writer.reading() as connection:
            return queries.points(connection, [self.run])

    def latch(self) -> EventRow | None:
        with self.writer.reading() as connection:
            return queries.trip_latch(connection, "wired")

    def once_in_the_second_point(self, act: Callable[[], None]) -> Callable[[Snapshot], None]:
        """Watches the run and acts once, in the middle of its second point."""
        began_s: dict[str, float] = {}

        def watch(snapshot: Snapshot) -> None:
            first = snapshot.stage not in began_s
            since_s = snapshot.t_s - began_s.setdefault(snapshot.stage, snapshot.t_s)
            if first or len(began_s) != 2 or since_s < PULLED_AFTER_S or "acted" in began_s:
                return
            began_s["acted"] = snapshot.t_s
            act()

        return watch


@pytest.fixture
def night(tmp_path: Path) -> Iterator[Night]:
    with running(comm_timeout_s=DEAD_MAN_S) as load, load.wire() as wire:
        ports = {"modbus_port": load.modbus_port, "wire_port": load.wire_port}
        file = tmp_path / "wired.toml"
        file.write_text(BENCH.format(**ports, dead_man_s=DEAD_MAN_S, missing_s=MISSING_S))
        bench = load_bench(file.read_text(), str(file))
        protocol = load_protocol(PROTOCOL, "three.toml")
        db = tmp_path / "bench.db"
        with Writer.open(db, durable=True) as writer:
            run = enroll(writer, protocol, bench, specimen="brook 2x140", cooling="liquid", seed=1, simulated=True)
            yield Night(db, file, bench, writer, run, load, wire)


@contextmanager
def at_most(seconds: float) -> Iterator[None]:
    begun_s = real_s()
    yield
    assert real_s() - begun_s < seconds


def cold_within(wire: HeatWire, seconds: float) -> bool:
    """Whether the heater is without power before so many real seconds have passed."""
    until_s = real_s() + seconds
    while wire.watts() > 0 and real_s() < until_s:
        time.sleep(0.02)
    return wire.watts() == 0


def test_three_good_points_over_the_wire_and_no_heat_afterwards(night):
    heat_seen = []
    assert night.play(lambda _: heat_seen.append(night.wire.watts())) is RunState.COMPLETE
    points = night.points()
    # Soaked for minutes only: that a rise may still move is all that is held against any of them.
    assert {flag for point in points for flag in point.flags} <= {Flag.STILL_MOVING}
    assert [point.fan_pct for point in points] == [40, 60, 80]
    for point in points:
        # The load's output lies 0.2 % below its setting, and its meter tells what really flows.
        assert point.heat_w == pytest.approx(0.998 * 150, abs=2)
        assert point.rise_k == pytest.approx(point.die_c - point.ambient_c, abs=0.1)
        assert point.resistance_k_per_w == pytest.approx(point.rise_k / point.heat_w, rel=1e-6)
        assert 20 < point.rise_k < 40
    assert points[0].level_dba < points[1].level_dba < points[2].level_dba
    assert max(heat_seen) == pytest.approx(0.998 * 150, abs=0.1)
    assert cold_within(night.wire, DEAD_MAN_S + 1)
    assert night.asked("SELECT count(*) FROM sample WHERE flag <> 0") == [(0,)]
    assert night.asked("SELECT what FROM event WHERE kind = 'safe'")[0] == ("load: heat_w 0: confirmed",)
    assert night.asked("PRAGMA integrity_check") == [("ok",)]


SAMPLES = """
    SELECT count(*), sum(flag = 0), sum(flag = 1), sum(value IS NULL) FROM sample
    JOIN channel ON channel.id = channel_id WHERE channel.name = '{channel}' AND t_ms {when}
"""


LAST_ANSWER = """
    SELECT max(t_ms) FROM sample JOIN channel ON channel.id = channel_id WHERE name = 'heat_w' AND flag = 0
"""


def assert_tripped_and_cold(night: Night) -> None:
    """The one defined end, whatever became of the load."""
    assert night.asked("SELECT state FROM run") == [("tripped",)]
    reason = night.asked("SELECT reason FROM run")[0][0]
    assert reason == f"heat_w has not been readable for {MISSING_S} s (missing)"
    assert night.latch() is not None
    assert night.latch().what == reason
    # What could not be read is missing, and nothing else is.
    lost_ms = night.asked(LAST_ANSWER)[0][0]
    last_ms = night.asked("SELECT max(t_ms) FROM sample")[0][0]
    ticks = (last_ms - lost_ms) // 1000
    assert MISSING_S < ticks <= MISSING_S + 2
    assert night.asked(SAMPLES.format(channel="heat_w", when=f"> {lost_ms}")) == [(ticks, 0, ticks, ticks)]
    for channel in ("die_c", "ambient_c", "fan_rpm", "level_dba"):
        assert night.asked(SAMPLES.format(channel=channel, when=f"> {lost_ms}")) == [(ticks, ticks, 0, 0)]
    assert night.asked(SAMPLES.format(channel="heat_w", when=f"<= {lost_ms}"))[0][2:] == (0, 0)
    # Everyone was told, and the load most plainly.
    safe = dict(night.asked("SELECT substr(what, 1, instr(what, ':') - 1), kind FROM event WHERE kind LIKE '%safe'"))
    assert safe == {"load": "not_safe", "block": "safe"}
    (told,) = night.asked("SELECT what FROM event WHERE kind = 'not_safe'")
    assert told[0].startswith("load: heat_w 0: NOT CONFIRMED: load at 127.0.0.1:")
    assert night.asked("SELECT count(*) FROM event WHERE kind = 'instrument_lost'")[0][0] >= 1
    # The first point stands, the second does not, and no heat flows.
    assert [point.fan_pct for point in night.points()] == [40]
    assert night.asked("SELECT ending FROM step ORDER BY id") == [("settled",), ("tripped",)]
    assert cold_within(night.wire, DEAD_MAN_S + 1)
    assert night.asked("PRAGMA integrity_check") == [("ok",)]


def test_a_pulled_cable_trips_the_run_and_the_same_run_goes_on_once_it_is_in_again(night, capsys):
    with at_most(30):
        assert night.play(night.once_in_the_second_point(night.wire.unplug)) is RunState.TRIPPED
    assert_tripped_and_cold(night)
    first = night.points()

    # Nobody can tell the bench to be safe while the cable is out, and that is said.
    assert benchd(["make-safe", "--bench", str(night.file)]) == 1
    said = capsys.readouterr()
    assert "load: heat_w 0: NOT CONFIRMED: load at 127.0.0.1:" in said.out
    assert "block: fan_pct 100, pump_pct 100: confirmed" in said.out
    assert "switch the heater off by hand at its mains switch" in said.err

    # With the cable in it can; but the latch holds until somebody clears it.
    night.wire.plug()
    assert benchd(["make-safe", "--bench", str(night.file)]) == 0
    assert capsys.readouterr().out.splitlines()[0] == "load: heat_w 0: confirmed"
    with pytest.raises(RunRefused, match="has not been cleared: heat_w has not been readable") as refused:
        night.play()
    assert refused.value.hint
    assert night.wire.watts() == 0

    night.writer.add_event(EventRow(bench="wired", utc=utc_now(), kind=CLEAR, what="cable mended", who="a person"))
    assert night.play() is RunState.COMPLETE
    points = night.points()
    assert points[:1] == first, "the first point was not measured twice"
    assert [point.fan_pct for point in points] == [40, 60, 80]
    assert {flag for point in points for flag in point.flags} <= {Flag.STILL_MOVING}
    attempts = night.asked("SELECT stage, max(attempt) FROM step GROUP BY stage ORDER BY min(id)")
    assert [attempt for _, attempt in attempts] == [1, 2, 1]
    assert night.asked("SELECT count(*), count(DISTINCT from_ms) FROM span") == [(2, 2)]
    assert cold_within(night.wire, DEAD_MAN_S + 1)


def test_a_load_that_dies_comes_to_the_same_end(night):
    with at_most(30):
        assert night.play(night.once_in_the_second_point(night.load.kill)) is RunState.TRIPPED
    assert_tripped_and_cold(night)
