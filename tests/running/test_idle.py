"""Design part 5: between runs the channels are read every 5 s for status and not stored."""

from __future__ import annotations

import pytest

from benchd.clock import VirtualClock
from benchd.instruments import RunAbout
from benchd.running.idle import AGAIN_S, EVERY_S, IdleReader

DWELL = '[[steps]]\nkind = "dwell"\nfor_min = 1\n'


def test_channels_are_read_every_five_seconds_and_shown(night) -> None:
    night.enroll(DWELL)
    clock, looks = VirtualClock(), []
    with night.opened() as bench:
        bench.begin(RunAbout("brook 2x140", "liquid", 1))
        reader = IdleReader(bench)
        while clock.now_s() < 16:
            if reader.due(clock.now_s()):
                looks.append((clock.now_s(), {s.channel for s in reader.take(clock) if s.value is not None}))
            clock.wait_until(clock.now_s() + 0.25)
    assert [t_s for t_s, _ in looks] == [0.0, EVERY_S, 2 * EVERY_S, 3 * EVERY_S]
    assert looks[0][1] == {"heat_w", "fan_rpm", "die_c", "ambient_c", "level_dba"}


def test_nothing_is_stored_and_nothing_commanded(parts, night) -> None:
    night.enroll(DWELL)
    with night.opened() as bench:
        bench.begin(RunAbout("brook 2x140", "liquid", 1))
        IdleReader(bench).take(VirtualClock())
    assert parts.order == []
    for table in ("sample", "step", "event", "channel"):
        assert night.ask(f"SELECT count(*) FROM {table}")[0][0] == 0


def test_a_dead_instrument_is_shown_as_missing(parts, real_night) -> None:
    real_night.enroll(DWELL)
    parts["meter"].read = parts.block
    with real_night.opened() as bench:
        samples = IdleReader(bench).take(VirtualClock())
    assert [s.value for s in samples if s.channel == "level_dba"] == [None]
    assert all(s.value is not None for s in samples if s.channel != "level_dba")


def test_what_gave_nothing_is_read_once_more_and_what_was_read_stands(parts, real_night) -> None:
    real_night.enroll(DWELL)
    times_s = []

    def read(t_s):
        times_s.append(t_s)
        return {"level_dba": 31.0} if len(times_s) > 1 else {}

    parts["meter"].read = read
    with real_night.opened() as bench:
        reader = IdleReader(bench)
        by_name = {s.channel: s.value for s in reader.take(VirtualClock())}
    assert times_s == [0.0, pytest.approx(AGAIN_S)]
    assert by_name["level_dba"] == 31.0
    assert by_name["die_c"] is not None
    assert reader.read_s == pytest.approx(AGAIN_S)
