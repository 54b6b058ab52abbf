"""The rows that the logbook gives out: frozen, typed, in the words of their tables. Times are aware and UTC."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

RunState = Literal["running", "paused", "done", "abandoned"]
Outcome = Literal["kept", "retaken", "skipped", "abandoned"]
AttemptState = Literal["intended", "kept", "failed", "recovered", "abandoned"]
Role = Literal["picture", "control", "unasked"]
Verified = Literal["as planned", "not as planned", "unverified"]


@dataclass(frozen=True)
class RunRow:
    """One execution of a plan. ``folder`` is relative to the store."""

    id: int
    title: str
    folder: str
    created: datetime
    ended: datetime | None
    state: RunState
    camera_port: str
    camera_model: str
    operator: str
    note: str


@dataclass(frozen=True)
class RunPlan:
    """One revision of a run's plan; ``plan_hash`` is the SHA-256 of its JSON."""

    run_id: int
    revision: int
    plan_hash: str
    why: str
    created: datetime


@dataclass(frozen=True)
class StepRow:
    """One step of one revision. ``outcome`` None: still to do."""

    id: int
    run_id: int
    revision: int
    step_id: str
    position: int
    kind: str
    goal: str | None
    group: str | None
    settings: dict[str, Any] | None
    outcome: Outcome | None
    outcome_why: str | None
    outcome_at: datetime | None


@dataclass(frozen=True)
class ExtraStep:
    """A step that no plan had: a picture improvised beside, or a retake of, the step ``of_step``.

    ``step`` is an exposing step as a plan would have it, as plain data.
    """

    step_row: int
    what: Literal["improvised", "retake"]
    of_step: str
    step: dict[str, Any]
    why: str


@dataclass(frozen=True)
class CommandRow:
    """A command that a run was given; ``refused`` is why it did nothing, None when it was accepted."""

    id: str
    run_id: int
    at: datetime
    verb: str
    data: Any
    refused: str | None


@dataclass(frozen=True)
class Attempt:
    """One try at a step. ``intent_at`` was committed before the trigger. ``exposure_s`` in seconds."""

    id: int
    step_row: int
    number: int
    intent_at: datetime
    state: AttemptState
    ended_at: datetime | None
    why: str | None
    exposure_s: float


@dataclass(frozen=True)
class LapseRow:
    """One frame of a time-lapse, taken or missed: number ``frame`` (from 0), due ``due_s`` after the start. [s]

    ``attempt_id`` None: it was missed, and ``why`` says so; ``why`` of one that was taken late says why, else it is
    empty. ``rung``: its place on the ladder; ``settings``: what it was taken with. ``state``: what the controller
    remembered when it was begun (`plans.light_control.State`), ``thought`` what it decided. ``late_s``: how long after
    its tick the shutter was asked for; ``latency_s``: how long camera and link then took beyond the exposure [s].
    ``card``: its files on the card, None until the exposure was over.
    """

    id: int
    step_row: int
    frame: int
    due_s: float
    due_at: datetime
    attempt_id: int | None
    rung: int | None
    settings: dict[str, Any] | None
    state: dict[str, Any] | None
    thought: dict[str, Any] | None
    late_s: float | None
    latency_s: float | None
    card: list[dict[str, Any]] | None
    why: str


@dataclass(frozen=True)
class FrameRow:
    """One exposure in the record. ``attempt_id`` is None for a frame nobody asked for."""

    id: int
    run_id: int
    attempt_id: int | None
    role: Role
    taken_camera_clock: str | None
    stored_at: datetime
    exif: Any
    checks: Any
    verified: Verified


@dataclass(frozen=True)
class FileRow:
    """One file of a frame. ``path`` is relative to the store; ``size`` in bytes."""

    id: int
    frame_id: int
    kind: str
    path: str
    size: int
    sha256: str
    card_folder: str | None
    card_name: str | None
    card_taken: str | None


@dataclass(frozen=True)
class ReadingRow:
    """What a version of a method measured on a frame, against ``reference_frame_id`` if any."""

    id: int
    frame_id: int
    method: str
    version: str
    reference_frame_id: int | None
    data: Any
    created: datetime


@dataclass(frozen=True)
class CardSeen:
    """A file that lay on the card when the run began; ``size`` in bytes, None: not told; ``taken`` may be empty."""

    run_id: int
    folder: str
    name: str
    taken: str
    size: int | None


@dataclass(frozen=True)
class SettingFound:
    """A camera setting as it was found, to be put back; ``restored_at`` None: not yet."""

    run_id: int
    name: str
    label: str
    found_at: datetime
    restored_at: datetime | None


@dataclass(frozen=True)
class EventRow:
    """Something that happened, in words and as data."""

    id: int
    run_id: int | None
    at: datetime
    kind: str
    text: str
    data: Any
