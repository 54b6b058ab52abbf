"""Faults: honest mistakes beside one right picture, for the question what went wrong.

Each frame has one mistake: where motion is shown, everything that moves and matters stands still in the others, the
shaken one excepted, whose long time is the mistake itself. Wherever the light allows it a mistake differs from the
right picture in itself alone: exposure in time, else in ISO; focus in focus; shake and motion in time, which ISO
balances, and only where that does not reach by a filter as well.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

import numpy as np

from plans import motion, optics
from plans.brief import Faults, Held, Mistake
from plans.goals import moving, sharpness, words
from plans.goals.brightness import meant, miss_reason
from plans.goals.situation import SAME_MARK, Situation
from plans.plan import Focus, Predicted, Settings
from plans.scene import Subject
from plans.solver import Choice, Demand, Mask, allowed
from plans.stops import Kind

HOLD: tuple[Held, ...] = ("aperture",)
WIDENING = True
# The usual amounts, as plain as a mistake must be to be seen on a projector; common practice, no source.
AMOUNTS: dict[Mistake, float] = {"under": 2, "over": 2, "shaken": 4, "misfocused": 5, "motion": 5}
# What is wished is a mistake of about its amount: at most so many times the blur, or the time, that was asked for.
_ROUGHLY, _ROUGHLY_LONG = 2.0, 4.0

# What mistakes leave as it is in the right picture, the most wished first; the aperture is held in any case.
_FILTERS: frozenset[Held] = frozenset({"filters"})
_BY_TIME: frozenset[Held] = frozenset({"filters", "iso"})
_BY_ISO: frozenset[Held] = frozenset({"filters", "time"})
_FREE: frozenset[Held] = frozenset()
_LONG: tuple[dict[Mistake, frozenset[Held]], ...] = (
    {"motion": _FILTERS, "shaken": _FILTERS}, {"motion": _FILTERS, "shaken": _FREE}, {},
)  # fmt: skip
_OFF: tuple[dict[Mistake, frozenset[Held]], ...] = (
    {"under": _BY_TIME, "over": _BY_TIME}, {"under": _BY_TIME, "over": _BY_ISO}, {"under": _BY_ISO, "over": _BY_ISO},
)  # fmt: skip
_FOCUS: dict[Mistake, frozenset[Held]] = {"misfocused": frozenset({"filters", "time", "iso"})}

_WORDS: dict[Mistake, str] = {
    "under": "underexposed", "over": "overexposed", "shaken": "shaken", "misfocused": "misfocused",
    "motion": "with motion blur",
}  # fmt: skip


def name(goal: Faults) -> str:
    """The goal in a few words."""
    return f"faults with {goal.subject}"


def mistake(goal: Faults, part: int) -> Mistake | None:
    """The mistake of one frame; None for the right picture, which comes first."""
    return goal.show[part - 1] if part else None


def frame_name(goal: Faults, part: int) -> str:
    """One frame in a few words."""
    wrong = mistake(goal, part)
    return f"{goal.subject} {_WORDS[wrong]}" if wrong else f"{goal.subject} as it should be"


def amount(situation: Situation, goal: Faults, wrong: Mistake) -> float:
    """By how much: the brief's own amount, or the usual one. [stops], [unitless]

    Without a tripod no time is planned beyond what the support commonly keeps still; a picture is usually shaken at
    the longest of those, where the usual amount lies beyond it.
    """
    if wrong in goal.by:
        return goal.by[wrong]
    held_s = situation.hand_held_s
    if wrong == "shaken" and held_s is not None:
        return min(AMOUNTS[wrong], held_s / hand_held_s(situation))
    return AMOUNTS[wrong]


def _stops(goal: Faults, wrong: Mistake) -> Fraction:
    by = goal.by.get(wrong, AMOUNTS[wrong])
    stops = Fraction(by).limit_denominator(1000) if wrong in ("under", "over") else Fraction(0)
    return -stops if wrong == "under" else stops


def moved(situation: Situation, goal: Faults) -> Subject | None:
    """What smears in the motion picture: the subject, or the first that crosses the view; None when nothing does."""
    several = [situation.subject(goal.subject), *situation.scene.subjects.values()]
    return next((subject for subject in several if moving.across_m_s(situation, subject)), None)


def _still_s(situation: Situation, goal: Faults, focus_m: float) -> float:
    """Longest time in which nothing smears that is to be still: the subject, and what the motion picture smears. [s]"""
    subject = situation.subject(goal.subject)
    several = [subject, moved(situation, goal) if "motion" in goal.show else None]
    return min(moving.time_s(situation, one, focus_m, situation.coc_mm) for one in several if one)


def _deep_enough(situation: Situation, goal: Faults) -> Mask:
    """Apertures that show the whole depth of the subject sharp."""
    subject, marks = situation.subject(goal.subject), situation.scale("aperture").marks
    wide = optics.aperture_for_span(
        situation.focal_mm, situation.coc_mm, subject.distance_m, subject.nearest_m, subject.farthest_m
    )
    return situation.between("aperture", wide, marks[-1].exact if marks else wide)


def hand_held_s(situation: Situation) -> float:
    """The hand-held limit 1/f that a shaken picture is counted in. [s]"""
    return motion.longest_hand_held_s(situation.focal_mm, sharpness.crop(situation))


def _common(situation: Situation, goal: Faults, roughly: bool) -> dict[Mistake | None, Demand | None]:
    """What each frame but a misfocused one asks for; None where nothing on the scales can do.

    ``roughly``: with times about as long as was asked, and not far beyond.
    """
    most = _ROUGHLY_LONG if roughly else float("inf")
    subject, smears = situation.subject(goal.subject), moved(situation, goal)
    plain = situation.demand(situation.focus_on(goal.subject), apertures=_deep_enough(situation, goal))
    still = plain.times & situation.between("time", 0, _still_s(situation, goal, subject.distance_m))
    found: dict[Mistake | None, Demand | None] = {}
    for wrong in (None, *(word for word in goal.show if word != "misfocused")):
        one = plain._replace(times=still, intended=_stops(goal, wrong) if wrong else Fraction(0))
        if wrong == "motion" and smears:
            blur_mm = amount(situation, goal, wrong) * situation.coc_mm
            least = moving.time_s(situation, smears, subject.distance_m, blur_mm)
            one = one._replace(times=plain.times & situation.between("time", least, least * most))
        elif wrong == "shaken":
            # Without a tripod the mark that ends the times is to do: 1/50 s is the mark that 1/50.1 s asks for.
            slack = 1.0 if situation.hand_held_s is None else SAME_MARK
            least = amount(situation, goal, wrong) * hand_held_s(situation) / slack
            marks = situation.scale("time").marks
            if wrong not in goal.by and situation.hand_held_s is not None and marks:
                least = min(least, marks[-1].exact)  # usually the longest that is planned there
            one = one._replace(times=situation.between("time", least, least * most), shaken=True)
        possible = one.apertures.any() and one.times.any() and (wrong != "motion" or smears is not None)
        found[wrong] = one if possible else None
    return found


def _misfocused(situation: Situation, goal: Faults) -> Iterator[list[Demand]]:
    """Ways to focus wrong, the most wished first: on another subject, else where the blur is just as asked.

    Behind the subject if anything stands there, else before it if the lens can, else behind; and last of all on
    either side.
    """
    f, subject = situation.focal_mm, situation.subject(goal.subject)
    blur = amount(situation, goal, "misfocused") * situation.coc_mm
    others = [
        s for s in situation.scene.subjects.values() if not subject.nearest_m <= s.distance_m <= subject.farthest_m
    ]
    behind = any(other.distance_m > subject.distance_m for other in others)
    usable, exact_s = _deep_enough(situation, goal), np.array([mark.exact for mark in situation.scale("time").marks])

    def demand(focus: Focus, mask: Mask) -> list[Demand]:
        if not (mask & usable).any() or not situation.can_focus(focus.distance_m):
            return []
        times = exact_s <= _still_s(situation, goal, focus.distance_m) * (1 + 1e-9)
        return [situation.demand(focus, apertures=mask & usable, times=times)] if times.any() else []

    on_subjects: list[Demand] = []
    for other in others:
        if (other.distance_m > subject.distance_m) == behind and situation.can_focus(other.distance_m):
            open_mm = optics.background_disc_mm(f, 1.0, other.distance_m, subject.distance_m)
            mask = situation.between("aperture", open_mm / (_ROUGHLY * blur), open_mm / blur)
            on_subjects += demand(situation.focus_on(other.name), mask)

    def bare(side: bool) -> list[Demand]:
        found: list[Demand] = []
        marks = situation.scale("aperture").marks
        for n in np.flatnonzero(usable).tolist():
            distance = optics.focus_for_disc_m(f, marks[n].exact, subject.distance_m, blur, side)
            if np.isfinite(distance):
                found += demand(Focus(subject=None, distance_m=distance), np.arange(len(marks)) == n)
        return found

    if on_subjects:
        yield on_subjects
    first = bare(behind)
    if first:
        yield first
    second = bare(not behind)
    if second:
        yield first + second
    if on_subjects and (first or second):
        yield on_subjects + first + second


def stages(situation: Situation, goal: Faults) -> Iterator[list[list[Demand]]]:
    """The right picture and each mistake: first by about its amount, then by that or more.

    Within each, from mistakes that leave all else as it is in the right picture to such that may change it, and from
    the most wished way of focusing wrong to all there are.
    """
    if not situation.can_focus(situation.subject(goal.subject).distance_m):
        return
    wanted: list[Mistake | None] = [None, *goal.show]
    ways = list(_misfocused(situation, goal)) if "misfocused" in goal.show else [[]]
    timed = any(wrong in goal.show for wrong in ("shaken", "motion"))
    for roughly in (True, False) if timed else (False,):
        alone = _common(situation, goal, roughly)
        if any(one is None for one in alone.values()):
            continue
        for ties in _several_ties(goal):
            frames: dict[Mistake | None, list[Demand]] = {
                wrong: [one._replace(tied=ties.get(wrong, _FREE) if wrong else _FREE)]
                for wrong, one in alone.items()
                if one is not None
            }
            wrongly = ties.get("misfocused", _FREE)
            for way in ways:
                tied = [one._replace(tied=wrongly) for one in way]
                yield [frames.get(wrong, tied) for wrong in wanted]


def _several_ties(goal: Faults) -> list[dict[Mistake, frozenset[Held]]]:
    """The ties that make a difference to the mistakes that are shown, the most wished first; none at last."""
    found: list[dict[Mistake, frozenset[Held]]] = []
    for ties in (*({**long, **off, **_FOCUS} for long in _LONG for off in _OFF), {}):
        own = {wrong: ties.get(wrong, _FREE) for wrong in goal.show}
        if own not in found:
            found.append(own)
    return found


def _wanted(situation: Situation, goal: Faults, wrong: Mistake | None) -> str:
    """What one frame must show, by how much."""
    coc = words.millimetres(situation.coc_mm)
    subject = words.the(goal.subject)
    if wrong is None:
        return f"{subject} sharp in its whole depth and still, within a circle of confusion of {coc}"
    by = amount(situation, goal, wrong)
    if wrong in ("under", "over"):
        return f"{words.mixed(_stops(goal, wrong))} {wrong} {meant(situation)}"
    if wrong == "shaken":
        return f"shaken, at {_of_the_limit(situation, by)} or longer"
    if wrong == "misfocused":
        return f"{subject} out of focus by {words.figures(by)} circles of confusion ({coc}) or more"
    smears = moved(situation, goal)
    which = words.the(smears.name) if smears else "something"
    return f"{which} smears over {words.figures(by)} circles of confusion ({coc}) or more"


def _of_the_limit(situation: Situation, times: float) -> str:
    """A time counted in hand-held limits: ``4 times the hand-held limit of 1/50 s``."""
    limit, count = words.seconds(hand_held_s(situation)), words.figures(times, 2)
    return f"the hand-held limit of {limit}" if count == "1" else f"{count} times the hand-held limit of {limit}"


def criteria(situation: Situation, goal: Faults, part: int) -> tuple[str, ...]:
    """What a frame is held to."""
    wrong = mistake(goal, part)
    own = wrong in goal.by
    source = "set in the brief" if own else "common practice, no source"
    return (f"{_wanted(situation, goal, wrong)} ({source})", "the aperture is the same in all frames")


def caption(situation: Situation, goal: Faults, choice: Choice, settings: Settings, seen: Predicted) -> str:
    """One sentence for a student: what went wrong, in numbers."""
    head, wrong, subject = words.shot(settings), mistake(goal, choice.part), words.the(goal.subject)
    if wrong is None:
        return f"{head}: {subject} as it should be, sharp, still and rightly exposed: the others are held against this."
    if wrong in ("under", "over"):
        stops = abs(choice.intended)
        light = words.light_factor(choice.intended)
        from_what = f" against {meant(situation)}" if situation.lift else ""
        return f"{head}: {words.mixed(stops)} {wrong}exposed{from_what}, {light}."
    if wrong == "shaken":
        also = [one.name for one in situation.scene.subjects.values() if moving.across_m_s(situation, one)]
        drawn = f", with {words.listed(words.the(one) for one in also)} moving in it too" if also else ""
        return f"{head}: shaken, at {_of_the_limit(situation, settings.time.exact / hand_held_s(situation))}{drawn}."
    if wrong == "misfocused":
        at = settings.focus
        where = (
            f"on {words.the(at.subject)}, {words.metres(at.distance_m)} away"
            if at.subject
            else f"at {words.metres(at.distance_m)}"
        )
        target = situation.subject(goal.subject).distance_m
        disc = optics.background_disc_mm(situation.focal_mm, settings.aperture.exact, at.distance_m, target)
        return (
            f"{head}: focused {where} instead of {subject}, every point of which spreads to "
            f"{words.millimetres(disc)}, {words.figures(disc / situation.coc_mm, 2)} circles of confusion."
        )
    smears = moved(situation, goal) or situation.subject(goal.subject)
    smear = situation.smear_mm(smears, settings.focus.distance_m, settings.time.exact)
    return (
        f"{head}: the shutter stays open too long for {words.the(smears.name)}, which smears over "
        f"{words.millimetres(smear)}, {words.figures(smear / situation.coc_mm, 2)} circles of confusion."
    )


def reasons(situation: Situation, goal: Faults) -> list[str]:
    """Why no settings reach the goal; empty when each frame can be had alone."""
    refused = situation.focus_reason(goal.subject)
    if refused:
        return [refused]
    if "motion" in goal.show and moved(situation, goal) is None:
        return ["nothing in the brief moves across the view, so motion blurs nothing"]
    found = []
    for wrong, one in _common(situation, goal, roughly=False).items():
        if one is not None and _allowed(situation, one):
            continue
        if one is None:
            what = "exposure time" if _deep_enough(situation, goal).any() else "aperture"
            scale = situation.scale("aperture" if what == "aperture" else "time").marks
            ends = f"{words.mark(scale[0])} to {situation.mark_words(scale[-1])}" if scale else "empty"
            found.append(f"{_named(situation, goal, wrong)}: no {what} on the scale does it ({ends})")
        else:
            masks: dict[Kind, Mask] = {"aperture": one.apertures, "time": one.times}
            why = miss_reason(situation, one.loss + float(one.intended), masks)
            found.append(f"{_named(situation, goal, wrong)}: {why}")
    if not found and "misfocused" in goal.show and next(stages(situation, goal), None) is None:
        found.append(
            f"{_named(situation, goal, 'misfocused')}: the lens cannot focus so far off at an aperture of the others"
        )
    return found


def _named(situation: Situation, goal: Faults, wrong: Mistake | None) -> str:
    """What one frame must show, with the brief's word for its mistake before it."""
    wanted = _wanted(situation, goal, wrong)
    smears = moved(situation, goal) if "motion" in goal.show else None
    if wrong is None and smears and smears.name != goal.subject:
        return f"the right picture, {wanted}; and {words.the(smears.name)} still, since motion is to be shown"
    if wrong is None:
        return f"the right picture, {wanted}"
    return wanted if wanted.startswith(wrong) else f"{wrong}, {wanted}"


def _allowed(situation: Situation, one: Demand) -> bool:
    found = situation.ground.survivors(one.loss, one.intended)
    return bool(allowed(situation.ground, one, found).any())
