"""From the schema of an older benchd to ours. alembic is imported only here, and only when an upgrade is due.

Each file in `versions` is one revision, named `NUMBER_what.py`, and a frozen copy: it never imports `schema`.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection

#: Where the revisions lie.
FOLDER = Path(__file__).parent


def revisions() -> list[str]:
    """All schema revisions this benchd knows, oldest first."""
    return sorted(file.name.partition("_")[0] for file in (FOLDER / "versions").glob("[0-9]*_*.py"))


def head() -> str:
    """The revision that this benchd writes."""
    return revisions()[-1]


def upgrade(connection: Connection) -> None:
    """Bring the database of an open connection, inside its transaction, to `head`."""
    from alembic import command
    from alembic.config import Config

    config = Config(attributes={"connection": connection})
    config.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    command.upgrade(config, "head")
