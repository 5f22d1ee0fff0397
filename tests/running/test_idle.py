"""Design part 5: between runs the channels are read every 5 s for status and not stored."""

from __future__ import annotations

from benchd.clock import VirtualClock
from benchd.instruments import RunAbout
from benchd.running.idle import look_between_runs


def test_channels_are_read_every_five_seconds_and_shown(night) -> None:
    night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 1\n')
    looks = []

    def show(t_s, samples) -> bool:
        looks.append((t_s, {sample.channel for sample in samples if sample.value is not None}))
        return len(looks) < 4

    with night.opened() as bench:
        bench.begin(RunAbout("brook 2x140", "liquid", 1))
        look_between_runs(bench, VirtualClock(), show)
    assert [t_s for t_s, _ in looks] == [0.0, 5.0, 10.0, 15.0]
    assert looks[0][1] == {"heat_w", "fan_rpm", "die_c", "ambient_c", "level_dba"}


def test_nothing_is_stored_and_nothing_commanded(parts, night) -> None:
    night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 1\n')
    with night.opened() as bench:
        bench.begin(RunAbout("brook 2x140", "liquid", 1))
        look_between_runs(bench, VirtualClock(), lambda t_s, _samples: t_s < 20)
    assert parts.order == []
    for table in ("sample", "step", "event", "channel"):
        assert night.ask(f"SELECT count(*) FROM {table}")[0][0] == 0


def test_a_dead_instrument_is_shown_as_missing(parts, real_night) -> None:
    real_night.enroll('[[steps]]\nkind = "dwell"\nfor_min = 1\n')
    parts["meter"].read = parts.block
    seen = []
    with real_night.opened() as bench:
        look_between_runs(bench, VirtualClock(), lambda t_s, samples: seen.append(samples) or t_s < 10)
    assert [[s.value for s in samples if s.channel == "level_dba"] for samples in seen] == [[None]] * 3
    assert all(s.value is not None for samples in seen for s in samples if s.channel != "level_dba")
