"""What the pocket card says beside its pictures: what to look at on the back screen, and what the metering frame tells.

Common practice, no source.
"""

from __future__ import annotations

from fractions import Fraction

from plans.brief import Brief
from plans.exposure import HIGHLIGHT
from plans.goals import words
from plans.goals.beforehand import by_spot
from plans.kit import Support
from plans.plan import ExposeStep, Plan

# By how a goal's name begins.
_WATCH = {
    "freeze": "{what}: no streaks, seen enlarged",
    "isolate": "{what} sharp whole, background soft",
    "deep": "near and far end sharp, seen enlarged",
    "ladder": "all equally bright; framing as before",
    "noise": "all equally bright; grain grows",
    "bracket": "even steps from dark to bright",
    "focus bracket": "the sharp part goes back step by step",
    "perspective": "subject as large in each, same place",
}
_FAULTS = "faults with "
# By how the name of a picture with a mistake ends.
_MISTAKES = {
    "as it should be": "sharp, still and as bright as meant",
    "underexposed": "too dark, on purpose",
    "overexposed": "too bright, on purpose",
    "shaken": "all of it smeared or doubled, on purpose",
    "misfocused": "{what} soft, on purpose",
    "with motion blur": "what moves is streaked, on purpose",
}
_ELSE = "brightness and framing as before"


def watch(step: ExposeStep, group: str, support: Support) -> str:
    """What to look at in one picture. ``group``: the title of its group."""
    goal = step.goal
    if group.startswith(_FAULTS):
        text = next((text for end, text in _MISTAKES.items() if goal.endswith(end)), _ELSE)
        return text.format(what=words.the(group.removeprefix(_FAULTS)))
    if goal.startswith("polariser"):
        strong = goal.endswith(words.turned("least"))
        return "reflections as strong as they get" if strong else "reflections weaker than before, or gone"
    subject = goal.partition(" ")[2].partition(" (")[0] or "subject"
    if goal.startswith("silk"):
        return f"{words.the(subject)} drawn out; {_still(step, subject, support)}"
    text = next((text for begin, text in _WATCH.items() if goal.startswith(begin)), _ELSE)
    if goal.startswith("deep") and (also := _smeared(step, "")):
        text += f", but {words.listed(also)} smeared"
    return text.format(what=words.the(subject))


def _smeared(step: ExposeStep, but: str) -> list[str]:
    """What else moves too far to look sharp."""
    seen = step.predicted
    limit = seen.coc_mm or 0.0
    return [words.the(name) for name, smear in seen.smear_mm.items() if name != but and smear > limit]


def _still(step: ExposeStep, subject: str, support: Support) -> str:
    """What of the picture is sharp beside something drawn out: only what truly stands still."""
    others = _smeared(step, subject)
    text = "what stands still is sharp" + (f", {words.listed(others)} not" if others else "")
    return text if support == "tripod" else f"{text}, if you held still: look enlarged"


def signed(stops: float) -> str:
    """How far a picture is meant to lie from the metering frame, as dials count: ``+2 1/3``, ``\N{MINUS SIGN}1``."""
    size = words.mixed(stops).removesuffix("s").removesuffix(" stop")
    return f"{'+' if stops > 0 else chr(0x2212)}{size}"


def metered(plan: Plan, brief: Brief | None) -> list[str]:
    """What to make of the metering frame, and what plus and minus beside the pictures count from."""
    intent = brief.scene.intent if brief is not None else Fraction(0)
    found = []
    if not intent:
        found.append(
            "As bright as you want it? Go on. A stop too dark? Give every picture a stop more, by time or ISO."
        )
    elif intent >= HIGHLIGHT:
        found += [by_spot(intent), "Is that not what this card says? Give every picture as much more or less."]
    else:
        way = "brighter" if intent > 0 else "darker"
        found.append(
            f"This one is as the meter wants it, middle grey; the pictures are meant {words.mixed(intent)} {way}. A "
            "stop darker than middle grey? Give every picture a stop more, by time or ISO."
        )
    if any(step.intended_offset for step in plan.exposing):
        found.append(
            "+ and \N{MINUS SIGN} below: stops brighter and darker than this one, on purpose; counted in already."
        )
    return found
