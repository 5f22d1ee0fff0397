"""The tables, in one place. How an older file gets them stands in `migrations`; a test holds the two equal.

Times: `*_utc` is ISO 8601 text in UTC with milliseconds, `*_ms` counts bench milliseconds since the run's
first tick. Whoever opens the file with the sqlite3 shell begins with `SELECT * FROM sample_named WHERE
run = 1`.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    REAL,
    Boolean,
    CheckConstraint,
    Column,
    Connection,
    Dialect,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
    event,
)

from benchd.instruments import SampleFlag

#: Tells our files from those of other programs: "bchd" in ASCII, in the file's header.
APPLICATION_ID = 0x62636864

metadata = MetaData()


class Utc(TypeDecorator[datetime]):
    """An instant, kept as text that people and SQLite's functions can read: `2026-10-24T22:00:00.000Z`."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:  # noqa: ARG002 (given by sqlalchemy)
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"a time without its zone is no instant: {value}")
        return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{value.microsecond // 1000:03d}Z"

    def process_result_value(self, value: str | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        return None if value is None else datetime.fromisoformat(value)


def _id() -> Column[int]:
    return Column("id", Integer, primary_key=True)


def _of(table: str, *, optional: bool = False) -> Column[int]:
    return Column(f"{table}_id", Integer, ForeignKey(f"{table}.id"), nullable=optional)


def _text(name: str, *, optional: bool = False) -> Column[str]:
    return Column(name, Text, nullable=optional)


def _real(name: str, *, optional: bool = True) -> Column[float]:
    return Column(name, REAL, nullable=optional)


def _whole(name: str, *, optional: bool = False) -> Column[int]:
    return Column(name, Integer, nullable=optional)


def _utc(name: str, *, optional: bool = False) -> Column[datetime]:
    return Column(name, Utc, nullable=optional)


specimen = Table(
    "specimen",
    metadata,
    _id(),
    Column("name", Text, nullable=False, unique=True),
    _text("cooling"),
    _text("note"),
)

#: A mount that is planned has no `mounted_utc` yet; `bench` says on which it stands or stood.
mount = Table(
    "mount",
    metadata,
    _id(),
    _of("specimen"),
    _whole("number"),
    _text("note"),
    _text("bench", optional=True),
    _utc("mounted_utc", optional=True),
    _utc("taken_off_utc", optional=True),
    UniqueConstraint("specimen_id", "number"),
)

campaign = Table("campaign", metadata, _id(), _text("name"), _text("text"), _utc("created_utc"))

#: `due_utc` is when it may start at the earliest; `waits_for`, in state waiting, what would let it go on.
run = Table(
    "run",
    metadata,
    _id(),
    _of("mount"),
    _of("campaign", optional=True),
    _text("state"),
    _text("protocol"),
    _text("protocol_text"),
    _text("protocol_sha256"),
    _text("bench"),
    _text("bench_text"),
    _text("bench_sha256"),
    _text("versions"),
    _whole("seed"),
    Column("simulated", Boolean, nullable=False),
    _text("quiet", optional=True),
    _utc("queued_utc"),
    _text("queued_by", optional=True),
    _utc("due_utc", optional=True),
    _text("waits_for", optional=True),
    _utc("started_utc", optional=True),
    _utc("ended_utc", optional=True),
    _text("reason"),
)

#: What the wall clock showed at `from_ms`; a row for each start of the engine and each jump of the clock.
span = Table("span", metadata, _of("run"), _whole("from_ms"), _utc("utc"), PrimaryKeyConstraint("run_id", "from_ms"))

#: A channel belongs to a run, since calibrations change.
channel = Table(
    "channel",
    metadata,
    _id(),
    _of("run"),
    _text("name"),
    _text("unit"),
    _text("instrument"),
    _real("resolution", optional=False),
    _real("uncertainty", optional=False),
    _real("uncertainty_pct", optional=False),
    UniqueConstraint("run_id", "name"),
)

step = Table(
    "step",
    metadata,
    _id(),
    _of("run"),
    _text("stage"),
    _whole("attempt"),
    _whole("seq"),
    _text("kind"),
    _text("spec"),
    _whole("started_ms"),
    _whole("ended_ms", optional=True),
    _text("ending", optional=True),
    _text("reason"),
    UniqueConstraint("run_id", "stage", "attempt", "seq"),
)

sample_flag = Table("sample_flag", metadata, Column("code", Integer, primary_key=True), _text("name"))

#: Keyed by time before channel: rows are only ever appended, which writes an eighth of the pages that the
#: other order writes.
sample = Table(
    "sample",
    metadata,
    _of("step"),
    _whole("t_ms"),
    _of("channel"),
    _real("value"),
    Column("flag", Integer, ForeignKey("sample_flag.code"), nullable=False),
    PrimaryKeyConstraint("step_id", "t_ms", "channel_id"),
    sqlite_with_rowid=False,
)

#: Samples that do not count, both ends included, of one channel or (NULL) of all. Samples themselves never
#: change.
exclusion = Table(
    "exclusion",
    metadata,
    _id(),
    _of("step"),
    _of("channel", optional=True),
    _whole("from_ms"),
    _whole("to_ms"),
    _text("reason"),
    CheckConstraint("from_ms <= to_ms"),
    Index("exclusion_step", "step_id"),
)

finding = Table(
    "finding",
    metadata,
    _id(),
    _of("step"),
    _text("name"),
    _real("value"),
    _text("unit"),
    _real("u"),
    _real("dof"),
    _text("detail"),
    Index("finding_step", "step_id"),
)

#: `number` counts the points of a run from 1. A point that was skipped has no step.
point = Table(
    "point",
    metadata,
    _id(),
    _of("run"),
    _whole("number"),
    _text("stage"),
    _of("step", optional=True),
    _real("heat_set_w", optional=False),
    _real("heat_w"),
    _real("heat_u_w"),
    _real("noise_set_dba"),
    _real("fan_pct"),
    _real("pump_pct"),
    _real("fan_rpm"),
    _real("level_dba"),
    _real("level_u_db"),
    _real("level_corrected_dba"),
    _real("level_corrected_u_db"),
    _text("level_bound", optional=True),
    _real("background_dba"),
    _real("die_c"),
    _real("ambient_c"),
    _real("inlet_c"),
    _real("rise_k"),
    _real("rise_u_k"),
    _real("resistance_k_per_w"),
    _real("resistance_u_k_per_w"),
    _text("until", optional=True),
    _text("ended_by", optional=True),
    _real("soak_s"),
    _real("extrapolated_k"),
    _text("quality"),
    _text("flags"),
    UniqueConstraint("run_id", "stage"),
    UniqueConstraint("run_id", "number"),
)

event_ = Table(
    "event",
    metadata,
    _id(),
    _of("run", optional=True),
    _text("bench"),
    _whole("t_ms", optional=True),
    _utc("utc"),
    _text("kind"),
    _text("what"),
    _text("who", optional=True),
    Index("event_run", "run_id"),
    Index("event_bench", "bench", "kind"),
)

#: What a run asks a person. One that is not answered by `limit_utc` is pending: it can be answered later.
prompt = Table(
    "prompt",
    metadata,
    _id(),
    _of("run"),
    _of("step", optional=True),
    _text("what"),
    _utc("asked_utc"),
    _utc("limit_utc", optional=True),
    _utc("answered_utc", optional=True),
    _text("answer", optional=True),
    _text("who", optional=True),
    Index("prompt_run", "run_id"),
)

#: `correction` is what was added to readings from `utc` on; `u` is its expanded uncertainty; both in `unit`.
calibration = Table(
    "calibration",
    metadata,
    _id(),
    _text("bench"),
    _text("instrument"),
    _text("channel"),
    _utc("utc"),
    _text("against"),
    _real("correction"),
    _real("u"),
    _text("unit"),
    _text("note"),
    Index("calibration_bench", "bench", "instrument"),
)

#: Which schema the file has. The name and shape are alembic's.
alembic_version = Table(
    "alembic_version",
    metadata,
    Column("version_num", String(32), nullable=False),
    PrimaryKeyConstraint("version_num", name="alembic_version_pkc"),
)

SAMPLE_NAMED = """\
CREATE VIEW sample_named AS
SELECT step.run_id AS run,
       step.id AS step,
       step.kind AS kind,
       sample.t_ms / 1000.0 AS t_s,
       (SELECT strftime('%Y-%m-%dT%H:%M:%fZ', span.utc,
                        printf('%+.3f seconds', (sample.t_ms - span.from_ms) / 1000.0))
          FROM span
         WHERE span.run_id = step.run_id AND span.from_ms <= sample.t_ms
         ORDER BY span.from_ms DESC LIMIT 1) AS utc,
       channel.name AS channel,
       channel.unit AS unit,
       sample.value AS value,
       sample_flag.name AS flag,
       EXISTS (SELECT 1
                 FROM exclusion
                WHERE exclusion.step_id = sample.step_id
                  AND (exclusion.channel_id IS NULL OR exclusion.channel_id = sample.channel_id)
                  AND sample.t_ms BETWEEN exclusion.from_ms AND exclusion.to_ms) AS excluded
  FROM sample
  JOIN step ON step.id = sample.step_id
  JOIN channel ON channel.id = sample.channel_id
  JOIN sample_flag ON sample_flag.code = sample.flag"""


@event.listens_for(metadata, "after_create")
def _complete(_target: MetaData, connection: Connection, **_: Any) -> None:
    """What tables alone do not say: the words of the flags, the view for people, whose file it is."""
    words = [{"code": flag.value, "name": flag.name.lower()} for flag in SampleFlag]
    connection.execute(sample_flag.insert(), words)
    connection.exec_driver_sql(SAMPLE_NAMED)
    connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
