"""The stop bar: equivalence as lengths.

A frame's bar stacks four lengths, in stops: aperture, time, ISO and, where a group uses any, filter. In each of them
*longer gives more light*: wider aperture, longer time, higher ISO, weaker filter. Trading a stop of aperture for a
stop of time moves a border inside the bar and leaves its end where it was, so settings of one brightness end at one
line.

Where lengths are counted from
    Light has no natural zero (f/1 is only a number), so each kind of setting counts from one stop below the least light
    that it gives in any frame of the sheet. Every length is then one stop or more, and nothing is ever negative: the
    smallest aperture is one stop long, one a stop wider two. The zero is the sheet's, so that f/5.6 has one length in
    all its groups, and a group of one frame still says something.
What a filter is
    Its length is what it lets through. The strongest filter of the sheet is one stop long; no filter is longer by all
    the stops which that one takes. So a bar with a filter needs more time to reach the line, as it does in the field.
    Groups without any filter leave the segment out.
The line
    Where the reference's bar would end without its intended offset. A bracket's other frames end off it on purpose;
    what else ends off it does so by the coarseness of the marks.
Close focus
    The light lost by magnification is taken off the aperture's length, which is then that of the effective aperture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from plans.plan import ExposeStep, Settings
from plans.stops import light_of

BarKind = Literal["aperture", "time", "iso", "filters"]

BAR_KINDS: tuple[BarKind, ...] = ("aperture", "time", "iso", "filters")
LETTERS: dict[BarKind, str] = {"aperture": "A", "time": "T", "iso": "I", "filters": "F"}
LEAST_LENGTH = 1.0

# Plans write nine significant digits. Marks of every series lie on sixths of a stop (those of unknown series on
# thousandths), so the exact position can be had back, and equal brightness is equal to the last digit.
_GRIDS = (6, 1000)
_GRID_SLACK = 1e-8


@dataclass(frozen=True)
class Segment:
    """One setting's part of a bar; ``start`` and ``length`` in stops, ``mark`` for people."""

    kind: BarKind
    mark: str
    start: float
    length: float

    @property
    def letter(self) -> str:
        return LETTERS[self.kind]


@dataclass(frozen=True)
class StopBar:
    """One frame's bar. ``line`` is where the group's bars are to end, measured from their start. [stops]"""

    segments: tuple[Segment, ...]
    line: float

    @property
    def total(self) -> float:
        """Length of the whole bar. [stops]"""
        return sum(segment.length for segment in self.segments)

    @property
    def beyond(self) -> float:
        """How far the bar ends past the line; negative: short of it. [stops]"""
        return self.total - self.line


def stop_bar_segments(steps: Sequence[ExposeStep], sheet: Sequence[ExposeStep] = ()) -> list[StopBar]:
    """The stop bars of a group's steps, in their order; ``sheet`` are the steps that share their zero.

    The reference is the step that the first step names, or the first step itself when that one is not in the group.
    """
    if not steps:
        return []
    lights = [_lights(step) for step in steps]
    with_filters = any(step.settings.filters for step in steps)
    kinds = [kind for kind in BAR_KINDS if kind != "filters" or with_filters]
    sharing = [*lights, *(_lights(step) for step in sheet)]
    zero = {kind: min(light[kind] for light in sharing) - LEAST_LENGTH for kind in kinds}
    stacks: list[tuple[Segment, ...]] = []
    for step, light in zip(steps, lights, strict=True):
        start, segments = 0.0, []
        for kind in kinds:
            length = light[kind] - zero[kind]
            segments.append(Segment(kind, _mark(kind, step.settings), start, length))
            start += length
        stacks.append(tuple(segments))
    reference = next((n for n, step in enumerate(steps) if step.id == steps[0].reference), 0)
    line = sum(segment.length for segment in stacks[reference]) - steps[reference].intended_offset
    return [StopBar(stack, line) for stack in stacks]


def _lights(step: ExposeStep) -> dict[BarKind, float]:
    """Stops of light that each setting gives, on scales of their own. [stops]"""
    settings = step.settings
    return {
        "aperture": _on_grid(light_of("aperture", settings.aperture.exact)) - step.predicted.magnification_loss,
        "time": _on_grid(light_of("time", settings.time.exact)),
        "iso": _on_grid(light_of("iso", settings.iso.exact)),
        "filters": -sum(item.stops for item in settings.filters),
    }


def _on_grid(light: float) -> float:
    for grid in _GRIDS:
        near = round(light * grid) / grid
        if abs(near - light) <= _GRID_SLACK:
            return near
    return light


def _mark(kind: BarKind, settings: Settings) -> str:
    if kind == "filters":
        return " + ".join(item.name for item in settings.filters) or "none"
    if kind == "time":
        return f"{settings.time.mark} s"
    return settings.aperture.mark if kind == "aperture" else settings.iso.mark
