"""How a time-lapse stands, for whoever watches: light, settings, forecast, frames, what the controller thinks.

All of it is from the logbook, so that it can be asked of any process and at any time.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from daemon import schedule_clock
from daemon.errors import UsageError
from daemon.lapse_changes import replayed
from daemon.rows import LapseRow, ReadingRow, StepRow
from daemon.store import Store
from plans.goals.timelapse import controller_of, due_s, part_of
from plans.lapse_changes import changed
from plans.plan import TimelapseStep

LATEST = 200  # frames of which light and settings are told
COURSE = 200  # of all frames
FADES_S = 3600.0  # after so long half of what the light differs from what was expected is no longer believed


def lapse_row(store: Store, run_id: int) -> StepRow:
    """The step of a run's time-lapse, the one that goes on or the last one. UsageError if the run has none."""
    rows = [row for row in store.logbook.steps(run_id) if row.kind == "timelapse" and row.outcome != "skipped"]
    if not rows:
        raise UsageError(f"run {run_id}: asked for its time-lapse; its plan has none")
    return next((one for one in rows if one.outcome is None), rows[-1])


def lapse_view(store: Store, run_id: int, limit: int = LATEST, before: int | None = None) -> dict[str, Any]:
    """The run's time-lapse, the one that goes on or the last one, as plain data. Levels in EV100, errors in stops.

    ``newest`` has the newest frames up to ``limit``, those with a number below ``before`` where that is told, and
    ``course`` at most `COURSE` of all frames, evenly: what it costs does not grow with the length.

    Raises
    ------
    UsageError
        If the run has none.
    """
    logbook, row = store.logbook, lapse_row(store, run_id)
    plan = logbook.plan(run_id, row.revision)
    planned = next(step for step in plan.steps if isinstance(step, TimelapseStep) and step.id == row.step_id)
    step = changed(planned, replayed(logbook.commands(run_id), planned.id))
    tally, last, newest = logbook.lapse_tally(row.id), logbook.lapse_page(row.id, 1), logbook.lapse_thought(row.id)
    now_s = _now(last)
    page, course = logbook.lapse_page(row.id, limit, before), logbook.lapse_thinned(row.id, COURSE)
    light = page if before is None else logbook.lapse_page(row.id, LATEST)
    told, latest = _told(store, page), _told(store, light)
    home = logbook.lapse_at_home(course)
    return {
        "run": run_id,
        "step": step.id,
        "goal": step.goal,
        "outcome": row.outcome,
        "start": logbook.lapse_start(run_id, step.id),
        "frames": step.frames,
        "due": tally.due,
        "taken": tally.taken,
        "late": tally.late,
        "missed": tally.missed,
        "on_card": tally.on_card,
        "worst_late_s": tally.worst_late_s,
        "interval_s": step.parts[part_of(step, max(tally.due - 1, 0))].interval_s,
        "look": step.look.model_dump(mode="json"),
        "light": _light(latest),
        "settings": newest.settings if newest else None,
        "thinks": newest.thought if newest else None,
        "newest": told,
        "next": page[0].frame if len(page) == limit and page[0].frame > 0 else None,
        "course": [_point(one, home) for one in course],
        "forecast": _forecast(step, latest, now_s),
        "ends_s": due_s(step, step.frames - 1),
        "now_s": now_s,
    }


def _now(frames: list[LapseRow]) -> float | None:
    """Time since the start. [s]"""
    if not frames:
        return None
    last = frames[-1]
    return last.due_s + (schedule_clock.utc_now() - last.due_at).total_seconds()


def _told(store: Store, rows: list[LapseRow]) -> list[dict[str, Any]]:
    home = store.logbook.lapse_at_home(rows)
    readings = store.logbook.lapse_readings(list(home.values()))
    return [_frame(one, home, readings) for one in rows]


def _point(row: LapseRow, home: dict[int, int]) -> dict[str, Any]:
    settings, thought = row.settings or {}, row.thought or {}
    return {
        "frame": row.frame,
        "due_s": row.due_s,
        "id": home.get(row.attempt_id or 0),
        "expected_ev100": thought.get("level"),
        "time": (settings.get("time") or {}).get("mark"),
        "iso": (settings.get("iso") or {}).get("mark"),
    }


def _frame(row: LapseRow, home: dict[int, int], readings: dict[int, ReadingRow]) -> dict[str, Any]:
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
