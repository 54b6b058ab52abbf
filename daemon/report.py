"""A run as the logbook has it: for the table of frames, for the sheet, for machines."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.logbook import FrameRow, ReadingRow, RunRow
from daemon.readings import kept_frames
from daemon.store import Store
from plans.plan import ExposeStep, Plan, Settings


@dataclass(frozen=True)
class FrameReport:
    """One exposing step of the plan in force and what came of it."""

    step: ExposeStep
    outcome: str
    frame: FrameRow | None
    path: Path | None
    expected_stops: float | None
    measured_stops: float | None
    residual_stops: float | None
    why_not_measured: str | None
    recovered: bool

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
            "recovered": self.recovered,
        }


@dataclass(frozen=True)
class RunReport:
    """One run, its plan in force and its frames in the plan's order."""

    run: RunRow
    plan: Plan
    revision: int
    folder: Path
    frames: tuple[FrameReport, ...]
    counts: dict[str, Any]

    def as_json(self) -> dict[str, Any]:
        """The run as plain data."""
        return run_json(self.run) | {
            "folder": str(self.folder),
            "revision": self.revision,
            "light_ev100": self.plan.inputs.light.ev100,
            "light_origin": self.plan.inputs.light.origin,
            "frames": [frame.as_json() for frame in self.frames],
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
    outcomes = {row.step_id: row.outcome or "open" for row in logbook.steps(run.id, revision)}
    frames = kept_frames(store, run)
    files = {file.frame_id: file for file in reversed(logbook.files(run.id))}
    readings: dict[int, ReadingRow] = {row.frame_id: row for row in logbook.readings(run.id)}
    recovered = {attempt.id for attempt in logbook.attempts(run.id) if attempt.state == "recovered"}
    rows = []
    for step in plan.exposing:
        frame = frames.get(step.id)
        read = readings.get(frame.id).data if frame and frame.id in readings else {}  # type: ignore[union-attr]
        rows.append(
            FrameReport(
                step=step,
                outcome=outcomes.get(step.id, "open"),
                frame=frame,
                path=store.files.path(files[frame.id].path) if frame else None,
                expected_stops=read.get("expected_stops"),
                measured_stops=read.get("reading", {}).get("against_reference_stops"),
                residual_stops=read.get("residual_stops"),
                why_not_measured=read.get("reading", {}).get("why_none"),
                recovered=bool(frame and frame.attempt_id in recovered),
            )
        )
    return RunReport(run, plan, revision, store.files.path(run.folder), tuple(rows), logbook.counts(run.id))


def settings_line(settings: Settings) -> str:
    """Settings for people: ``f/5.6  1/2000 s  ISO 800  ND 64``."""
    parts = [settings.aperture.mark, f"{settings.time.mark} s", f"ISO {settings.iso.mark}"]
    return "  ".join([*parts, *(item.name for item in settings.filters)])


def signed(stops: float | None) -> str:
    """A difference in stops for a narrow column; a dash when there is none."""
    return "–" if stops is None else f"{round(stops, 2) + 0.0:+.2f}"


def frame_table(found: RunReport) -> str:
    """The frames as a table of at most 80 columns, a block a group."""
    lines = []
    by_step = {frame.step.id: frame for frame in found.frames}
    for group in found.plan.groups:
        lines.append("")
        spread = f"  (spread {group.spread:.2f} stop)" if len(group.steps) > 1 else ""
        lines.append(f"{group.title[:60]}{spread}")
        lines.append(f"  {'step':<11} {'settings':<34} {'set':>5} {'seen':>5}  Exif")
        for step_id in group.steps:
            frame = by_step.get(step_id)
            if frame is None:
                continue
            line = settings_line(frame.step.settings)[:34]
            is_reference = step_id == frame.step.reference
            expected = "" if is_reference else signed(frame.expected_stops)
            measured = "" if is_reference else signed(frame.measured_stops)
            told = frame.checked if frame.outcome == "kept" else frame.outcome
            mark = "*" if is_reference and len(group.steps) > 1 else " "
            lines.append(f"{mark} {step_id[:11]:<11} {line:<34} {expected:>5} {measured:>5}  {told}")
    lines += ["", "set, seen: stops of brightness against *, by exact settings and as measured"]
    return "\n".join(lines[1:])
