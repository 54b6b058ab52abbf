"""Steps that no plan had (improvised and retaken pictures), and the commands that a run was given."""

import sqlalchemy as sa
from alembic import op

revision = "extra_steps"
down_revision = "0001"
branch_labels = None
depends_on = None

NEVER_DELETED = ("extra_steps", "commands")
# The one change of an outcome that is allowed: a kept picture whose retake was kept.
ONCE = "OLD.outcome IS NOT NULL AND NOT (OLD.outcome = 'kept' AND COALESCE(NEW.outcome, '') = 'retaken')"


def upgrade() -> None:
    """Make the two tables, and let what was kept become retaken."""
    op.create_table(
        "extra_steps",
        sa.Column("step_row", sa.Integer, sa.ForeignKey("steps.id"), primary_key=True),
        sa.Column("what", sa.Text, nullable=False),
        sa.Column("of_step", sa.Text, nullable=False),
        sa.Column("step_json", sa.Text, nullable=False),
        sa.Column("why", sa.Text, nullable=False),
        sa.CheckConstraint("what IN ('improvised', 'retake')", name="what_known"),
    )
    op.create_table(
        "commands",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("run_id", sa.Integer, sa.ForeignKey("runs.id"), nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("verb", sa.Text, nullable=False),
        sa.Column("json", sa.Text, nullable=False),
        sa.Column("refused", sa.Text),
    )
    op.create_index("ix_commands_run_id", "commands", ["run_id"])
    if op.get_bind().dialect.name == "postgresql":
        _guard_on_postgresql()
    else:
        _guard_on_sqlite()


def _guard_on_sqlite() -> None:
    for table in NEVER_DELETED:
        op.execute(
            f"CREATE TRIGGER {table}_kept BEFORE DELETE ON {table} "
            "BEGIN SELECT RAISE(ABORT, 'rows of the record are never deleted'); END"
        )
    op.execute("DROP TRIGGER steps_once")
    op.execute(
        f"CREATE TRIGGER steps_once BEFORE UPDATE OF outcome, outcome_why, outcome_at ON steps WHEN {ONCE} "
        "BEGIN SELECT RAISE(ABORT, 'a step has one outcome for ever'); END"
    )


def _guard_on_postgresql() -> None:
    for table in NEVER_DELETED:
        for event, each in (("DELETE", "ROW"), ("TRUNCATE", "STATEMENT")):
            op.execute(
                f"CREATE TRIGGER {table}_kept_{event.lower()} BEFORE {event} ON {table} FOR EACH {each} "
                "EXECUTE FUNCTION stopwright_refuses('rows of the record are never deleted')"
            )
    op.execute("DROP TRIGGER steps_once ON steps")
    op.execute(
        "CREATE TRIGGER steps_once BEFORE UPDATE OF outcome, outcome_why, outcome_at ON steps FOR EACH ROW "
        f"WHEN ({ONCE}) EXECUTE FUNCTION stopwright_refuses('a step has one outcome for ever')"
    )
