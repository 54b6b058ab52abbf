"""A run's steps are counted from an index, so that a long run opens as fast as a short one."""

from alembic import op

revision = "counting"
down_revision = "lapse_frames"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the index."""
    op.create_index("steps_counted", "steps", ["run_id", "revision", "kind", "outcome"])
