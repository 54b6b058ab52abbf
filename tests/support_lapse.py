"""Time-lapses for tests: plans of few frames at short intervals, and light that falls as the test says."""

from __future__ import annotations

from typing import Any

from support_run import small_brief

from plans.compiler import compile_brief
from plans.goals.timelapse import longest_exposure_s
from plans.lapse_changes import ladder
from plans.plan import Plan, TimelapseStep
from plans.reading import read_brief


def lapse_plan(frames: int, interval_s: float, gap_s: float | None = None, light: float = 13.0, **goal: Any) -> Plan:
    """A plan of one time-lapse at the fountain that begins on command.

    ``gap_s`` (None: the plan's own) is kept between frames; it allows intervals shorter than the brief's shortest. [s]
    """
    told = "".join(f", {word}: {value}" for word, value in goal.items())
    brief = f"goals:\n  - timelapse: {{interval: {max(interval_s, 4)} s, frames: {frames}, focus: heron{told}}}\n"
    plan = compile_brief(read_brief(small_brief(brief, light), "lapse.yaml"))
    assert not plan.unreachable, plan.unreachable
    if gap_s is None:
        return plan
    (lapse,) = (step for step in plan.steps if isinstance(step, TimelapseStep))
    (part,) = lapse.parts
    longest = min(interval_s - gap_s, longest_exposure_s(lapse))
    part = part.model_copy(update={"interval_s": interval_s, "longest_s": longest, "rungs": ladder(lapse, longest)})
    short = lapse.model_copy(update={"parts": (part,), "sure_s": gap_s, "duration_s": interval_s * (frames - 1)})
    return plan.model_copy(update={"steps": tuple(short if step is lapse else step for step in plan.steps)})


def lapse_of(plan: Plan) -> TimelapseStep:
    """The one time-lapse of a plan."""
    (step,) = (step for step in plan.steps if isinstance(step, TimelapseStep))
    return step
