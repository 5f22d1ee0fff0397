"""`benchd results --point N --why` and `--figure`: how the end of one soak was found."""

from __future__ import annotations

from pathlib import Path
from shlex import quote

from benchd.commands.output import show
from benchd.commands.results import default_db
from benchd.commands.tell import print_json, tell
from benchd.errors import InputError, NotFound
from benchd.report.why import why_json, why_lines
from benchd.running.soak_again import soak_again
from benchd.store import queries


def why_command(
    numbers: tuple[int, ...], db: Path | None, point: int, why: bool, figure: Path | None, as_json: bool
) -> None:
    """Explain or draw one point. Raises `NotFound` and `InputError` for what there is not."""
    if figure is not None:
        _check_figure(figure)
    with queries.reader(db or default_db()) as connection:
        runs = [queries.run(connection, number) for number in dict.fromkeys(numbers)]
        runs = runs or queries.newest_runs(connection)
        if not runs:
            raise NotFound("no run stands in this database yet", "play one: benchd replay quick")
        if len(runs) > 1:
            named = ", ".join(str(run.id) for run in runs)
            where = f" --db {quote(str(db))}" if db else ""
            example = f"benchd results {runs[0].id} --point {point} --why{where}"
            raise InputError(f"point {point}: of which run?", f"name one of {named}: {example}")
        soak = soak_again(connection, runs[0].id, point)
    if figure is not None:
        from benchd.report.soak_figure import draw_soak

        try:
            draw_soak(soak, figure)
        except OSError as error:
            raise InputError(f"{figure}: cannot be written: {error.strerror or error}", "name another file") from error
        tell(f"drawn: {figure}")
    if as_json:
        print_json(why_json(soak))
    elif why:
        show(why_lines(soak))


def _check_figure(file: Path) -> None:
    if not file.name:
        raise InputError("--figure: a file has to be named", "for instance --figure soak.svg")
    if file.suffix.lower() != ".svg":
        raise InputError(f"{file}: a figure is written as SVG", f"name a file that ends in .svg: {file.stem}.svg")
