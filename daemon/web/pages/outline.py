"""What the page shows of a plan: each step with its stop bar, as the sheet has it, and the time it takes."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter
from pydantic import Field

from daemon.errors import UsageError
from daemon.pictures.stopbar import StopBar, stop_bar_segments
from daemon.web.errors import Refused
from daemon.web.needs import Watches, Which, With
from daemon.web.planning import compiled
from daemon.web.shapes import Sent, ToCompile
from plans.brief import Brief
from plans.plan import ExposeStep, Plan
from plans.rehearsal import step_s

router = APIRouter(prefix="/api", tags=["page"])


class ToBalance(Sent):
    """One setting changed beside a picture: ``change`` is ``f/4``, ``1/60 s`` or ``ISO 400``."""

    step: Annotated[str, Field(min_length=1, max_length=80)]
    change: Annotated[str, Field(min_length=1, max_length=40)]


def bar_tree(bar: StopBar) -> dict[str, Any]:
    """A stop bar as plain data; lengths in stops."""
    segments = [
        {"letter": one.letter, "kind": one.kind, "mark": one.mark, "start": one.start, "length": one.length}
        for one in bar.segments
    ]
    return {"segments": segments, "line": bar.line, "total": bar.total, "beyond": bar.beyond}


def outlined(plan: Plan) -> dict[str, Any]:
    """A plan for showing: its steps in order, each with ``seconds`` and, for pictures, ``bar``. [s]

    Bars of one group share their zero and their line. ``leave_by`` is the time to leave that the brief gives, in UTC.
    """
    from plans.explain import brief_of

    brief = brief_of(plan)
    steps = {step.id: step for step in plan.exposing}
    bars: dict[str, StopBar] = {}
    for group in plan.groups:
        of_group = [steps[name] for name in group.steps if name in steps]
        bars |= zip([step.id for step in of_group], stop_bar_segments(of_group), strict=True)
    told = []
    for step in plan.steps:
        tree = step.model_dump(mode="json")
        tree["seconds"] = round(step_s(step, brief.kit.body), 2) if brief else None
        if step.id in bars:
            tree["bar"] = bar_tree(bars[step.id])
        told.append(tree)
    return {
        "title": plan.title,
        "steps": told,
        "groups": [group.model_dump(mode="json") for group in plan.groups],
        "unreachable": [item.model_dump(mode="json") for item in plan.unreachable],
        "estimate": plan.estimate.model_dump(mode="json"),
        "cautions": list(plan.cautions),
        "notes": list(plan.notes),
        "subjects": _subjects(brief),
        "frame_mm": _frame(brief),
        "scales": {kind: [mark.mark for mark in marks] for kind, marks in plan.inputs.scales.items()},
        "leave_by": leave_by(brief),
    }


@router.post("/outline")
def outline(asked: ToCompile, needs: With) -> dict[str, Any]:
    """A brief or plan as the page shows it before a run: steps with stop bars, reasons, remedies, bag."""
    from plans.explain import brief_of, packed

    with needs.heavy("outline"):
        plan = compiled(needs, asked.written(), asked.camera)
        brief = brief_of(plan)
        bag = packed(plan, brief) if brief else None
        take, may_stay = (list(bag.take), list(bag.may_stay)) if bag else ([], [])
        return outlined(plan) | {"take": take, "may_stay": may_stay}


@router.get("/runs/{run}/outline")
def run_outline(run: Which, needs: With, watches: Watches) -> dict[str, Any]:
    """The plan in force of a run, as `outline` has it, with the steps that were added in its course."""
    logbook = needs.service.store.logbook
    number = needs.searches.run(run).id
    known = logbook.run_plans(number)
    if not known:
        raise Refused(404, f"outline of run {number}", "no plan yet", "a run that has begun", "Ask again shortly")
    with needs.heavy("outline"):
        plan = logbook.plan(number)
        tree = outlined(plan)
    extra = []
    by_group: dict[str, list[ExposeStep]] = {}
    for step in plan.exposing:
        by_group.setdefault(step.group, []).append(step)
    for row in logbook.extras(number).values():
        step = ExposeStep.model_validate(row.step)
        bar = stop_bar_segments([*by_group.get(step.group, []), step])[-1]
        extra.append(step.model_dump(mode="json") | {"bar": bar_tree(bar), "of_step": row.of_step, "why": row.why})
    tree |= {"run": number, "revision": known[-1].revision, "extra": extra}
    if not (watches and needs.hiding.on):
        return tree
    return needs.hiding.outline(tree, needs.searches.steps_shown(number, needs.hiding.revealed))


@router.post("/runs/{run}/balance")
def balance(run: Which, asked: ToBalance, needs: With) -> dict[str, Any]:
    """What an improvised picture would be shot with; nothing is done."""
    from plans.improvise import improvised

    logbook = needs.service.store.logbook
    number = needs.searches.run(run).id
    if not logbook.run_plans(number):
        raise Refused(404, f"balance in run {number}", "no plan yet", "a run that has begun", "Ask again shortly")
    plan = logbook.plan(number)
    extras = [ExposeStep.model_validate(row.step) for row in logbook.extras(number).values()]
    known = {step.id: step for step in [*plan.exposing, *extras]}
    beside = known.get(asked.step)
    if beside is None:
        raise Refused(
            404, f"balance beside {asked.step!r}", "no such picture", ", ".join(list(known)[:30]) or "none", "Name one"
        )
    with needs.heavy("balance"):
        try:
            step = improvised(plan, beside, asked.change)
        except ValueError as error:
            raise UsageError(f"balance: {error}") from None
    bars = stop_bar_segments([beside, step])
    return {
        "settings": step.settings.model_dump(mode="json"),
        "offset": step.offset,
        "caption": step.caption,
        "before": bar_tree(bars[0]),
        "bar": bar_tree(bars[1]),
    }


@router.get("/power")
def power(needs: With) -> dict[str, Any]:
    """Battery and room as last told by the camera, and when; asked anew only while no run has the camera."""
    seen = needs.service.seen
    return {
        "battery": seen[0].battery if seen else None,
        "card_free_bytes": seen[0].free_bytes if seen else None,
        "model": seen[0].model if seen else None,
        "can_preview": seen[0].can_preview if seen else None,
        "at": seen[1].isoformat() if seen else None,
        "free_bytes": needs.service.store.files.free_bytes(),
    }


def _subjects(brief: Brief | None) -> list[dict[str, Any]]:
    """Subjects by name with their distance and depth. [m]"""
    if brief is None:
        return []
    return [
        {"name": one.name, "distance_m": one.distance_m, "depth_m": one.depth_m}
        for one in brief.scene.subjects.values()
    ]


def _frame(brief: Brief | None) -> list[float] | None:
    if brief is None:
        return None
    sensor = brief.kit.body.sensor
    return [sensor.width_mm, sensor.height_mm]


def leave_by(brief: Brief | None) -> str | None:
    """The brief's time to leave, on the day of its when or on the next after it, in UTC."""
    if brief is None or brief.scene.site.leave_by is None or brief.when is None or brief.place is None:
        return None
    zone = ZoneInfo(brief.place.timezone)
    begins = brief.when.astimezone(zone)
    hour, minute = map(int, brief.scene.site.leave_by.split(":"))
    leaves = datetime.combine(begins.date(), time(hour, minute), zone)
    if leaves < begins:
        leaves += timedelta(days=1)
    return leaves.astimezone(UTC).isoformat()
