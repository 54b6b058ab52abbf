"""What a run's pictures were taken with, and where in them each subject is."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from daemon.pictures.judging import regions
from daemon.pictures.judging.evidence import SAME_DISTANCE, Region, Taken
from daemon.report import ControlFrame, FrameReport
from plans.plan import Settings
from plans.scene import Subject

MARKS = "regions.json"  # in a run's folder: where subjects are, as marked on a picture
_AS_PLANNED = 1 / 6  # of a stop: a value in the Exif that near a plan's mark is that mark, written roundly
_MOST_LOOKED_AT = 4  # frames that tell where something moves


class Places:
    """Where subjects are: as marked on the page, else in the brief, else as found in ``pictures`` of the same focus."""

    def __init__(self, subjects: Mapping[str, Subject], marks: Mapping[str, Region], pictures: Sequence[Taken]):
        self._subjects, self._marks, self._pictures = subjects, marks, pictures
        self._found: dict[tuple[str, str], Region | None] = {}

    def is_marked(self, subject: str) -> bool:
        """Whether somebody said where a subject is."""
        marked = self._subjects.get(subject)
        return subject in self._marks or (marked is not None and marked.region is not None)

    def of(self, subject: str, role: str, like: Taken) -> Region | None:
        """Where a subject is; ``role``: ``moving``, ``near``, or ``far``, for which any subject will do.

        ``like``: the picture that is asked about. None where it is neither marked nor found.
        """
        if subject in self._marks:
            return self._marks[subject]
        marked = self._subjects.get(subject)
        if marked is not None and marked.region is not None:
            return marked.region
        key = role, "" if role == "far" else subject
        if self._found.get(key) is None:
            self._found[key] = self._look(role, subject, like)
        return self._found[key]

    def _look(self, role: str, subject: str, like: Taken) -> Region | None:
        focus = self._subjects.get(subject)
        at = focus.distance_m if focus is not None and role == "near" else like.focus_m
        alike = [one for one in self._pictures if abs(one.focus_m / at - 1) < SAME_DISTANCE]
        alike.sort(key=lambda one: one.f_number)
        if len(alike) < 2:
            return None
        if role == "moving":
            same = [one for one in alike if math.isclose(one.f_number, like.f_number, rel_tol=0.05)]
            return regions.moving([one.pixels for one in (same if len(same) > 1 else alike)[:_MOST_LOOKED_AT]])
        near, far = regions.near_and_far(alike[0].pixels, alike[-1].pixels)
        return near if role == "near" else far


def taken_of(frame: FrameReport) -> Taken:
    """A frame with its settings as the Exif has them. It must have a picture."""
    assert frame.path is not None
    exif = frame.frame.exif if frame.frame else None
    return _taken(frame.step.id, frame.path, frame.step.settings, exif)


def control_taken(frame: ControlFrame) -> Taken:
    """The same of a control frame."""
    return _taken(f"control {frame.frame.id}", frame.path, frame.settings, frame.frame.exif)


def value_of(frame: FrameReport, kind: str) -> float:
    """A setting as the Exif has it; the plan's exact value where that is its mark, or the Exif is silent."""
    return _value(frame.step.settings, frame.frame.exif if frame.frame else None, kind)


def _taken(name: str, path: Path, settings: Settings, exif: Any) -> Taken:
    f_number, time_s = (_value(settings, exif, kind) for kind in ("aperture", "time"))
    return Taken(name, path, f_number, time_s, settings.focus.distance_m)


def _value(settings: Settings, exif: Any, kind: str) -> float:
    planned = {"aperture": settings.aperture, "time": settings.time, "iso": settings.iso}[kind].exact
    field = {"aperture": "f_number", "time": "exposure_s", "iso": "iso"}[kind]
    told = (exif or {}).get(field)
    if not told:
        return planned
    apart = abs(math.log2(told / planned)) * (2 if kind == "aperture" else 1)
    return planned if apart < _AS_PLANNED else float(told)


def marked_regions(path: Path) -> Mapping[str, Region]:
    """The regions marked on a run's picture, by subject: left, top, width, height as shares of the frame.

    What is not there, or no region within the frame, is passed over: it is looked for as if it had not been marked.
    """
    marks: dict[str, Region] = {}
    with suppress(OSError, ValueError, TypeError, KeyError, AttributeError):
        for one in json.loads(path.read_text(encoding="utf-8")).get("regions", []):
            left, top, width, height = (float(one[name]) for name in ("left", "top", "width", "height"))
            inside = min(left, top) >= 0 and min(width, height) > 0 and max(left + width, top + height) <= 1 + 1e-6
            if inside and isinstance(one["subject"], str):
                marks[one["subject"]] = (left, top, width, height)
    return marks
