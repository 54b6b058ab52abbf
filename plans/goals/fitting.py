"""Whether what stands in the scene fits the frame, and what to say of a change after which it does not."""

from __future__ import annotations

from plans import framing
from plans.goals import words
from plans.goals.situation import Situation
from plans.scene import Subject

_HAIR = 1 + 1e-9


def share(situation: Situation, subject: Subject) -> float | None:
    """Share of the frame's height that a subject takes, the camera as it lies; None: its height is not told."""
    if subject.height_m is None:
        return None
    sensor, m = situation.kit.body.sensor, situation.magnification(subject.distance_m)
    return framing.image_share(m, subject.height_m, sensor.height_mm)


def fits_upright(situation: Situation, subject: Subject) -> bool:
    """Whether a subject of told height fits along the longer side of the frame."""
    sensor, m = situation.kit.body.sensor, situation.magnification(subject.distance_m)
    return subject.height_m is not None and framing.image_share(m, subject.height_m, sensor.width_mm) <= _HAIR


def cut_off(situation: Situation) -> str:
    """What no longer fits the frame after a change, as the end of its sentence; empty where all fits.

    ``situation``: as it is after the change.
    """
    told = []
    for subject in situation.scene.subjects.values():
        taken = share(situation, subject)
        if taken is not None and taken > _HAIR:
            upright = ", upright it does" if fits_upright(situation, subject) else ""
            of = f"{words.percent(taken)} of its height{upright}"
            told.append(f"{words.the(subject.name)} does not fit the frame ({of})")
    return f"; but then {words.listed(told)}" if told else ""
