"""What the daemon keeps: when a queued run is due and what it waits for, planned mounts, limits of prompts."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    # The others may be added to the end in place; a column that may be empty from now on needs its table rebuilt.
    with op.batch_alter_table("mount", recreate="always") as mount:
        mount.add_column(sa.Column("bench", sa.Text(), nullable=True), insert_after="note")
        mount.alter_column("mounted_utc", existing_type=sa.Text(), nullable=True)
    with op.batch_alter_table("run", recreate="always") as run:
        run.add_column(sa.Column("queued_by", sa.Text(), nullable=True), insert_after="queued_utc")
        run.add_column(sa.Column("due_utc", sa.Text(), nullable=True), insert_after="queued_by")
        run.add_column(sa.Column("waits_for", sa.Text(), nullable=True), insert_after="due_utc")
    with op.batch_alter_table("prompt", recreate="always") as prompt:
        prompt.add_column(sa.Column("limit_utc", sa.Text(), nullable=True), insert_after="asked_utc")
