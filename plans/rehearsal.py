"""What a plan costs and what must be in the bag, before anybody goes out."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from plans.goals import words
from plans.plan import ControlStep, Estimate, ExposeStep, GroupNote, OperatorStep, Plan, Step

WIDTH = 80


def estimate(steps: Sequence[Step]) -> Estimate:
    """Counts of frames and operator actions, and the time the shutter is open."""
    exposing = [step for step in steps if isinstance(step, ExposeStep)]
    control = [step for step in steps if isinstance(step, ControlStep)]
    return Estimate(
        frames=len(exposing),
        control_frames=len(control),
        operator_actions=sum(isinstance(step, OperatorStep) for step in steps),
        exposure_s=sum(s.settings.time.exact for s in exposing) + sum(s.settings.time.exact for s in control),
    )


def to_bring(plan: Plan) -> tuple[str, ...]:
    """Names of the filters that the plan uses, in the order of use."""
    names = [item.name for step in plan.exposing for item in step.settings.filters]
    return tuple(dict.fromkeys(names))


def wrapped(text: str, indent: int = 0) -> list[str]:
    """Text in lines of at most 80 columns; what follows the first line is indented two further."""
    blank = " " * indent
    return textwrap.wrap(text, WIDTH, initial_indent=blank, subsequent_indent=blank + "  ", break_long_words=True)


def _count(group: GroupNote, frames: Sequence[ExposeStep]) -> str:
    """How many pictures a group has, and how their brightness lies."""
    if len(frames) == 1:
        return "1 picture"
    intended = [step.intended_offset for step in frames]
    if max(intended) > min(intended):
        apart = f"from {-min(intended):g} stops under to {max(intended):g} over"
    elif group.spread >= 0.005:
        apart = f"within {words.stops(group.spread)}"
    else:
        apart = "equally bright"
    return f"{len(frames)} pictures, {apart}"


def _settings(step: ExposeStep) -> str:
    """One picture's settings on one line."""
    s = step.settings
    marks = f"{s.aperture.mark:<7} {s.time.mark + ' s':<9} ISO {s.iso.mark:<6}"
    return f"{marks} {' + '.join(item.name for item in s.filters)}".rstrip()[: WIDTH - 8]


def summary(plan: Plan) -> str:
    """The plan in a few lines: light, counts, bag, groups, what cannot be reached. At most 80 columns."""
    cost, light = plan.estimate, plan.inputs.light
    origin = {"brief": "as the brief says", "metered": "as metered"}[light.origin]
    lines = wrapped(plan.title)
    lines += wrapped(f"Light: EV {words.figures(light.ev100)}, {origin}.")
    frames = f"{cost.frames} picture{'' if cost.frames == 1 else 's'}"
    if cost.control_frames:
        frames += f", {cost.control_frames} metering frame{'' if cost.control_frames == 1 else 's'}"
    hands = f"hands are needed {cost.operator_actions} time{'' if cost.operator_actions == 1 else 's'}"
    lines += wrapped(f"Cost: {frames}; {hands}; the shutter is open for {words.figures(cost.exposure_s)} s in all.")
    lines += wrapped(f"In the bag: {words.listed(to_bring(plan)) or 'no filter is needed'}.")
    steps = {step.id: step for step in plan.exposing}
    for group in plan.groups:
        frames_of = [steps[name] for name in group.steps]
        lines += wrapped(f"{group.id}  {group.title}: {_count(group, frames_of)}", 2)
        lines += [f"        {_settings(step)}" for step in frames_of]
        for note in group.left_out:
            lines += wrapped(note, 6)
    for item in plan.unreachable:
        lines += wrapped(f"NOT REACHABLE  {item.goal}", 2)
        for reason in item.reasons:
            lines += wrapped(f"because {reason}", 6)
        for remedy in item.remedies:
            lines += wrapped(f"what would help: {remedy}", 6)
    for caution in plan.cautions:
        lines += wrapped(f"CAUTION  {caution}")
    return "\n".join(lines) + "\n"
