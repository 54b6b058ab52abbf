"""The rig check in a run: sets what can be set, has hands put right what cannot, asks for what no camera tells.

What was answered is remembered for the run, so that going on after a stop asks only for what has changed.
"""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Sequence

from daemon.context import RunContext
from daemon.errors import CameraError, RunPaused, SettingRefused
from daemon.rig.items import Item, rig_items
from plans.plan import Plan

LOOK_AGAIN, GO_ON, STOP = "it is done: look again", "go on without it", "stop here"
ALL_SO, NOT_ALL = "all of it is so", "go on, though not all of it is"
LOOKS = 4  # at one item, before nothing is left but to go on or to stop


def prepare_rig(context: RunContext, plan: Plan) -> list[Item]:
    """Do the rig check before a run's first step; the items as they stand at its end.

    The camera's settings must have been noted before, so that they are put back. Where nobody is there, what is wrong
    or cannot be told is noted and the run goes on.

    Raises
    ------
    RunPaused
        If the operator stops, or nobody is there for what a run cannot do without.
    CameraError
        If the camera is lost.
    """
    settled = _settled_before(context)
    by_us = {item.item for item in _look(context, plan) if item.how == "set" and _set(context, item)}
    for look in range(1, LOOKS + 1):
        wrong = [item for item in _look(context, plan) if item.how in ("wrong", "set") and item.item not in settled]
        if not wrong:
            break
        for item in wrong:
            if _have_put_right(context, item, again=look < LOOKS) == GO_ON:
                settled.add(item.item)
    items = _look(context, plan)
    asked = [item for item in items if item.how == "asked" and item.item not in settled]
    if asked:
        _ask_for(context, asked)
        settled |= {item.item for item in asked}
    told = [item.model_copy(update={"how": "set"}) if item.item in by_us else item for item in items]
    data = {"items": [item.model_dump(mode="json") for item in told], "settled": sorted(settled)}
    count = sum(item.how == "verified" for item in items)
    context.tell("note", f"Rig check: {count} of {len(items)} things verified, {len(by_us)} of them set", rig=data)
    return told


def _look(context: RunContext, plan: Plan) -> list[Item]:
    return rig_items(context.camera.state(), plan, shutil.disk_usage(context.store.path).free)


def _settled_before(context: RunContext) -> set[str]:
    """What was answered or skipped earlier in this run."""
    told = [event.data["rig"] for event in context.logbook.events(context.run.id) if "rig" in event.data]
    return set(told[-1]["settled"]) if told else set()


def _set(context: RunContext, item: Item) -> bool:
    """Set an item over the cable; False where the camera will not."""
    try:
        context.camera.apply({item.setting: item.label})
    except SettingRefused as refused:
        context.tell("note", f"{item.item}: {refused}")
        return False
    except CameraError as error:
        if type(error) is not CameraError:
            raise
        context.tell("note", f"{item.item}: {error}")
        return False
    context.tell("note", f"{item.item}: set to {item.label}, was {item.found}; put back at the end. {item.why}")
    return True


def _have_put_right(context: RunContext, item: Item, again: bool) -> str:
    question = f"{item.item}: found {item.found}; wanted: {item.wanted}. {item.todo}.\n{item.why}."
    if context.operator is None and item.skippable:
        context.tell("note", f"Not put right, nobody is there: {item}")
        return GO_ON
    choices = [LOOK_AGAIN] * again + [GO_ON] * item.skippable + [STOP]
    with context.asking(question) as operator:
        answer = operator.choose(question, choices)
    if answer == STOP:
        raise RunPaused("Stopped at the rig check. Nothing is lost")
    return answer


def _ask_for(context: RunContext, items: Sequence[Item]) -> None:
    """One question for all that no camera tells: one look round the rig, one key."""
    lines = [textwrap.shorten(f"{item.item}: {item.todo}. {item.why}", 200) for item in items]
    question = "Before the first frame, look round the rig:\n" + "\n".join(lines)
    if context.operator is None:
        names = ", ".join(item.item for item in items)
        context.tell("note", f"Not told by the camera, and nobody is there to ask: {names}")
        return
    with context.asking(question) as operator:
        answer = operator.choose(question, [ALL_SO, NOT_ALL, STOP])
    if answer == STOP:
        raise RunPaused("Stopped at the rig check. Nothing is lost")
    if answer == NOT_ALL:
        names = ", ".join(item.item for item in items)
        context.tell("note", f"By the operator, not all of this is as wanted: {names}")
