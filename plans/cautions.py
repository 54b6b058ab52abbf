"""Which cautions belong to which step, each shown once, where it matters.

They are general ones of public bodies and makers' manuals; local rules, signs and wardens prevail. What they say was
read with the United States' Forest Service (water), National Weather Service (coast), guidance based on OSHA's rules
(mains) and manuals of cameras (cold, sun); roads, night and people are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, time, timedelta
from typing import NamedTuple

from plans import hands, motion
from plans.brief import Brief, Compare, Freeze, Silk
from plans.goals import words
from plans.kit import Kit
from plans.plan import ControlStep, OperatorStep, Rig, Step
from plans.rehearsal import HANDS_S, step_s
from plans.scene import Site

NIGHT_EV, NIGHT_SUN_DEG = 0.0, -6.0
_WARN_BEFORE = timedelta(minutes=15)

MAINS = (
    "Mains current near water kills: run lamps and computer from batteries or extra-low voltage, else only through a "
    "residual-current device, with leads made for outdoors and every connection dry. Leave nothing charging "
    "unattended. Local rules and licensed electricians come first."
)
MAINS_DRY = (
    "Leads on the ground: tape them down or cover them where people walk, keep connections dry, and use leads made for "
    "outdoors when you are. Local rules and licensed electricians come first."
)
NIGHT = (
    "It is dark: tell someone where you are and when you are back, carry a torch, mark the legs of the tripod, and "
    "walk your ground while you can see it. Weight the tripod when there is wind."
)
PEOPLE = (
    "People are about: nobody should fall over the tripod, so keep its legs and every lead out of their way and stay "
    "beside it. Ask before you picture somebody who can be recognised; the rules of the place on privacy, tripods and "
    "permission come first."
)
ROAD = (
    "Stay off the carriageway with feet and tripod, be seen, and let no lamp and no stand distract drivers. Ask for "
    "permission where it is wanted; local rules come first."
)
COLD = (
    "In the cold batteries fade: keep the spare one warm on your body, and charge none while it is cold. Before you go "
    "indoors close the camera into a bag and let it warm up there, else water settles in it. Mind your fingers."
)
_COAST = (
    "Look up tide, surf and weather before you go down, and keep to local warnings. High surf runs far above the usual "
    "tide line: never turn your back on the sea, and keep the way back free and in sight."
)


class SunSeen(NamedTuple):
    """Where the sun stands while the pictures are taken: its altitude, and how far outside the frame. [degrees]

    ``from_frame_deg``: 0 inside the frame; None: whither the camera looks is not known.
    """

    altitude_deg: float
    from_frame_deg: float | None = None


def cautions_for(
    brief: Brief, steps: Sequence[Step], sun: SunSeen | None, rig: Rig | None = None
) -> tuple[list[Step], tuple[str, ...]]:
    """The steps with their cautions, and the cautions that found no step.

    Parameters
    ----------
    brief
        Kit, scene and goals.
    steps
        In order. A caution that stands on one of them already is not placed again.
    sun
        Where the sun is then; None: not known.
    rig
        What hands have done before: of a rig that was set up and metered, the place's cautions have been told, and of
        one with a filter on, the filter's. None: it is told from the steps.

    Notes
    -----
    Cautions about the place go to the first thing for hands, which is setting up unless the rig stands already. At a
    coast each move of the tripod has a reminder, and so has the first thing for hands within a quarter of an hour of
    the time to leave by, counted from the brief's ``when`` and the assumed duration of the steps; without a time it is
    the last thing for hands. Near water each move of the tripod has a caution of its own.
    """
    placed = _Placed(steps)
    if not steps:
        return list(steps), ()
    known = rig is None or not rig.metered
    if rig is None:
        known = any(_sets_up(step) for step in steps)
    if known:
        for caution in _of_the_place(brief, steps, sun):
            placed.at_first(caution, lambda step: isinstance(step, OperatorStep))
    if "coast" in brief.scene.site.near:
        _mind_the_tide(brief, placed, known)
    if is_wet(brief):
        for n, step in enumerate(steps):
            if isinstance(step, OperatorStep) and step.action == "move":
                placed.at(n, hands.STEPPING)
    if not (rig is not None and rig.filters):
        place = _first_fitting(steps, {item.name for item in brief.kit.filters if item.kind == "polariser"})
        if place is not None and not placed.has(hands.NEUTRAL_DENSITY):
            placed.at(place, hands.NEUTRAL_DENSITY)
    if brief.kit.support != "tripod":
        placed.without_step(hands.NO_TRIPOD.format(limit=words.seconds(_hand_held_s(brief.kit))))
    return placed.steps, tuple(placed.left)


def is_dark(brief: Brief, steps: Sequence[Step], sun: SunSeen | None) -> bool:
    """Whether it is night at the place: light below EV 0, or the sun more than 6 degrees down."""
    metered = [step.predicted_ev100 for step in steps if isinstance(step, ControlStep)]
    light = min([brief.scene.light.ev100, *metered])
    return light < NIGHT_EV or (sun is not None and sun.altitude_deg < NIGHT_SUN_DEG)


def is_wet(brief: Brief) -> bool:
    """Whether there is water about: the brief says so, or something that moves is frozen or drawn out.

    What moves counts as water unless it is foliage: a caution too many harms nobody.
    """
    if {"water", "coast"} & set(brief.scene.site.near):
        return True
    parts = [part for goal in brief.goals for part in (goal.goals if isinstance(goal, Compare) else (goal,))]
    moving = {part.subject for part in parts if isinstance(part, Freeze | Silk)}
    return any(not brief.scene.subjects[name].foliage for name in moving)


class _Placed:
    """The steps while cautions are put on them, and the cautions without a step."""

    def __init__(self, steps: Iterable[Step]):
        self.steps = list(steps)
        self.left: list[str] = []

    def has(self, caution: str) -> bool:
        return caution in self.left or any(caution in step.cautions for step in self.steps)

    def at(self, place: int, caution: str) -> None:
        step = self.steps[place]
        self.steps[place] = step.model_copy(update={"cautions": (*step.cautions, caution)})

    def at_first(self, caution: str, fits: Callable[[Step], bool]) -> None:
        """On the first step that fits, or without a step; nothing where it stands already."""
        if self.has(caution):
            return
        place = next((n for n, step in enumerate(self.steps) if fits(step)), None)
        if place is None:
            self.left.append(caution)
        else:
            self.at(place, caution)

    def without_step(self, caution: str) -> None:
        if not self.has(caution):
            self.left.append(caution)


def _sets_up(step: Step) -> bool:
    return (isinstance(step, OperatorStep) and step.action == "compose") or (
        isinstance(step, ControlStep) and step.purpose == "meter"
    )


def _of_the_place(brief: Brief, steps: Sequence[Step], sun: SunSeen | None) -> list[str]:
    """The place's cautions, what is gravest first."""
    near, site, wet = set(brief.scene.site.near), brief.scene.site, is_wet(brief)
    found = []
    if wet:
        found.append(hands.WATER)
    if "coast" in near:
        found.append(coast_text(site))
    if "mains" in near:
        found.append(MAINS if wet else MAINS_DRY)
    if "road" in near:
        found.append(ROAD)
    if sun is not None and (text := _sun_text(sun)):
        found.append(text)
    if is_dark(brief, steps, sun):
        found.append(NIGHT)
    if "people" in near:
        found.append(PEOPLE)
    if site.cold:
        found.append(COLD)
    return found


def coast_text(site: Site) -> str:
    """The caution at the coast, with the times that were entered."""
    if site.high_water is None and site.leave_by is None:
        return f"{_COAST} No time of high water was entered: look it up, and set a time at which you leave."
    parts = []
    if site.high_water is not None:
        parts.append(f"High water is at {site.high_water}, as entered.")
    if site.leave_by is not None:
        parts.append(f"Leave by {site.leave_by}, whatever is not yet shot.")
    else:
        parts.append("Set a time at which you leave, well before it.")
    return f"{_COAST} {' '.join(parts)}"


def tide_text(site: Site) -> str:
    """The reminder at the coast."""
    high = f"High water is at {site.high_water}. " if site.high_water else ""
    leave = f"Leave by {site.leave_by}, whatever is not yet shot. " if site.leave_by else ""
    return f"Look at the sea, at the way back and at the clock. {high}{leave}".rstrip()


def _mind_the_tide(brief: Brief, placed: _Placed, from_the_start: bool) -> None:
    """Reminders at each move of the tripod and before the time to leave, and a word when the plan runs past it."""
    site, reminder = brief.scene.site, tide_text(brief.scene.site)
    by_hand = {n: step.action for n, step in enumerate(placed.steps) if isinstance(step, OperatorStep)}
    places = [place for place, action in by_hand.items() if action == "move"]
    begins = brief.when
    if begins is None:
        places += list(by_hand)[-1:]
    elif site.leave_by is not None:
        leave = _near_on_the_clock(begins, site.leave_by)
        # Aware times are added up in UTC: on the clock of a night in which it is changed an hour may be missing.
        clock = begins.astimezone(UTC) + timedelta(seconds=0 if from_the_start else HANDS_S["compose"])
        due = None
        for place, step in enumerate(placed.steps):
            if due is None and by_hand.get(place, "compose") != "compose" and clock >= leave - _WARN_BEFORE:
                due = place
            clock += timedelta(seconds=step_s(step, brief.kit.body))
        places += [] if due is None else [due]
        if clock > leave:
            ends = clock.astimezone(begins.tzinfo)
            placed.without_step(
                f"This plan is assumed to end at about {ends:%H:%M}, after the time to leave by, {site.leave_by}: "
                "begin earlier or take goals out."
            )
    for place in sorted(set(places)):
        if by_hand[place] != "compose" and reminder not in placed.steps[place].cautions:
            placed.at(place, reminder)


def _near_on_the_clock(when: datetime, clock: str) -> datetime:
    """The time nearest to ``when`` at which local clocks show ``16:40``: at half past three, 15:00 is over."""
    hour, minute = (int(part) for part in clock.split(":")[:2])
    days = [when.date() + timedelta(days=days) for days in (-1, 0, 1)]
    found = [datetime.combine(day, time(hour, minute), when.tzinfo).astimezone(UTC) for day in days]
    return min(found, key=lambda time: abs(time - when))


def _sun_text(sun: SunSeen) -> str | None:
    from plans.ephemeris import Body  # late: they bring libraries that most plans do without
    from plans.light_frame import SunNear, sun_caution

    if sun.from_frame_deg is None:
        return None
    return sun_caution(Body(sun.altitude_deg, 0.0), SunNear(sun.from_frame_deg, sun.from_frame_deg))


def _first_fitting(steps: Sequence[Step], polarisers: set[str]) -> int | None:
    """The first step at which hands put a filter on the lens that only takes light."""
    on: set[str] = set()
    for place, step in enumerate(steps):
        if isinstance(step, OperatorStep):
            after = {item.name for item in step.filters}
            if step.action == "filters" and after - polarisers - on:
                return place
            on = after
        else:
            on = {item.name for item in step.settings.filters}
    return None


def _hand_held_s(kit: Kit) -> float:
    """Longest time that is commonly held by hand, or on a monopod, with this kit. [s]"""
    by_hand = motion.longest_hand_held_s(kit.lens.focal_length_mm, kit.body.sensor.crop, kit.cautious)
    return by_hand * motion.MONOPOD_GAIN if kit.support == "monopod" else by_hand
