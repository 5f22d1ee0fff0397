"""The revisions lead to the schema as it stands; a file of another revision is upgraded or refused."""

from __future__ import annotations

import re
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import Engine, create_engine

from benchd.errors import DatabaseRefused, StoreError
from benchd.running.states import RunState
from benchd.store import migrations, queries, schema
from benchd.store.prepare import backup_file
from benchd.store.writer import Writer

NEXT_REVISION = '''
"""A revision of a later benchd."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade():
    op.add_column("mount", sa.Column("torque_nm", sa.REAL()))
'''

FAILING_REVISION = NEXT_REVISION + '    op.execute("INSERT INTO no_such_table VALUES (1)")\n'
BREAKING_REVISION = NEXT_REVISION + '    op.execute("DELETE FROM specimen")\n'


@pytest.fixture
def later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Make this benchd a later one, which has one more revision."""

    def become(revision: str = NEXT_REVISION) -> None:
        folder = tmp_path / "with %s" / "migrations"
        shutil.copytree(migrations.FOLDER, folder)
        (folder / "versions" / "0003_torque.py").write_text(revision)
        monkeypatch.setattr(migrations, "FOLDER", folder)

    return become


def _engine(path: Path) -> Engine:
    return create_engine(f"sqlite:///{path}")


def _described(path: Path) -> dict[str, object]:
    """The schema as SQLite understands it, whatever statements led to it."""
    with closing(sqlite3.connect(path)) as connection:

        def ask(question: str, *values: str) -> list[tuple[object, ...]]:
            return connection.execute(question, values).fetchall()

        tables = [name for (name,) in ask("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {
            "tables": {name: _table(ask, name) for name in tables},
            "kinds": sorted(ask("SELECT name, type, ncol, wr, strict FROM pragma_table_list")),
            "views": ask("SELECT name, sql FROM sqlite_master WHERE type = 'view'"),
            "triggers": ask("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"),
            "flags": ask("SELECT code, name FROM sample_flag ORDER BY code"),
            "application": ask("PRAGMA application_id"),
            "version": ask("SELECT version_num FROM alembic_version"),
        }


def _table(ask: Callable[..., list[tuple[object, ...]]], name: str) -> dict[str, object]:
    indexes = ask("SELECT name, [unique], origin, partial FROM pragma_index_list(?)", name)
    (sql,) = ask("SELECT sql FROM sqlite_master WHERE name = ?", name)[0]
    return {
        "columns": ask("SELECT name, type, [notnull], dflt_value, pk, hidden FROM pragma_table_xinfo(?)", name),
        "keys": sorted(ask("SELECT [from], [table], [to], on_update, on_delete FROM pragma_foreign_key_list(?)", name)),
        "indexes": sorted(
            (
                ask("SELECT seqno, name FROM pragma_index_info(?)", str(index)),
                rest,
                None if str(index).startswith("sqlite_autoindex") else index,
            )
            for index, *rest in indexes
        ),
        "checks": sorted(re.findall(r"CHECK \((.*)\)", str(sql))),
    }


def _mount_columns(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as connection:
        return [row[1] for row in connection.execute("PRAGMA table_info(mount)")]


def test_the_revisions_lead_from_nothing_to_the_schema_as_it_is_made(tmp_path: Path) -> None:
    upgraded, made = tmp_path / "upgraded.db", tmp_path / "made.db"
    engine = _engine(upgraded)
    with engine.begin() as connection:
        migrations.upgrade(connection)
    engine.dispose()
    Writer.open(made, durable=False).close()
    assert _described(upgraded) == _described(made)


def test_every_revision_follows_the_one_before_it() -> None:
    names = migrations.revisions()
    assert names[0] == "0001"
    assert names[-1] == migrations.head()
    assert len(set(names)) == len(names)


def test_an_older_database_is_upgraded_after_a_backup(begun, path: Path, later) -> None:
    begun.tick(0)
    begun.writer.close()
    later()
    with Writer.open(path, durable=False) as writer:
        assert writer.specimen("brook 2x140", "liquid") == 1
    assert "torque_nm" in _mount_columns(path)
    assert "number" in _mount_columns(backup_file(path, "0002"))
    assert "torque_nm" not in _mount_columns(backup_file(path, "0002"))
    with queries.reader(path) as connection:
        assert queries.sample_count(connection, begun.run_id) == 3


@pytest.mark.parametrize("state", [RunState.RUNNING, RunState.HELD])
def test_an_older_database_is_not_upgraded_in_the_middle_of_a_run(begun, path: Path, later, state) -> None:
    begun.writer.set_state(begun.run_id, state, datetime.now(UTC))
    begun.writer.close()
    later()
    with pytest.raises(StoreError, match=f"its run {begun.run_id} has not ended") as refused:
        Writer.open(path, durable=False)
    assert "older benchd" in refused.value.hint
    assert not backup_file(path, "0002").exists()
    assert "torque_nm" not in _mount_columns(path)


def test_an_older_database_is_not_read_until_it_is_upgraded(writer: Writer, path: Path, later) -> None:
    writer.close()
    later()
    with pytest.raises(DatabaseRefused, match="older benchd") as refused, queries.reader(path):
        pass
    assert "upgrade" in refused.value.hint


def test_a_database_of_a_newer_benchd_is_refused(path: Path, later, monkeypatch: pytest.MonkeyPatch) -> None:
    ours = migrations.FOLDER
    later()
    Writer.open(path, durable=False).close()
    monkeypatch.setattr(migrations, "FOLDER", ours)
    for attempt in (lambda: Writer.open(path, durable=False), lambda: queries.reader(path).__enter__()):
        with pytest.raises(DatabaseRefused, match=r"newer benchd .*0003") as refused:
            attempt()
        assert "update benchd" in refused.value.hint


@pytest.mark.parametrize("revision", [FAILING_REVISION, BREAKING_REVISION])
def test_an_upgrade_that_fails_changes_nothing(
    begun, path: Path, later, monkeypatch: pytest.MonkeyPatch, revision: str
) -> None:
    begun.writer.close()
    before = _described(path)
    ours = migrations.FOLDER
    later(revision)
    with pytest.raises(StoreError, match="cannot upgrade the database"):
        Writer.open(path, durable=False)
    assert _described(path) == before
    monkeypatch.setattr(migrations, "FOLDER", ours)
    Writer.open(path, durable=False).close()  # the lock was given back


@pytest.mark.usefixtures("writer")
def test_samples_are_kept_without_rowid_and_in_the_order_of_time(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        keyed = [
            row[1] for row in sorted(connection.execute("PRAGMA table_info(sample)"), key=lambda r: r[5]) if row[5]
        ]
        without_rowid = connection.execute("SELECT wr FROM pragma_table_list WHERE name = 'sample'").fetchone()
    assert keyed == ["step_id", "t_ms", "channel_id"]
    assert without_rowid == (1,)


def test_the_point_table_has_every_measured_key_of_a_test_point() -> None:
    from benchd.running.states import Quality
    from benchd.store.records import PointRecord

    keys = PointRecord(heat_set_w=1.0, quality=Quality.GOOD).measured().keys()
    assert list(keys) == [column.name for column in schema.point.c][5:]
