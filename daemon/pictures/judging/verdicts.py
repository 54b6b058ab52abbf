"""Verdicts: what was measured, held against what was asked, in one of three answers, with figures and plain words.

A figure is given with how far it may be off (one standard deviation). Nearer to the limit than twice that, the answer
is "can't tell": better no answer than a wrong one. Each says why, and what to shoot again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Literal

from pydantic import BaseModel, ConfigDict

Answer = Literal["shown", "not shown", "can't tell"]
Kind = Literal[
    "equivalent", "frozen", "silky", "isolated", "deep", "bracket complete", "ladder even", "framing held",
    "light held", "fault shown",
]  # fmt: skip

SHOWN: Answer = "shown"
NOT: Answer = "not shown"
UNTOLD: Answer = "can't tell"

SURELY = 2.0  # standard deviations
SAME_STOPS = 1 / 3  # frames that are as bright as their settings say; the finest step most dials have
SAME_PLACE = 0.002  # of the frame's width: from there on a comparison side by side begins to jump
LEAST_RUN_PX = 4.0  # less than that is told by fine grain as well
AMOUNT_SHARE = 0.5  # a mistake is shown from half its amount on: common practice, no source


class Estimate(BaseModel):
    """A measured figure and how far it may be off, one standard deviation."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    value: float
    unsure: float

    def within(self, most: float) -> bool | None:
        """Whether it is at most so much; None: too near to tell."""
        if abs(self.value - most) < SURELY * self.unsure:
            return None
        return self.value < most

    def times(self, factor: float) -> Estimate:
        """The figure and its doubt, both multiplied."""
        return Estimate(value=self.value * factor, unsure=self.unsure * factor)


class Verdict(BaseModel):
    """One verdict. ``about``: the step, group or goal. ``figures``: what it rests on. ``again``: what to do next."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: Kind
    about: str
    answer: Answer
    words: str
    figures: dict[str, float] = {}
    again: str = ""


def _all(parts: Sequence[bool | None]) -> Answer:
    if any(part is False for part in parts):
        return NOT
    return UNTOLD if any(part is None for part in parts) else SHOWN


def _said(
    kind: Kind, about: str, answer: Answer, words: str, figures: dict[str, float], again: str, near: str
) -> Verdict:
    if answer == UNTOLD:
        words = f"{words}: {near}"
    digits = {name: float(f"{value:.4g}") for name, value in figures.items() if math.isfinite(value)}
    return Verdict(
        kind=kind, about=about, answer=answer, words=words, figures=digits, again="" if answer == SHOWN else again
    )


def _px(value: float) -> str:
    """Pixels in three figures, and never as a power of ten."""
    return f"{value:.0f}" if value >= 100 else f"{value:.3g}"


_NEAR = "too near the limit to tell"


def untold(kind: Kind, about: str, why: str, again: str) -> Verdict:
    """A verdict that cannot be had."""
    return Verdict(kind=kind, about=about, answer=UNTOLD, words=why, again=again)


def equivalent(about: str, off: Estimate, within: float = SAME_STOPS) -> Verdict:
    """Whether a frame is as bright against its reference as its settings say. ``off`` [stops]"""
    side = "brighter" if off.value > 0 else "darker"
    size = Estimate(value=abs(off.value), unsure=off.unsure)
    much = f"{size.value:.2f} stop {side} than" if size.value >= 0.005 else "as bright as"
    words = f"{much} its settings give against the reference; up to {within:.2g} stop counts as equal"
    again = f"{about}: look for a filter, a cloud or a dial that was moved, and shoot it again beside its reference"
    answer = _all([size.within(within)])
    return _said("equivalent", about, answer, words, {"off_stops": off.value, "within_stops": within}, again, _NEAR)


def light_held(about: str, offs: Sequence[Estimate], within: float = SAME_STOPS) -> Verdict:
    """Whether the light stayed over a group: how far its frames' brightness lies apart, settings taken out. [stops]"""
    values = [one.value for one in offs]
    apart = Estimate(value=max(values) - min(values), unsure=math.sqrt(2) * max(one.unsure for one in offs))
    words = (
        f"the light changed by {apart.value:.2f} stop over {len(values)} frames; up to {within:.2g} counts as steady"
    )
    again = f"{about}: shoot the group again in one go, in steadier light"
    figures = {"apart_stops": apart.value, "within_stops": within}
    return _said("light held", about, _all([apart.within(within)]), words, figures, again, _NEAR)


def framing_held(
    about: str,
    moved: Estimate,
    width_px: int,
    scale: float = 1.0,
    most_share: float = SAME_PLACE,
    ran: Estimate | None = None,
) -> Verdict:
    """Whether the content lies where it lay in the reference. ``moved`` [px]; growing about the middle is no move.

    ``ran``: how far it ran about while the shutter was open; counted where it is plainly too far. [px]
    """
    words = f"moved by {moved.value:.1f} px, {100 * moved.value / width_px:.2f} % of the width"
    words += f"; up to {100 * most_share:.2g} % counts as held"
    if abs(scale - 1) > 5e-4:
        words += f". It is {100 * abs(scale - 1):.2f} % {'larger' if scale > 1 else 'smaller'}: the lens breathes"
    again = f"{about}: check the tripod, frame anew and shoot the group again"
    figures = {"moved_px": moved.value, "moved_share": moved.value / width_px, "scale": scale}
    parts = [moved.within(most_share * width_px)]
    if ran is not None and ran.within(most_run(width_px, most_share)) is False:
        words += f". It ran about by {_px(ran.value)} px while the shutter was open: wind, hands or the mirror"
        again = f"{about}: steady the tripod, wait for the wind and shoot it again"
        figures["ran_px"] = ran.value
        parts.append(False)
    return _said("framing held", about, _all(parts), words, figures, again, _NEAR)


def most_run(width_px: int, share: float = SAME_PLACE) -> float:
    """How far a picture may run about while the shutter is open. [px]"""
    return max(share * width_px, LEAST_RUN_PX)


def frozen(about: str, subject: str, smear: Estimate, most_px: float) -> Verdict:
    """Whether what moves smears no farther than it may. [px]"""
    words = f"{subject} smears {_px(smear.value)} px; up to {_px(most_px)} px looks still"
    again = f"{about}: shoot it again {_shorter(smear.value, most_px)}"
    figures = {"smear_px": smear.value, "most_px": most_px}
    return _said("frozen", about, _all([smear.within(most_px)]), words, figures, again, _NEAR)


def _shorter(smear: float, most: float) -> str:
    return f"at a time {max(1.3, 1.15 * smear / most):.2g} times shorter"


def silky(about: str, subject: str, grade: str, smear: Estimate, window_px: tuple[float, float]) -> Verdict:
    """Whether what moves is drawn out as wished. ``window_px``: least and most smear, the most may be infinite."""
    low, high = window_px
    short = smear.within(low)
    enough = None if short is None else not short
    parts = [enough, True if math.isinf(high) else smear.within(high)]
    span = f"at least {_px(low)} px" if math.isinf(high) else f"{_px(low)} to {_px(high)} px"
    words = f"{subject} smears {_px(smear.value)} px; {grade} wants {span}"
    if smear.value < low:
        again = f"{about}: shoot it again at a time {max(1.3, 1.15 * low / smear.value):.2g} times longer"
    else:
        again = f"{about}: shoot it again {_shorter(smear.value, high)}"
    return _said("silky", about, _all(parts), words, {"smear_px": smear.value, "least_px": low}, again, _NEAR)


def isolated(
    about: str, subject: str, own: Estimate, background: Estimate, sharp_px: float, least_px: float
) -> Verdict:
    """Whether a subject is sharp before a background that is not: discs of a point of either. [px]"""
    soft = background.within(least_px)
    parts = [own.within(sharp_px), None if soft is None else not soft]
    words = (
        f"a point of {subject} is {own.value:.2g} px wide and up to {sharp_px:.2g} is sharp; one of the background is "
        f"{_px(background.value)} px and at least {_px(least_px)} is wanted"
    )
    if parts[0] is not True:
        again = f"{about}: focus on {subject} anew, enlarged, and shoot it again"
    else:
        again = f"{about}: shoot it again at a wider aperture, or with more room behind {subject}"
    figures = {"subject_px": own.value, "background_px": background.value, "sharp_px": sharp_px, "least_px": least_px}
    open_ones = [name for name, part in zip((subject, "the background"), parts, strict=True) if part is None]
    near = f"{' and '.join(open_ones)} too near the limit to tell"
    return _said("isolated", about, _all(parts), words, figures, again, near)


def deep(about: str, discs: dict[str, Estimate], sharp_px: float) -> Verdict:
    """Whether all that is to be sharp is: the disc of a point of each subject. [px]"""
    parts = [one.within(sharp_px) for one in discs.values()]
    each = ", ".join(f"{name} {one.value:.2g} px" for name, one in discs.items())
    words = f"a point is {each} wide; up to {sharp_px:.2g} looks sharp"
    worst = max(discs, key=lambda name: discs[name].value)
    again = f"{about}: stop down or focus nearer to {worst}, and shoot it again"
    figures = {f"{name}_px": one.value for name, one in discs.items()} | {"sharp_px": sharp_px}
    near = " and ".join(name for name, part in zip(discs, parts, strict=True) if part is None)
    return _said("deep", about, _all(parts), words, figures, again, f"{near} {_NEAR}")


def bracket_complete(
    about: str, offs: dict[str, Estimate | None], missing: Sequence[str] = (), within: float = SAME_STOPS
) -> Verdict:
    """Whether every frame of a bracket is there and lies where it should. ``offs``: from where it should be. [stops]"""
    if missing:
        words, again = f"{', '.join(missing)} missing", f"{about}: shoot {', '.join(missing)}"
        return Verdict(kind="bracket complete", about=about, answer=NOT, words=words, again=again)
    parts = [None if one is None else Estimate(value=abs(one.value), unsure=one.unsure).within(within)
             for one in offs.values()]  # fmt: skip
    known = {name: one for name, one in offs.items() if one is not None}
    words = f"{len(offs)} frames"
    if known:
        worst = max(known, key=lambda name: abs(known[name].value))
        words += f", the farthest off is {worst} by {known[worst].value:+.2f} stop; up to {within:.2g} counts as right"
    again = f"{about}: shoot the bracket again in one go"
    figures = {f"{name}_off_stops": one.value for name, one in known.items()}
    near = _NEAR if len(known) == len(offs) else "some are clipped too far to be measured"
    return _said("bracket complete", about, _all(parts), words, figures, again, near)


def ladder_even(
    about: str, rungs: Sequence[float], by: float, offs: Sequence[Estimate], within: float = SAME_STOPS
) -> Verdict:
    """Whether a ladder climbs by even steps and its brightness stays.

    ``rungs``: the changed setting as the Exif has it, in stops of light, in order. ``offs``: brightness of each against
    the reference, its settings' own offset taken out. [stops]
    """
    steps = [abs(b - a) for a, b in pairwise(rungs)]
    worst_step = max((abs(step - by) for step in steps), default=0.0)
    jump = max((abs(b.value - a.value) for a, b in pairwise(offs)), default=0.0)
    unsure = math.sqrt(2) * max((one.unsure for one in offs), default=0.0)
    parts = [worst_step <= 1 / 6, Estimate(value=jump, unsure=unsure).within(within)]
    words = f"steps within {worst_step:.2f} stop of {by:.2g}; brightness jumps by {jump:.2f} stop at most"
    again = f"{about}: shoot the ladder again in one go"
    figures = {"step_off_stops": worst_step, "jump_stops": jump, "within_stops": within}
    return _said("ladder even", about, _all(parts), words, figures, again, _NEAR)


def fault_shown(about: str, mistake: str, amount: Estimate, wanted: float, unit: str) -> Verdict:
    """Whether a mistake made on purpose is to be seen: from half of its amount on. ``unit``: stops or px."""
    least = AMOUNT_SHARE * wanted
    little = amount.within(least)
    words = f"{mistake}: {amount.value:.2g} {unit} where {wanted:.2g} was meant; it shows from {least:.2g} on"
    again = f"{about}: shoot the mistake again, made larger"
    figures = {"amount": amount.value, "meant": wanted}
    answer = _all([None if little is None else not little])
    return _said("fault shown", about, answer, words, figures, again, _NEAR)
