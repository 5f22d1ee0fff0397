"""The command lines of the daemon and of those who ask it. Nothing heavy is imported before a command runs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import click

from benchd.commands import completion
from benchd.commands.tell import visible
from benchd.options import (
    RUN,
    Figure,
    as_json,
    bench_of,
    bench_option,
    db_option,
    protocol_of,
    protocol_text,
    seed_option,
    socket_option,
)


@click.command(short_help="The daemon of one bench: queue in the evening, done in the morning.")
@bench_option
@db_option
@socket_option
@click.option(
    "--speed",
    type=Figure(0.1, 10_000),
    metavar="N",
    help="Let the clock of a simulated bench run N times as fast: 60 makes an hour a minute.",
)
@click.option("--print-unit", is_flag=True, help="Print a systemd unit and udev rules for this bench, and end.")
def serve(bench: str, db: Path | None, socket: Path | None, speed: float | None, print_unit: bool) -> None:
    """Serve one bench until asked to stop: its queue, its runs, and whoever asks through the socket.

    Ctrl-C or SIGTERM bring the bench to its safe state and end it; SIGHUP reads the bench file again between runs.
    """
    if print_unit:
        from benchd.service.unit import unit_text

        click.echo(unit_text(bench_of(bench), bench, db), nl=False)
        return
    from benchd.commands.serve import serve_command

    serve_command(bench_of(bench), bench, db, speed, socket)


ordering = (
    click.option(
        "--mount", type=RUN, metavar="N", help="Which mounting; the one on the bench or the next unless given."
    ),
    click.option("--at", metavar="TIME", help='Not before this local time, "22:00" or "2026-11-25 22:00".'),
    click.option("--quiet", metavar="HH:MM-HH:MM", help="When the room is quiet: steps that listen lie inside."),
    click.option(
        "--cooling", type=click.Choice(["liquid", "air"]), help="For a specimen that is not in the books yet."
    ),
)


def _ordering(command: Callable[..., None]) -> Callable[..., None]:
    for option in reversed(ordering):
        command = option(command)
    return command


@click.command(short_help="Queue a run, or the repair of one.")
@click.argument("protocol", required=False, shell_complete=completion.protocols)
@click.option("--specimen", metavar="NAME", shell_complete=completion.specimens, help="What is measured.")
@_ordering
@seed_option
@click.option("--repair", type=RUN, metavar="RUN", help="Measure once more what is not good in RUN, on the same mount.")
@socket_option
@as_json
def queue(
    protocol: str | None,
    specimen: str | None,
    mount: int | None,
    at: str | None,
    quiet: str | None,
    cooling: str | None,
    seed: int,
    repair: int | None,
    socket: Path | None,
    as_json: bool,
) -> None:
    """Queue PROTOCOL on a specimen; it starts by itself when it is due, its mount is on the bench and the room fits."""
    from benchd.commands.acts import act, daemon, one_of, order

    given = {"--mount": mount, "--at": at, "--quiet": quiet, "--cooling": cooling}
    one_of(protocol, repair, specimen, [option for option, value in given.items() if value is not None])
    client = daemon(socket)
    if protocol is None:
        act(client, "/queue/repair", {"run": repair}, as_json=as_json)
        return
    found = protocol_text(protocol)
    body = order(found.text, found.file, specimen or "", cooling, mount, at, quiet, seed)
    act(client, "/queue", body, as_json=as_json)


@click.command(short_help="You may leave, or why not.")
@click.argument("protocol", shell_complete=completion.protocols)
@click.option(
    "--specimen",
    metavar="NAME",
    shell_complete=completion.specimens,
    help="What is measured; the queued run of PROTOCOL unless given.",
)
@_ordering
@seed_option
@socket_option
@as_json
def ready(
    protocol: str,
    specimen: str | None,
    mount: int | None,
    at: str | None,
    quiet: str | None,
    cooling: str | None,
    seed: int,
    socket: Path | None,
    as_json: bool,
) -> None:
    """One list before going home: you may leave, or why not. Exit status 0 when you may, 1 when not."""
    from benchd.commands.acts import daemon, order
    from benchd.commands.ready import ready_command

    loaded = protocol_of(protocol)
    body = order(loaded.text, loaded.file, specimen, cooling, mount, at, quiet, seed) if specimen else None
    if not ready_command(daemon(socket), loaded.protocol.protocol, body, as_json=as_json):
        raise click.exceptions.Exit(1)


@click.command(short_help="What is going on now.")
@socket_option
@as_json
def status(socket: Path | None, as_json: bool) -> None:
    """Show what the bench does now: the run, its channels, what is asked of you, the queue, what happened last."""
    from benchd.commands.acts import daemon
    from benchd.commands.status import status_command

    status_command(daemon(socket), as_json)


@click.command(short_help="The same, live, until the run has ended.")
@socket_option
def watch(socket: Path | None) -> None:
    """Show what `status` shows, live, until the run ends; Ctrl-C leaves, and the run goes on.

    To a pipe or a file: one line each time the state, the stage or an event changes.
    """
    from benchd.commands.acts import daemon
    from benchd.commands.status import watch_command

    watch_command(daemon(socket))


@click.command(short_help="Heat off, sampling goes on.")
@socket_option
def hold(socket: Path | None) -> None:
    """Hold the run that is played: heat off, cooling as the safe state says, sampling goes on."""
    from benchd.commands.acts import act, daemon

    act(daemon(socket), "/hold", {})


@click.command(short_help="A held, tripped, failed or interrupted run goes on.")
@click.argument("run", type=RUN, required=False)
@socket_option
def resume(run: int | None, socket: Path | None) -> None:
    """Let RUN go on: it repeats the stage in which it was stopped, from cold; what is done is not measured again."""
    from benchd.commands.acts import act, daemon

    act(daemon(socket), "/resume", {"run": run})


@click.command(short_help="End a run for good.")
@click.argument("run", type=RUN, required=False)
@click.option("--yes", is_flag=True, help="Do not ask.")
@socket_option
def abort(run: int | None, yes: bool, socket: Path | None) -> None:
    """End RUN for good, the one that is played unless given: heat off first, its results so far stand."""
    from benchd.commands.acts import abort_command, daemon

    abort_command(daemon(socket), run, yes)


@click.command(short_help="Answer what is asked of you.")
@click.argument("text", required=False, default="")
@click.option("--run", type=RUN, metavar="RUN", help="Which run asks, when more than one does.")
@socket_option
def confirm(text: str, run: int | None, socket: Path | None) -> None:
    """Confirm that a mount is on the bench, or answer what a step asks; TEXT is kept with the answer."""
    from benchd.commands.acts import act, daemon

    act(daemon(socket), "/confirm", {"text": text, "run": run})


@click.command(short_help="Re-arm the bench after a trip.")
@socket_option
def clear(socket: Path | None) -> None:
    """Re-arm the bench after a trip. Find and mend the cause on the bench itself first."""
    from benchd.commands.acts import act, daemon

    act(daemon(socket), "/clear", {})


@click.group(invoke_without_command=True, short_help="The specimens in the books.")
@socket_option
@as_json
@click.pass_context
def specimens(context: click.Context, socket: Path | None, as_json: bool) -> None:
    """List the specimens in the books of the bench."""
    if context.invoked_subcommand is None:
        from benchd.commands.acts import daemon, specimens_command

        specimens_command(daemon(socket), as_json)


@specimens.command("add")
@click.argument("name")
@click.option("--cooling", type=click.Choice(["liquid", "air"]), required=True, help="A liquid loop, or air alone.")
@click.option("--note", default="", help="What it is, in words.")
@socket_option
@click.pass_context
def add_specimen(context: click.Context, name: str, cooling: str, note: str, socket: Path | None) -> None:
    """Enter a specimen."""
    from benchd.commands.acts import daemon

    daemon(socket or _socket_above(context)).post("/specimens", {"name": name, "cooling": cooling, "note": note})
    click.echo(visible(f"{name} is in the books"))


@click.group(invoke_without_command=True, short_help="The mountings of the specimens.")
@click.option("--specimen", metavar="NAME", shell_complete=completion.specimens, help="Only of this one.")
@socket_option
@as_json
@click.pass_context
def mounts(context: click.Context, specimen: str | None, socket: Path | None, as_json: bool) -> None:
    """List how often each specimen was mounted, and what is on the bench."""
    if context.invoked_subcommand is None:
        from benchd.commands.acts import daemon, mounts_command

        mounts_command(daemon(socket), specimen, as_json)


@mounts.command("add")
@click.argument("specimen", shell_complete=completion.specimens)
@click.option("--note", default="", help="What may differ next time: paste, torque, where it sits.")
@socket_option
@click.pass_context
def add_mount(context: click.Context, specimen: str, note: str, socket: Path | None) -> None:
    """SPECIMEN has been mounted on the bench; what stood there has been taken off."""
    from benchd.commands.acts import daemon

    row = daemon(socket or _socket_above(context)).post("/mounts", {"specimen": specimen, "note": note})
    click.echo(visible(f"mount {row['number']} of {specimen} is on the bench"))


def _socket_above(context: click.Context) -> Path | None:
    """The socket that was given before `add`."""
    return None if context.parent is None else context.parent.params["socket"]


@click.command(short_help="What was: all runs, or the morning page of one.")
@click.argument("run", type=RUN, required=False)
@db_option
@socket_option
@click.option("--limit", type=click.IntRange(1, 1000), default=20, show_default=True, help="So many runs, the newest.")
@as_json
def runs(run: int | None, db: Path | None, socket: Path | None, limit: int, as_json: bool) -> None:
    """List the runs, newest first; or show the page of RUN: did it finish, what is a point worth, what to do next."""
    from benchd.commands.runs import database_of, run_command, runs_command

    database = database_of(db, socket)
    if run is None:
        runs_command(database, limit, as_json)
    else:
        run_command(database, run, as_json, socket)


#: All of them, for `benchd.cli`.
COMMANDS = (
    serve,
    queue,
    ready,
    status,
    watch,
    hold,
    resume,
    abort,
    confirm,
    clear,
    specimens,
    mounts,
    runs,
)
