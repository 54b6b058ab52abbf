"""What the operator is asked to do, in words for someone alone outdoors with cold fingers."""

from __future__ import annotations

from collections.abc import Sequence

from plans.goals import words
from plans.plan import FilterValue, Focus

WATER = (
    "Wet stone is slippery: stand firm before you look at the camera, and keep clear of pumps and mains leads beside "
    "the water. Run everything from batteries or low voltage, else through a residual-current device. Local rules and "
    "licensed electricians come first."
)
NEUTRAL_DENSITY = (
    "A neutral-density filter does not protect eyes: never look at the sun through it, nor through the finder behind "
    "it."
)
NO_TRIPOD = (
    "These pictures are compared with each other: without a tripod the framing moves from one to the next. "
    "Times longer than {limit} are commonly not held by hand."
)


def _names(filters: Sequence[FilterValue]) -> str:
    return words.listed(f"the {item.name}" for item in filters)


def _aim(focus: Focus) -> str:
    if focus.subject:
        return f"focus on {words.the(focus.subject)}, {words.metres(focus.distance_m)} away"
    return f"set the focus to {words.metres(focus.distance_m)} by the distance scale, or on anything at that distance"


def compose_text(focus: Focus) -> str:
    """Setting up, from nothing."""
    return (
        "Set up the tripod and frame the picture. Take every filter off the lens. Switch the lens to manual focus, "
        f"then {_aim(focus)}. From now on leave tripod and zoom alone."
    )


def focus_text(focus: Focus) -> str:
    """A refocus, through a bare lens."""
    return f"Turn the focus ring only: {_aim(focus)}."


def filters_text(before: Sequence[FilterValue], after: Sequence[FilterValue]) -> str:
    """A change of filters: what comes off, what goes on, what stays."""
    off, on = [f for f in before if f not in after], [f for f in after if f not in before]
    stays = [f for f in before if f in after]
    parts = []
    if off:
        parts.append(f"unscrew {_names(off)}")
    if on:
        parts.append(f"screw {_names(on)} onto the lens")
    text = " and ".join(parts)
    text = f"{text[0].upper()}{text[1:]}. Hold the focus ring still with the other hand while you turn."
    if stays:
        text += f" {_names(stays)[0].upper()}{_names(stays)[1:]} stays on the lens."
    elif not after:
        text += " The lens is then bare."
    return text
