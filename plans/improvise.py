"""One more picture on the spot, "and f/4?": one setting changed, the others balanced so that the brightness stays.

Counted as the solver counts, in exact stops and with what was measured on this kit. Filters and focus stay as they are:
they need hands.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from fractions import Fraction
from itertools import product

from plans.compiler import plan_scales, situation_of
from plans.goals import words
from plans.goals.situation import Situation
from plans.plan import ExposeStep, MarkValue, Plan, Settings, mark_value
from plans.solver import ticks
from plans.step_words import step_number
from plans.stops import KINDS, Kind, Mark, Scale, closest_by_light, label_value, light_of

# Which settings balance a change, the first preferred: what teaching changes together. Common practice, no source.
_BALANCE: Mapping[Kind, tuple[Kind, Kind]] = {
    "aperture": ("time", "iso"),
    "time": ("aperture", "iso"),
    "iso": ("time", "aperture"),
}
_SAME = 1e-3  # a mark read back from a plan has nine digits [stops]


def improvised(plan: Plan, beside: ExposeStep, change: str) -> ExposeStep:
    """The step of one more picture beside another, with one setting changed.

    Parameters
    ----------
    plan
        Scales, limits, kit and light.
    beside
        The picture that it is improvised from; its focus and filters stay.
    change
        ``f/4``, ``1/60 s``, ``2 s`` or ``ISO 400``: a mark of the plan's scale.

    Returns
    -------
    ExposeStep
        With the id of ``beside``, which is to be replaced, and the same reference. Where nothing balances the change
        within half a step, the nearest there is; ``offset`` and the caption say by how much it misses.

    Raises
    ------
    ValueError
        If the change names no setting, a mark that the scale lacks, or what is set already.
    """
    situation, scales = situation_of(plan), plan_scales(plan)
    kind, mark = _asked(change, scales)
    before = {name: _mark_of(scales[name], getattr(beside.settings, name)) for name in KINDS}
    if mark == before[kind]:
        raise ValueError(f"{words.mark(mark)} is what this picture was taken with already; ask for another")
    choice = {name: situation.scale(name).marks or scales[name].marks for name in _BALANCE[kind]}
    after = _balanced(situation, beside, before, kind, mark, choice)
    settings = beside.settings.model_copy(update={name: mark_value(after[name]) for name in KINDS})
    missed = _light(situation, after) - _light(situation, before)
    changed = tuple(name for name in KINDS if after[name] != before[name])
    return beside.model_copy(
        update={
            "settings": settings,
            "offset": float(Fraction(beside.offset) + missed),
            "held": tuple(name for name in ("aperture", "time", "iso", "focus", "filters") if name not in changed),
            "changed": changed,
            "predicted": _there(situation, settings).predict(settings),
            "criteria": (),
            "caption": _caption(beside, before[kind], settings, missed, float(situation.ground.tolerance)),
            "cautions": (),
        }
    )


def _there(situation: Situation, settings: Settings) -> Situation:
    focal = settings.focal_length_mm
    return situation if focal is None else situation.with_focal_length(focal)


def _asked(change: str, scales: Mapping[Kind, Scale]) -> tuple[Kind, Mark]:
    """Which setting is meant, and its mark.

    Raises
    ------
    ValueError
        If none is, or the scale has no such mark.
    """
    text = " ".join(change.split())
    kind: Kind | None = None
    if re.match(r"f\s*/?\s*\d", text, re.IGNORECASE):
        kind = "aperture"
    elif re.match(r"iso\s*\d", text, re.IGNORECASE):
        kind = "iso"
    elif re.fullmatch(r"\d+/\d+(\s*s)?|\d+(\.\d+)?\s*s", text):
        kind = "time"
    if kind is None:
        raise ValueError(f"found {change[:40]!r}; allowed: an aperture (f/4), a time (1/60 s, 2 s) or an ISO (ISO 400)")
    mark = scales[kind].find(text)
    if mark is None:
        near = scales[kind].nearest(label_value(kind, text))
        nearest = f"; nearest is {words.mark(near)}" if near else ""
        raise ValueError(f"{text} is no mark of this {kind} scale{nearest}")
    return kind, mark


def _mark_of(scale: Scale, value: MarkValue) -> Mark:
    """The scale's mark of a value in a plan; a mark of its own when the scale was changed since."""
    light = light_of(scale.kind, value.exact)
    return closest_by_light(scale, light, _SAME) or Mark(scale.kind, value.mark, Fraction(light))


def _light(situation: Situation, marks: Mapping[Kind, Mark]) -> Fraction:
    known = situation.kit.corrections
    return sum((mark.light + Fraction(known.of(mark)) for mark in marks.values()), Fraction(0))


def _balanced(
    situation: Situation,
    beside: ExposeStep,
    before: Mapping[Kind, Mark],
    kind: Kind,
    mark: Mark,
    choice: Mapping[Kind, tuple[Mark, ...]],
) -> dict[Kind, Mark]:
    """The marks that keep the brightness: within the tolerance by as few settings as can be, else the nearest."""
    first, second = _BALANCE[kind]
    if first in beside.held and second not in beside.held:
        first, second = second, first
    wanted, tolerance = _light(situation, before), situation.ground.tolerance
    best: tuple[tuple[int, int, int, int], dict[Kind, Mark]] | None = None
    for one, other in product((before[first], *choice[first]), (before[second], *choice[second])):
        after: dict[Kind, Mark] = {kind: mark, first: one, second: other}
        off = abs(_light(situation, after) - wanted)
        beyond = max(ticks(off) - ticks(tolerance), 0)
        moved = (other != before[second], one != before[first])
        price = (beyond, 2 * moved[0] + moved[1], ticks(off), ticks(abs(other.light - before[second].light)))
        if best is None or price < best[0]:
            best = price, after
    assert best is not None
    return best[1]


def _caption(beside: ExposeStep, before: Mark, settings: Settings, missed: Fraction, tolerance: float) -> str:
    number = step_number(beside.id)
    which = f"the picture at {words.mark(before)}" + (f" ({number})" if number != beside.id else "")
    shown = f"{settings.aperture.mark}, {settings.time.mark} s, ISO {settings.iso.mark}"
    text = f"Improvised beside {which}: {shown}"
    if abs(missed) > tolerance:
        side = "brighter" if missed > 0 else "darker"
        text += f"; {words.stops(float(abs(missed)))} {side}, because nothing here balances it"
    return text
