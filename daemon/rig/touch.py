"""After a touch: which frame a check frame is held against, and what the two say of framing, focus and brightness.

The last good frame of the same focus and zoom serves for both; the check frame is taken at its aperture and ISO where
that keeps nobody waiting. With another focus, framing alone is told: the picture then changes in size by what the lens
is drawn out, which is taken into account.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from daemon.context import RunContext
from daemon.logbook import FrameRow
from daemon.pictures.likeness import Known, Likeness, grey_of, known, likeness
from daemon.pictures.opening import PictureUnreadable
from daemon.readings import Reader
from daemon.retarget import moved
from plans.kit import Kit
from plans.optics import magnification
from plans.plan import Settings
from plans.stops import Kind, Scale

LONGEST_S = 2.0  # of a check frame at the aperture of the frame it is held against [s]
NOTE_SHIFT, ASK_SHIFT = 0.002, 0.006  # of the frame's width: at 0.2 % a comparison side by side begins to jump
NOTE_FOCUS, ASK_FOCUS = 0.12, 0.2  # change of sharpness over a third of the picture [stops]
NOTE_LIGHT, ASK_LIGHT = 1 / 2, 1.0  # clouds move by less than a half between two looks, on most days [stops]
_SAME_APERTURE = 0.2  # [stops of light]
_SAME_ISO = 0.34  # [stops]
_SAME_DISTANCE = 1e-3


@dataclass(frozen=True)
class Good:
    """A frame that was good, and the settings it was taken at."""

    frame: FrameRow
    settings: Settings


@dataclass(frozen=True)
class Touched:
    """What a check frame says. ``off`` in stops, ``shift`` as a share of the width, ``focus`` in stops; None: untold.

    ``direction``: where the content moved, in words.
    """

    off: float | None
    shift: float | None = None
    direction: str = ""
    focus: float | None = None
    why_no_focus: str = ""

    @property
    def asks(self) -> list[str]:
        """What is too far off to go on without asking, in words with figures."""
        return self._said(ASK_LIGHT, ASK_SHIFT, ASK_FOCUS)

    @property
    def notes(self) -> list[str]:
        """What is worth telling."""
        return self._said(NOTE_LIGHT, NOTE_SHIFT, NOTE_FOCUS)

    def _said(self, light: float, shift: float, focus: float) -> list[str]:
        said = []
        if self.off is not None and abs(self.off) > light:
            side = "brighter" if self.off > 0 else "darker"
            said.append(f"the check frame is {abs(self.off):.2f} stop {side} than settings and filters give")
        if self.shift is not None and self.shift > shift:
            said.append(f"the picture has moved {self.direction} by {100 * self.shift:.1f} % of its width")
        if self.focus is not None and self.focus > focus:
            said.append(f"sharpness has changed by {self.focus:.1f} stop over the picture, as when the focus slips")
        return said

    def as_json(self) -> dict[str, Any]:
        """Plain data for the record."""
        return {
            "off": self.off, "shift": self.shift, "direction": self.direction, "focus": self.focus,
            "why_no_focus": self.why_no_focus,
        }  # fmt: skip

    def __str__(self) -> str:
        light = "brightness cannot be told" if self.off is None else f"brightness {self.off:+.2f} stop"
        return f"{light}; {self.of_rig}"

    @property
    def of_rig(self) -> str:
        """Framing and focus alone, in words with figures."""
        frame = (
            "framing cannot be told" if self.shift is None else f"framing within {100 * self.shift:.2f} % of the width"
        )
        focus = f"focus: {self.why_no_focus}" if self.focus is None else f"sharpness within {self.focus:.2f} stop"
        return f"{frame}; {focus}"


def last_good(context: RunContext, reader: Reader, settings: Settings) -> Good | None:
    """The latest good frame to hold a check frame against: of the same focus and zoom, else of the same zoom."""
    logbook, run = context.logbook, context.run
    frames = {frame.id: frame for frame in logbook.frames(run.id)}
    found: dict[int, Settings] = {}
    for row in logbook.readings(run.id):
        told = row.data.get("settings") or (row.data.get("checked") if row.data.get("good") else None)
        if told is not None:
            found[row.frame_id] = Settings.model_validate(told)
    rows = {row.id: row for row in logbook.steps(run.id) if row.kind == "expose" and row.outcome == "kept"}
    step_of = {one.id: rows[one.step_row] for one in logbook.attempts(run.id) if one.step_row in rows}
    for frame in frames.values():
        if frame.role == "picture" and frame.attempt_id in step_of:
            found[frame.id] = Settings.model_validate(step_of[frame.attempt_id].settings)
    zoomed = [
        Good(frames[n], one) for n, one in sorted(found.items()) if one.focal_length_mm == settings.focal_length_mm
    ]
    focused = [good for good in zoomed if _same_focus(good.settings, settings)]
    bare = [good for good in focused if good.settings.time.exact <= LONGEST_S]
    return next(reversed(bare or focused or zoomed), None)


def _same_focus(one: Settings, other: Settings) -> bool:
    return abs(one.focus.distance_m / other.focus.distance_m - 1) < _SAME_DISTANCE


def check_settings(planned: Settings, good: Good | None, scales: dict[Kind, Scale]) -> Settings:
    """Settings of the check frame: the good frame's aperture and ISO where the time stays short, else as planned."""
    if good is None or not _same_focus(good.settings, planned):
        return planned
    taken = sum(item.stops for item in planned.filters) - sum(item.stops for item in good.settings.filters)
    same = planned.model_copy(
        update={"aperture": good.settings.aperture, "time": good.settings.time, "iso": good.settings.iso}
    )
    found = moved(same, taken, {**scales, "iso": Scale("iso", (), scales["iso"].series)}) if taken else same
    return found if found.time.exact <= LONGEST_S and found.aperture == good.settings.aperture else planned


def before_touch(settings: Settings, good: Good, reader: Reader, kit: Kit) -> Known | None:
    """A good frame made ready to hold one at ``settings`` against; None when it cannot be read."""
    focal = settings.focal_length_mm or kit.lens.focal_length_mm
    sizes = [1 + magnification(focal, one.focus.distance_m) for one in (settings, good.settings)]
    try:
        return known(grey_of(reader.path(good.frame)), sizes[0] / sizes[1])
    except PictureUnreadable:
        return None


def judge(
    frame: FrameRow,
    settings: Settings,
    good: Good | None,
    reader: Reader,
    kit: Kit,
    before: Known | None = None,
    mine: Known | None = None,
) -> Touched:
    """Framing and focus of a check frame against a good one; brightness is told apart.

    ``before``: the good frame as `before_touch` made it ready, ``mine``: the check frame made ready, where there was
    time.

    Raises
    ------
    PictureUnreadable
        If the check frame cannot be read.
    """
    if good is None:
        return Touched(None, why_no_focus="there is no good frame before this one")
    mine = mine or known(grey_of(reader.path(frame)))
    before = before or before_touch(settings, good, reader, kit)
    if before is None:
        return Touched(None, why_no_focus="the last good frame cannot be read")
    seen = likeness(mine, before)
    why = _why_no_focus(settings, good.settings)
    focus = None if why else seen.sharpness_change
    return Touched(
        None, seen.moved, _direction(seen), focus, why or ("" if focus is not None else "nothing has texture")
    )


def _why_no_focus(settings: Settings, good: Settings) -> str:
    """Why two frames' sharpness tells nothing of the focus; empty when it does."""
    if not _same_focus(settings, good):
        return "no earlier frame is focused there; look at it enlarged"
    if abs(_stops(settings.aperture.exact, good.aperture.exact) * 2) > _SAME_APERTURE:
        return "no earlier frame has this aperture"
    if abs(_stops(settings.iso.exact, good.iso.exact)) > _SAME_ISO:
        return "no earlier frame has about this ISO"
    return ""


def _stops(one: float, other: float) -> float:
    from math import log2

    return log2(one / other)


def _direction(seen: Likeness) -> str:
    if seen.shift is None:
        return ""
    right, down = seen.shift
    if abs(right) >= abs(down):
        return "to the right" if right > 0 else "to the left"
    return "down" if down > 0 else "up"
