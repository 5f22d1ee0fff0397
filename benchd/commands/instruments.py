"""`benchd instruments`: what each instrument of a bench says and reads; or what this machine has that could be one."""

from __future__ import annotations

from rich.table import Table

from benchd.bench_file import LoadedBench
from benchd.clock import SystemClock
from benchd.commands.output import console
from benchd.commands.tell import print_json, visible
from benchd.errors import BenchdError, NotFound
from benchd.instruments import Attached, SampleFlag, driver_names, find_driver, unit_of
from benchd.running.bench import OpenBench
from benchd.running.examine import Examined, examine
from benchd.running.sampler import Sample

_FLAGS = {
    SampleFlag.OK: "",
    SampleFlag.MISSING: "no value",
    SampleFlag.GARBLED: "what came is no value",
    SampleFlag.OUT_OF_RANGE: "outside the range of the bench file",
}


def instruments_command(loaded: LoadedBench, as_json: bool) -> None:
    """Look at each instrument and print what was found. Raises `BenchdError` unless all is well."""
    found = examine(OpenBench(loaded.bench), SystemClock())
    if as_json:
        print_json({"bench": loaded.bench.bench, "instruments": [_as_json(one) for one in found]})
    else:
        _print(loaded, found)
    ill = [one.instrument for one in found if not one.well]
    if ill:
        raise BenchdError(
            f"bench {loaded.bench.bench!r}: not well: {', '.join(ill)}",
            "no setpoint was commanded; mend it and look again",
        )


def find_command(as_json: bool) -> None:
    """Print what each installed driver could drive on this machine, as TOML to paste into a bench file."""
    attached = [(name, one) for name in driver_names() for one in _find(name)]
    if as_json:
        print_json([{"driver": name, "what": one.what, "stanza": one.stanza} for name, one in attached])
        return
    out = console()
    for _, one in attached:
        out.print(f"# {one.what}", soft_wrap=True)
        out.print(one.stanza.strip() + "\n", soft_wrap=True)
    if not attached:
        raise BenchdError(
            "nothing was found on this machine that a driver knows",
            "instruments in the network cannot be found like this: give their host in the bench file",
        )


def _find(name: str) -> list[Attached]:
    try:
        return find_driver(name).find()
    except NotFound:  # a driver that cannot be loaded finds nothing; `check` says why when it is used
        return []


def _print(loaded: LoadedBench, found: list[Examined]) -> None:
    out = console()
    for one in found:
        said = "NOT WELL: " + one.problem if one.problem else one.identity
        out.print(f"{one.instrument} ({one.driver}): {said}", soft_wrap=True)
        if one.hint:
            out.print(f"  {one.hint}", soft_wrap=True)
        if one.samples and not (one.problem and all(sample.value is None for sample in one.samples)):
            out.print(_table(one.samples))
        for setpoint, spec in loaded.bench.instruments[one.instrument].setpoints.items():
            low, high = spec.range
            unit = _unit(setpoint)
            out.print(f"  can set {setpoint} from {low:g} to {high:g} {unit}; safe is {spec.safe:g} {unit}")


def _table(samples: list[Sample]) -> Table:
    table = Table(box=None, show_header=False, padding=(0, 1, 0, 2), pad_edge=True)
    table.add_column()
    table.add_column(justify="right")
    table.add_column()
    table.add_column()
    for sample in samples:
        value = "-" if sample.value is None else f"{sample.value:.6g}"
        table.add_row(visible(sample.channel), value, _unit(sample.channel), _FLAGS[sample.flag])
    return table


def _unit(name: str) -> str:
    unit = unit_of(name) or ""
    return "" if unit == "1" else unit


def _as_json(one: Examined) -> dict[str, object]:
    return {
        "instrument": one.instrument,
        "driver": one.driver,
        "identity": one.identity or None,
        "problem": one.problem or None,
        "hint": one.hint or None,
        "channels": [
            {
                "channel": sample.channel,
                "value": sample.value,
                "unit": unit_of(sample.channel),
                "flag": sample.flag.name.lower(),
            }
            for sample in one.samples
        ],
    }
