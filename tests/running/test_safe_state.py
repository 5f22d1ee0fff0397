"""Design part 4, rule 6: one function brings the bench down, heat first, whatever has become of it."""

from __future__ import annotations

import time

import pytest

from benchd.errors import InstrumentError, LinkLost, SettingRefused
from benchd.running.bench import OpenBench
from benchd.running.safe_state import TRIES, make_safe


@pytest.fixture
def bench(bench_of):
    with OpenBench(bench_of(real=True).bench) as opened:
        yield opened


def test_heat_is_off_first_and_cooling_goes_on_as_the_bench_file_says(parts, bench) -> None:
    report = make_safe(bench, "asked for")
    assert parts.order == [
        ("load", "make_safe", {"heat_w": 0}),
        ("fans", "make_safe", {"fan_pct": 100, "pump_pct": 90}),
    ]
    assert report.confirmed
    assert report.cause == "asked for"
    assert [line.words for line in report.lines] == [
        "load: heat_w 0: confirmed",
        "fans: fan_pct 100, pump_pct 90: confirmed",
    ]


def test_within_one_instrument_heat_is_the_first_setpoint(parts, bench_of) -> None:
    text = (
        bench_of(real=True)
        .text.replace("[instruments.load]", "[instruments.all]")
        .replace('[instruments.fans]\ndriver = "slow"\ndeadline_s = 0.05\n', "")
    )
    # One device with fans, pump and heat, declared in an order of its own.
    lines = text.splitlines()
    heat = next(line for line in lines if line.startswith("setpoints.heat_w"))
    lines.remove(heat)
    lines.insert(next(i for i, line in enumerate(lines) if line.startswith("setpoints.pump")) + 1, heat)
    from benchd.bench_file import parse_bench

    with OpenBench(parse_bench("\n".join(lines), "one.toml")) as bench:
        make_safe(bench, "")
    assert [list(values) for values in parts["all"].safes] == [["heat_w", "fan_pct", "pump_pct"]]


@pytest.mark.parametrize(
    "fault",
    [
        pytest.param(None, id="hangs"),
        pytest.param(LinkLost("load: unplugged"), id="link lost"),
        pytest.param(RuntimeError("a fault in the driver"), id="driver fault"),
        pytest.param(SettingRefused("load: reads back 150"), id="refused"),
    ],
)
def test_one_dead_instrument_does_not_keep_the_others_from_being_made_safe(parts, bench, fault) -> None:
    def dead(_values) -> None:
        if fault is None:
            parts.block()
        raise fault

    parts["load"].make_safe = dead
    began_s = time.monotonic()
    report = make_safe(bench, "")
    assert time.monotonic() - began_s < 0.5
    assert parts["fans"].safes == [{"fan_pct": 100, "pump_pct": 90}]
    assert not report.confirmed
    assert [bool(line.problem) for line in report.lines] == [True, False]
    assert report.lines[0].words.startswith("load: heat_w 0: NOT CONFIRMED: load")


def test_an_instrument_that_refuses_once_is_tried_again(parts, bench) -> None:
    def refuses_once(_values) -> None:
        if len(parts["load"].safes) == 1:
            raise SettingRefused("load: reads back 150")

    parts["load"].make_safe = refuses_once
    assert make_safe(bench, "").confirmed
    assert len(parts["load"].safes) == 2 <= TRIES


def test_an_instrument_busy_with_a_slow_answer_is_waited_for(parts, bench) -> None:
    parts["load"].read = lambda _t_s: (time.sleep(0.09), {})[1]
    bench.read(0.0)  # gives up after 0.05 s while the instrument is still at it
    assert make_safe(bench, "").confirmed


def test_twice_is_fine(parts, bench) -> None:
    assert make_safe(bench, "").confirmed
    assert make_safe(bench, "again").confirmed
    assert len(parts["load"].safes) == 2


def test_a_bench_that_is_not_open_is_opened_as_far_as_it_goes(parts, bench_of) -> None:
    def dead() -> None:
        raise LinkLost("fans: not there")

    opened = []
    parts["fans"].open = dead
    parts["load"].open = lambda: opened.append("load")
    bench = OpenBench(bench_of(real=True).bench)
    try:
        report = make_safe(bench, "")
    finally:
        bench.close()
    assert opened == ["load"]
    assert parts["load"].safes == [{"heat_w": 0}]
    assert [line.problem for line in report.lines] == ["", "fans: not there"]


def test_a_load_that_cannot_be_opened_is_told_to_stop_all_the_same(parts, bench_of) -> None:
    def refuses() -> None:
        raise SettingRefused("load: communication time-out refused")

    parts["load"].open = refuses
    bench = OpenBench(bench_of(real=True).bench)
    try:
        report = make_safe(bench, "")
    finally:
        bench.close()
    assert {"heat_w": 0} in parts["load"].safes
    assert report.lines[0].problem == "load: communication time-out refused", "it was not all as it should be"


def test_an_interruption_does_not_keep_the_others_from_being_made_safe(parts, bench_of) -> None:
    """Ctrl-C once more, while the bench is being made safe: it is raised when all is done."""

    def interrupted(_values) -> None:
        if len(parts["load"].safes) == 1:
            raise KeyboardInterrupt

    parts["load"].make_safe = interrupted
    with OpenBench(bench_of().bench) as bench, pytest.raises(KeyboardInterrupt):
        make_safe(bench, "")
    assert parts["load"].safes == [{"heat_w": 0}] * 2
    assert parts["fans"].safes == [{"fan_pct": 100, "pump_pct": 90}]


def test_it_never_raises_an_error_of_an_instrument(parts, bench) -> None:
    def dead(_values) -> None:
        raise InstrumentError("no")

    parts["load"].make_safe = parts["fans"].make_safe = dead
    assert [line.problem for line in make_safe(bench, "").lines] == ["no", "no"]


@pytest.mark.parametrize("refuses", [True, False])
def test_instruments_are_told_to_stay_as_they_are_unless_all_is_confirmed(parts, bench, monkeypatch, refuses) -> None:
    def no(_values) -> None:
        raise SettingRefused("load: no")

    told = []
    for name, instrument in bench.instruments.items():
        monkeypatch.setattr(instrument.driver, "stay_safe", lambda name=name: told.append(name))
    parts["load"].make_safe = no if refuses else None
    assert make_safe(bench, "").confirmed is not refuses
    assert set(told) == (set(bench.instruments) if refuses else set())
