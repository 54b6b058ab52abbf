"""The schedule over HTTP: add, list, remove."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from pydantic import Field

from daemon.errors import UsageError
from daemon.schedule import told
from daemon.schedule_rules import Rule
from daemon.web.needs import Number, With
from daemon.web.shapes import Brief, Name, Port, Sent

router = APIRouter(prefix="/api", tags=["schedule"])


class ToSchedule(Sent):
    """A run to begin by itself. ``late_min``: how late it may begin [min]; ``conflict``: wait for a run in the way,
    or skip.

    ``operator``: nobody (left out), page, or simulated[:HOST:PORT].
    """

    title: Annotated[str, Field(max_length=200)] = ""
    rule: Rule
    brief: Brief
    camera: Port | None = None
    operator: Name | None = None
    composed: bool = False
    reachable: bool = False
    late_min: Annotated[float, Field(ge=0, le=1440)] = 30.0
    conflict: Literal["wait", "skip"] = "wait"


@router.get("/schedule")
def schedules(needs: With, removed: Annotated[bool, Query()] = False) -> dict[str, Any]:
    """Every schedule in force: its rule, next time, what came of it, what it meets."""
    rows = needs.schedule.rows
    return {"schedules": [told(rows, row) for row in rows.rows(removed)]}


@router.post("/schedule", status_code=201)
def add(asked: ToSchedule, needs: With) -> dict[str, Any]:
    """Take a schedule into force."""
    order = asked.brief.model_dump() | asked.model_dump(include={"camera", "operator", "composed", "reachable"})
    if asked.camera:
        from daemon.camera.ports import normal_port

        normal_port(asked.camera)
    with needs.heavy("schedule"):
        row = needs.schedule.add(asked.title, asked.rule, order, asked.late_min, asked.conflict)
    return told(needs.schedule.rows, row)


@router.get("/schedule/{number}")
def schedule(number: Number, needs: With) -> dict[str, Any]:
    """One schedule, with its brief."""
    row = _row(needs, number)
    return told(needs.schedule.rows, row) | {"order": row.order}


@router.delete("/schedule/{number}")
def remove(number: Number, needs: With) -> dict[str, Any]:
    """Take a schedule out of force; what came of it stays in the record."""
    _row(needs, number)
    return told(needs.schedule.rows, needs.schedule.remove(number))


def _row(needs: Any, number: int) -> Any:
    from daemon.searches import NotThere

    try:
        return needs.schedule.rows.row(number)
    except UsageError as error:
        raise NotThere(str(error)) from None
