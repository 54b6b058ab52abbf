"""What is said of a time-lapse before it runs: its light, its ends, its film, what it asks of the kit, what to mind."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from plans import light, stars
from plans.brief import Timelapse
from plans.goals import words
from plans.goals.situation import Situation
from plans.light_control import Look
from plans.plan import LightPoint
from plans.sky import ev100_of_illuminance, moon_illuminance_lx
from plans.stops import Mark
from plans.timelapse_span import Span

TESTED_SHOTS = 150_000  # exposures that makers say shutters of serious bodies were tested for; no guarantee
FLOWING_DEG = 180.0
_FAR_STOPS = 0.5  # what a frame may lie beyond an end of the ladder before it is told


@dataclass(frozen=True)
class Ladder:
    """Rungs of one interval: time and ISO of each, and what all settings give. [stops]

    ``longest_s``: the limit of the time, ``why``: what it comes from. [s]
    """

    pairs: tuple[tuple[Mark, Mark], ...]
    rungs: tuple[float, ...]
    longest_s: float
    why: str


@dataclass(frozen=True)
class Seen:
    """A time-lapse with its ladders and the light it will meet; ``stack``: filters worn, as bits over the bag."""

    situation: Situation
    goal: Timelapse
    when: Span
    aperture: Mark
    stack: int
    ladders: list[Ladder]
    look: Look
    points: tuple[LightPoint, ...]

    def ladder_at(self, at_s: float) -> Ladder:
        """The ladder in force so long after the start. [s]"""
        return self.ladders[max(n for n, part in enumerate(self.when.parts) if part.at_s <= at_s + 1e-6)]

    def clock(self, at_s: float) -> str:
        """The local time so long after the start. [s]"""
        start = self.when.start
        return "" if start is None else f"{light.later(start, at_s):%H:%M}"

    def missing(self, point: LightPoint) -> float:
        """How much brighter (+) or darker (-) a frame comes out than wanted, at the end of the ladder. [stops]"""
        rungs = self.ladder_at(point.at_s).rungs
        wanted = self.look.light(point.ev100)
        return max(rungs[0] - wanted, 0.0) + min(rungs[-1] - wanted, 0.0)


def too_bright(seen: Seen) -> tuple[tuple[str, ...], tuple[str, ...]] | None:
    """Reasons and remedies when the ladder's dark end cannot tame the brightest light; None when it can."""
    bright = _brightest(seen)
    over = seen.ladder_at(bright.at_s).rungs[0] - seen.look.light(bright.ev100)
    if over <= _FAR_STOPS:
        return None
    ladder = seen.ladder_at(bright.at_s)
    time, iso = ladder.pairs[0]
    at = f" at {seen.clock(bright.at_s)}" if seen.when.start else ""
    reason = (
        f"EV {bright.ev100:.1f} is expected{at}, and {words.mark(seen.aperture)}, {words.mark(time)}, "
        f"{words.mark(iso)} come out {words.stops(over)} too bright"
    )
    remedies = []
    at_night = seen.goal.through
    for n, item in enumerate(seen.situation.kit.filters):
        if item.kind == "neutral" and not seen.stack >> n & 1 and item.stops >= over - _FAR_STOPS and not at_night:
            remedies.append(f"`through: {item.name}`, which takes {words.stops(item.stops)} all night too")
    scale = seen.situation.scale("aperture")
    narrower = [m for m in scale.marks if float(seen.aperture.light - m.light) >= over - _FAR_STOPS]
    if narrower:
        remedies.append(f"`aperture: {narrower[0].label}`, stopped down by a ring if the lens has one")
    later = next((p for p in seen.points if p.ev100 <= bright.ev100 - over + _FAR_STOPS and p.at_s > bright.at_s), None)
    if later is not None:
        remedies.append(f"a start at {seen.clock(later.at_s)}, when the light has fallen")
    return (reason,), tuple(remedies) or ("a neutral-density filter in the bag",)


def _brightest(seen: Seen) -> LightPoint:
    ev = seen.situation.ev100
    alone = LightPoint(at_s=0.0, ev100=ev, low=ev, high=ev, rung=0, sun_deg=0.0, moon_deg=0.0)
    return max(seen.points, key=lambda point: point.ev100, default=alone)


def expects(seen: Seen) -> tuple[str, ...]:
    """Everything worth knowing before the run, in sentences."""
    return tuple(
        sentence
        for part in (_time, _light, _moon, _ends, _film, _aperture, _angle, _stars, _colour, _wear)
        for sentence in part(seen)
    )


def _time(seen: Seen) -> Iterator[str]:
    when, goal = seen.when, seen.goal
    length = duration(when.duration_s)
    if when.start is not None and when.end is not None:
        yield (
            f"{when.frames} frames from {_moment(when.start)} to {_moment(when.end, when.start)}, {length}, every "
            f"{words.figures(goal.interval_s)} s."
        )
    else:
        yield f"{when.frames} frames over {length}, every {words.figures(goal.interval_s)} s, begun on your command."
    for part in when.parts[1:]:
        at = f" at {seen.clock(part.at_s)}" if when.start else ""
        yield f"From frame {part.first + 1} on{at} the interval is {words.figures(part.interval_s)} s."
    for part, ladder in zip(when.parts, seen.ladders, strict=True):
        time, iso = ladder.pairs[-1]
        yield (
            f"Every {words.figures(part.interval_s)} s exposures reach {words.mark(time)} "
            f"({words.figures(time.exact)} s exactly; the limit is {words.figures(ladder.longest_s)} s: {ladder.why}), "
            f"and then ISO rises to {iso.label}."
        )


def _light(seen: Seen) -> Iterator[str]:
    if not seen.points:
        yield (
            "What the light will do is not told: the brief has no place and time for it. The controller follows what "
            "it sees."
        )
        return
    first, last = seen.points[0], seen.points[-1]
    low = min(seen.points, key=lambda point: point.ev100)
    text = f"The light goes from EV {first.ev100:.1f} to EV {last.ev100:.1f}"
    if low.ev100 < min(first.ev100, last.ev100) - 0.5:
        text += f", by way of EV {low.ev100:.1f} at {seen.clock(low.at_s)}"
    yield f"{text}; the sun from {_height(first.sun_deg)} to {_height(last.sun_deg)}."
    rates = [
        (abs(b.ev100 - a.ev100) / (b.at_s - a.at_s) * 60, a.at_s)
        for a, b in zip(seen.points, seen.points[1:], strict=False)
        if b.at_s > a.at_s
    ]
    fastest, at = max(rates)
    yield f"It changes fastest at about {seen.clock(at)}: {fastest:.2f} stop a minute."
    if min(point.sun_deg for point in seen.points) < -6:
        yield (
            "Below 6 degrees under the horizon this is the open country's light: lamps, cloud and walls decide what is "
            "really there, and lit places are many stops brighter."
        )


def _moon(seen: Seen) -> Iterator[str]:
    start = seen.when.start
    if not seen.points or start is None or seen.situation.place is None:
        return
    dark = [point for point in seen.points if point.sun_deg < -6]
    if not dark:
        return
    up = [point for point in dark if point.moon_deg > 0]
    if not up:
        yield "No moon while it is dark."
        return
    from plans import ephemeris  # what is lit is asked for once

    place = seen.situation.place
    high = max(up, key=lambda point: point.moon_deg)
    moon = ephemeris.moon(place.latitude, place.longitude, light.later(start, high.at_s))
    lux = moon_illuminance_lx(moon.altitude_deg, moon.elongation_deg, moon.parallax_deg)
    given = f", EV {ev100_of_illuminance(lux):.1f} by itself on level ground" if lux > 0 else ""
    yield (
        f"The moon is up from {seen.clock(up[0].at_s)} to {seen.clock(up[-1].at_s)} of the dark part, "
        f"{words.percent(moon.lit_share)} lit, at most {high.moon_deg:.0f} degrees high{given}."
    )


def _ends(seen: Seen) -> Iterator[str]:
    bright = _brightest(seen)
    spare = seen.look.light(bright.ev100) - seen.ladder_at(bright.at_s).rungs[0]
    yield f"Bright end: within reach, with {words.stops(max(spare, 0.0))} to spare."
    if not seen.points:
        return
    short = [point for point in seen.points if seen.missing(point) < -_FAR_STOPS]
    if not short:
        low = min(seen.points, key=lambda point: point.ev100)
        spare = seen.ladder_at(low.at_s).rungs[-1] - seen.look.light(low.ev100)
        yield f"Dark end: within reach, with {words.stops(max(spare, 0.0))} to spare."
        return
    worst = min(short, key=seen.missing)
    yield (
        f"Dark end: not reached from {seen.clock(short[0].at_s)} on: frames stay at the longest time and highest "
        f"ISO and come out up to {words.stops(-seen.missing(worst))} darker than wanted in open country. What helps: "
        "a longer interval by then (`changes`), a higher `iso_at_most`, a wider aperture, no filter, lamps or the moon."
    )


def _film(seen: Seen) -> Iterator[str]:
    length = seen.when.frames / seen.goal.rate
    yield f"Film: {words.figures(length)} s at {seen.goal.rate} frames a second."


def _aperture(seen: Seen) -> Iterator[str]:
    if not stopped_down(seen):
        return
    yield (
        f"The aperture {seen.aperture.label} is stopped down: a lens closes it anew for each frame, never twice alike, "
        "and the film flickers a little. Wide open, set by a ring, or held closed (`ring: yes`) it does not (common "
        "practice, no source)."
    )


def stopped_down(seen: Seen) -> bool:
    """Whether the aperture closes anew for each frame."""
    return not seen.goal.ring and seen.aperture != seen.situation.scales["aperture"].marks[0]


def _angle(seen: Seen) -> Iterator[str]:
    interval = seen.when.parts[0].interval_s
    ladder, bright = seen.ladders[0], _brightest(seen)
    time = 2.0 ** (float(ladder.pairs[0][0].light) + seen.look.light(bright.ev100) - ladder.rungs[0])
    wanted = min(stars.time_for_angle_s(FLOWING_DEG, interval), ladder.pairs[-1][0].exact)
    more = math.log2(wanted / time)
    yield (
        f"In the brightest light {words.seconds(time)} opens the shutter for "
        f"{words.figures(stars.shutter_angle_deg(time, interval), 2)} degrees of the interval; half of it (180 "
        f"degrees, {words.seconds(interval / 2)}) makes what moves flow and is common practice, no source."
    )
    if more > 1:
        yield (
            f"For {words.seconds(wanted)} by day {words.stops(round(more * 3) / 3)} of neutral density would have to "
            "be on; by night it would have to come off again, which shakes the camera."
        )


def _stars(seen: Seen) -> Iterator[str]:
    if not seen.points or min(point.sun_deg for point in seen.points) > -12:
        return
    sensor, focal = seen.situation.kit.body.sensor, seen.situation.focal_mm
    time = max(ladder.pairs[-1][0].exact for ladder in seen.ladders)
    pixels = stars.trail_mm(focal, time) / sensor.width_mm * sensor.pixels[0]
    yield (
        f"Stars near the celestial equator trail {words.figures(pixels, 2)} px in {words.seconds(time)} at "
        f"{words.figures(focal)} mm; one pixel takes {words.seconds(time / pixels)}, the rule of 500 allows "
        f"{words.seconds(stars.rule_of_500_s(focal, sensor.crop))} (common practice, no source)."
    )


def _colour(seen: Seen) -> Iterator[str]:
    if seen.goal.white_balance == "auto":
        yield (
            "White balance is automatic and may jump from frame to frame. A fixed one, or RAW, keeps colours steady."
        )
    elif seen.goal.record == "JPEG" and seen.points and min(point.sun_deg for point in seen.points) < -4:
        yield (
            f"White balance stays at {seen.goal.white_balance}: dusk comes out blue and lamps orange. Little of that "
            "can be changed later in JPEGs; RAW leaves it open."
        )


def _wear(seen: Seen) -> Iterator[str]:
    share = seen.when.frames / TESTED_SHOTS
    silent = "electronic" in seen.situation.kit.body.shutters
    more = " With the electronic shutter, which this body has, there is no wear." if silent else ""
    yield (
        f"Shutter: {seen.when.frames} exposures, {words.percent(share)} of {TESTED_SHOTS} for which makers say that "
        f"serious bodies were tested; no guarantee.{more}"
    )


def criteria(seen: Seen) -> tuple[str, ...]:
    """What the run is held to."""
    depth = f"{words.figures(seen.look.depth)} stop{'' if seen.look.depth == 1 else 's'}"
    found = [
        "no frame is missing: each is triggered on its tick, and what is late or lost is told",
        "settings follow the light, do not turn to and fro, and pay no heed to flashes and people that pass",
    ]
    if seen.look.depth:
        ends = seen.look.begins_ev - seen.look.span
        found.append(f"the night comes out {depth} darker than the day, from EV {seen.look.begins_ev:g} to EV {ends:g}")
    return tuple(found)


def caption(seen: Seen) -> str:
    """One sentence for a student."""
    time, iso = seen.ladders[-1].pairs[-1]
    return (
        f"{seen.when.frames} frames every {words.figures(seen.goal.interval_s)} s at {seen.aperture.label}: as light "
        f"falls, first the exposure time grows, up to {words.mark(time)}, and then ISO, up to {iso.label}."
    )


def _height(degrees: float) -> str:
    return f"{abs(degrees):.0f} degrees {'up' if degrees >= 0 else 'down'}"


def duration(seconds: float) -> str:
    """A length of time in words. [s]"""
    whole = round(seconds / 60)
    if seconds < 90:
        return f"{round(seconds)} s"
    return f"{whole} min" if whole < 60 else f"{whole // 60} h {whole % 60} min".removesuffix(" 0 min")


def _moment(when: datetime, after: datetime | None = None) -> str:
    same = after is not None and after.date() == when.date()
    return f"{when:%H:%M}" if same else f"{when:%Y-%m-%d %H:%M}"
