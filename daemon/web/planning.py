"""Briefs and plans: compiled, explained, lit; and what stands before a run: cameras, check, kit."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, Query

from daemon.errors import CameraAbsent, CameraError, StopwrightError, UsageError
from daemon.texts import Written, as_composed, day_of, demand_reachable, stand_in_scales
from daemon.web.needs import Needs, With
from daemon.web.shapes import ToCheck, ToCompile, ToLight, ToReadKit

if TYPE_CHECKING:
    from daemon.camera.verbs import CameraState
    from plans.plan import Plan

router = APIRouter(prefix="/api", tags=["planning"])


def compiled(needs: Needs, written: Written, camera: str | None) -> Plan:
    """The plan of a text; a camera is asked only when the brief leaves a scale to it."""
    if not written.needs_camera():
        return written.plan()
    from daemon.camera.dialects import camera_scales

    with needs.service.camera("compile", camera) as connected:
        return written.plan(camera_scales(connected.state()))


def plan_tree(plan: Plan) -> dict[str, Any]:
    """A plan as plain data, as its file has it."""
    from plans.plan import plan_json

    tree: dict[str, Any] = json.loads(plan_json(plan))
    return tree


@router.get("/demo-brief")
def demo_brief() -> dict[str, Any]:
    """The brief that ships with Stopwright: fountain, heron and hedge."""
    from plans.reading import demo_brief_text

    return {"name": "demo_brief.yaml", "text": demo_brief_text()}


@router.post("/compile")
def compile_text(asked: ToCompile, needs: With) -> dict[str, Any]:
    """A brief compiled: the plan, a summary for people, and the goals out of reach. 422 with every complaint."""
    from plans.rehearsal import summary

    with needs.heavy("compile"):
        plan = compiled(needs, asked.written(), asked.camera)
        unreachable = [item.model_dump(mode="json") for item in plan.unreachable]
        return {
            "title": plan.title,
            "summary": summary(plan),
            "reachable": not plan.unreachable,
            "unreachable": unreachable,
            "plan": plan_tree(plan),
        }


@router.post("/explain")
def explain(asked: ToCompile, needs: With) -> dict[str, Any]:
    """A plan, or the one of a brief, in plain words."""
    from plans.explain import explain as in_words

    with needs.heavy("explain"):
        plan = compiled(needs, asked.written(), asked.camera)
        return {"title": plan.title, "text": in_words(plan), "plan": plan_tree(plan)}


@router.post("/card")
def card(asked: ToCompile, needs: With) -> dict[str, Any]:
    """The pocket card of a plan, or of a brief, as text: for doing it by hand."""
    from plans.explain import brief_of
    from plans.pocket_card import card as make_card
    from plans.pocket_card import card_text

    with needs.heavy("card"):
        plan = compiled(needs, asked.written(), asked.camera)
        return {"title": plan.title, "text": card_text(make_card(plan, brief_of(plan)))}


@router.post("/light")
def light(asked: ToLight, needs: With) -> dict[str, Any]:
    """The light over a day at the brief's place, and when each goal can be shot in it."""
    from plans.light_brief import brief_light, goal_ranges

    written = asked.written()
    with needs.heavy("light"):
        brief = written.brief(stand_in_scales() if written.needs_camera() else None)
        if brief.place is None:
            raise UsageError(f"light {written.name}: found no place in the brief; allowed: a place. Add place: to it")
        day = None if asked.date is None else day_of(asked.date, "date")
        if brief.when is None and day is None:
            raise UsageError(f"light {written.name}: found no when and no date; allowed: either. Send a date")
        try:
            page = brief_light(brief, day, goal_ranges(brief))
        except ValueError as error:
            raise UsageError(f"light {written.name}: {error}. Give another date") from None
        return page.as_json() | {"lines": page.lines()}


@router.get("/cameras")
def cameras(needs: With, camera: Annotated[str | None, Query(max_length=200)] = None) -> dict[str, Any]:
    """What is connected and what can be set on it. 409 while a run has the camera."""
    from daemon.camera.doctor import list_cameras
    from daemon.camera.ports import normal_port

    service, port = needs.service, camera or needs.service.config.camera
    if port:
        normal_port(port)
        ports = [port]
    else:
        with service.looking("cameras"):
            ports = [item["port"] for item in list_cameras()]
    if not ports:
        raise CameraAbsent(
            "cameras: found none on USB; allowed: one that is on, with its USB mode PTP. Check its cable"
        )
    listed: list[dict[str, Any]] = []
    for one in ports:
        try:
            with service.camera("cameras", one) as connected:
                listed.append(connected.state().model_dump(mode="json"))
        except CameraError as error:
            if len(ports) == 1:
                raise
            listed.append({"port": one, "error": str(error)})
    return {"cameras": listed}


@router.post("/check")
def check(asked: ToCheck, needs: With) -> dict[str, Any]:
    """What stands in the way of a run and what to do. ``refused``: why it would not begin with this camera."""
    from daemon.camera.doctor import check as examine
    from daemon.camera.ports import normal_port

    if asked.dry and asked.brief is None:
        raise UsageError("check: found dry without a brief; allowed: dry with one. Send the brief whose marks are set")
    port = asked.camera or needs.service.config.camera
    if port:
        normal_port(port)
    written = asked.brief.written() if asked.brief else None
    plan = None if written is None else as_composed(written.plan(stand_in_scales()), False)
    if plan is not None:
        demand_reachable(plan, asked.reachable)
    refused: list[StopwrightError] = []

    def fit(state: CameraState) -> tuple[Plan, list[str]]:
        assert written is not None
        try:
            fitted, differences = written.plan_for(state)
            demand_reachable(fitted, asked.reachable)
        except StopwrightError as error:
            refused.append(error)
            raise
        return fitted, differences

    with needs.service.looking("check"), tempfile.TemporaryDirectory() as work:
        findings = examine(port, plan, asked.dry, Path(work), fit=None if written is None else fit)
    told: dict[str, Any] = {
        "ready": not any(finding.level == "stops" for finding in findings),
        "findings": [finding.model_dump(mode="json") for finding in findings],
    }
    return told | ({"refused": refused[-1].as_json()} if refused else {})


@router.post("/kit/read")
def read_kit(asked: ToReadKit, needs: With) -> dict[str, Any]:
    """The scales of a camera, from its configuration tree or from itself: ``kit`` is the text of a kit file."""
    from daemon.camera.kit_file import kit_text
    from daemon.camera.kit_reading import read_kit as read
    from daemon.camera.trees import read_tree, told_live

    if (asked.tree is None) == (asked.camera is None):
        found = "both a tree and a camera" if asked.tree is not None else "neither a tree nor a camera"
        raise UsageError(f"kit read: found {found}; allowed: one of them. Send one")
    if asked.tree is not None:
        with needs.heavy("kit read"):
            reading = read(read_tree(asked.tree, asked.name))
    else:
        with needs.service.camera("kit read", asked.camera) as connected:
            reading = read(told_live(connected.state()))
    told: Mapping[str, Any] = reading.as_json()
    return {**told, "kit": kit_text(reading)}
