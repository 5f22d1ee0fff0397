"""What a protocol asks, held against itself as a whole and against the bench it is to run on.

All mistakes come at once, each at its place in the protocol file. No instrument is opened.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias

from benchd.bench_file import HEAT_SETPOINT, SETPOINTS, BenchFile, Interlock
from benchd.errors import FileProblems, Problem
from benchd.instruments import Cooling, unit_of
from benchd.protocol_file import (
    SINKS,
    AnyStep,
    Background,
    CoolDownStep,
    Dwell,
    FanSweep,
    LoadedProtocol,
    MountCheck,
    Protocol,
    PumpSweep,
    Soak,
    finer_sink,
)
from benchd.toml_places import Path, Places
from benchd.toml_problems import problem_at

#: The channel of what the heater heats.
HEATED = "die_c"
_FAN_SETPOINT = "fan_pct"
_PUMP_SETPOINT = "pump_pct"
_MOVING = (_FAN_SETPOINT, _PUMP_SETPOINT)


def cross_check(loaded: LoadedProtocol, bench: BenchFile | None = None, cooling: Cooling | None = None) -> None:
    """Raise `FileProblems` with all that stands in the way of the protocol, alone or on the bench.

    cooling: judge by the channels and setpoints there are with such a specimen; None: by all.
    """
    protocol = loaded.protocol
    found = [*_double_names(protocol), *_soaks_before_sweep(protocol)]
    if bench is not None:
        there = _Bench(bench, cooling)
        found += [*_needs(protocol, there), *_outside(protocol, there)]
        found += [*_pump_not_said(protocol, there), *_limit_not_below(protocol, there), *_too_fine(protocol, there)]
    if found:
        raise FileProblems(loaded.file, _placed(loaded.text, found))


@dataclass(frozen=True)
class _Finding:
    path: Path
    what: str


class _Bench:
    """What there is on the bench with a specimen of this kind."""

    def __init__(self, bench: BenchFile, cooling: Cooling | None) -> None:
        self.name = bench.bench
        self.cooling = cooling
        self.channels = {name: spec for name, (_, spec) in bench.channels(cooling).items()}
        self.ranges = {name: spec.range for name, (_, spec) in bench.setpoints(cooling).items()}
        self.interlocks: list[Interlock] = [lock for lock in bench.interlocks if lock.channel in self.channels]

    def lacks(self, channels: tuple[str, ...], setpoints: tuple[str, ...]) -> list[str]:
        """Those of the names that the bench does not have, as words."""
        missing = [f"channel {name}" for name in channels if name not in self.channels]
        return missing + [f"setpoint {name}" for name in setpoints if name not in self.ranges]

    @property
    def has_temperature_interlock(self) -> bool:
        """Whether the temperature of what is heated trips the bench when it is too high; any other may stay cold."""
        return any(lock.above is not None and lock.channel == HEATED for lock in self.interlocks)


def _placed(text: str, found: list[_Finding]) -> list[Problem]:
    data, places = tomllib.loads(text), Places(text)
    return [problem_at(places, data, finding.path, finding.what) for finding in found]


# --- the protocol alone


def _double_names(protocol: Protocol) -> Iterator[_Finding]:
    seen: dict[str, int] = {}
    for index, step in enumerate(protocol.steps):
        name = protocol.name_of(step)
        first = seen.setdefault(name, index)
        if first != index:
            key = "name" if step.name else "kind"
            what = f'step {first + 1} is called "{name}" already; give this one a name of its own'
            yield _Finding(("steps", index, key), what)


def _soaks_before_sweep(protocol: Protocol) -> Iterator[_Finding]:
    swept = False
    for index, step in enumerate(protocol.steps):
        swept = swept or isinstance(step, FanSweep)
        if isinstance(step, Soak) and step.noise_dba is not None and not swept:
            what = "needs a fan_sweep before it, which finds the fan setting for each level; or give fan_pct"
            yield _Finding(("steps", index, "noise_dba"), what)


# --- the protocol on the bench


def _needs(protocol: Protocol, bench: _Bench) -> Iterator[_Finding]:
    """What the bench lacks, at the first step that needs it."""
    steps = list(enumerate(protocol.steps))
    heated = next(((index, step) for index, step in steps if _heats(step)), None)
    if heated:
        path: Path = ("steps", heated[0], HEAT_SETPOINT)
        yield from _lacking(path, "heat", bench, ("die_c", "ambient_c", "heat_w"), (HEAT_SETPOINT,))
        if not bench.has_temperature_interlock:
            what = f'heat needs an interlock with {HEATED} above a temperature; bench "{bench.name}" has none'
            yield _Finding(path, what)
    heard = next(((index, key) for index, step in steps for key in _listens(step)), None)
    if heard:
        yield from _lacking(("steps", *heard), "a noise level", bench, ("level_dba",), ())
    blown = next(((index, key) for index, step in steps for key in _blows(step)), None)
    if blown:
        yield from _lacking(("steps", *blown), "a fan setting", bench, ("fan_rpm",), (_FAN_SETPOINT,))
    checked = next((index for index, step in steps if isinstance(step, MountCheck)), None)
    if checked is not None and not bench.channels.keys() & SINKS.keys():
        yield _Finding(("steps", checked, "kind"), _no_sink(bench))


def _no_sink(bench: _Bench) -> str:
    wanted = {"liquid": "channel coolant_c", "air": "channel fin_c", None: "channel coolant_c or fin_c"}[bench.cooling]
    specimen = f" with a specimen of {bench.cooling} cooling" if bench.cooling else ""
    return (
        f'a mount check needs {wanted}, which bench "{bench.name}" does not have{specimen}; the rise over ambient '
        "cannot stand for it, for it holds the whole cooler"
    )


def _lacking(
    path: Path, need: str, bench: _Bench, channels: tuple[str, ...], setpoints: tuple[str, ...]
) -> Iterator[_Finding]:
    for lack in bench.lacks(channels, setpoints):
        yield _Finding(path, f'{need} needs {lack}, which bench "{bench.name}" does not have')


def _heats(step: AnyStep) -> bool:
    return step.needs_heat or (isinstance(step, Dwell) and step.heat_w > 0)


def _listens(step: AnyStep) -> list[str]:
    """The keys of a step that ask for a noise level."""
    if isinstance(step, Soak) and step.noise_dba is not None:
        return ["noise_dba"]
    if isinstance(step, PumpSweep) and step.listen_s > 0:
        return ["listen_s"]
    return ["kind"] if step.needs_level else []


def _blows(step: AnyStep) -> list[str]:
    """The keys of a step that ask for a fan setting."""
    if isinstance(step, Soak) and step.noise_dba is not None:
        return ["noise_dba"]
    return [_FAN_SETPOINT] if getattr(step, _FAN_SETPOINT, None) is not None else []


def _outside(protocol: Protocol, bench: _Bench) -> Iterator[_Finding]:
    """Settings that the bench cannot be given. Where there is no pump, a pump setting is not sent at all."""
    for index, step in enumerate(protocol.steps):
        for keys, setpoint, value, why in (*_given(step), *_implied(step)):
            low, high = bench.ranges.get(setpoint, (value, value))
            if not low <= value <= high:
                got = f"got {value:g} [{unit_of(setpoint)}]{why}"
                what = f'{setpoint} must be {low:g} to {high:g} on bench "{bench.name}", {got}'
                yield _Finding(("steps", index, *keys), what.removeprefix(f"{keys[0]} "))


#: Keys within a step, setpoint, value [unit of the setpoint], why it is wanted when it is not written there.
_Setting: TypeAlias = tuple[Path, str, float, str]


def _given(step: AnyStep) -> Iterator[_Setting]:
    """The settings that stand in a step."""
    for name in SETPOINTS:
        given = getattr(step, name, None)
        if isinstance(given, tuple):
            yield from (((name, index), name, value, "") for index, value in enumerate(given))
        elif given is not None:
            yield (name,), name, given, ""


def _implied(step: AnyStep) -> Iterator[_Setting]:
    """The settings that a kind of step brings along."""
    if isinstance(step, Background):
        yield from ((("kind",), name, 0, ": a background stops the fans and the pump") for name in _MOVING)
    if isinstance(step, PumpSweep) and step.listen_s > 0:
        yield ("listen_s",), _FAN_SETPOINT, 0, ": listening to the pump stops the fans"
    if isinstance(step, CoolDownStep) or (isinstance(step, Soak) and step.cools):
        key = "kind" if isinstance(step, CoolDownStep) else "cool_down"
        yield from (((key,), name, 100, ": a cool-down runs fans and pump at full speed") for name in _MOVING)


def _pump_not_said(protocol: Protocol, bench: _Bench) -> Iterator[_Finding]:
    """On a bench with a pump someone must choose its speed: a forgotten pump is heard in every level."""
    if _PUMP_SETPOINT not in bench.ranges:
        return
    swept = False
    for index, step in enumerate(protocol.steps):
        swept = swept or isinstance(step, PumpSweep)
        if isinstance(step, Soak | FanSweep) and step.pump_pct is None and not swept:
            what = "missing: give a number [%], such as 100 for full speed, or put a pump_sweep before this step"
            yield _Finding(("steps", index, _PUMP_SETPOINT), what)


def _limit_not_below(protocol: Protocol, bench: _Bench) -> Iterator[_Finding]:
    limit_c = protocol.limits.over_limit_c
    trips_c = [lock.above for lock in bench.interlocks if lock.channel == "die_c" and lock.above is not None]
    if limit_c is not None and trips_c and limit_c >= min(trips_c):
        what = (
            f'must be below the interlock "die_c above {min(trips_c):g} degC" of bench "{bench.name}", '
            f"got {limit_c:g} [degC]; else the run trips before the point ends"
        )
        yield _Finding(("limits", "over_limit_c"), what)


def _too_fine(protocol: Protocol, bench: _Bench) -> Iterator[_Finding]:
    """Nobody can see a rise come to within less than its sensor shows."""
    if HEATED not in bench.channels:
        return
    step_k = bench.channels[HEATED].resolution
    for index, step in enumerate(protocol.steps):
        if not isinstance(step, Soak | PumpSweep) or step.equilibrium.for_min is not None:
            continue
        within_k = step.equilibrium.within_k
        if within_k < step_k and finer_sink(bench.channels, within_k) is None:
            what = (
                f'must be at least what {HEATED} resolves on bench "{bench.name}", {step_k:g} K, got {within_k:g}; or '
                f"use for_min, or a bench with {_finer(bench.cooling)} that resolves {within_k:g} K"
            )
            yield _Finding(("steps", index, "equilibrium", "within_k"), what)


def _finer(cooling: Cooling | None) -> str:
    return {"liquid": "a coolant_c", "air": "a fin_c", None: "a coolant_c or fin_c"}[cooling]
