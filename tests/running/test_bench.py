"""Design part 4, rule 3: one worker thread behind a blocking instrument, at most one request in flight."""

from __future__ import annotations

import itertools
import threading
import time
from itertools import pairwise

import pytest

from benchd import clock
from benchd.clock import real_s
from benchd.errors import Garbled, InstrumentError, LinkLost, NoAnswer
from benchd.instruments import SampleFlag
from benchd.running.bench import OpenBench
from benchd.running.safe_state import make_safe
from benchd.running.sampler import Sampler


@pytest.fixture
def bench(bench_of):
    with OpenBench(bench_of(real=True).bench, "liquid") as opened:
        yield opened


def flags(bench: OpenBench, t_s: float) -> dict[str, SampleFlag]:
    return {sample.channel: sample.flag for sample in Sampler(bench).take(t_s)}


def test_each_blocking_instrument_has_one_thread_of_its_own(parts, bench) -> None:
    for t_s in range(3):
        bench.read(t_s)
    bench.write({"heat_w": 100.0})
    names = {name: parts[name].threads for name in ("load", "fans", "probe", "meter")}
    assert names == {name: {f"instrument {name}"} for name in names}


def test_an_immediate_instrument_is_called_inline_and_has_no_thread(parts, night) -> None:
    before = threading.active_count()
    night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 0.05\n')
    seen = set()
    night.play(on_tick=lambda *_: seen.add(threading.active_count()))
    assert seen == {before}
    assert parts["probe"].threads == {threading.current_thread().name}


def test_instruments_are_asked_at_the_same_time_not_one_after_the_other(parts, bench) -> None:
    for name in ("load", "fans", "probe", "meter"):
        parts[name].read = lambda _t_s: (time.sleep(0.03), {})[1]
    began_s = time.monotonic()
    bench.read(0.0)
    assert time.monotonic() - began_s < 0.11  # one after the other it would be 0.12 s


def test_an_instrument_gets_at_most_one_request_at_a_time(parts, bench) -> None:
    parts["meter"].read = parts.block
    for t_s in range(5):
        bench.read(t_s)
    assert parts["meter"].reads == [0.0]
    parts.released.set()
    time.sleep(0.05)
    bench.read(5.0)
    assert parts["meter"].reads == [0.0, 5.0], "nothing was queued up while it was busy"
    assert parts["meter"].most_calling == 1


def test_making_safe_too_is_refused_to_an_instrument_that_is_still_busy(parts, bench) -> None:
    parts["load"].read = parts.block
    bench.read(0.0)
    assert make_safe(bench, "").lines[0].problem == "load: still busy with an earlier request"
    parts.released.set()
    time.sleep(0.05)
    assert parts["load"].safes == []
    assert make_safe(bench, "").confirmed


def test_unanswered_at_the_deadline_is_missing_now_and_until_it_is_free(parts, bench) -> None:
    gate = threading.Event()
    parts["meter"].read = lambda t_s: (gate.wait(5), {"level_dba": 99.0})[1] if t_s == 1 else {"level_dba": 30 + t_s}
    given = [bench.read(0.0).get("level_dba"), bench.read(1.0).get("level_dba"), bench.read(2.0).get("level_dba")]
    gate.set()
    time.sleep(0.05)
    given.append(bench.read(3.0).get("level_dba"))
    assert given == [30.0, None, None, 33.0]


def test_late_reply_is_never_recorded(parts, real_night) -> None:
    def answers(t_s: float):
        if t_s == 2:
            time.sleep(0.08)  # after its deadline of 0.05 s, while a later tick is being read
        return {"level_dba": 100.0 + t_s}

    real_night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 0.1\n')
    parts["meter"].read = answers
    parts["probe"].read = lambda _t_s: (time.sleep(0.03), {"die_c": 40.0, "ambient_c": 22.0})[1]
    real_night.play()
    samples = real_night.samples("level_dba")
    assert (2000, None, "missing") in samples
    # Whatever is recorded belongs to its own tick, and none is the late 102.
    assert all(value == 100.0 + t_ms / 1000 for t_ms, value, flag in samples if flag == "ok")
    assert samples[-1] == (6000, 106.0, "ok")


@pytest.mark.parametrize(
    "fault",
    [
        pytest.param(None, id="hangs"),
        pytest.param(LinkLost("probe: unplugged"), id="link lost"),
        pytest.param(ZeroDivisionError("a fault in the driver"), id="driver fault"),
    ],
)
def test_one_dead_instrument_costs_no_other_its_samples(parts, bench, fault) -> None:
    def dead(_t_s: float):
        if fault is None:
            return parts.block()
        raise fault

    parts["probe"].read = dead
    for t_s in range(3):
        got = flags(bench, t_s)
        assert {name for name, flag in got.items() if flag is SampleFlag.MISSING} == {"die_c", "ambient_c"}
        assert {name for name, flag in got.items() if flag is SampleFlag.OK} == {"heat_w", "fan_rpm", "level_dba"}
    assert set(bench.silent) == {"probe"}
    assert bench.silent["probe"].startswith("probe: ")


def test_an_instrument_that_dies_and_comes_back_is_said_once_each(parts, real_night) -> None:
    def answers(t_s: float):
        if 2 <= t_s < 4:
            raise LinkLost("meter: unplugged")
        return {"level_dba": 35.0}

    real_night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 0.1\n')
    parts["meter"].read = answers
    real_night.play()
    assert [flag for _, _, flag in real_night.samples("level_dba")] == ["ok"] * 2 + ["missing"] * 2 + ["ok"] * 3
    assert real_night.said("instrument_lost") == ["meter: unplugged"]
    assert real_night.said("instrument_back") == ["meter answers again"]


def test_a_dead_instrument_is_asked_less_and_less_often_and_at_least_every_ten_seconds(parts, bench) -> None:
    def dead(_t_s: float):
        raise LinkLost("meter: unplugged")

    parts["meter"].read = dead
    for t_s in range(100, 200):
        assert "level_dba" not in bench.read(float(t_s))
    asked_s = [int(t_s) - 100 for t_s in parts["meter"].reads]
    assert asked_s[:6] == [0, 1, 2, 3, 5, 8]
    gaps_s = [later - earlier for earlier, later in itertools.pairwise(asked_s)]
    assert gaps_s == sorted(gaps_s)
    assert gaps_s[-1] == 10
    # The others are asked every time.
    assert len(parts["probe"].reads) == 100


def test_a_dead_instrument_that_answers_again_is_asked_every_time_again(parts, bench) -> None:
    def answers(t_s: float):
        if t_s < 30:
            raise LinkLost("meter: unplugged")
        return {"level_dba": 35.0}

    parts["meter"].read = answers
    got = [t_s for t_s in range(60) if "level_dba" in bench.read(float(t_s))]
    assert 30 <= got[0] <= 40
    assert got == list(range(got[0], 60))
    assert bench.silent == {}


def test_a_pause_of_one_run_does_not_last_into_the_next(parts, bench) -> None:
    dead = True

    def answers(_t_s: float):
        if dead:
            raise LinkLost("meter: unplugged")
        return {"level_dba": 35.0}

    parts["meter"].read = answers
    for t_s in range(1000, 1100):
        bench.read(float(t_s))
    dead = False
    assert "level_dba" in bench.read(0.0), "bench time of the next run begins anew"


def test_a_silent_instrument_is_not_waited_for_again_when_setpoints_go_out(parts, bench) -> None:
    parts["fans"].read = parts.block
    bench.read(0.0)
    began_s = time.monotonic()
    failed = bench.write({"fan_pct": 50.0, "heat_w": 10.0})
    assert time.monotonic() - began_s < 0.05  # its deadline is not waited for again
    assert failed == {"fan_pct": "fans: no answer within 0.05 s"}
    assert parts["load"].writes == [{"heat_w": 10.0}]


def test_heat_off_is_tried_even_where_readings_fail(parts, bench) -> None:
    def nonsense(_t_s: float):
        raise Garbled("load: answered #%?")

    parts["load"].read = nonsense
    bench.read(0.0)
    assert list(bench.write({"heat_w": 10.0})) == ["heat_w"]
    assert bench.write({"heat_w": 0.0}) == {}
    assert parts["load"].writes == [{"heat_w": 0.0}]


def test_heat_off_at_a_silent_instrument_is_tried_now_and_then_and_with_little_patience(parts, bench) -> None:
    def deaf(_given):
        time.sleep(0.04)  # within its deadline of 0.05 s, so that it is never busy for long
        raise NoAnswer("load: no answer")

    parts["load"].read = parts["load"].write = deaf
    spent_s = 0.0
    for t_s in range(60):
        bench.read(float(t_s))
        began_s = time.monotonic()
        assert "heat_w" in bench.write({"heat_w": 0.0})
        spent_s += time.monotonic() - began_s
        time.sleep(0.045)  # until it is free again
    assert 8 <= len(parts["load"].writes) <= 15
    assert spent_s < 15 * 0.03


def test_a_write_that_hangs_is_given_up_at_its_deadline(parts, bench) -> None:
    parts["load"].write = parts.block
    failed = bench.write({"heat_w": 10.0, "fan_pct": 50.0})
    assert failed == {"heat_w": "load: no answer within 0.05 s"}
    assert parts["fans"].writes == [{"fan_pct": 50.0}]


def test_an_instrument_that_cannot_be_opened_closes_the_others(parts, bench_of) -> None:
    def refuse() -> None:
        raise NoAnswer("meter: does not wake up")

    parts["meter"].open = refuse
    with pytest.raises(InstrumentError, match="does not wake up"), OpenBench(bench_of(real=True).bench):
        pass  # `parts` sees that no thread is left


def test_leaving_a_bench_with_a_hung_instrument_takes_no_longer_than_its_deadlines(parts, bench_of) -> None:
    parts["meter"].read = parts.block
    with OpenBench(bench_of(real=True).bench) as bench:
        bench.read(0.0)
        began_s = time.monotonic()
    assert time.monotonic() - began_s < 0.5


def test_a_guard_hears_of_a_bench_that_is_closed_while_an_instrument_hangs(parts, real_night) -> None:
    """Letting go of a dead instrument takes its deadline, and must not look like a hang of the loop."""
    real_night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 1\n')
    bench = real_night.opened()
    bench.open()
    parts["meter"].read = parts.block
    bench.read(0.0)
    bench.instruments["meter"].deadline_s = 1.0
    beats: list[float] = []
    clock.on_beat(lambda: beats.append(real_s()))
    try:
        bench.close()
        beats.append(real_s())
    finally:
        clock.on_beat(lambda: None)
    assert beats[-1] - beats[0] > 0.8
    assert max(late - early for early, late in pairwise(beats)) < 0.5
