"""What the kit's own facts mean for a plan: times of bulb, kinds of shutter, flash, filters that tint.

Only what the kit states is told. That an electronic shutter reads line by line, which slants what moves fast and bands
under lamps, and that bulb commonly wants another one, is common practice, no source.
"""

from __future__ import annotations

from plans import flicker
from plans.brief import Brief
from plans.goals import words
from plans.kit import Body
from plans.plan import ExposeStep, MarkValue, Plan

_HAIR = 1.001


def is_bulb(body: Body, time: MarkValue) -> bool:
    """Whether a time is longer than the camera keeps by itself."""
    return body.bulb_above_s is not None and time.exact > body.bulb_above_s * _HAIR


def _printed(body: Body, time_s: float) -> str:
    """A time as the body's own mark prints it."""
    return min((abs(mark.exact - time_s), mark.label) for mark in body.time.marks)[1]


def head_lines(plan: Plan, brief: Brief) -> list[str]:
    """What holds for the whole plan: which shutter to set, and that no goal uses flash."""
    body, found = brief.kit.body, list[str]()
    if not plan.exposing:
        return found
    others = [kind for kind in body.shutters if kind != "electronic"]
    if "electronic" in body.shutters and others:
        found.append(
            f"Shutter: set the {words.listed(others, 'or')} one of those that the kit names. The electronic one reads "
            "line by line, so that what moves fast comes out slanted."
        )
    elif body.shutters:
        slanted = "; it reads line by line, so that what moves fast comes out slanted"
        only = slanted if "electronic" in body.shutters else ""
        found.append(f"Shutter: {words.listed(body.shutters, 'or')}, as the kit names it{only}.")
    if body.flash_sync_s is not None:
        shortest = f"{_printed(body, body.flash_sync_s)} s"
        found.append(
            f"Flash: no goal uses it, so that the shortest time with flash, {shortest}, ends no scale here. Leave it "
            "off: it would undo the sums of light."
        )
    return found


class KitNotes:
    """Tells at each picture what of the kit matters there; what was told once is told shorter."""

    def __init__(self, brief: Brief):
        self._brief = brief
        self._tints: set[str] = set()
        self._bulb = False

    def lines(self, step: ExposeStep) -> list[str]:
        """Sentences for one picture."""
        return [*self._open(step.settings.time), *self._tinted(step), *self._banded(step.settings.time)]

    def _open(self, time: MarkValue) -> list[str]:
        body = self._brief.kit.body
        if not is_bulb(body, time):
            return []
        exact = f"{words.figures(time.exact)} s by the clock"
        if self._bulb:
            return [f"a bulb time again: {exact}"]
        self._bulb = True
        mechanical = "electronic" in body.shutters and len(body.shutters) > 1
        other = "; set the shutter that is not electronic for it" if mechanical else ""
        return [
            f"a bulb time, {exact}: longer than the {_printed(body, body.bulb_above_s or 0.0)} s that the camera keeps "
            f"by itself. The computer holds the shutter open; by hand a remote release with a lock does{other}"
        ]

    def _tinted(self, step: ExposeStep) -> list[str]:
        casts = {item.name: item.cast for item in self._brief.kit.filters if item.cast}
        new = [item.name for item in step.settings.filters if item.name in casts and item.name not in self._tints]
        self._tints |= set(new)
        return [
            f"{name} tints the picture ({casts[name]}, as the kit says): keep the white balance on one fixed setting, "
            "and expect that tint against pictures without it"
            for name in new
        ]

    def _banded(self, time: MarkValue) -> list[str]:
        mains, shutters = self._brief.scene.mains_hz, self._brief.kit.body.shutters
        if not mains or "electronic" not in shutters or flicker.is_steady(time.exact, mains):
            return []
        others = [kind for kind in shutters if kind != "electronic"]
        do = f"set the {words.listed(others, 'or')} one" if others else "the kit names no other: expect them"
        return [f"under lamps on {mains} Hz mains an electronic shutter draws bands at {time.mark} s; {do}"]
