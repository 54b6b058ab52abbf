"""Visits to the simulated garden: frames taken there, what a judge says of them, and what is true.

Of each verdict the truth comes from the simulation's answer book alone. What lies within `BORDER` of a limit, in any
figure that the verdict rests on, is left out: a rule fixed before any campaign was run.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from PIL import Image
from support_scene import shot

from daemon.pictures.judging import verdicts
from daemon.pictures.judging.evidence import Evidence, Taken
from daemon.pictures.judging.pixels import Pixels
from daemon.pictures.judging.verdicts import SAME_PLACE, SAME_STOPS, Estimate, Verdict
from hardware_mocks.jpeg import encode
from hardware_mocks.rig import path_px
from hardware_mocks.scene import GardenRenderer
from hardware_mocks.script import Bump, Clouds, Distances, Glass, Light, Rig, SceneScript, Sensor
from hardware_mocks.shot import Optics, Shot
from hardware_mocks.truth import SubjectTruth, truth

BORDER = 0.15
SIZE = (750, 500)
OPTICS = Optics(size=SIZE, sensor_mm=(12.0, 8.0))  # pixels as small as those of 24 megapixels on a crop sensor, x 4
WATER = (0.589, 0.25, 0.056, 0.40)
HEDGE = (0.72, 0.25, 0.25, 0.37)
HERON = (0.17, 0.53, 0.11, 0.14)
PLANNED_SPEED, PLANNED_EV = 3.0, 13.0


@dataclass
class Found:
    """One verdict of the judge, one of a judge that sees settings alone, and the truth; None: borderline."""

    kind: str
    judged: Verdict
    by_settings: str
    true: bool | None


def clear(value: float, most: float) -> bool | None:
    """Whether ``value`` is at most ``most``; None on the border."""
    if most * (1 - BORDER) < value < most * (1 + BORDER):
        return None
    return value < most


def both(*parts: bool | None) -> bool | None:
    """All of several truths; None where one lies on the border."""
    return None if any(part is None for part in parts) else all(bool(part) for part in parts)


def agreed(*parts: bool | None) -> bool | None:
    """What all say; None where they do not agree."""
    return parts[0] if len(set(parts)) == 1 else None


def sharply(frame: Frame, disc_px: float, most: float) -> bool | None:
    """Whether a point is at most so wide, its shake counted in; it lies between the wider of the two and their sum."""
    shakes = frame.shaken_px
    return agreed(clear(max(disc_px, min(shakes)), most), clear(disc_px + max(shakes), most))


def drawn(rng: np.random.Generator, low: float, high: float) -> float:
    """A number between two, its logarithm even."""
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))


def no(part: bool | None) -> bool | None:
    """The contrary."""
    return None if part is None else not part


def decoded(picture: np.ndarray[Any, Any], one: Shot) -> Pixels:
    """A rendered picture as it comes out of the camera's JPEG."""
    with Image.open(io.BytesIO(encode(picture, one))) as image:
        return Pixels(image.convert("RGB"))


def _truth(renderer: GardenRenderer, one: Shot) -> dict[str, SubjectTruth]:
    """The answer book of a frame, opened on a small one: its lengths grow with the frame's width."""
    by = 5
    small = replace(one, optics=replace(one.optics, size=(one.optics.size[0] // by, one.optics.size[1] // by)))
    return {
        name: replace(
            told,
            disc_px=by * told.disc_px,
            smear_px=by * told.smear_px,
            rig_smear_px=by * told.rig_smear_px,
            shift_px=(by * told.shift_px[0], by * told.shift_px[1]),
        )
        for name, told in truth(renderer, small).items()
    }


@dataclass
class Frame:
    """A frame taken in the garden, and its truth. ``planned_stops``: brightness by planned settings.

    ``shaken_px``: see `even_px`.
    """

    taken: Taken
    true: dict[str, SubjectTruth]
    planned_stops: float
    shot: Shot
    shaken_px: tuple[float, ...] = (0.0,)


@dataclass
class Visit:
    """One visit with a world of its own, drawn by ``rng``. ``gardens`` are shared, for they cost most."""

    rng: np.random.Generator
    gardens: dict[int, dict[Any, Any]] = field(default_factory=dict)
    seeds: int = 2

    def __post_init__(self) -> None:
        rng = self.rng
        self.slope = float(rng.choice([1.0, 1.3]))
        self.garden = int(rng.integers(self.seeds))
        bumps = (Bump(float(rng.uniform(2, 12)), *rng.uniform(-3, 3, 2)),) if rng.random() < 0.6 else ()
        self.script = SceneScript(
            seed=self.garden,
            distances=Distances(
                hedge_m=float(rng.uniform(5, 12)),
                heron_m=float(rng.uniform(1.7, 2.4)),
                speed_m_s=float(np.exp(rng.uniform(math.log(0.6), math.log(5)))),
            ),
            light=Light(clouds=Clouds(float(rng.uniform(0.5, 2.0)), 60.0) if rng.random() < 0.35 else None),
            rig=Rig(creep_mrad_per_min=tuple(rng.uniform(-1.8, 1.8, 2)), bumps=bumps),  # type: ignore[arg-type]
            glass=Glass(barrel_stops=float(rng.uniform(0, 1.0)), vignette_stops=float(rng.uniform(0, 0.4))),
            sensor=Sensor(tone_slope=self.slope),
        )
        self.renderer = self._renderer(self.script)
        self.clock, self.number = 0.0, 0
        self.frames: list[Frame] = []

    def _renderer(self, script: SceneScript) -> GardenRenderer:
        renderer = GardenRenderer(script=script)
        renderer._gardens = self.gardens.setdefault(script.seed, {})
        return renderer

    def take(
        self, f_number: float, time_s: float, focus_m: float, *, planned: float = 0.0, off: float = 0.0,
        focus_planned: float | None = None, shaken_px: float = 0.0,
    ) -> Frame:  # fmt: skip
        """Take a frame ``planned`` stops from mid-grey by its settings, ``off`` stops from that by mistake.

        ``shaken_px``: how far a gust or the mirror runs it about, by its spread as `even_px` counts it.
        """
        self.number += 1
        self.clock += float(self.rng.uniform(2, 9)) + time_s
        light = 2.0**PLANNED_EV * time_s / f_number**2
        filters = math.log2(light) - planned
        one = shot(
            f_number, time_s, 100.0, focus_m=focus_m, optics=OPTICS, filter_stops=(filters,), ev100=PLANNED_EV + off,
            start_s=self.clock, number=self.number, seed=self.garden,
        )  # fmt: skip
        renderer = self.renderer
        if shaken_px:
            renderer = self._renderer(replace(self.script, rig=self._shaking(one, shaken_px)))
        pixels = decoded(renderer.render(one), one)
        true = _truth(renderer, one)
        loss = 2 * math.log2(1 + one.magnification)
        name = f"No. {self.number}"
        taken = Taken(name, pixels, f_number, time_s, focus_planned or focus_m)
        frame = Frame(taken, true, planned - loss, one, even_px(renderer.script, one))
        self.frames.append(frame)
        return frame

    def _shaking(self, one: Shot, length_px: float) -> Rig:
        """A rig that shakes so much in a frame: by wind, along both axes, or by the mirror, up and down."""
        rng, own = self.rng, self.script.rig
        # Slower than this, one frame is a moved one rather than a shaken one.
        slowest = 0.3 / one.time_s
        if rng.random() < 0.6:
            rig = Rig(wind_mrad=1.0, wind_hz=max(float(rng.uniform(3, 8)), slowest))
        else:
            rig = Rig(slap_mrad=1.0, slap_hz=max(float(rng.uniform(8, 14)), slowest))
        by = length_px / even_px(replace(self.script, rig=rig), one)[0]
        return replace(
            own, wind_mrad=by * rig.wind_mrad, wind_hz=rig.wind_hz, slap_mrad=by * rig.slap_mrad, slap_hz=rig.slap_hz
        )

    @property
    def evidence(self) -> Evidence:
        """All frames so far."""
        tone = (1 / self.slope,) if self.slope != 1 else ()
        return Evidence([frame.taken for frame in self.frames], tone)


def even_px(script: SceneScript, one: Shot) -> tuple[float, ...]:
    """How far a picture runs about along its longest direction, counted in three ways. [px]

    By the spread of the way's points, by the length that holds the middle nine tenths of the time, and by that which
    holds the middle half: each as the length of the even line of which it would be true. Ways with a short blow in a
    long exposure are counted very unlike, and what they are called is anybody's choice.
    """
    way = path_px(script, one)
    if way is None:
        return (0.0,)
    squares, axes = np.linalg.eigh(np.cov(way.T, bias=True))
    ends = np.quantile(way @ axes[:, -1], (0.05, 0.25, 0.75, 0.95))
    return math.sqrt(12 * max(float(squares[-1]), 0.0)), float(ends[3] - ends[0]) / 0.9, float(ends[2] - ends[1]) / 0.5


def off_by(frame: Frame, reference: Frame) -> float:
    """How much brighter a frame truly is than planned settings give, against another. [stops]"""
    really = frame.true["hedge"].gain_stops - reference.true["hedge"].gain_stops
    return really - (frame.planned_stops - reference.planned_stops)


def seen_off(evidence: Evidence, frame: Frame, reference: Frame) -> Estimate | None:
    """The same as measured."""
    seen, _ = evidence.brightness(frame.taken, reference.taken)
    if seen is None:
        return None
    expected = frame.planned_stops - reference.planned_stops
    return Estimate(value=seen.value - expected, unsure=seen.unsure)


def _none(kind: Any, why: str) -> Verdict:
    return verdicts.untold(kind, "it", why, "shoot it again")


def compared(evidence: Evidence, frame: Frame, reference: Frame) -> list[Found]:
    """Equivalence and framing of a frame against its reference."""
    off = seen_off(evidence, frame, reference)
    judged = verdicts.equivalent("it", off) if off else _none("equivalent", "clipped")
    found = [Found("equivalent", judged, "shown", clear(abs(off_by(frame, reference)), SAME_STOPS))]
    moved = evidence.moved(frame.taken, reference.taken)
    width = SIZE[0]
    judged = (
        verdicts.framing_held("it", moved, width, ran=evidence.ran_about(frame.taken))
        if moved
        else _none("framing held", "nothing in common")
    )
    way = float(np.hypot(*np.subtract(frame.true["hedge"].shift_px, reference.true["hedge"].shift_px)))
    # What runs about lies in no one place: its place is anywhere within its way about the middle.
    half = max(frame.shaken_px) / 2
    place = agreed(clear(way - half, SAME_PLACE * width), clear(way + half, SAME_PLACE * width))
    if comparable(evidence, frame):
        run = agreed(*(clear(one, verdicts.most_run(width)) for one in frame.shaken_px))
        true = False if False in (place, run) else both(place, run)
    else:
        true = place
    return [*found, Found("framing held", judged, "shown", true)]


def comparable(evidence: Evidence, frame: Frame) -> bool:
    """Whether the visit holds a shorter frame of the same aperture and focus, which is what a shake is told from."""
    one = frame.taken
    return any(
        other.time_s < one.time_s and (other.f_number, other.focus_m) == (one.f_number, one.focus_m)
        for other in evidence.frames
    )


def water(visit: Visit) -> list[Found]:
    """A ladder of times before the falling water: frozen, silky, light held, even, and the mistake of motion."""
    rng = visit.rng
    shortest, ratio = float(np.exp(rng.uniform(math.log(1 / 4000), math.log(1 / 1000)))), float(rng.uniform(4, 8))
    off = float(rng.uniform(0.4, 1.2) * rng.choice([-1, 1])) if rng.random() < 0.65 else 0.0
    wrong = int(rng.integers(1, 4))
    gust = int(rng.integers(1, 4)) if rng.random() < 0.3 else 0
    frames = [
        visit.take(
            8.0, shortest * ratio**rung, 3.0, off=off if rung >= wrong else 0.0,
            shaken_px=drawn(rng, 2, 12) if gust == rung and rung else 0.0,
        )
        for rung in range(4)
    ]  # fmt: skip
    evidence, found = visit.evidence, []
    for frame in frames[1:]:
        found += compared(evidence, frame, frames[0])
    offs = [seen_off(evidence, frame, frames[0]) for frame in frames]
    true_offs = [off_by(frame, frames[0]) for frame in frames]
    apart, jump = max(true_offs) - min(true_offs), float(np.abs(np.diff(true_offs)).max())
    known = [one for one in offs if one is not None]
    whole = len(known) == len(offs)
    judged = verdicts.light_held("it", known) if whole else _none("light held", "clipped")
    found.append(Found("light held", judged, "shown", clear(apart, SAME_STOPS)))
    rungs = [math.log2(frame.taken.time_s) for frame in frames]
    judged = verdicts.ladder_even("it", rungs, math.log2(ratio), known) if whole else _none("ladder even", "clipped")
    found.append(Found("ladder even", judged, "shown", clear(jump, SAME_STOPS)))
    for frame in frames:
        found += _flowing(visit, evidence, frame)
    return found


def _flowing(visit: Visit, evidence: Evidence, frame: Frame) -> list[Found]:
    rng = visit.rng
    whole, smear = frame.true["water"].smear_px, evidence.smear(frame.taken, WATER)
    # A gust adds to the smear of the water or takes from it: both are held against each limit.
    shaken_px = max(max(frame.shaken_px), frame.true["water"].rig_smear_px)
    true, least = whole, max(whole - shaken_px, 0.0)
    planned = true * PLANNED_SPEED / visit.script.distances.speed_m_s
    alone = Estimate(value=planned, unsure=0.0)
    most = true * float(np.exp(rng.uniform(-1.7, 1.5)))
    low = true * float(np.exp(rng.uniform(-1.6, 1.3)))
    window = (low, low * 4 if rng.random() < 0.7 else math.inf)
    meant = 2 * true * float(np.exp(rng.uniform(-1.5, 1.5)))
    tells = [
        (
            "frozen",
            lambda one: verdicts.frozen("it", "water", one, most),
            agreed(clear(true, most), clear(least, most)),
        ),
        (
            "silky",
            lambda one: verdicts.silky("it", "water", "silk", one, window),
            agreed(
                *(
                    both(no(clear(one, low)), True if math.isinf(window[1]) else clear(one, window[1]))
                    for one in (true, least)
                )
            ),
        ),
        (
            "motion",
            lambda one: verdicts.fault_shown("it", "motion", one, meant, "px"),
            no(agreed(clear(true, 0.5 * meant), clear(least, 0.5 * meant))),
        ),
    ]
    return [
        Found(kind, tell(smear) if smear else _none("silky", "no speed"), tell(alone).answer, true_one)
        for kind, tell, true_one in tells
    ]


def apertures(visit: Visit) -> list[Found]:
    """A ladder of apertures, focused on the heron or beyond it: isolated, deep."""
    rng, far = visit.rng, visit.script.distances
    planned = far.heron_m if rng.random() < 0.6 else float(rng.uniform(far.heron_m, 1.6 * far.heron_m))
    slip = 1 + float(rng.uniform(0.12, 0.35) * rng.choice([-1, 1])) if rng.random() < 0.25 else 1.0
    off = float(rng.uniform(0.4, 1.2) * rng.choice([-1, 1])) if rng.random() < 0.75 else 0.0
    gust = float(rng.choice([5.6, 11.0, 20.0])) if rng.random() < 0.3 else 0.0
    frames = [
        visit.take(
            number, number**2 / 2**PLANNED_EV * 2, planned * slip, focus_planned=planned, off=off * (number == 5.6),
            shaken_px=drawn(rng, 2, 10) if number == gust else 0.0,
        )
        for number in (2.8, 5.6, 11.0, 20.0)
    ]  # fmt: skip
    evidence, found = visit.evidence, []
    found += compared(evidence, frames[1], visit.frames[0])
    for frame in frames:
        own, back = frame.true["heron"].disc_px, frame.true["hedge"].disc_px
        seen_own, seen_back = evidence.disc(frame.taken, HERON), evidence.disc(frame.taken, HEDGE)
        wide = _planned_discs(visit, frame)
        if frame.taken.f_number < 6:
            sharp, least = 3.0, back * float(np.exp(rng.uniform(-2.0, 0.7)))
            judged = (
                verdicts.isolated("it", "heron", seen_own, seen_back, sharp, least)
                if seen_own and seen_back
                else _none("isolated", "no texture")
            )
            alone = verdicts.isolated("it", "heron", *wide, sharp, least).answer
            found.append(Found("isolated", judged, alone, both(sharply(frame, own, sharp), no(clear(back, least)))))
        else:
            sharp = max(2.5, max(own, back) * float(np.exp(rng.uniform(-1.4, 0.6))))
            judged = (
                verdicts.deep("it", {"heron": seen_own, "hedge": seen_back}, sharp)
                if seen_own and seen_back
                else _none("deep", "no texture")
            )
            alone = verdicts.deep("it", {"heron": wide[0], "hedge": wide[1]}, sharp).answer
            found.append(Found("deep", judged, alone, both(sharply(frame, own, sharp), sharply(frame, back, sharp))))
    return found


def _planned_discs(visit: Visit, frame: Frame) -> tuple[Estimate, Estimate]:
    """Discs of heron and hedge as a plan has them: focused where it was meant. Thin lens. [px]"""
    focus, focal = frame.taken.focus_m, OPTICS.focal_mm
    found = []
    for distance in (visit.script.distances.heron_m, 8.0):
        size_mm = focal / frame.taken.f_number * focal / (focus * 1000 - focal) * abs(distance - focus) / distance
        found.append(Estimate(value=size_mm / OPTICS.sensor_mm[0] * SIZE[0], unsure=0.0))
    return found[0], found[1]


def brackets(visit: Visit) -> list[Found]:
    """A bracket, and frames too dark and too bright on purpose."""
    rng = visit.rng
    spoilt = int(rng.integers(3)) if rng.random() < 0.6 else -1
    frames = [
        visit.take(8.0, 1 / 128, 3.0, planned=by, off=float(rng.uniform(0.5, 1.3)) if number == spoilt else 0.0)
        for number, by in enumerate((-1.0, 0.0, 1.0))
    ]
    evidence = visit.evidence
    middle = frames[1]
    names = [f"No. {number}" for number in range(3)]
    offs = {name: seen_off(evidence, frame, middle) for name, frame in zip(names, frames, strict=True)}
    lost = names[2:] if rng.random() < 0.1 else []
    worst = max(abs(off_by(frame, middle)) for frame in frames)
    judged = verdicts.bracket_complete("it", offs, lost)
    found = [Found("bracket complete", judged, "shown", False if lost else clear(worst, SAME_STOPS))]
    for sign, name in ((-1, "under"), (1, "over")):
        real = float(rng.uniform(0.0, 1.4 if sign < 0 else 1.8))  # clouds only darken
        frame = visit.take(8.0, 1 / 128, 3.0, planned=2.0 * sign, off=(real - 2.0) * sign)
        true = sign * (frame.true["hedge"].gain_stops - middle.true["hedge"].gain_stops)
        seen, _ = evidence.brightness(frame.taken, middle.taken)
        amount = None if seen is None else Estimate(value=sign * seen.value, unsure=seen.unsure)
        judged = verdicts.fault_shown("it", name, amount, 2.0, "stops") if amount else _none("fault shown", "clipped")
        found.append(Found(name, judged, "shown", no(clear(true, 1.0))))
    return found


def misfocused(visit: Visit) -> list[Found]:
    """A frame focused beside the heron, beside one that is right."""
    rng, far = visit.rng, visit.script.distances
    right = visit.take(5.6, 1 / 256, far.heron_m)
    wrong = visit.take(5.6, 1 / 256, far.heron_m * (1 + float(rng.uniform(0.15, 0.8))))
    disc = wrong.true["heron"].disc_px
    meant = 2 * disc * float(np.exp(rng.uniform(-1.3, 1.7)))
    seen = visit.evidence.disc_against(wrong.taken, right.taken, HERON)
    judged = verdicts.fault_shown("it", "misfocused", seen, meant, "px") if seen else _none("fault shown", "no texture")
    return [Found("misfocused", judged, "shown", no(clear(disc, 0.5 * meant)))]


def shaken(visit: Visit) -> list[Found]:
    """Frames shaken more or less on purpose, beside one that stood still; and whether they are held against it."""
    rng, far = visit.rng, visit.script.distances
    right, found = visit.take(8.0, 1 / 256, far.heron_m), []
    for _ in range(3):
        off = float(rng.uniform(0.4, 1.2) * rng.choice([-1, 1])) if rng.random() < 0.6 else 0.0
        wrong = visit.take(8.0, drawn(rng, 1 / 60, 2.0), far.heron_m, off=off, shaken_px=drawn(rng, 0.6, 14.0))
        # Four circles of confusion, the usual amount, are five pixels on the simulated camera's usual pictures.
        meant = max(2 * wrong.shaken_px[0] * float(np.exp(rng.uniform(-1.5, 1.5))), 5.0)
        seen = visit.evidence.shake(wrong.taken, right.taken)
        judged = verdicts.fault_shown("it", "shaken", seen, meant, "px") if seen else _none("fault shown", "no texture")
        found.append(
            Found("shaken", judged, "shown", no(agreed(*(clear(one, 0.5 * meant) for one in wrong.shaken_px))))
        )
        found += compared(visit.evidence, wrong, right)
    return found


def visited(seed: Any, gardens: dict[int, dict[Any, Any]]) -> list[Found]:
    """All verdicts of one visit."""
    visit = Visit(np.random.default_rng(seed), gardens)
    return [*water(visit), *apertures(visit), *brackets(visit), *misfocused(visit), *shaken(visit)]
