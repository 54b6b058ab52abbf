"""The first logbook."""

import sqlalchemy as sa
from alembic import op

from daemon.migrations import APPLICATION_ID

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

# What was written stays: rows of the record are never deleted, outcomes and ends of attempts are set once.
KEPT_FOR_EVER = ("plans", "runs", "run_plans", "steps", "attempts", "frames", "files")
ONCE = {
    "steps": ("outcome, outcome_why, outcome_at", "OLD.outcome IS NOT NULL", "a step has one outcome for ever"),
    "attempts": ("state, ended_at", "OLD.state <> 'intended'", "an attempt ends once"),
}


def upgrade() -> None:
    """Make every table of the first logbook."""
    if op.get_bind().dialect.name == "sqlite":
        op.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    op.create_table(
        "plans",
        sa.Column("hash", sa.Text, primary_key=True),
        sa.Column("json", sa.Text, nullable=False),
        sa.Column("created", sa.Text, nullable=False),
    )
    op.create_table(
        "runs",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("folder", sa.Text, nullable=False, unique=True),
        sa.Column("created", sa.Text, nullable=False),
        sa.Column("ended", sa.Text),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("camera_port", sa.Text, nullable=False),
        sa.Column("camera_model", sa.Text, nullable=False),
        sa.Column("operator", sa.Text, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
        sa.CheckConstraint("state IN ('running', 'paused', 'done', 'abandoned')", name="state_known"),
    )
    op.create_table(
        "run_plans",
        sa.Column("run_id", sa.Integer, sa.ForeignKey("runs.id"), primary_key=True),
        sa.Column("revision", sa.Integer, primary_key=True),
        sa.Column("plan_hash", sa.Text, sa.ForeignKey("plans.hash"), nullable=False),
        sa.Column("why", sa.Text, nullable=False),
        sa.Column("created", sa.Text, nullable=False),
    )
    op.create_table(
        "steps",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("run_id", sa.Integer, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("step_id", sa.Text, nullable=False),
        sa.Column("position", sa.Integer, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("goal", sa.Text),
        sa.Column("group", sa.Text),
        sa.Column("settings_json", sa.Text),
        sa.Column("outcome", sa.Text),
        sa.Column("outcome_why", sa.Text),
        sa.Column("outcome_at", sa.Text),
        sa.ForeignKeyConstraint(["run_id", "revision"], ["run_plans.run_id", "run_plans.revision"]),
        sa.UniqueConstraint("run_id", "revision", "step_id"),
        sa.CheckConstraint("outcome IN ('kept', 'retaken', 'skipped', 'abandoned')", name="outcome_known"),
        sa.CheckConstraint("(outcome IS NULL) = (outcome_at IS NULL)", name="outcome_dated"),
    )
    op.create_table(
        "attempts",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("step_row", sa.Integer, sa.ForeignKey("steps.id"), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("intent_at", sa.Text, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("ended_at", sa.Text),
        sa.Column("why", sa.Text),
        sa.Column("exposure_s", sa.REAL().with_variant(sa.DOUBLE_PRECISION(), "postgresql"), nullable=False),
        sa.UniqueConstraint("step_row", "number"),
        sa.CheckConstraint("state IN ('intended', 'kept', 'failed', 'recovered', 'abandoned')", name="state_known"),
        sa.CheckConstraint("(state = 'intended') = (ended_at IS NULL)", name="end_dated"),
    )
    still_open = sa.text("state = 'intended'")
    op.create_index(
        "one_open_attempt",
        "attempts",
        ["step_row"],
        unique=True,
        sqlite_where=still_open,
        postgresql_where=still_open,
    )
    op.create_table(
        "frames",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("run_id", sa.Integer, sa.ForeignKey("runs.id"), nullable=False),
        sa.Column("attempt_id", sa.Integer, sa.ForeignKey("attempts.id"), unique=True),
        sa.Column("role", sa.Text, nullable=False),
        sa.Column("taken_camera_clock", sa.Text),
        sa.Column("stored_at", sa.Text, nullable=False),
        sa.Column("exif_json", sa.Text, nullable=False),
        sa.Column("checks_json", sa.Text, nullable=False),
        sa.Column("verified", sa.Text, nullable=False),
        sa.CheckConstraint("role IN ('picture', 'control', 'unasked')", name="role_known"),
        sa.CheckConstraint("verified IN ('as planned', 'not as planned', 'unverified')", name="verified_known"),
        sa.CheckConstraint("(role = 'unasked') = (attempt_id IS NULL)", name="asked_by_attempt"),
    )
    op.create_index("ix_frames_run_id", "frames", ["run_id"])
    op.create_table(
        "files",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("frame_id", sa.Integer, sa.ForeignKey("frames.id"), nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("path", sa.Text, nullable=False, unique=True),
        sa.Column("size", sa.Integer().with_variant(sa.BigInteger(), "postgresql"), nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("card_folder", sa.Text),
        sa.Column("card_name", sa.Text),
        sa.Column("card_taken", sa.Text),
        sa.UniqueConstraint("frame_id", "card_folder", "card_name"),
        sa.CheckConstraint("kind IN ('jpeg', 'raw', 'other')", name="kind_known"),
    )
    op.create_table(
        "readings",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("frame_id", sa.Integer, sa.ForeignKey("frames.id"), nullable=False),
        sa.Column("method", sa.Text, nullable=False),
        sa.Column("version", sa.Text, nullable=False),
        sa.Column("reference_frame_id", sa.Integer, sa.ForeignKey("frames.id")),
        sa.Column("json", sa.Text, nullable=False),
        sa.Column("created", sa.Text, nullable=False),
    )
    op.create_index("ix_readings_frame_id", "readings", ["frame_id"])
    op.create_table(
        "card_seen",
        sa.Column("run_id", sa.Integer, sa.ForeignKey("runs.id"), primary_key=True),
        sa.Column("folder", sa.Text, primary_key=True),
        sa.Column("name", sa.Text, primary_key=True),
        sa.Column("taken", sa.Text, primary_key=True),
        sa.Column("size", sa.Integer().with_variant(sa.BigInteger(), "postgresql")),
    )
    op.create_table(
        "settings_found",
        sa.Column("run_id", sa.Integer, sa.ForeignKey("runs.id"), primary_key=True),
        sa.Column("name", sa.Text, primary_key=True),
        sa.Column("label", sa.Text, nullable=False),
        sa.Column("found_at", sa.Text, nullable=False),
        sa.Column("restored_at", sa.Text),
    )
    op.create_table(
        "events",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("run_id", sa.Integer, sa.ForeignKey("runs.id")),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("json", sa.Text, nullable=False),
    )
    op.create_index("ix_events_run_id", "events", ["run_id"])
    if op.get_bind().dialect.name == "postgresql":
        _guard_on_postgresql()
    else:
        _guard_on_sqlite()


def _guard_on_sqlite() -> None:
    for table in KEPT_FOR_EVER:
        op.execute(
            f"CREATE TRIGGER {table}_kept BEFORE DELETE ON {table} "
            "BEGIN SELECT RAISE(ABORT, 'rows of the record are never deleted'); END"
        )
    for table, (columns, when, words) in ONCE.items():
        op.execute(
            f"CREATE TRIGGER {table}_once BEFORE UPDATE OF {columns} ON {table} WHEN {when} "
            f"BEGIN SELECT RAISE(ABORT, '{words}'); END"
        )


def _guard_on_postgresql() -> None:
    op.execute(
        "CREATE FUNCTION stopwright_refuses() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        "RAISE EXCEPTION USING ERRCODE = 'integrity_constraint_violation', MESSAGE = TG_ARGV[0]; END $$"
    )
    for table in KEPT_FOR_EVER:
        for event, each in (("DELETE", "ROW"), ("TRUNCATE", "STATEMENT")):
            op.execute(
                f"CREATE TRIGGER {table}_kept_{event.lower()} BEFORE {event} ON {table} FOR EACH {each} "
                "EXECUTE FUNCTION stopwright_refuses('rows of the record are never deleted')"
            )
    for table, (columns, when, words) in ONCE.items():
        op.execute(
            f"CREATE TRIGGER {table}_once BEFORE UPDATE OF {columns} ON {table} FOR EACH ROW WHEN ({when}) "
            f"EXECUTE FUNCTION stopwright_refuses('{words}')"
        )
