"""What teaching material is made from: the pictures of a lesson, in the order in which a class should see them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from daemon.pictures.stopbar import StopBar
from daemon.pictures.words import figure
from plans.plan import ExposeStep, Settings
from plans.stops import KINDS, Kind, Mark, Scale, light_of

Told = Literal["aperture", "time", "iso", "filters", "focus", "focal length"]

# A little beyond the marks at the ends: 1/8000 s is 1/8192, 30 s is 32, f/32 may be 32.9 on a scale of its own.
_USUAL: dict[Kind, tuple[float, float]] = {"aperture": (0.9, 33.0), "time": (1 / 8300, 33.0), "iso": (49.0, 26000.0)}
ALIKE = 0.01  # stops; settings closer than this count as the same


@dataclass(frozen=True)
class LessonFrame:
    """One picture of a lesson.

    ``number`` counts through the lesson, from 1. ``source``: its JPEG; None when it was not taken or is missing.
    ``verdict``: what was judged of it, in a few words, shown under its caption; None: not judged. ``figures`` are for
    the teacher's notes alone: residuals, Exif, names of files. ``facts``: what Exif told, as `daemon.xmp` takes it.
    """

    number: int
    step: ExposeStep
    source: Path | None
    caption: str
    bar: StopBar
    verdict: str | None = None
    figures: tuple[tuple[str, str], ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The picture's name in the lesson, without ending: two figures at least."""
        return f"{self.number:02d}"


@dataclass(frozen=True)
class LessonGroup:
    """Pictures that are compared, wide to narrow and fast to slow; ``told`` is the setting that tells them apart."""

    title: str
    told: Told
    frames: tuple[LessonFrame, ...]
    notes: tuple[str, ...] = ()
    faults: bool = False


@dataclass(frozen=True)
class Lesson:
    """All of it. ``day``: when it was shot, for people; ``light``: one line on the light."""

    title: str
    day: str
    light: str
    groups: tuple[LessonGroup, ...]

    @property
    def frames(self) -> tuple[LessonFrame, ...]:
        """All pictures, by number."""
        return tuple(frame for group in self.groups for frame in group.frames)


def told_apart_by(steps: Sequence[ExposeStep]) -> Told:
    """The setting that a class should look at: of aperture and time, then ISO, the one that goes through most stops.

    A ladder of aperture balanced by time changes both alike; then it is the aperture. ISO is named only where it alone
    changes, since it mostly balances; after it filters, focal length and focus.
    """
    reach = {kind: _reach(kind, steps) for kind in KINDS}
    if max(reach["aperture"], reach["time"]) > ALIKE:
        return "time" if reach["time"] > reach["aperture"] + 0.5 else "aperture"
    if reach["iso"] > ALIKE:
        return "iso"
    if len({step.settings.filters for step in steps}) > 1:
        return "filters"
    if len({step.settings.focal_length_mm for step in steps}) > 1:
        return "focal length"
    if len({step.settings.focus.distance_m for step in steps}) > 1:
        return "focus"
    return "aperture"


def class_order(steps: Sequence[ExposeStep]) -> list[ExposeStep]:
    """Wide to narrow and fast to slow; by time first where time tells the pictures apart."""
    told = told_apart_by(steps)

    def place(step: ExposeStep) -> tuple[float, ...]:
        made = step.settings
        by_aperture = round(-light_of("aperture", made.aperture.exact), 4)
        by_time = round(light_of("time", made.time.exact), 4)
        first = (by_time, by_aperture) if told == "time" else (by_aperture, by_time)
        filters = sum(item.stops for item in made.filters)
        return (*first, made.iso.exact, made.focal_length_mm or 0.0, made.focus.distance_m, filters)

    return sorted(steps, key=place)


def widest_pair(lesson: Lesson) -> LessonGroup | None:
    """The group to begin with: of whole pairs the one that goes through most stops, else the longest group."""
    whole = [group for group in lesson.groups if all(frame.source is not None for frame in group.frames)]
    pairs = [group for group in whole if len(group.frames) == 2 and not group.faults]

    def reach(group: LessonGroup) -> float:
        kind = group.told if group.told in ("aperture", "time", "iso") else "aperture"
        return _reach(kind, [frame.step for frame in group.frames])

    return max(pairs, key=reach, default=max(lesson.groups, key=lambda group: len(group.frames), default=None))


def usual(scale: Scale) -> tuple[Mark, ...]:
    """The marks of a scale that a class has a use for."""
    lowest, highest = _USUAL[scale.kind]
    return tuple(mark for mark in scale.marks if lowest <= mark.exact <= highest)


def value(told: Told, settings: Settings) -> str:
    """One setting as people write it: ``f/5.6``, ``1/250 s``, ``ISO 100``, ``no filter``, ``focus 2 m``."""
    if told == "aperture":
        return settings.aperture.mark
    if told == "time":
        return f"{settings.time.mark} s"
    if told == "iso":
        return f"ISO {settings.iso.mark}"
    if told == "filters":
        return " + ".join(_filter(settings, n) for n in range(len(settings.filters))) or "no filter"
    if told == "focal length":
        return "one focal length" if settings.focal_length_mm is None else f"{figure(settings.focal_length_mm)} mm"
    return f"focus {figure(settings.focus.distance_m)} m"


def others(told: Told, settings: Settings) -> tuple[str, ...]:
    """The other settings, in the usual order; filters and focal length only where there are any."""
    names: list[Told] = ["aperture", "time", "iso"]
    names += ["filters"] if settings.filters else []
    names += ["focal length"] if settings.focal_length_mm is not None else []
    return tuple(value(name, settings) for name in names if name != told)


def whole_line(settings: Settings) -> str:
    """All of them on one line: ``f/5.6 · 1/250 s · ISO 100 · ND 64``."""
    return " · ".join((settings.aperture.mark, *others("aperture", settings)))


def short_caption(frame: LessonFrame) -> str:
    """The caption without the settings that it begins with: they stand beside it already."""
    head, colon, rest = frame.caption.partition(": ")
    if colon and head.startswith(frame.step.settings.aperture.mark):
        return rest[:1].upper() + rest[1:]
    return frame.caption


def _filter(settings: Settings, number: int) -> str:
    item = settings.filters[number]
    return f"{item.name}, turned for {item.turned} effect" if item.turned else item.name


def _reach(kind: Literal["aperture", "time", "iso"], steps: Sequence[ExposeStep]) -> float:
    lights = [light_of(kind, getattr(step.settings, kind).exact) for step in steps]
    return math.fabs(max(lights) - min(lights)) if lights else 0.0
