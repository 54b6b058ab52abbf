"""A run as the logbook has it: for the table of frames, for the sheet, for machines."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from daemon.frames import picture_of
from daemon.logbook import FileRow, FrameRow, ReadingRow, RunRow
from daemon.readings import kept_frames
from daemon.store import Store
from plans.plan import ExposeStep, Plan, Settings
from plans.step_words import in_words, step_number

WIDTH = 80
DOUBT_IN_GROUP = 1 / 3  # stops between what settings give and what is seen, against the group's reference
DOUBT_FROM_METER = 1 / 2  # the same against the metering frame, taken earlier, focused elsewhere, in a light that moves
_LEGEND = (
    "set, seen: stops of brightness, by exact settings and as measured, against *;",
    "a frame marked * is held against the metering frame. Exif shows aperture, time",
    "and ISO; focus and filters are by operator.",
)


@dataclass(frozen=True)
class FrameReport:
    """One exposing step of the plan in force, or an improvised one, and what came of it.

    ``retaken``: how often it was taken again; ``frame`` is the one that stands.
    """

    step: ExposeStep
    outcome: str
    frame: FrameRow | None
    path: Path | None
    expected_stops: float | None
    measured_stops: float | None
    residual_stops: float | None
    why_not_measured: str | None
    meter_expected_stops: float | None
    meter_measured_stops: float | None
    recovered: bool
    retaken: int = 0

    @property
    def is_reference(self) -> bool:
        """Whether the others of its group are held against this frame."""
        return self.step.reference == self.step.id

    @property
    def meter_residual_stops(self) -> float | None:
        """How far the frame lies from what its settings give, going by the metering frame. [stops]"""
        if self.meter_expected_stops is None or self.meter_measured_stops is None:
            return None
        return self.meter_measured_stops - self.meter_expected_stops

    @property
    def doubt(self) -> str | None:
        """What makes a frame one to look at, in words; None when nothing does."""
        against, off = "its reference", self.residual_stops
        allowed = DOUBT_IN_GROUP
        if self.is_reference or off is None:
            against, off, allowed = "the metering frame", self.meter_residual_stops, DOUBT_FROM_METER
        if self.frame is not None and self.measured_stops is None and self.why_not_measured:
            return f"cannot be held against {against}: {self.why_not_measured}"
        if self.frame is None or off is None or abs(off) <= allowed:
            return None
        side = "brighter" if off > 0 else "darker"
        return f"{abs(off):.1f} stops {side} than its settings give, going by {against}: a filter, or the light?"

    @property
    def checked(self) -> str:
        """What Exif says of the frame, in two words."""
        return self.frame.verified if self.frame else "no frame"

    def as_json(self) -> dict[str, Any]:
        """The frame as plain data."""
        return {
            "step": self.step.id,
            "goal": self.step.goal,
            "group": self.step.group,
            "outcome": self.outcome,
            "file": str(self.path) if self.path else None,
            "settings": self.step.settings.model_dump(mode="json"),
            "verified": self.checked,
            "expected_stops": self.expected_stops,
            "measured_stops": self.measured_stops,
            "residual_stops": self.residual_stops,
            "why_not_measured": self.why_not_measured,
            "meter_expected_stops": self.meter_expected_stops,
            "meter_measured_stops": self.meter_measured_stops,
            "meter_residual_stops": self.meter_residual_stops,
            "doubt": self.doubt,
            "recovered": self.recovered,
            "retaken": self.retaken,
        }


@dataclass(frozen=True)
class ControlFrame:
    """A control frame with the settings it was planned with and its JPEG."""

    name: str
    settings: Settings
    frame: FrameRow
    path: Path


@dataclass(frozen=True)
class RunReport:
    """One run, its plan in force and its frames in the plan's order.

    ``light``: by group, what control readings told of the light: ``text``, and ``account`` as `plans.drift.Account`.
    ``improvised`` are pictures that no plan had; ``beside`` tells the planned step of each, by their ids.
    ``lapses``: step, goal, outcome and text of each time-lapse. ``controls``: control frames, in the order taken.
    """

    run: RunRow
    plan: Plan
    revision: int
    folder: Path
    frames: tuple[FrameReport, ...]
    counts: dict[str, Any]
    metered_ev100: float | None
    light: dict[str, dict[str, Any]] = field(default_factory=dict)
    improvised: tuple[FrameReport, ...] = ()
    beside: Mapping[str, str] = field(default_factory=dict)
    lapses: tuple[dict[str, Any], ...] = ()
    controls: tuple[ControlFrame, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The run as plain data."""
        return run_json(self.run) | {
            "folder": str(self.folder),
            "revision": self.revision,
            "light_ev100": self.plan.inputs.light.ev100,
            "light_origin": self.plan.inputs.light.origin,
            "metered_ev100": self.metered_ev100,
            "light": self.light,
            "frames": [frame.as_json() for frame in self.frames],
            "improvised": [frame.as_json() for frame in self.improvised],
            "timelapses": list(self.lapses),
            "groups": [group.model_dump(mode="json") for group in self.plan.groups],
            "unreachable": [item.model_dump(mode="json") for item in self.plan.unreachable],
            "counts": self.counts,
        }


def run_json(run: RunRow) -> dict[str, Any]:
    """A run's row as plain data; times in UTC."""
    return {
        "run": run.id,
        "title": run.title,
        "state": run.state,
        "created": run.created.isoformat(),
        "ended": run.ended.isoformat() if run.ended else None,
        "camera": run.camera_model,
        "port": run.camera_port,
        "operator": run.operator,
    }


def report(store: Store, which: int | str) -> RunReport:
    """Everything about a run; ``which`` is its number or ``last``.

    Raises
    ------
    UsageError
        If there is no such run.
    StoreError
        If it has no plan.
    """
    logbook = store.logbook
    run = logbook.run(which)
    plan = logbook.plan(run.id)
    revision = logbook.run_plans(run.id)[-1].revision
    steps = logbook.steps(run.id)
    kept = {row.id for row in steps if row.outcome in ("kept", "retaken")}
    outcomes = {row.step_id: row.outcome or "open" for row in steps if row.revision == revision}
    frames = kept_frames(store, run)
    files: dict[int, list[FileRow]] = {}
    for file in logbook.files(run.id):
        files.setdefault(file.frame_id, []).append(file)
    readings: dict[int, ReadingRow] = {row.frame_id: row for row in logbook.readings(run.id)}
    recovered = {attempt.id for attempt in logbook.attempts(run.id) if attempt.state == "recovered"}
    extras = logbook.extras(run.id)
    again = Counter(item.of_step for row, item in extras.items() if item.what == "retake" and row in kept)
    beside = [ExposeStep.model_validate(item.step) for item in extras.values() if item.what == "improvised"]

    def row_of(step: ExposeStep) -> FrameReport:
        frame = frames.get(step.id)
        read = readings.get(frame.id).data if frame and frame.id in readings else {}  # type: ignore[union-attr]
        return FrameReport(
            step=step,
            outcome="kept" if frame else outcomes.get(step.id, "open"),
            frame=frame,
            path=store.files.path(picture_of(files[frame.id]).path) if frame else None,
            expected_stops=read.get("expected_stops"),
            measured_stops=read.get("reading", {}).get("against_reference_stops"),
            residual_stops=read.get("residual_stops"),
            why_not_measured=read.get("reading", {}).get("why_none"),
            meter_expected_stops=read.get("meter", {}).get("expected_stops"),
            meter_measured_stops=read.get("meter", {}).get("measured_stops"),
            recovered=bool(frame and frame.attempt_id in recovered),
            retaken=again[step.id],
        )

    by_attempt = {attempt.id: attempt.step_row for attempt in logbook.attempts(run.id)}
    planned = {row.id: row for row in steps}
    controls = tuple(
        ControlFrame(step.step_id, Settings.model_validate(step.settings), frame, store.files.path(jpeg.path))
        for frame in logbook.frames(run.id)
        if frame.role == "control" and frame.attempt_id is not None
        if (step := planned[by_attempt[frame.attempt_id]]).settings is not None
        if (jpeg := next((file for file in files.get(frame.id, ()) if file.kind == "jpeg"), None)) is not None
    )
    events = logbook.events(run.id)
    told = [event.data["light"] for event in events if "account" in (event.data.get("light") or {})]
    metered = [event.data["ev100"] for event in events if event.kind == "light-metered"]
    return RunReport(
        run=run,
        plan=plan,
        revision=revision,
        folder=store.files.path(run.folder),
        frames=tuple(map(row_of, plan.exposing)),
        counts=logbook.counts(run.id),
        metered_ev100=metered[-1] if metered else None,
        light={one["group"]: {"text": one["text"], "account": one["account"]} for one in told},
        improvised=tuple(row_of(step) for step in beside if step.id in frames),
        lapses=tuple(
            {"step": row.step_id, "goal": row.goal, "outcome": row.outcome or "open", "text": row.outcome_why or ""}
            for row in steps
            if row.kind == "timelapse" and row.revision == revision
        ),
        controls=controls,
        beside={str(item.step["id"]): item.of_step for item in extras.values() if item.what == "improvised"},
    )


def settings_line(settings: Settings) -> str:
    """Settings for people: ``f/5.6  1/2000 s  ISO 800  ND 64``."""
    parts = [settings.aperture.mark, f"{settings.time.mark} s", f"ISO {settings.iso.mark}"]
    return "  ".join([*parts, *(item.name for item in settings.filters)])


def signed(stops: float | None) -> str:
    """A difference in stops for a narrow column; a dash when there is none."""
    return "–" if stops is None else f"{round(stops, 2) + 0.0:+.2f}"


def frame_table(found: RunReport) -> str:
    """The frames as a table of at most 80 columns, a block a group, and what is to be looked at."""
    lines = []
    by_step = {frame.step.id: frame for frame in found.frames}
    for group in found.plan.groups:
        lines.append("")
        spread = f"  (spread {group.spread:.2f} stop)" if len(group.steps) > 1 else ""
        lines.append(f"{group.title[:60]}{spread}")
        lines.append(f"  {'step':<11} {'settings':<34} {'set':>5} {'seen':>5}  Exif")
        for frame in [by_step[name] for name in group.steps if name in by_step]:
            lines += _row(frame)
        if group.id in found.light:
            told = f"light: {found.light[group.id]['text']}"
            lines += textwrap.wrap(told, WIDTH, initial_indent="  ", subsequent_indent="    ")
    if found.improvised:
        lines += ["", "Improvised, beside the plan"]
        for frame in found.improvised:
            lines += _row(frame)
    for lapse in found.lapses:
        told = f"{lapse['goal']}: {lapse['text'] or lapse['outcome']}"
        lines += ["", *textwrap.wrap(told, WIDTH, subsequent_indent="  ")]
    if found.frames or not found.lapses:
        lines += ["", *_LEGEND]
    doubts = [(frame.step.id, frame.doubt) for frame in (*found.frames, *found.improvised) if frame.doubt]
    if doubts:
        lines += ["", "LOOK AT THESE"]
    for name, doubt in doubts:
        told = in_words(f"{name}: {doubt}")
        lines += textwrap.wrap(told, WIDTH, initial_indent="  ", subsequent_indent="    ")
    return "\n".join(lines[1:])


def _row(frame: FrameReport) -> list[str]:
    settings = frame.step.settings
    expected, measured = frame.expected_stops, frame.measured_stops
    if frame.is_reference:
        expected, measured = frame.meter_expected_stops, frame.meter_measured_stops
    told = frame.checked if frame.outcome == "kept" else frame.outcome
    line, below = settings_line(settings), ""
    if len(line) > 34:
        line, below = settings_line(settings.model_copy(update={"filters": ()})), line
        below = f"{'':>14}{below[len(line) :].strip()}"[:WIDTH]
    mark = "*" if frame.is_reference else " "
    name = step_number(frame.step.id)[:11]
    row = f"{mark} {name:<11} {line:<34} {signed(expected):>5} {signed(measured):>5}  {told}"
    return [row, below] if below else [row]
