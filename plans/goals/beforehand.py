"""What is worth knowing before the first picture: the light's uncertainty, what fits the frame, wind, lamps."""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction

from plans import flicker, foliage, framing, optics
from plans.exposure import HIGHLIGHT
from plans.goals import fitting, words
from plans.goals.situation import Situation
from plans.scene import Subject
from plans.stops import Scale

_SHOWN = {"full size": "full size on a screen", "projector": "a projector", "A4 print": "an A4 print"}
_STRAIGHT_ON = 1e-6  # [unitless] below this share of its speed, a thing does not cross the view


def notes(situation: Situation) -> tuple[str, ...]:
    """All notes, in sentences; empty where the brief leaves nothing to be said."""
    found = [*_light(situation), *_sharpness(situation), *_support(situation), *_lamps(situation)]
    for subject in situation.scene.subjects.values():
        found += [*_fit(situation, subject), *_path(subject), *_leaves(situation, subject)]
    if fitting.cut_off(situation):
        found.append(
            "Another distance or focal length changes what the goals can reach: write it into the brief and compile "
            "again."
        )
    return tuple(found)


def _light(s: Situation) -> Iterator[str]:
    light = s.scene.light
    if s.ev100 == light.ev100 and light.origin == "forecast":
        yield f"The light is a forecast: {light.told}. The metering frame decides."
    if s.ev100 == light.ev100 and light.origin == "guess":
        yield (
            f"Nothing is known of the light yet: {light.told}. The plan is made anew for what the metering frame "
            "finds, and goals may come or go with it."
        )
    if s.scene.intent:
        way = "brighter" if s.scene.intent > 0 else "darker"
        text = f"The pictures are meant to come out {words.mixed(s.scene.intent)} {way} than metered."
        if s.scene.intent >= HIGHLIGHT:
            if not s.lift:
                text = (
                    f"The lightest part is to lie {words.mixed(s.scene.intent)} above mid grey. White lies about there "
                    "in a picture that is right for the light as a whole, so nothing is added to the light told here."
                )
            text += (
                f" {by_spot(s.scene.intent)} The metering frame does the same by the brightest tenth of the picture's "
                "middle and keeps its lights below white. A bright sky beside it may burn out all the same: look at "
                "the first pictures."
            )
        yield text


def by_spot(intent: Fraction) -> str:
    """How so much more than metered is metered by hand. [stops]"""
    return (
        "So much is for the lightest part alone. By hand: set the meter to spot, hold it on the brightest water (or "
        f"snow) that is to keep its drawing, and give {words.mixed(intent)} more than it says."
    )


def _sharpness(s: Situation) -> Iterator[str]:
    if s.shown_on:
        yield (
            f"Sharpness is judged for {_SHOWN[s.shown_on]}: there a disc of {words.millimetres(s.coc_mm)} on the "
            "sensor still looks like a point (common practice, no source). Cropping makes it coarser."
        )


def _support(s: Situation) -> Iterator[str]:
    limit, kept = s.hand_held_s, s.scale("time").marks
    if limit is not None and kept and kept[-1].exact > limit * 1.1:
        yield (
            f"Even {words.mark(kept[-1])}, the shortest time on the scale, is longer than the {words.seconds(limit)} "
            "commonly kept still: it is planned all the same; use a tripod."
        )


def _lamps(s: Situation) -> Iterator[str]:
    mains = s.scene.mains_hz
    if not mains:
        return
    scale: Scale = s.scales["time"]
    fine = [mark for mark in scale.marks if flicker.is_steady(mark.exact, mains)]
    short = [words.mark(mark) for mark in fine if mark.exact < flicker.steady_from_s(mains)]
    enough = [words.mark(mark) for mark in fine if mark.exact >= flicker.steady_from_s(mains)]
    ways = ([words.listed(short)] if short else []) + ([f"all from {enough[0]} on"] if enough else [])
    steady = f"Times that come out even: {', and '.join(ways)}" if ways else "No time on this scale comes out even"
    done = "the others are left out" if s.limits.flicker == "avoid" else "the others may be taken all the same"
    yield (
        f"Lamps on {mains} Hz mains flicker {2 * mains} times a second, and where they do it fully, pictures come out "
        f"banded or unequal by more than {words.percent(flicker.UNEVEN)} at most short times. {steady}; {done}."
    )


def _fit(s: Situation, subject: Subject) -> Iterator[str]:
    height, share, sensor = subject.height_m, fitting.share(s, subject), s.kit.body.sensor
    if height is None or share is None:
        return
    what = f"{words.the(subject.name)}, {words.metres(height)} high,"
    what = what[0].upper() + what[1:]
    if share <= 1:
        yield f"{what} fills {words.percent(share)} of the frame's height."
        return
    back = math.ceil(framing.nearest_that_fits_m(s.focal_mm, height, sensor.height_mm) * 100) / 100
    focal = math.floor(framing.longest_that_fits_mm(subject.distance_m, height, sensor.height_mm))
    ways = [f"stand {words.figures(back, 9)} m away"]
    zoom = s.kit.lens.zoom
    if focal >= 1:
        zooms = zoom is not None and focal >= zoom.shortest_mm
        ways.append(f"{'zoom to' if zooms else 'take a focal length of'} {focal} mm or less")
    if fitting.fits_upright(s, subject):
        ways.append("turn the camera upright")
    yield f"{what} does not fit the frame: it would take {words.percent(share)} of its height. {_or(ways)}."


def _or(ways: list[str]) -> str:
    text = words.listed(ways, "or")
    return text[0].upper() + text[1:]


def _path(subject: Subject) -> Iterator[str]:
    if subject.speed_m_s and subject.across_m_s <= subject.speed_m_s * _STRAIGHT_ON:
        yield (
            f"{subject.name} moves straight towards the camera or away from it: it grows or shrinks in the picture but "
            "does not smear sideways, so that no time draws it out; watch the focus."
        )


def _leaves(s: Situation, subject: Subject) -> Iterator[str]:
    wind = s.scene.wind_m_s
    if not subject.foliage or not wind:
        return
    scale = optics.image_scale(s.focal_mm, subject.distance_m, subject.distance_m)
    longest = foliage.longest_still_s(scale, wind, s.coc_mm)
    assumed = (
        f"taken that the tips of leaves move with {words.percent(foliage.TIP_SHARE)} of the wind and swing by "
        f"{words.metres(foliage.SWING_M)}; an assumption, no source"
    )
    blur = f"blur from {words.seconds(longest)} on"
    if math.isinf(longest):
        blur = "stay sharp at any time"
    yield f"In a wind of {wind:g} m/s the leaves of {words.the(subject.name)} {blur} ({assumed})."
