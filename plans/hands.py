"""What the operator is asked to do, in words for someone alone outdoors with cold fingers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from plans.goals import words
from plans.kit import Kit, Support
from plans.plan import FilterValue, Focus

Action = Literal["compose", "focus", "filters", "turn", "move", "shake", "settle"]

WATER = (
    "Wet stone is slippery: stand firm before you look at the camera, and keep clear of pumps and mains leads beside "
    "the water. Run everything from batteries or low voltage, else through a residual-current device. Local rules and "
    "licensed electricians come first."
)
WATER_ALONE = (
    "Wet stone is slippery: stand firm before you look at the camera, and keep bags and leads off the wet ground. "
    "Local rules come first."
)
STEPPING = (
    "Look where you step before you move: wet stone is slippery. Never step into a basin or onto its rim for a "
    "picture; leave this one out rather."
)
NEUTRAL_DENSITY = (
    "A neutral-density filter does not protect eyes: never look at the sun through it, nor through the finder behind "
    "it."
)


def _names(filters: Sequence[FilterValue]) -> str:
    return words.listed(f"the {item.name}" for item in filters)


def aim(focus: Focus) -> str:
    if focus.subject:
        return f"focus on {words.the(focus.subject)}, {words.metres(focus.distance_m)} away"
    return f"set the focus to {words.metres(focus.distance_m)} by the distance scale, or on anything at that distance"


def no_tripod_text(kit: Kit) -> str:
    """The caution of a plan without a tripod, with the time commonly kept still and what it rests on."""
    focal = kit.lens.focal_length_mm
    limit = words.seconds(kit.longest_held_s(focal))
    rule = "1/(2 f)" if kit.cautious else "1/f"
    by_hand = words.seconds(kit.longest_held_s(focal) / 2.0**kit.steadied)
    gained = f"; {words.mixed(kit.steadied)} longer than the {by_hand} of that rule" if kit.steadied else ""
    own = "your own figure" if kit.gain is not None else "common practice, no source"
    source = f"{rule}, f as on full frame{gained}: {own}"
    where = "on a monopod" if kit.support == "monopod" else "by hand"
    return (
        "These pictures are compared with each other: without a tripod the framing moves from one to the next. "
        f"No time longer than {limit} is planned {where} ({source})."
    )


def compose_text(focus: Focus, focal_mm: float | None = None, support: Support = "tripod") -> str:
    """Setting up, from nothing. ``focal_mm``: the first of several focal lengths, in a plan that changes it. [mm]"""
    zoom, until = "", ""
    if focal_mm is not None:
        zoom, until = f"Zoom to {words.figures(focal_mm)} mm. ", " until you are asked to move"
    bare = f"{zoom}Take every filter off the lens. Switch the lens to manual focus, then {aim(focus)}."
    if support == "tripod":
        return f"Set up the tripod and frame the picture. {bare} From now on leave tripod and zoom alone{until}."
    stand = "Set the camera on the monopod" if support == "monopod" else "Take a firm stand, elbows at your sides"
    stays = "the monopod's foot" if support == "monopod" else "your feet"
    return (
        f"{stand}, and frame the picture by something at its edge that you will find again. {bare} From now on keep "
        f"{stays} and the zoom where they are{until}, and frame alike for every picture."
    )


def focus_text(focus: Focus) -> str:
    """A refocus, through a bare lens."""
    return f"Turn the focus ring only: {aim(focus)}."


def filters_text(before: Sequence[FilterValue], after: Sequence[FilterValue]) -> str:
    """A change of filters: what comes off, what goes on, what stays."""
    names_before, names_after = [item.name for item in before], [item.name for item in after]
    off = [item for item in before if item.name not in names_after]
    on = [item for item in after if item.name not in names_before]
    stays = [item for item in before if item.name in names_after]
    turned = next((item.turned for item in after if item.turned and item not in before), None)
    if not off and not on:
        return turn_text(turned) if turned else "Leave the filters as they are."
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
    return f"{text} {turn_text(turned)}" if turned else text


def bare_why(filters: Sequence[FilterValue]) -> str:
    """Why what is on the lens comes off before the focus ring is turned."""
    if all(item.turned for item in filters):
        return "A polariser turns out of its place while the focus ring is turned: focus bare."
    return "A dark filter hides what the focus ring does: focus bare."


def turn_text(turned: Literal["least", "most"]) -> str:
    """The polariser turned: ``least`` lets reflections through, ``most`` takes them away."""
    until = "strongest" if turned == "least" else "weakest"
    return (
        "Look through the viewfinder (at the screen, if the sun is near the picture) and turn the polariser's front "
        f"ring slowly, until the reflections on the water, on leaves or glass are {until}. Hold its rear ring and the "
        "focus ring still with the other hand."
    )


def move_text(
    subject: str, distance_m: float, focal_mm: float, as_large: bool = True, support: Support = "tripod"
) -> str:
    """Another place and focal length. [m], [mm]

    ``as_large``: the subject is to be as large as before; else the picture is framed anew, for what follows.
    """
    name, where = words.the(subject), words.metres(distance_m)
    frame = f"frame so that {name} is as large as before and in the same place of the picture"
    moved = {"tripod": "Move the tripod", "monopod": "Move the monopod", "hand": "Go with the camera"}[support]
    return (
        f"{moved} until {name} is {where} from the camera, along the same line of sight and at the same "
        f"height. Zoom to {words.figures(focal_mm)} mm, focus on {name}, and "
        f"{frame if as_large else 'frame anew for the pictures that follow'}."
    )


def shake_text(support: Support = "tripod") -> str:
    """The camera shaken in the next exposure, on purpose."""
    if support == "hand":
        return (
            "While the next picture is exposed, jerk the camera a little sideways with your wrists, from before it "
            "begins until it has ended. Keep the strap around your neck."
        )
    if support == "monopod":
        return (
            "While the next picture is exposed, rock the monopod a little with one hand, from before it begins until "
            "it has ended. Hold the camera with the other: it must shake, and neither turn away nor fall."
        )
    return (
        "While the next picture is exposed, give a leg of the tripod small taps with one finger, from before it begins "
        "until it has ended. Keep the other hand under the camera: it must shake, and neither move nor fall."
    )


def settle_text(support: Support = "tripod") -> str:
    """The camera held still again."""
    if support != "tripod":
        return "Stop shaking. Stand firm, breathe out and frame as before; hold the camera still again."
    return "Stop tapping, take both hands off the tripod and step back. Let it stand for ten seconds."


_CHECKS: dict[Action, str] = {
    "compose": "the framing is the one you want and the subject is sharp",
    "focus": "the subject is sharp and the framing is as before",
    "filters": "framing and focus are as before, and the brightness is right through what is on the lens now",
    "turn": "framing and focus are as before; the brightness may change with the reflections",
    "move": "the subject is as large as before, in the same place and sharp",
    "shake": "the framing is as before",
    "settle": "the framing is as before, and nothing is shaken any more",
}


def check_text(action: Action) -> str:
    """A check frame after hands: what must hold."""
    return f"One frame to check what hands did: {_CHECKS[action]}."
