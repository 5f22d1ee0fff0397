"""`benchd check`: every mistake of a file with its place; with a bench also a rehearsal and what it would come to."""

from __future__ import annotations

from benchd.bench_file import LoadedBench, load_bench
from benchd.commands.check_rehearsal import Expected, rehearsed
from benchd.commands.output import console
from benchd.commands.tell import print_json, tell
from benchd.cross_check import cross_check
from benchd.errors import BenchdError, InputError, NotFound
from benchd.named_files import FoundFile, find_bench, find_protocol, kind_of
from benchd.protocol_file import LoadedProtocol, load_protocol
from benchd.report.screen import hours
from benchd.running.states import RunState
from benchd.toml_source import parse


def check_command(file: str, bench: LoadedBench | None, specimens: tuple[str, ...], seed: int, as_json: bool) -> None:
    """Check a file and print what it is. Raises `FileProblems` with every mistake."""
    found = _find(file)
    tell(found.note)
    if kind_of(parse(found.text, found.file), found.file) == "bench":
        _check_bench(load_bench(found.text, found.file), bench, as_json)
        return
    protocol = load_protocol(found.text, found.file)
    cross_check(protocol)
    expected = rehearsed(protocol, bench, specimens, seed) if bench else []
    if as_json:
        print_json(
            {
                "file": protocol.file,
                "protocol": protocol.protocol.protocol,
                "steps": [protocol.protocol.name_of(step) for step in protocol.protocol.steps],
                "rehearsals": [one.as_json() for one in expected],
            }
        )
    else:
        _print_protocol(protocol, bench, expected)
    unfinished = [one.played for one in expected if one.played.state is not RunState.COMPLETE]
    if unfinished:
        raise BenchdError("; ".join(f"{one.specimen}: {one.state}: {one.reason}" for one in unfinished))


def _find(file: str) -> FoundFile:
    try:
        return find_protocol(file)
    except NotFound as no_protocol:
        try:
            return find_bench(file)
        except NotFound:
            raise no_protocol from None


def _check_bench(loaded: LoadedBench, against: LoadedBench | None, as_json: bool) -> None:
    if against is not None:
        raise InputError(f"{loaded.file} is a bench file itself", "--bench goes with a protocol")
    bench = loaded.bench
    channels, setpoints = sorted(bench.channels()), sorted(bench.setpoints())
    cautions = [(name, one) for name, instrument in bench.instruments.items() for one in instrument.cautions()]
    if as_json:
        interlocks = [interlock.words for interlock in bench.interlocks]
        print_json(
            {
                "file": loaded.file,
                "bench": bench.bench,
                "instruments": sorted(bench.instruments),
                "channels": channels,
                "setpoints": setpoints,
                "interlocks": interlocks,
                "cautions": [{"instrument": name, "caution": caution} for name, caution in cautions],
            }
        )
        return
    out = console()
    out.print(f"{loaded.file}: bench {bench.bench}: nothing wrong", soft_wrap=True)
    out.print(f"  instruments: {', '.join(sorted(bench.instruments))}", soft_wrap=True)
    out.print(f"  channels:    {', '.join(channels)}", soft_wrap=True)
    out.print(f"  setpoints:   {', '.join(setpoints)}", soft_wrap=True)
    for name, caution in cautions:
        out.print(f"  think over:  {name}: {caution}", soft_wrap=True)
    for interlock in bench.interlocks:
        out.print(f"  interlock:   {interlock.words}", soft_wrap=True)


def _print_protocol(protocol: LoadedProtocol, bench: LoadedBench | None, expected: list[Expected]) -> None:
    out = console()
    against = f", and bench {bench.bench.bench} can play it" if bench else ""
    out.print(f"{protocol.file}: protocol {protocol.protocol.protocol}: nothing wrong{against}", soft_wrap=True)
    out.print(
        f"  steps: {', '.join(protocol.protocol.name_of(step) for step in protocol.protocol.steps)}", soft_wrap=True
    )
    for one in expected:
        peaks = ", ".join(f"{name} {value:.1f} degC" for name, value in one.peaks_c.items())
        out.print(f"  {one.played.specimen} (simulated): {one.played.state} after {hours(one.played.bench_s)}")
        out.print(f"    at most: {peaks}")
        for line in one.lines():
            out.print(f"    {line}")
