"""Rehearsal: a plan's pictures drawn beforehand, and its steps walked without a shutter. Who draws is found outside.

The maker of rehearsals is named in the packaging group ``stopwright.rehearsals``; shapes here are what it gives back.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import entry_points
from pathlib import Path
from typing import NamedTuple

from daemon.errors import UsageError
from daemon.pictures.reading import FrameMeasure, compare, measure_frame
from daemon.pictures.shapes import SheetFrame, SheetGroup
from plans.compiler import kit_of
from plans.plan import ExposeStep, Plan

GROUP = "stopwright.rehearsals"
COMMON = " (common practice, no source)"


class HandsAt(NamedTuple):
    """One time that hands are needed, ``at_s`` after the start. [s]"""

    step: str
    at_s: float
    text: str


@dataclass(frozen=True)
class Walked:
    """What a dry walk over all steps found.

    ``steps`` that were walked, ``settings`` told to the camera and read back, ``hands`` in order, ``wrong``: whatever
    could not be set or does not fit what hands left on the rig; ``held``: pictures whose shutter is held open beyond
    the camera's own times. [s]
    """

    steps: int
    settings: int
    hands: tuple[HandsAt, ...]
    duration_s: float
    held: int = 0
    wrong: tuple[str, ...] = ()


@dataclass(frozen=True)
class Rehearsed:
    """A rehearsal. ``pictures``: a JPEG file by the id of its step; ``mapped``: what stands in for what, ``unknown``:
    what the pictures cannot tell, a sentence each; ``beware``: by step, what its picture lacks of what it is to show.
    """

    pictures: Mapping[str, bytes]
    mapped: tuple[str, ...]
    unknown: tuple[str, ...]
    walked: Walked
    beware: Mapping[str, str] = field(default_factory=dict)


Rehearse = Callable[[Plan, int], Rehearsed]
"""Makes the rehearsal of a plan with pictures so many pixels wide."""


def find_rehearse() -> Rehearse:
    """The maker of rehearsals that is installed.

    Raises
    ------
    UsageError
        If there is none, or it cannot be loaded.
    """
    found = list(entry_points(group=GROUP))
    if not found:
        raise UsageError(
            "rehearse: no simulated scene is installed; install stopwright with its hardware_mocks package"
        )
    try:
        made: Rehearse = found[0].load()
    except (ImportError, AttributeError) as error:
        raise UsageError(
            f"rehearse: the simulated scene {found[0].value!r} cannot be loaded ({error}); install stopwright again "
            "with its hardware_mocks package"
        ) from None
    return made


@dataclass(frozen=True)
class Brightness:
    """How a drawn picture came out against its group's reference, and how it was meant to. [stops]

    ``read`` is None where it cannot be told, and ``why_none`` says why.
    """

    read: float | None
    meant: float
    why_none: str | None = None


def read_back(plan: Plan, files: Mapping[str, Path]) -> dict[str, Brightness]:
    """The brightness of drawn pictures by step, read from their files as a run reads its own. [stops]"""
    steps = {step.id: step for step in plan.exposing}
    measures: dict[str, FrameMeasure] = {name: measure_frame(path) for name, path in files.items()}
    found = {}
    for name in measures:
        step = steps[name]
        reference = steps.get(step.reference, step)
        read = compare(measures[name], measures.get(reference.id))
        meant = step.intended_offset + step.offset - reference.intended_offset - reference.offset
        found[name] = Brightness(read.against_reference_stops, meant, read.why_none)
    return found


def groups_of(
    plan: Plan, made: Rehearsed, files: Mapping[str, Path], read: Mapping[str, Brightness]
) -> list[SheetGroup]:
    """What the contact sheet shows: a group of the plan each, in the plan's order."""
    steps = {step.id: step for step in plan.exposing}
    sensor = kit_of(plan).body.sensor
    groups = []
    for group in plan.groups:
        own = [steps[name] for name in group.steps if name in steps]
        criteria = dict.fromkeys(text.replace(COMMON, "") for step in own for text in step.criteria)
        groups.append(
            SheetGroup(
                title=group.title,
                held=group.held,
                changed=group.changed,
                spread_stops=group.spread,
                frames=tuple(_frame(step, files, read) for step in own),
                left_out=group.left_out,
                criteria=(*criteria, *group.criteria),
                notes=(f"REHEARSAL, drawn and not photographed: {'; '.join(made.mapped)}.", *_missing(own, made)),
                sensor_height_mm=sensor.height_mm,
            )
        )
    return groups


def _missing(steps: Sequence[ExposeStep], made: Rehearsed) -> list[str]:
    """What a group's pictures lack of the very thing that it is to show, in lines."""
    told = dict.fromkeys(made.beware[step.id] for step in steps if step.id in made.beware)
    return [f"NOT SHOWN: {sentence[:1].lower()}{sentence[1:]}." for sentence in told]


def _frame(step: ExposeStep, files: Mapping[str, Path], read: Mapping[str, Brightness]) -> SheetFrame:
    told = read.get(step.id)
    return SheetFrame(
        picture=files.get(step.id),
        step=step,
        is_reference=step.reference == step.id,
        against_reference_stops=None if told is None else told.read,
        why_not_measured=None if told is None else told.why_none,
    )
