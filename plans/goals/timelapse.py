"""A time-lapse: its ladder of settings, the light it will meet, and whether both ends of the ladder reach it."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from fractions import Fraction
from typing import Any

from plans import exposure, light, stars
from plans.brief import Timelapse
from plans.goals import finding, moving, timelapse_cautions, timelapse_words, words
from plans.goals.situation import Situation, limited
from plans.goals.timelapse_words import Ladder, Seen
from plans.light_control import Controller, Look, Tuning
from plans.plan import (
    IntervalPart,
    LightPoint,
    NightLook,
    Rung,
    Settings,
    TimelapseStep,
    Unreachable,
    mark_value,
)
from plans.solver import Choice
from plans.stops import Mark
from plans.timelapse_span import NoSuchTime, Part, Span, span
from plans.tone import BRACKET

GAP_S = 1.5  # kept between frames for reading out and settling; an assumption, to be replaced by what was measured
_POINTS = 96
_HAIR = 1 + 1e-9


@dataclass(frozen=True)
class Ready:
    """A time-lapse that can be run; ``choice`` is its first frame for the rig, ``step`` still lacks id and settings."""

    choice: Choice
    step: TimelapseStep


def prepare(situation: Situation, goal: Timelapse, title: str) -> Ready | Unreachable:
    """Everything that running the time-lapse needs, or why it cannot be had and what would help."""
    try:
        when = span(goal, situation.place, situation.when)
    except NoSuchTime as error:
        return Unreachable(goal=title, reasons=(str(error),), remedies=("another start, end or interval",))
    aperture, stack, reasons = _chosen(situation, goal)
    if reason := situation.focus_reason(goal.focus):
        reasons.append(reason)
    if situation.kit.support != "tripod":
        reasons.append("a film wants one framing over all its frames, and the kit names no tripod")
    ladders = (
        [] if reasons or aperture is None else [_ladder(situation, goal, part, aperture, stack) for part in when.parts]
    )
    for part, ladder in zip(when.parts, ladders, strict=False):
        if not ladder.rungs:
            limit = f"{words.seconds(max(ladder.longest_s, 1e-4))} ({ladder.why})"
            reasons.append(f"every {part.interval_s:g} s the longest time is {limit}: no mark of the scale is as short")
    if reasons or aperture is None:
        return Unreachable(goal=title, reasons=tuple(reasons), remedies=("mend what is named above in the brief",))
    look = Look(goal.darker, goal.darker_from, goal.darker_over, float(situation.scene.intent))
    controllers = [Controller(ladder.rungs, look) for ladder in ladders]
    points = _light(situation, when, controllers)
    seen = Seen(situation, goal, when, aperture, stack, ladders, look, tuple(points))
    if too_bright := timelapse_words.too_bright(seen):
        return Unreachable(goal=title, reasons=too_bright[0], remedies=too_bright[1])
    return _ready(seen, controllers)


def _chosen(situation: Situation, goal: Timelapse) -> tuple[Mark | None, int, list[str]]:
    """The aperture, the filters worn as bits, and what is wrong with them."""
    scale, reasons, bits = situation.scale("aperture"), [], 0
    aperture = scale.marks[0] if goal.aperture is None else scale.find(goal.aperture)
    if aperture is None:
        reasons.append(f"the aperture {goal.aperture} is none of this lens")
    for wanted in goal.through:
        place = next((n for n, item in enumerate(situation.kit.filters) if item.name == wanted), None)
        if place is None:
            known = words.listed(item.name for item in situation.kit.filters) or "none"
            reasons.append(f"the bag holds no filter {wanted}; filters there: {known}")
        elif situation.kit.filters[place].kind == "polariser":
            reasons.append(f"{wanted} is a polariser, which darkens the sky unevenly as the sun goes: take it off")
        else:
            bits |= 1 << place
    if len(goal.through) > 1 and not all(item.stacks for n, item in enumerate(situation.kit.filters) if bits >> n & 1):
        reasons.append("one of the filters named does not stack with others")
    return aperture, bits, reasons


def longest(situation: Situation, goal: Timelapse, interval_s: float) -> tuple[float, str]:
    """The longest exposure time that may be used, and what limits it. [s]"""
    limits = [(interval_s - GAP_S, f"the interval less {GAP_S:g} s for reading out")]
    if goal.longest_s is not None:
        limits.append((goal.longest_s, "your limit"))
    sensor, focal = situation.kit.body.sensor, situation.focal_mm
    if goal.stars == "500 rule":
        limits.append((stars.rule_of_500_s(focal, sensor.crop), "stars, by the rule of 500"))
    elif goal.stars is not None:
        pitch = sensor.width_mm / sensor.pixels[0]
        text = f"stars, which may trail {goal.stars:g} px at the celestial equator"
        limits.append((stars.time_for_trail_s(focal, goal.stars * pitch), text))
    for who in goal.still:
        focus_m = situation.subject(goal.focus).distance_m
        most = moving.time_s(situation, situation.subject(who), focus_m, situation.coc_mm)
        limits.append((most, f"{words.the(who)} is to stand still"))
    bulb = situation.kit.body.bulb_above_s
    if bulb is not None:
        limits.append((bulb, "no bulb exposures in a time-lapse"))
    return min(limits, key=lambda limit: limit[0])


def _ladder(situation: Situation, goal: Timelapse, part: Part, aperture: Mark, stack: int) -> Ladder:
    """Time first at the lowest native ISO, up to the limit; then ISO, up to its own."""
    most, why = longest(situation, goal, part.interval_s)
    times = [mark for mark in situation.scale("time").marks if mark.exact <= most * _HAIR]
    isos = limited(situation.scale("iso"), goal.iso_at_most).marks
    native = [mark for mark in isos if mark in situation.kit.body.iso_native.marks]
    isos = tuple(native or isos)
    if not times or not isos:
        return Ladder((), (), most, why)
    pairs = [(time, isos[0]) for time in times] + [(times[-1], iso) for iso in isos[1:]]
    taken = [item.stops for n, item in enumerate(situation.kit.filters) if stack >> n & 1]
    loss = exposure.magnification_loss(situation.magnification(situation.subject(goal.focus).distance_m))
    dark = situation.with_light(0.0)
    kept: list[tuple[Mark, Mark]] = []
    rungs: list[float] = []
    for time, iso in pairs:
        given = float(dark.brightness(aperture, time, iso, taken, loss))
        if not rungs or given > rungs[-1] + 1e-6:
            kept.append((time, iso))
            rungs.append(given)
    return Ladder(tuple(kept), tuple(rungs), most, why)


def _light(situation: Situation, when: Span, controllers: list[Controller]) -> list[LightPoint]:
    """The light expected over the run, moved so that it agrees with the brief's own at the brief's time."""
    place, told = situation.place, situation.scene.light
    if place is None or when.start is None or situation.when is None:
        return []
    facing = situation.scene.facing_deg
    sky = told.sky if told.sky is not None or told.origin == "forecast" else "clear"
    guessed = told.origin == "guess" and situation.ev100 == told.ev100
    shift = 0.0 if guessed else situation.ev100 - light.forecast(place, situation.when, sky, facing).ev100
    points = []
    for n in range(_POINTS + 1):
        at = when.duration_s * n / _POINTS
        seen = light.forecast(place, light.later(when.start, at), sky, facing)
        number = max(k for k, part in enumerate(when.parts) if part.at_s <= at + 1e-6)
        ev = seen.ev100 + shift
        rung = controllers[number].nearest(controllers[number].look.light(ev))
        points.append(
            LightPoint(
                at_s=at,
                ev100=ev,
                low=seen.low + shift,
                high=seen.high + shift,
                rung=rung,
                sun_deg=seen.sun.altitude_deg,
                moon_deg=seen.moon.altitude_deg,
            )
        )
    return points


def _ready(seen: Seen, controllers: list[Controller]) -> Ready:
    situation, goal, when = seen.situation, seen.goal, seen.when
    first = seen.points[0].rung if seen.points else controllers[0].nearest(seen.look.light(situation.ev100))
    time, iso = seen.ladders[0].pairs[first]
    a, t, i = (situation.scale(mark.kind).index(mark) for mark in (seen.aperture, time, iso))
    focus = situation.focus_on(goal.focus)
    choice = Choice(0, a, t, i, seen.stack, focus, 0, Fraction(situation.scene.intent))
    parts = tuple(
        IntervalPart(
            first=part.first,
            at_s=part.at_s,
            interval_s=part.interval_s,
            longest_s=ladder.longest_s,
            rungs=tuple(
                Rung(time=mark_value(time), iso=mark_value(iso), light=given)
                for (time, iso), given in zip(ladder.pairs, ladder.rungs, strict=True)
            ),
        )
        for part, ladder in zip(when.parts, seen.ladders, strict=True)
    )
    settings = Settings(aperture=mark_value(seen.aperture), time=mark_value(time), iso=mark_value(iso), focus=focus)
    step = TimelapseStep(
        id="",
        goal=finding.name(goal),
        start=None if when.start is None else _utc(when.start),
        frames=when.frames,
        duration_s=when.duration_s,
        parts=parts,
        settings=settings,
        look=NightLook(
            depth=seen.look.depth, begins_ev=seen.look.begins_ev, span=seen.look.span, by_day=seen.look.by_day
        ),
        tuning={key: float(value) for key, value in asdict(Tuning()).items()},
        bracket=BRACKET,
        sure_s=GAP_S,
        white_balance=goal.white_balance,
        record=goal.record,
        film_rate=goal.rate,
        light=seen.points,
        expects=timelapse_words.expects(seen),
        criteria=timelapse_words.criteria(seen),
        caption=timelapse_words.caption(seen),
        cautions=timelapse_cautions.cautions(seen),
    )
    return Ready(choice, step)


def _utc(when: datetime) -> str:
    return when.astimezone(UTC).isoformat(timespec="seconds")


def controller_of(step: TimelapseStep, part: int = 0) -> Controller:
    """The controller that a step asks for, for one of its intervals."""
    figures: dict[str, Any] = dict(step.tuning)
    tuning = Tuning(**{**figures, "blind": int(step.tuning["blind"])})
    look = Look(step.look.depth, step.look.begins_ev, step.look.span, step.look.by_day)
    return Controller(tuple(rung.light for rung in step.parts[part].rungs), look, tuning)


def part_of(step: TimelapseStep, frame: int) -> int:
    """The number of the interval that a frame belongs to."""
    return max(n for n, part in enumerate(step.parts) if part.first <= frame)


def due_s(step: TimelapseStep, frame: int) -> float:
    """When a frame is due after the start. [s]"""
    part = step.parts[part_of(step, frame)]
    return part.at_s + (frame - part.first) * part.interval_s


def longest_exposure_s(step: TimelapseStep) -> float:
    """The longest exposure time of any rung. [s]"""
    return max(rung.time.exact for part in step.parts for rung in part.rungs)


def darkest_ev(step: TimelapseStep) -> float:
    """The darkest light expected; infinite when nothing is known. [EV100]"""
    return min((point.ev100 for point in step.light), default=math.inf)
