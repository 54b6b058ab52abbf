"""The logbook's tables.

Times are aware and UTC; in the database they are ISO text of one length ending in Z, so that they sort. JSON is text.
Nothing stored is executable. ``daemon/migrations`` makes these tables; a test holds the two against each other.
"""

from __future__ import annotations

import dataclasses
import json
import math
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    DOUBLE_PRECISION,
    REAL,
    BigInteger,
    CheckConstraint,
    Column,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)
from sqlalchemy.types import TypeDecorator, TypeEngine


def utc_text(value: datetime) -> str:
    """An aware time as the logbook writes it: ``2026-10-20T14:30:00.000000Z``. ValueError for a naive one."""
    if value.tzinfo is None:
        raise ValueError(f"a time without a zone: {value.isoformat()}; allowed: aware times")
    return value.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def plain(value: Any) -> Any:
    """``value`` as data that JSON can hold: numbers that are none become text, as do fractions; models become maps.

    Raises
    ------
    TypeError
        If there is no plain form.
    """
    if value is None or isinstance(value, (bool, str)):
        return str(value) if isinstance(value, str) else value
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else str(float(value))
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(item) for item in (sorted(value) if isinstance(value, (set, frozenset)) else value)]
    if isinstance(value, (bytes, bytearray)):
        return {"hex": bytes(value).hex()}
    if isinstance(value, datetime):
        return utc_text(value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if hasattr(value, "model_dump"):
        return plain(value.model_dump(mode="json"))
    if hasattr(value, "tolist"):  # numpy scalars and arrays
        return plain(value.tolist())
    if hasattr(value, "numerator") and hasattr(value, "denominator"):
        return f"{value.numerator}/{value.denominator}"
    raise TypeError(f"no plain form for {type(value).__name__}")


class UtcTime(TypeDecorator[datetime]):
    """Aware times, as text ending in Z."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Any) -> str | None:
        return None if value is None else utc_text(value)

    def process_result_value(self, value: str | None, dialect: Any) -> datetime | None:
        return None if value is None else datetime.fromisoformat(value)


class Json(TypeDecorator[Any]):
    """Plain data, as JSON text."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Any) -> str | None:
        return None if value is None else _storable(json.dumps(plain(value), ensure_ascii=False, allow_nan=False))

    def process_result_value(self, value: str | None, dialect: Any) -> Any:
        return None if value is None else json.loads(value)


class Words(TypeDecorator[str]):
    """Text from anywhere. What not every database can hold (half characters, NUL) is written as escapes."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Any) -> str | None:
        return None if value is None else _storable(value)


def _storable(text: str) -> str:
    return text.encode("utf-8", "backslashreplace").decode("utf-8").replace("\0", "\\x00")


metadata = MetaData()
# SQLite's numbers are 8 bytes whatever they are called; PostgreSQL's are only when called so.
Seconds: TypeEngine[Any] = REAL().with_variant(DOUBLE_PRECISION(), "postgresql")
Bytes: TypeEngine[Any] = Integer().with_variant(BigInteger(), "postgresql")


def _one_of(column: str, *allowed: str) -> CheckConstraint:
    return CheckConstraint(f"{column} IN ({', '.join(repr(word) for word in allowed)})", name=f"{column}_known")


plans = Table(
    "plans",
    metadata,
    Column("hash", Text, primary_key=True),
    Column("json", Text, nullable=False),
    Column("created", UtcTime, nullable=False),
)

runs = Table(
    "runs",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("title", Words, nullable=False),
    Column("folder", Text, nullable=False, unique=True),
    Column("created", UtcTime, nullable=False),
    Column("ended", UtcTime),
    Column("state", Text, nullable=False),
    Column("camera_port", Words, nullable=False),
    Column("camera_model", Words, nullable=False),
    Column("operator", Words, nullable=False),
    Column("note", Words, nullable=False),
    _one_of("state", "running", "paused", "done", "abandoned"),
)

run_plans = Table(
    "run_plans",
    metadata,
    Column("run_id", Integer, ForeignKey("runs.id"), primary_key=True),
    Column("revision", Integer, primary_key=True),
    Column("plan_hash", Text, ForeignKey("plans.hash"), nullable=False),
    Column("why", Words, nullable=False),
    Column("created", UtcTime, nullable=False),
)

steps = Table(
    "steps",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("run_id", Integer, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("step_id", Words, nullable=False),
    Column("position", Integer, nullable=False),
    Column("kind", Words, nullable=False),
    Column("goal", Words),
    Column("group", Words),
    Column("settings_json", Json, key="settings"),
    Column("outcome", Text),
    Column("outcome_why", Words),
    Column("outcome_at", UtcTime),
    ForeignKeyConstraint(["run_id", "revision"], ["run_plans.run_id", "run_plans.revision"]),
    UniqueConstraint("run_id", "revision", "step_id"),
    _one_of("outcome", "kept", "retaken", "skipped", "abandoned"),
    CheckConstraint("(outcome IS NULL) = (outcome_at IS NULL)", name="outcome_dated"),
)

attempts = Table(
    "attempts",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("step_row", Integer, ForeignKey("steps.id"), nullable=False),
    Column("number", Integer, nullable=False),
    Column("intent_at", UtcTime, nullable=False),
    Column("state", Text, nullable=False),
    Column("ended_at", UtcTime),
    Column("why", Words),
    Column("exposure_s", Seconds, nullable=False),
    UniqueConstraint("step_row", "number"),
    _one_of("state", "intended", "kept", "failed", "recovered", "abandoned"),
    CheckConstraint("(state = 'intended') = (ended_at IS NULL)", name="end_dated"),
)
_open = attempts.c.state == "intended"
Index("one_open_attempt", attempts.c.step_row, unique=True, sqlite_where=_open, postgresql_where=_open)

frames = Table(
    "frames",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("run_id", Integer, ForeignKey("runs.id"), nullable=False, index=True),
    Column("attempt_id", Integer, ForeignKey("attempts.id"), unique=True),
    Column("role", Text, nullable=False),
    Column("taken_camera_clock", Words),
    Column("stored_at", UtcTime, nullable=False),
    Column("exif_json", Json, nullable=False, key="exif"),
    Column("checks_json", Json, nullable=False, key="checks"),
    Column("verified", Text, nullable=False),
    _one_of("role", "picture", "control", "unasked"),
    _one_of("verified", "as planned", "not as planned", "unverified"),
    CheckConstraint("(role = 'unasked') = (attempt_id IS NULL)", name="asked_by_attempt"),
)

files = Table(
    "files",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("frame_id", Integer, ForeignKey("frames.id"), nullable=False),
    Column("kind", Text, nullable=False),
    Column("path", Text, nullable=False, unique=True),
    Column("size", Bytes, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("card_folder", Words),
    Column("card_name", Words),
    Column("card_taken", Words),
    UniqueConstraint("frame_id", "card_folder", "card_name"),
    _one_of("kind", "jpeg", "raw", "other"),
)

readings = Table(
    "readings",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("frame_id", Integer, ForeignKey("frames.id"), nullable=False, index=True),
    Column("method", Words, nullable=False),
    Column("version", Words, nullable=False),
    Column("reference_frame_id", Integer, ForeignKey("frames.id")),
    Column("json", Json, nullable=False, key="data"),
    Column("created", UtcTime, nullable=False),
)

card_seen = Table(
    "card_seen",
    metadata,
    Column("run_id", Integer, ForeignKey("runs.id"), primary_key=True),
    Column("folder", Words, primary_key=True),
    Column("name", Words, primary_key=True),
    Column("taken", Words, primary_key=True),
    Column("size", Bytes),
)

settings_found = Table(
    "settings_found",
    metadata,
    Column("run_id", Integer, ForeignKey("runs.id"), primary_key=True),
    Column("name", Words, primary_key=True),
    Column("label", Words, nullable=False),
    Column("found_at", UtcTime, nullable=False),
    Column("restored_at", UtcTime),
)

events = Table(
    "events",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("run_id", Integer, ForeignKey("runs.id"), index=True),
    Column("at", UtcTime, nullable=False),
    Column("kind", Words, nullable=False),
    Column("text", Words, nullable=False),
    Column("json", Json, nullable=False, key="data"),
)

extra_steps = Table(
    "extra_steps",
    metadata,
    Column("step_row", Integer, ForeignKey("steps.id"), primary_key=True),
    Column("what", Text, nullable=False),
    Column("of_step", Words, nullable=False),
    Column("step_json", Json, nullable=False, key="step"),
    Column("why", Words, nullable=False),
    _one_of("what", "improvised", "retake"),
)

commands = Table(
    "commands",
    metadata,
    Column("id", Words, primary_key=True),
    Column("run_id", Integer, ForeignKey("runs.id"), nullable=False, index=True),
    Column("at", UtcTime, nullable=False),
    Column("verb", Words, nullable=False),
    Column("json", Json, nullable=False, key="data"),
    Column("refused", Words),
)

schedules = Table(
    "schedules",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("title", Words, nullable=False),
    Column("created", UtcTime, nullable=False),
    Column("rule_json", Json, nullable=False, key="rule"),
    Column("order_json", Json, nullable=False, key="order"),
    Column("late_min", Seconds, nullable=False),
    Column("conflict", Text, nullable=False),
    Column("length_s", Seconds, nullable=False),
    Column("removed", UtcTime),
    _one_of("conflict", "wait", "skip"),
)

schedule_outcomes = Table(
    "schedule_outcomes",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("schedule_id", Integer, ForeignKey("schedules.id"), nullable=False),
    Column("due", UtcTime, nullable=False),
    Column("at", UtcTime, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("why", Words, nullable=False),
    Column("run_id", Integer, ForeignKey("runs.id")),
    UniqueConstraint("schedule_id", "due"),
    _one_of("outcome", "begun", "started", "skipped", "failed"),
)
Index("frames_by_role", frames.c.run_id, frames.c.role)
Index("steps_counted", steps.c.run_id, steps.c.revision, steps.c.kind, steps.c.outcome)

lapse_frames = Table(
    "lapse_frames",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("step_row", Integer, ForeignKey("steps.id"), nullable=False),
    Column("frame", Integer, nullable=False),
    Column("due_s", Seconds, nullable=False),
    Column("due_at", UtcTime, nullable=False),
    Column("attempt_id", Integer, ForeignKey("attempts.id"), unique=True),
    Column("rung", Integer),
    Column("settings_json", Json, key="settings"),
    Column("state_json", Json, key="state"),
    Column("thought_json", Json, key="thought"),
    Column("late_s", Seconds),
    Column("latency_s", Seconds),
    Column("card_json", Json, key="card"),
    Column("why", Words, nullable=False),
    UniqueConstraint("step_row", "frame"),
    CheckConstraint("attempt_id IS NOT NULL OR why <> ''", name="missed_with_a_why"),
)
