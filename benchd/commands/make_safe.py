"""`benchd make-safe`: the safe state, without a daemon."""

from __future__ import annotations

from benchd.bench_file import LoadedBench
from benchd.commands.output import console
from benchd.commands.tell import print_json, tell
from benchd.errors import BenchdError
from benchd.running.bench import OpenBench
from benchd.running.safe_state import make_safe
from benchd.service.bench_lock import held_by


def make_safe_command(loaded: LoadedBench, as_json: bool) -> None:
    """Bring the bench down and print what was confirmed. Raises `BenchdError` unless all of it was."""
    daemon = held_by(loaded.bench)
    if daemon is not None:
        tell(f"process {daemon} serves this bench and may command it again; benchd abort ends its run")
    # Not entered as a context: an instrument that cannot be opened must not keep the others from being made safe.
    bench = OpenBench(loaded.bench)
    try:
        report = make_safe(bench, "asked for on the command line")
    finally:
        bench.close()
    if as_json:
        lines = [
            {"instrument": line.instrument, "values": line.values, "problem": line.problem or None}
            for line in report.lines
        ]
        print_json({"bench": loaded.bench.bench, "confirmed": report.confirmed, "instruments": lines})
    else:
        out = console()
        for line in report.lines:
            out.print(line.words, soft_wrap=True)
    if not report.confirmed:
        raise BenchdError(
            f"bench {loaded.bench.bench!r}: the safe state is not confirmed",
            "go to the bench, switch the heater off by hand at its mains switch, and keep the cooling running",
        )
