"""How a time-lapse stands, for whoever watches: light, settings, forecast, frames, what the controller thinks.

All of it is from the logbook, so that it can be asked of any process and at any time.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from daemon import schedule_clock
from daemon.errors import UsageError
from daemon.lapse_changes import replayed
from daemon.rows import LapseRow, ReadingRow
from daemon.store import Store
from plans.goals.timelapse import controller_of, due_s, part_of
from plans.lapse_changes import changed
from plans.plan import TimelapseStep

LATEST = 200  # frames of which light and settings are told
FADES_S = 3600.0  # after so long half of what the light differs from what was expected is no longer believed


def lapse_view(store: Store, run_id: int) -> dict[str, Any]:
    """The run's time-lapse, the one that goes on or the last one, as plain data. Levels in EV100, errors in stops.

    Raises
    ------
    UsageError
        If the run has none.
    """
    logbook = store.logbook
    rows = [row for row in logbook.steps(run_id) if row.kind == "timelapse" and row.outcome != "skipped"]
    if not rows:
        raise UsageError(f"run {run_id}: asked for its time-lapse; its plan has none")
    row = next((one for one in rows if one.outcome is None), rows[-1])
    plan = logbook.plan(run_id, row.revision)
    planned = next(step for step in plan.steps if isinstance(step, TimelapseStep) and step.id == row.step_id)
    step = changed(planned, replayed(logbook.commands(run_id), planned.id))
    frames = logbook.lapse_frames(row.id)
    home = {one.attempt_id: one.id for one in logbook.frames(run_id) if one.role == "picture"}
    readings = {one.frame_id: one for one in logbook.readings(run_id) if "lapse" in one.data}
    started = [one.data for one in logbook.events(run_id) if one.kind == "lapse-started"]
    start = next((one["start"] for one in reversed(started) if one.get("step") == step.id), None)
    now_s = _now(frames)
    put_off = len(logbook.lapse_put_off(run_id))
    told = [_frame(one, home, readings) for one in frames[-LATEST:]]
    newest = next((one for one in reversed(frames) if one.thought is not None), None)
    return {
        "run": run_id,
        "step": step.id,
        "goal": step.goal,
        "outcome": row.outcome,
        "start": start,
        "frames": step.frames,
        "due": len(frames),
        "taken": sum(one.attempt_id in home for one in frames),
        "late": sum(bool(one.why) and one.attempt_id in home for one in frames),
        "missed": len(frames) - sum(one.attempt_id in home for one in frames) - put_off,
        "on_card": put_off,
        "worst_late_s": max((one.late_s for one in frames if one.late_s is not None), default=None),
        "interval_s": step.parts[part_of(step, max(len(frames) - 1, 0))].interval_s,
        "look": step.look.model_dump(mode="json"),
        "light": _light(told),
        "settings": newest.settings if newest else None,
        "thinks": newest.thought if newest else None,
        "newest": told,
        "forecast": _forecast(step, told, now_s),
        "ends_s": due_s(step, step.frames - 1),
        "now_s": now_s,
    }


def _now(frames: list[LapseRow]) -> float | None:
    """Time since the start. [s]"""
    if not frames:
        return None
    last = frames[-1]
    return last.due_s + (schedule_clock.utc_now() - last.due_at).total_seconds()


def _frame(row: LapseRow, home: dict[int | None, int], readings: dict[int, ReadingRow]) -> dict[str, Any]:
    frame = home.get(row.attempt_id) if row.attempt_id is not None else None
    reading = readings.get(frame) if frame is not None else None
    lapse = reading.data["lapse"] if reading is not None else {}
    return {
        "frame": row.frame,
        "due_s": row.due_s,
        "id": frame,
        "late_s": row.late_s,
        "latency_s": row.latency_s,
        "why": row.why,
        "settings": row.settings,
        "rung": row.rung,
        "level_ev100": lapse.get("level_ev100"),
        "brightness_stops": lapse.get("brightness_stops"),
        "expected_ev100": (row.thought or {}).get("level"),
    }


def _light(told: Iterable[dict[str, Any]]) -> dict[str, Any] | None:
    """The newest reading of the light."""
    read = [one for one in told if one["level_ev100"] is not None]
    return {"frame": read[-1]["frame"], "ev100": read[-1]["level_ev100"]} if read else None


def _forecast(step: TimelapseStep, told: list[dict[str, Any]], now_s: float | None) -> list[dict[str, Any]]:
    """Light and settings to the end: what the plan expected, moved by what the light differs from it now."""
    points = step.light
    level = next((one["expected_ev100"] for one in reversed(told) if one["expected_ev100"] is not None), None)
    off = 0.0
    if level is not None and now_s is not None and points:
        nearest = min(points, key=lambda point: abs(point.at_s - now_s))
        off = level - nearest.ev100
    found = []
    for point in points:
        if now_s is not None and point.at_s < now_s:
            continue
        part = max(n for n, one in enumerate(step.parts) if n == 0 or one.at_s <= point.at_s)
        controller = controller_of(step, part)
        believed = 0.5 ** (max(point.at_s - (now_s or 0.0), 0.0) / FADES_S)
        ev100 = point.ev100 + off * believed
        rung = step.parts[part].rungs[controller.nearest(controller.look.light(ev100))]
        found.append(
            {
                "at_s": point.at_s,
                "ev100": ev100,
                "low": point.low + off * believed,
                "high": point.high + off * believed,
                "time": rung.time.mark,
                "iso": rung.iso.mark,
            }
        )
    return found
