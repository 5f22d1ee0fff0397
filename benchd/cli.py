"""The command line: parse, one call, print. Nothing heavy is imported before a command runs.

What a command shows goes to standard output, with `--json` nothing else does; messages go to standard error. Exit
status: 0 done, 1 the run or the question failed, 2 the input is wrong, 3 a daemon is needed and none answers.
"""

from __future__ import annotations

import contextlib
import io
import os
import signal
import sys
from pathlib import Path

import click

import benchd
from benchd.commands import completion
from benchd.commands.tell import tell, visible
from benchd.errors import BenchdError, FileProblems, InputError
from benchd.options import (
    HEAT,
    LEVEL,
    RUN,
    as_json,
    bench_of,
    bench_option,
    db_option,
    protocol_of,
    seed_option,
    specimen_option,
)
from benchd.service_cli import COMMANDS

EXIT_STATUS = (
    "Exit status: 0 done; 1 the run or the question failed; 2 the input is wrong; "
    "3 a daemon is needed and none answers."
)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}, epilog=EXIT_STATUS)
@click.version_option(benchd.__version__, "--version", message="benchd %(version)s")
def group() -> None:
    """Runs an unattended night of cooler measurements on one bench, and compares coolers at equal noise and heat.

    Heaters get hot and liquid stands near electricity: fit an independent thermal cut-out, have mains wiring done by a
    licensed person, and follow your local codes. Software alone must never be what keeps a bench safe.
    """


@group.command(short_help="Play a protocol on the simulator: a night in seconds.")
@click.argument("protocol", shell_complete=completion.protocols)
@bench_option
@db_option
@specimen_option
@seed_option
@as_json
def replay(protocol: str, bench: str, db: Path | None, specimens: tuple[str, ...], seed: int, as_json: bool) -> None:
    """Play PROTOCOL on the simulated twin of a bench, a night in seconds.

    PROTOCOL is the name of a shipped protocol or of your own, or a path. Every sample is recorded as on a real bench.
    """
    from benchd.commands.replay import replay_command

    replay_command(protocol_of(protocol), bench_of(bench), db, specimens, seed, as_json)


@group.command(short_help="Find every mistake in a protocol or bench file.")
@click.argument("file", shell_complete=completion.either)
@click.option(
    "--bench",
    default=None,
    metavar="BENCH",
    shell_complete=completion.benches,
    help="Also check FILE, a protocol, against this bench.",
)
@specimen_option
@seed_option
@as_json
def check(file: str, bench: str | None, specimens: tuple[str, ...], seed: int, as_json: bool) -> None:
    """Check FILE, a protocol or a bench file, and name every mistake with its place.

    With a bench that names a simulated twin the protocol is also rehearsed: hours, peak temperatures, what cannot be
    reached or does not settle in its time, and what each way to cool down before the test points costs in hours.
    """
    from benchd.commands.check import check_command

    check_command(file, bench_of(bench) if bench else None, specimens, seed, as_json)


@group.command(short_help="Show test points, or compare specimens at equal noise.")
@click.argument("runs", type=RUN, nargs=-1, metavar="[RUN]...")
@db_option
@click.option("--at-dba", type=LEVEL, metavar="L", help="Specimens side by side at this total level [dBA].")
@click.option(
    "--floor",
    type=LEVEL,
    metavar="F",
    help="The background that levels are stated over [dBA]; the median of the runs unless given.",
)
@click.option("--heat", type=HEAT, metavar="W", help="Only this heat load [W].")
@click.option("--point", type=click.IntRange(1), metavar="N", help="Only the point of this number in its run.")
@click.option("--why", is_flag=True, help="With --point: why its soak ended when it did.")
@click.option(
    "--figure", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE.svg", help="With --point: draw its soak."
)
@as_json
def results(
    runs: tuple[int, ...],
    db: Path | None,
    at_dba: float | None,
    floor: float | None,
    heat: float | None,
    point: int | None,
    why: bool,
    figure: Path | None,
    as_json: bool,
) -> None:
    """Show the test points of RUNs, of the newest run of each specimen unless given; or compare at equal noise."""
    if point is not None and at_dba is not None:
        raise click.UsageError("--point shows one point; --at-dba compares whole runs")
    if why or figure is not None:
        from benchd.commands.why import why_command

        if point is None:
            raise click.UsageError("--why and --figure go with --point N, the number of a point in its run")
        why_command(runs, db, point, why, figure, as_json)
        return
    from benchd.commands.results import results_command

    results_command(runs, db, at_dba, floor, heat, point, as_json)


@group.command(short_help="Look at each instrument of a bench, or find what could be one.")
@click.option(
    "--bench", default=None, metavar="BENCH", shell_complete=completion.benches, help="Name or path of a bench file."
)
@click.option("--find", "finding", is_flag=True, help="List serial ports and the like, as TOML for a bench file.")
@as_json
def instruments(bench: str | None, finding: bool, as_json: bool) -> None:
    """Open each instrument of a bench, ask what it is, and read all its channels; no setpoint is commanded.

    Says in words what is wrong and what to try. With --find: what this machine has that an instrument could be.
    """
    from benchd.commands.instruments import find_command, instruments_command

    if finding == (bench is not None):
        raise click.UsageError("say either --bench BENCH or --find")
    if bench is not None:
        instruments_command(bench_of(bench), as_json)
    else:
        find_command(as_json)


@group.command("make-safe", short_help="Bring the bench to its safe state, without a daemon.")
@click.option(
    "--bench", required=True, metavar="BENCH", shell_complete=completion.benches, help="Name or path of a bench file."
)
@as_json
def make_safe(bench: str, as_json: bool) -> None:
    """Bring the bench to its safe state, without a daemon: heat off, cooling as the bench file says."""
    from benchd.commands.make_safe import make_safe_command

    make_safe_command(bench_of(bench), as_json)


@group.command("completion", short_help="Let a shell complete names of commands, protocols, specimens.")
@click.argument("shell", type=click.Choice(completion.SHELLS))
def completion_command(shell: str) -> None:
    """Print what SHELL has to read once, so that TAB completes commands, options, protocols, benches and specimens."""
    click.echo(completion.script(shell, group), nl=False)


for command in COMMANDS:
    group.add_command(command)


def main() -> None:
    """The entry point: a person sees plain errors and a true exit status, never a traceback."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A letter that the output has no code for must not cost the others.
        sys.stdout.reconfigure(errors="replace")
    try:
        status = run(sys.argv[1:])
    except KeyboardInterrupt:  # once more, while the first was being told
        status = BenchdError.exit_code
    # What is left is the interpreter's own end, which must not be broken into.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    sys.exit(status)


def run(arguments: list[str]) -> int:
    """Run one command line, and its exit status."""
    try:
        _own_packages()
        # A command that ends with a status of its own raises click's Exit, which comes back as a number here.
        status = group.main(arguments, prog_name="benchd", standalone_mode=False)
        return status if isinstance(status, int) else 0
    except click.ClickException as error:
        error.show()
        return InputError.exit_code
    except (click.Abort, KeyboardInterrupt):
        tell("interrupted")
        return 1
    except BrokenPipeError:
        _drop_output()
        return 1
    except BenchdError as error:
        # A mistake in a file begins with its place, as editors expect it.
        click.echo(visible(f"{'' if isinstance(error, FileProblems) else 'benchd: '}{error}"), err=True)
        return error.exit_code
    except OSError as error:
        _drop_output()
        file = f"{error.filename}: " if error.filename else "cannot print, or cannot make a temporary file: "
        tell(f"{file}{error.strerror or error}")
        return 1
    except Exception as error:
        if os.environ.get("BENCHD_TRACEBACK"):
            raise
        tell(f"a fault in benchd itself: {type(error).__name__}: {error}")
        click.echo("  set BENCHD_TRACEBACK=1 and try again to see where, for a report", err=True)
        return 1


def _drop_output() -> None:
    """Whoever read our output has gone, or it lies on a full disk: no complaint about the rest at shutdown."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _own_packages() -> None:
    from benchd.places import foreign_drivers

    wrong = foreign_drivers()
    if wrong:
        raise BenchdError(wrong, "install benchd in an environment of its own: python3 -m venv, then pip install")
