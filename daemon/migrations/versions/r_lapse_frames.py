"""The frames of time-lapses, taken and missed."""

import sqlalchemy as sa
from alembic import op

revision = "lapse_frames"
down_revision = "schedule"
branch_labels = None
depends_on = None

SECONDS: sa.types.TypeEngine[float] = sa.REAL().with_variant(sa.DOUBLE_PRECISION(), "postgresql")
KEPT = "rows of the record are never deleted"


def upgrade() -> None:
    """Make the table; its rows stay."""
    op.create_table(
        "lapse_frames",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("step_row", sa.Integer, sa.ForeignKey("steps.id"), nullable=False),
        sa.Column("frame", sa.Integer, nullable=False),
        sa.Column("due_s", SECONDS, nullable=False),
        sa.Column("due_at", sa.Text, nullable=False),
        sa.Column("attempt_id", sa.Integer, sa.ForeignKey("attempts.id"), unique=True),
        sa.Column("rung", sa.Integer),
        sa.Column("settings_json", sa.Text),
        sa.Column("state_json", sa.Text),
        sa.Column("thought_json", sa.Text),
        sa.Column("late_s", SECONDS),
        sa.Column("latency_s", SECONDS),
        sa.Column("card_json", sa.Text),
        sa.Column("why", sa.Text, nullable=False),
        sa.UniqueConstraint("step_row", "frame"),
        sa.CheckConstraint("attempt_id IS NOT NULL OR why <> ''", name="missed_with_a_why"),
    )
    if op.get_bind().dialect.name == "postgresql":
        for event, each in (("DELETE", "ROW"), ("TRUNCATE", "STATEMENT")):
            op.execute(
                f"CREATE TRIGGER lapse_frames_kept_{event.lower()} BEFORE {event} ON lapse_frames FOR EACH {each} "
                f"EXECUTE FUNCTION stopwright_refuses('{KEPT}')"
            )
    else:
        op.execute(
            f"CREATE TRIGGER lapse_frames_kept BEFORE DELETE ON lapse_frames BEGIN SELECT RAISE(ABORT, '{KEPT}'); END"
        )
