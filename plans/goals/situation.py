"""The situation a goal is looked at in: kit, scene, limits and light, and what optics makes of them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from plans import motion, optics
from plans.brief import Limits
from plans.exposure import magnification_loss
from plans.kit import Filter, Kit
from plans.plan import Focus, Predicted, Settings
from plans.scene import Scene, Subject
from plans.solver import Demand, Ground, Mask
from plans.stops import Kind, Mark, Scale, label_value

_HAIR = 1 + 1e-9  # a limit met to the last digit counts as met


def limited(scale: Scale, at_most: str | None) -> Scale:
    """The scale up to a mark; where it has no such mark, up to the last one printed with a smaller number."""
    if at_most is None:
        return scale
    mark = scale.find(at_most)
    if mark:
        return scale.within(None, mark)
    most = label_value(scale.kind, at_most) * _HAIR
    return Scale(scale.kind, tuple(m for m in scale.marks if label_value(scale.kind, m.label) <= most), scale.series)


@dataclass(frozen=True)
class Situation:
    """Kit, scene, limits and light. ``scales`` are those in force, before the ISO limit. ``ev100`` in stops."""

    kit: Kit
    scene: Scene
    limits: Limits
    ev100: float
    scales: Mapping[Kind, Scale]

    @cached_property
    def ground(self) -> Ground:
        """All that can be set here, for the solver."""
        return Ground(
            aperture=self.scales["aperture"],
            time=self.scales["time"],
            iso=limited(self.scales["iso"], self.limits.iso_at_most),
            native=self.kit.body.iso_native,
            filters=self.kit.filters,
            ev100=self.ev100,
        )

    def without_filters(self) -> Situation:
        """The same situation with an empty filter bag."""
        return replace(self, kit=self.kit.model_copy(update={"filters": ()}))

    @property
    def coc_mm(self) -> float:
        """Circle of confusion. [mm]"""
        return self.kit.body.sensor.coc_mm

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
            subject.name: motion.smear_mm(
                optics.image_scale(f, s, subject.distance_m), subject.speed_m_s, settings.time.exact
            )
            for subject in self.scene.subjects.values()
            if subject.speed_m_s > 0
        }
        behind = self.background(s if beyond_m is None else beyond_m)
        disc = None
        if behind or beyond_m is not None:
            disc = optics.background_disc_mm(f, n, s, behind.distance_m if behind else math.inf)
        m = self.magnification(s)
        base = min((mark.light for mark in self.kit.body.iso_native.marks), default=None)
        iso = next((mark for mark in self.scales["iso"].marks if mark.label == settings.iso.mark), None)
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
            iso_above_base=None if base is None or iso is None else float(iso.light - base),
        )

    # What if: the same situation with one thing changed.

    def stepped_back(self, by_m: float) -> Situation:
        """With every subject so much farther away; negative is nearer. [m]"""
        subjects = {
            name: subject.model_copy(update={"distance_m": subject.distance_m + by_m})
            for name, subject in self.scene.subjects.items()
        }
        return replace(self, scene=self.scene.model_copy(update={"subjects": subjects}))

    def with_focal_length(self, focal_mm: float) -> Situation:
        """With another focal length, everything else of the lens as it is. [mm]"""
        lens = self.kit.lens.model_copy(update={"focal_length_mm": focal_mm})
        return replace(self, kit=self.kit.model_copy(update={"lens": lens}))

    def with_filter(self, stops: float) -> Situation:
        """With one more filter in the bag. [stops]"""
        more = Filter(name=f"ND of {stops:g} stops", stops=stops)
        return replace(self, kit=self.kit.model_copy(update={"filters": (*self.kit.filters, more)}))

    def with_iso_at_most(self, label: str) -> Situation:
        """With another ISO limit."""
        return replace(self, limits=self.limits.model_copy(update={"iso_at_most": label}))

    def with_light(self, ev100: float) -> Situation:
        """In another light. [stops]"""
        return replace(self, ev100=ev100)
