"""What clients may change of a time-lapse that runs, as commands say it and as the logbook keeps it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from daemon.errors import UsageError
from daemon.rows import CommandRow
from plans.lapse_changes import Change, NewInterval, NewLook
from plans.plan import TimelapseStep


def asked_change(verb: str, data: Mapping[str, Any], step: TimelapseStep, frame: int) -> tuple[Change, dict[str, Any]]:
    """The change that a command asks for from frame ``frame`` on, and what is noted of it.

    Raises
    ------
    UsageError
        If a figure is missing or no number.
    """
    if verb == "interval":
        interval = NewInterval(frame, _number(verb, data, "seconds", None))
        return interval, {"from_frame": frame, "seconds": interval.interval_s}
    now = step.look
    look = NewLook(
        frame,
        _number(verb, data, "darker", None),
        _number(verb, data, "begins", now.begins_ev),
        _number(verb, data, "over", now.span),
    )
    return look, {"from_frame": frame, "darker": look.depth, "begins": look.begins_ev, "over": look.span}


def replayed(commands: Iterable[CommandRow], step_id: str) -> list[Change]:
    """The changes of a time-lapse that were asked for and accepted before, in their order."""
    found: list[Change] = []
    for row in commands:
        if row.refused is not None or row.data.get("step") != step_id:
            continue
        if row.verb == "interval":
            found.append(NewInterval(int(row.data["from_frame"]), float(row.data["seconds"])))
        elif row.verb == "look":
            told = [float(row.data[name]) for name in ("darker", "begins", "over")]
            found.append(NewLook(int(row.data["from_frame"]), *told))
    return found


def _number(verb: str, data: Mapping[str, Any], name: str, otherwise: float | None) -> float:
    value = data.get(name, otherwise)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise UsageError(f"{verb}: found {str(value)[:40]!r} for {name}; allowed: a number. Send {name}")
    return float(value)
