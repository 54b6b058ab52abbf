"""The situation a goal is looked at in: kit, scene, limits and light, and what optics makes of them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from fractions import Fraction
from functools import cached_property
from typing import TypeVar, cast

import numpy as np

from plans import exposure, flicker, foliage, framing, motion, optics
from plans.brief import Limits, Place, ShownOn
from plans.exposure import HIGHLIGHT, magnification_loss
from plans.goals import words
from plans.kit import Filter, Kit
from plans.menu import Menu
from plans.plan import Focus, Predicted, Settings
from plans.scene import Scene, Subject
from plans.solver import Demand, Ground, Mask
from plans.stops import Kind, Mark, Scale, label_value

_Goal = TypeVar("_Goal")
_Found = TypeVar("_Found")

_HAIR = 1 + 1e-9  # a limit met to the last digit counts as met
SAME_MARK = 1.02  # 1/50 s is the mark that 1/50.1 s asks for


def limited(scale: Scale, at_most: str | None) -> Scale:
    """The scale up to a mark; where it has no such mark, up to the last one printed with a smaller number."""
    if at_most is None:
        return scale
    mark = scale.find(at_most)
    if mark:
        return scale.within(None, mark)
    most = label_value(scale.kind, at_most) * _HAIR
    return Scale(scale.kind, tuple(m for m in scale.marks if label_value(scale.kind, m.label) <= most), scale.series)


def _is_within(mark: Mark, longest_s: float) -> bool:
    return min(mark.exact, label_value("time", mark.label)) <= longest_s * SAME_MARK


def held(scale: Scale, longest_s: float) -> Scale:
    """The time scale up to a time as printed or as exact; never empty: the shortest mark stays. [s]"""
    fits = [mark for mark in scale.marks if _is_within(mark, longest_s)]
    return Scale(scale.kind, tuple(fits) or scale.marks[:1], scale.series)


def steady(scale: Scale, mains_hz: float) -> Scale:
    """The time scale without what lamps on the mains make uneven; never empty: the steadiest mark stays. [Hz]"""
    fits = [mark for mark in scale.marks if flicker.is_steady(mark.exact, mains_hz)]
    if not fits and scale.marks:
        fits = [min(scale.marks, key=lambda mark: flicker.ripple(mark.exact, mains_hz))]
    return Scale(scale.kind, tuple(fits), scale.series)


@dataclass(frozen=True)
class Situation:
    """Kit, scene, limits and light. ``scales`` are those in force, before any limit. ``ev100``: as metered. [stops]

    ``shown_on``: where the pictures will be looked at, which sets the circle of confusion. ``place`` and ``when``:
    where and when they will be taken; None: not told. ``spot``: the light is that on the lightest part of the scene.
    """

    kit: Kit
    scene: Scene
    limits: Limits
    ev100: float
    scales: Mapping[Kind, Scale]
    shown_on: ShownOn | None = None
    place: Place | None = None
    when: datetime | None = None
    spot: bool = False

    @property
    def lift(self) -> Fraction:
        """How much brighter than mid grey the pictures have what this light lies on. [stops]

        The scene's intent; but nothing where that is for the lightest part alone, and the light is that of the scene as
        a whole: white lies as far above mid grey there anyway.
        """
        intent = self.scene.intent
        return intent if intent < HIGHLIGHT or self.spot else Fraction(0)

    @cached_property
    def ground(self) -> Ground:
        """All that can be set here, for the solver, in light less what the pictures are meant to be brighter."""
        ground = Ground(
            aperture=self.scales["aperture"],
            time=self._times,
            iso=limited(self.scales["iso"], self.limits.iso_at_most),
            native=self.kit.body.iso_native,
            filters=self.kit.filters,
            ev100=float(Fraction(self.ev100) - self.lift),
            corrections=self.kit.corrections,
        )
        # Times left out because of lamps leave gaps, which make no wider step.
        steps = (ground.aperture.step, self._held_times.step, ground.iso.step)
        ground.tolerance = max(steps) / 2
        return ground

    @cached_property
    def menus(self) -> dict[int, tuple[list[list[Demand]], Menu | None]]:
        """What is known by now of frames that belong together, by the identity of their list, which is kept beside."""
        return {}

    @cached_property
    def _lightless(self) -> dict[tuple[object, object], object]:
        return {}

    def in_any_light(self, find: Callable[[Situation, _Goal], _Found], goal: _Goal) -> _Found:
        """``find(self, goal)``, worked out once for this situation in every light: it must not depend on the light."""
        key = find, goal
        if key not in self._lightless:
            self._lightless[key] = find(self, goal)
        return cast(_Found, self._lightless[key])

    @cached_property
    def _held_times(self) -> Scale:
        limit = self.hand_held_s
        return self.scales["time"] if limit is None else held(self.scales["time"], limit)

    @property
    def _times(self) -> Scale:
        avoid = self.limits.flicker == "avoid" and self.scene.mains_hz
        return steady(self._held_times, self.scene.mains_hz) if avoid and self.scene.mains_hz else self._held_times

    @property
    def hand_held_s(self) -> float | None:
        """Longest time that this support commonly keeps still; None on a tripod. [s] Common practice, no source.

        1/f by hand, longer by the support's gain (`plans.kit.Kit.longest_held_s`).
        """
        if self.kit.support == "tripod":
            return None
        return self._hand_held_s(self.focal_mm)

    def _hand_held_s(self, focal_mm: float) -> float:
        return self.kit.longest_held_s(focal_mm)

    def still(self, focal_mm: float) -> Mask:
        """Which times of the scale in force this support keeps still at another focal length as well. [mm]"""
        tripod, limit = self.kit.support == "tripod", self._hand_held_s(focal_mm)
        return np.array([tripod or _is_within(mark, limit) for mark in self.scale("time").marks], dtype=bool)

    def ripple(self, time_s: float) -> float | None:
        """How uneven an exposure may come out under the scene's lamps; None where it has none on the mains.

        As a share of the mean; beyond `plans.flicker.UNEVEN` it shows. [s], [unitless]
        """
        return flicker.ripple(time_s, self.scene.mains_hz) if self.scene.mains_hz else None

    def brightness(
        self, aperture: Mark, time: Mark, iso: Mark, filter_stops: Iterable[float] = (), loss: float = 0.0
    ) -> Fraction:
        """How far an image comes out above (+) or below (-) the metered brightness, by what was measured. [stops]

        The scene's intent is not taken off. Parameters as for `plans.exposure.brightness`.
        """
        known = self.kit.corrections
        level = exposure.brightness(self.ev100, aperture, time, iso, filter_stops, loss)
        return level + sum(Fraction(off) for mark in (aperture, time, iso) if (off := known.of(mark)))

    def mark_words(self, mark: Mark) -> str:
        """A mark of a scale in force, with a note where it is a limit that ends the scale there."""
        marks, whole = self.scale(mark.kind).marks, self.scales[mark.kind].marks
        shown = words.mark(mark)
        first, last = bool(marks) and mark == marks[0] != whole[0], bool(marks) and mark == marks[-1] != whole[-1]
        if mark.kind == "iso" and last:
            return f"{shown} (your limit)"
        if mark.kind == "time" and last and mark == self._held_times.marks[-1]:
            return f"{shown} (your {'hand-held limit' if self.kit.support == 'hand' else 'limit on the monopod'})"
        if mark.kind == "time" and (first or last):
            return f"{shown} (your limit: {'shorter' if first else 'longer'} times come out uneven under the lamps)"
        return shown

    def end_words(self, kind: Kind) -> str:
        """The upper end of a scale in force, with a note where a limit ends it there."""
        return self.mark_words(self.scale(kind).marks[-1])

    def start_words(self, kind: Kind) -> str:
        """The lower end of a scale in force, with a note where a limit begins it there."""
        return self.mark_words(self.scale(kind).marks[0])

    def notes(self) -> tuple[str, ...]:
        """What is worth knowing of the whole plan and stands in nobody's way, in sentences."""
        from plans.goals.beforehand import notes  # late: it needs this module

        return notes(self)

    def without_filters(self) -> Situation:
        """The same situation with an empty filter bag."""
        return replace(self, kit=self.kit.model_copy(update={"filters": ()}))

    @property
    def coc_mm(self) -> float:
        """Circle of confusion. [mm]"""
        return framing.coc_mm(self.kit.body.sensor, self.shown_on)

    @property
    def focal_mm(self) -> float:
        """Focal length. [mm]"""
        return self.kit.lens.focal_length_mm

    def scale(self, kind: Kind) -> Scale:
        """The scale in force with the limits applied."""
        return self.ground.scale(kind)

    def subject(self, name: str) -> Subject:
        """The subject of that name."""
        return self.scene.subjects[name]

    def across_m_s(self, subject: Subject) -> float:
        """Speed with which something crosses the view: its own, and of foliage what the wind adds. [m/s]"""
        return subject.across_m_s + foliage.tip_speed_m_s(self._wind_at(subject))

    def smear_mm(self, subject: Subject, focus_m: float, time_s: float) -> float:
        """Smear of something on the sensor; foliage by no more than its swing beside its own way. [m], [s], [mm]"""
        scale = optics.image_scale(self.focal_mm, focus_m, subject.distance_m)
        blown = scale * 1000 * foliage.travel_m(self._wind_at(subject), time_s)
        return motion.smear_mm(scale, subject.speed_m_s, time_s, subject.direction_deg) + blown

    def _wind_at(self, subject: Subject) -> float:
        return (self.scene.wind_m_s or 0.0) if subject.foliage else 0.0

    def can_focus(self, distance_m: float) -> bool:
        """Whether the lens focuses at this distance."""
        lens = self.kit.lens
        return distance_m * _HAIR >= lens.nearest_focus_m and distance_m * 1000 > lens.focal_length_mm

    def focus_on(self, name: str) -> Focus:
        """Focus on a subject."""
        return Focus(subject=name, distance_m=self.subject(name).distance_m)

    def focus_reason(self, name: str) -> str | None:
        """Why the lens cannot be focused on a subject, or None if it can."""
        distance, lens = self.subject(name).distance_m, self.kit.lens
        if self.can_focus(distance):
            return None
        nearest = max(lens.nearest_focus_m, lens.focal_length_mm / 1000)
        return f"{name} is {distance:g} m away and this lens focuses no nearer than {nearest:g} m"

    def magnification(self, distance_m: float) -> float:
        """Image size over size of the thing, focused there. [unitless]"""
        return optics.magnification(self.focal_mm, distance_m)

    def demand(self, focus: Focus, apertures: Mask | None = None, times: Mask | None = None) -> Demand:
        """What a frame asks for at one focus; None: any mark."""
        every = [np.ones(len(self.scale(kind).marks), dtype=bool) for kind in ("aperture", "time")]
        loss = magnification_loss(self.magnification(focus.distance_m))
        return Demand(focus, loss, every[0] if apertures is None else apertures, every[1] if times is None else times)

    def between(self, kind: Kind, low: float, high: float) -> Mask:
        """The marks whose exact values lie within two limits, both included, as a mask."""
        return np.array(
            [low <= m.exact * _HAIR and m.exact <= high * _HAIR for m in self.scale(kind).marks], dtype=bool
        )

    def marks(self, kind: Kind, mask: Mask) -> tuple[Mark, ...]:
        """The marks that a mask leaves, ascending."""
        return tuple(m for m, fits in zip(self.scale(kind).marks, mask, strict=True) if fits)

    def background(self, beyond_m: float) -> Subject | None:
        """The farthest subject that stands beyond a distance, or None."""
        behind = [s for s in self.scene.subjects.values() if s.distance_m > beyond_m * _HAIR]
        return max(behind, key=lambda s: s.distance_m, default=None)

    def predict(self, settings: Settings, beyond_m: float | None = None) -> Predicted:
        """What optics says of a frame.

        ``beyond_m``: the far side of the subject that the background lies behind, infinity standing in where nothing
        does; None: the background is the farthest subject behind the focus, if any.
        """
        lens, sensor = self.kit.lens, self.kit.body.sensor
        f, n, s = lens.focal_length_mm, settings.aperture.exact, settings.focus.distance_m
        far = optics.far_limit_m(f, n, self.coc_mm, s)
        smear = {
            subject.name: self.smear_mm(subject, s, settings.time.exact)
            for subject in self.scene.subjects.values()
            if self.across_m_s(subject) > 0
        }
        behind = self.background(s if beyond_m is None else beyond_m)
        disc = None
        if behind or beyond_m is not None:
            disc = optics.background_disc_mm(f, n, s, behind.distance_m if behind else math.inf)
        m = self.magnification(s)
        above = self._iso_above_base.get(settings.iso.mark)
        return Predicted(
            near_m=optics.near_limit_m(f, n, self.coc_mm, s),
            far_m=None if math.isinf(far) else far,
            smear_mm=smear,
            smear_px={name: value / sensor.width_mm * sensor.pixels[0] for name, value in smear.items()},
            smear_share={name: value / sensor.height_mm for name, value in smear.items()},
            background_disc_mm=disc,
            background_disc_share=None if disc is None else disc / sensor.width_mm,
            airy_mm=optics.airy_mm(n),
            magnification=m,
            magnification_loss=magnification_loss(m),
            coc_mm=self.coc_mm,
            iso_above_base=above,
        )

    @cached_property
    def _iso_above_base(self) -> dict[str, float]:
        """Each ISO mark's distance from the lowest native one; empty without native marks. [stops]"""
        base = min((mark.light for mark in self.kit.body.iso_native.marks), default=None)
        return {} if base is None else {mark.label: float(mark.light - base) for mark in self.scales["iso"].marks}

    # What if: the same situation with one thing changed.

    def stepped_back(self, by_m: float) -> Situation:
        """With every subject so much farther away; negative is nearer. [m]"""
        subjects = {
            name: subject.model_copy(update={"distance_m": subject.distance_m + by_m})
            for name, subject in self.scene.subjects.items()
        }
        return replace(self, scene=self.scene.model_copy(update={"subjects": subjects}))

    def with_focal_length(self, focal_mm: float) -> Situation:
        """With another focal length; a zoom then has the apertures it has there, all else is as it is. [mm]"""
        lens, scales = self.kit.lens, self.scales
        zoom = lens.zoom if focal_mm != lens.focal_length_mm else None
        update: dict[str, float | Scale] = {"focal_length_mm": focal_mm}
        if zoom and zoom.widest and zoom.shortest_mm <= focal_mm * _HAIR and focal_mm <= zoom.longest_mm * _HAIR:
            there = zoom.aperture_at(focal_mm)
            update["aperture"], scales = there, {**scales, "aperture": there}
        kit = self.kit.model_copy(update={"lens": lens.model_copy(update=update)})
        return replace(self, kit=kit, scales=scales)

    def on_tripod(self) -> Situation:
        """With a tripod under the camera."""
        return replace(self, kit=self.kit.model_copy(update={"support": "tripod"}))

    def despite_flicker(self) -> Situation:
        """With the times that lamps make uneven as well."""
        return replace(self, limits=self.limits.model_copy(update={"flicker": "name"}))

    def with_filter(self, stops: float) -> Situation:
        """With one more filter in the bag. [stops]"""
        more = Filter(name=f"ND of {stops:g} stops", stops=stops)
        return replace(self, kit=self.kit.model_copy(update={"filters": (*self.kit.filters, more)}))

    def with_iso_at_most(self, label: str) -> Situation:
        """With another ISO limit."""
        return replace(self, limits=self.limits.model_copy(update={"iso_at_most": label}))

    def with_light(self, ev100: float) -> Situation:
        """In another light. [stops]"""
        other = replace(self, ev100=ev100)
        # What can be set does not depend on the light, and is dear to work out.
        other.__dict__["_lightless"] = self._lightless
        other.__dict__["ground"] = self.ground.relit(float(Fraction(ev100) - self.lift))
        return other
