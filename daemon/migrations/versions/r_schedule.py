"""Schedules and what came of them; pictures of a run are counted without reading them."""

import sqlalchemy as sa
from alembic import op

revision = "schedule"
down_revision = "extra_steps"
branch_labels = None
depends_on = None

SECONDS: sa.types.TypeEngine[float] = sa.REAL().with_variant(sa.DOUBLE_PRECISION(), "postgresql")


def upgrade() -> None:
    """Make the two tables and the index."""
    op.create_table(
        "schedules",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("created", sa.Text, nullable=False),
        sa.Column("rule_json", sa.Text, nullable=False),
        sa.Column("order_json", sa.Text, nullable=False),
        sa.Column("late_min", SECONDS, nullable=False),
        sa.Column("conflict", sa.Text, nullable=False),
        sa.Column("length_s", SECONDS, nullable=False),
        sa.Column("removed", sa.Text),
        sa.CheckConstraint("conflict IN ('wait', 'skip')", name="conflict_known"),
    )
    op.create_table(
        "schedule_outcomes",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("schedule_id", sa.Integer, sa.ForeignKey("schedules.id"), nullable=False),
        sa.Column("due", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("outcome", sa.Text, nullable=False),
        sa.Column("why", sa.Text, nullable=False),
        sa.Column("run_id", sa.Integer, sa.ForeignKey("runs.id")),
        sa.UniqueConstraint("schedule_id", "due"),
        sa.CheckConstraint("outcome IN ('begun', 'started', 'skipped', 'failed')", name="outcome_known"),
    )
    op.create_index("frames_by_role", "frames", ["run_id", "role"])
