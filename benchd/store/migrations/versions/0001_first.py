"""The first schema."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

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


def upgrade() -> None:
    op.create_table(
        "calibration",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("instrument", sa.Text(), nullable=False),
        sa.Column("channel", sa.Text(), nullable=False),
        sa.Column("utc", sa.Text(), nullable=False),
        sa.Column("against", sa.Text(), nullable=False),
        sa.Column("correction", sa.REAL(), nullable=True),
        sa.Column("u", sa.REAL(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("calibration_bench", "calibration", ["bench", "instrument"])
    op.create_table(
        "campaign",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("created_utc", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "sample_flag",
        sa.Column("code", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("code"),
    )
    op.create_table(
        "specimen",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("cooling", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
    )
    op.create_table(
        "mount",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("specimen_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("mounted_utc", sa.Text(), nullable=False),
        sa.Column("taken_off_utc", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["specimen_id"], ["specimen.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("specimen_id", "number"),
    )
    op.create_table(
        "run",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("mount_id", sa.Integer(), nullable=False),
        sa.Column("campaign_id", sa.Integer(), nullable=True),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("protocol", sa.Text(), nullable=False),
        sa.Column("protocol_text", sa.Text(), nullable=False),
        sa.Column("protocol_sha256", sa.Text(), nullable=False),
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("bench_text", sa.Text(), nullable=False),
        sa.Column("bench_sha256", sa.Text(), nullable=False),
        sa.Column("versions", sa.Text(), nullable=False),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("simulated", sa.Boolean(), nullable=False),
        sa.Column("quiet", sa.Text(), nullable=True),
        sa.Column("queued_utc", sa.Text(), nullable=False),
        sa.Column("started_utc", sa.Text(), nullable=True),
        sa.Column("ended_utc", sa.Text(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["campaign_id"], ["campaign.id"]),
        sa.ForeignKeyConstraint(["mount_id"], ["mount.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "channel",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("instrument", sa.Text(), nullable=False),
        sa.Column("resolution", sa.REAL(), nullable=False),
        sa.Column("uncertainty", sa.REAL(), nullable=False),
        sa.Column("uncertainty_pct", sa.REAL(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("run_id", "name"),
    )
    op.create_table(
        "event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=True),
        sa.Column("bench", sa.Text(), nullable=False),
        sa.Column("t_ms", sa.Integer(), nullable=True),
        sa.Column("utc", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("event_bench", "event", ["bench", "kind"])
    op.create_index("event_run", "event", ["run_id"])
    op.create_table(
        "span",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("from_ms", sa.Integer(), nullable=False),
        sa.Column("utc", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"]),
        sa.PrimaryKeyConstraint("run_id", "from_ms"),
    )
    op.create_table(
        "step",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("stage", sa.Text(), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("spec", sa.Text(), nullable=False),
        sa.Column("started_ms", sa.Integer(), nullable=False),
        sa.Column("ended_ms", sa.Integer(), nullable=True),
        sa.Column("ending", sa.Text(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("run_id", "stage", "attempt", "seq"),
    )
    op.create_table(
        "exclusion",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("step_id", sa.Integer(), nullable=False),
        sa.Column("channel_id", sa.Integer(), nullable=True),
        sa.Column("from_ms", sa.Integer(), nullable=False),
        sa.Column("to_ms", sa.Integer(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.CheckConstraint("from_ms <= to_ms"),
        sa.ForeignKeyConstraint(["channel_id"], ["channel.id"]),
        sa.ForeignKeyConstraint(["step_id"], ["step.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("exclusion_step", "exclusion", ["step_id"])
    op.create_table(
        "finding",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("step_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.REAL(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("u", sa.REAL(), nullable=True),
        sa.Column("dof", sa.REAL(), nullable=True),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["step_id"], ["step.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("finding_step", "finding", ["step_id"])
    op.create_table(
        "point",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("stage", sa.Text(), nullable=False),
        sa.Column("step_id", sa.Integer(), nullable=True),
        sa.Column("heat_set_w", sa.REAL(), nullable=False),
        sa.Column("heat_w", sa.REAL(), nullable=True),
        sa.Column("heat_u_w", sa.REAL(), nullable=True),
        sa.Column("noise_set_dba", sa.REAL(), nullable=True),
        sa.Column("fan_pct", sa.REAL(), nullable=True),
        sa.Column("pump_pct", sa.REAL(), nullable=True),
        sa.Column("fan_rpm", sa.REAL(), nullable=True),
        sa.Column("level_dba", sa.REAL(), nullable=True),
        sa.Column("level_u_db", sa.REAL(), nullable=True),
        sa.Column("level_corrected_dba", sa.REAL(), nullable=True),
        sa.Column("level_corrected_u_db", sa.REAL(), nullable=True),
        sa.Column("level_bound", sa.Text(), nullable=True),
        sa.Column("background_dba", sa.REAL(), nullable=True),
        sa.Column("die_c", sa.REAL(), nullable=True),
        sa.Column("ambient_c", sa.REAL(), nullable=True),
        sa.Column("inlet_c", sa.REAL(), nullable=True),
        sa.Column("rise_k", sa.REAL(), nullable=True),
        sa.Column("rise_u_k", sa.REAL(), nullable=True),
        sa.Column("resistance_k_per_w", sa.REAL(), nullable=True),
        sa.Column("resistance_u_k_per_w", sa.REAL(), nullable=True),
        sa.Column("until", sa.Text(), nullable=True),
        sa.Column("ended_by", sa.Text(), nullable=True),
        sa.Column("soak_s", sa.REAL(), nullable=True),
        sa.Column("extrapolated_k", sa.REAL(), nullable=True),
        sa.Column("quality", sa.Text(), nullable=False),
        sa.Column("flags", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"]),
        sa.ForeignKeyConstraint(["step_id"], ["step.id"]),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("run_id", "number"),
        sa.UniqueConstraint("run_id", "stage"),
    )
    op.create_table(
        "prompt",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("step_id", sa.Integer(), nullable=True),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("asked_utc", sa.Text(), nullable=False),
        sa.Column("answered_utc", sa.Text(), nullable=True),
        sa.Column("answer", sa.Text(), nullable=True),
        sa.Column("who", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["run_id"], ["run.id"]),
        sa.ForeignKeyConstraint(["step_id"], ["step.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("prompt_run", "prompt", ["run_id"])
    op.create_table(
        "sample",
        sa.Column("step_id", sa.Integer(), nullable=False),
        sa.Column("t_ms", sa.Integer(), nullable=False),
        sa.Column("channel_id", sa.Integer(), nullable=False),
        sa.Column("value", sa.REAL(), nullable=True),
        sa.Column("flag", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["channel_id"], ["channel.id"]),
        sa.ForeignKeyConstraint(["flag"], ["sample_flag.code"]),
        sa.ForeignKeyConstraint(["step_id"], ["step.id"]),
        sa.PrimaryKeyConstraint("step_id", "t_ms", "channel_id"),
        sqlite_with_rowid=False,
    )
    words = {0: "ok", 1: "missing", 2: "garbled", 3: "out_of_range"}
    for code, name in words.items():
        op.execute(f"INSERT INTO sample_flag (code, name) VALUES ({code}, '{name}')")
    op.execute(SAMPLE_NAMED)
    op.execute("PRAGMA application_id = 1650681956")
