"""Evidence: what the frames of one framing say together, each figure with how far it may be off.

Frames are decoded by whoever holds them; each comparison is made once and kept. Nothing here knows of goals.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np

from daemon.pictures.judging.flow import MOST_WHITE, WHITE, Flow, flow
from daemon.pictures.judging.framing import Framing, framing, places
from daemon.pictures.judging.pixels import Box, Pixels, open_pixels
from daemon.pictures.judging.shake import Shake, shake
from daemon.pictures.judging.spread import Spread, disc
from daemon.pictures.judging.verdicts import SAME_PLACE, SURELY, Estimate
from daemon.pictures.opening import PictureUnreadable
from daemon.pictures.reading import MOST_CLIPPED, Reading, compare, grey_stops, straighten

Region = tuple[float, float, float, float]  # left, top, width, height, as shares of the frame

BRIGHTNESS_UNSURE = 0.015  # of a difference of brightness at best [stops]
CLIPPED_UNSURE = 0.05  # where only blocks off the middle are free of clipping [stops]
LEAST_BLOCKS = 0.1  # of all, to go by those
SAME_APERTURE = 1.05  # f-numbers, within which corners are shaded alike
DISC_UNSURE, DISC_SHARE = 0.4, 0.05  # [px], [unitless]
MISFIT_SHARE = 0.8  # of the size, for each unit that the transfer function misfits
LEAST_APART = 1.35  # f-numbers that tell a disc by their ratio
SAME_SCALE = 0.012  # frames focused alike are equally large, within so much a pixel that the framing is unsure
SAME_DISTANCE = 1e-3
APERTURES_ALIKE = 4.0  # f-numbers at which what is in focus is alike enough to follow water through
SHAKE_UNSURE, SHAKE_SHARE = 0.3, 0.08  # of a shake's length [px], [unitless]
SHAKE_MISFIT = 2.5  # pixels for each unit of misfit: what grain is left looks like a little shake
PLAIN_SHAKE = 2.0  # from there on a frame tells nothing of another's disc [px]
LEAST_PLACES = 4  # over the frame, by which a shake is told
RIVALS = 2  # frames that a frame is held against to see whether it was shaken
KEPT = 4  # decoded frames, about 100 MB each at 24 megapixels


@dataclass(frozen=True, eq=False)
class Taken:
    """A frame with its settings: f-number and time [s] from the Exif, focus as planned [m].

    ``source``: its pixels, or the file they are in, which is decoded when they are wanted; few are kept at a time.
    """

    name: str
    source: Pixels | Path
    f_number: float
    time_s: float
    focus_m: float

    @property
    def pixels(self) -> Pixels:
        """The decoded frame; raises `PictureUnreadable`."""
        return self.source if isinstance(self.source, Pixels) else _opened(self.source)


def _estimate(found: Spread, least_px: float, share: float) -> Estimate:
    size = found.size_px
    return Estimate(value=size, unsure=math.hypot(least_px, share * size, MISFIT_SHARE * found.misfit * size))


def _burnt(frame: Taken, box: Box) -> bool:
    return bool(np.mean(frame.pixels.grey(box) >= WHITE) > MOST_WHITE)


def _length(seen: Shake) -> Estimate:
    length = seen.length_px
    doubt = seen.unsure / (2 * max(length, 1.0)), SHAKE_SHARE * length, SHAKE_MISFIT * seen.misfit, SHAKE_UNSURE
    return Estimate(value=length, unsure=math.hypot(*doubt))


def _consensus(seen: Sequence[Shake]) -> Estimate:
    """The median of the surer half of several places, and its doubt: a place's, and how far they lie apart."""
    surest = sorted((_length(one) for one in seen), key=lambda one: one.unsure)
    each = surest[: max(LEAST_PLACES, len(seen) // 2)]
    value = float(np.median([one.value for one in each]))
    apart = 1.48 * float(np.median([abs(one.value - value) for one in each])) / math.sqrt(len(each))
    return Estimate(value=value, unsure=math.hypot(float(np.median([one.unsure for one in each])), 1.25 * apart))


@lru_cache(maxsize=KEPT)
def _opened(path: Path) -> Pixels:
    return open_pixels(path)


@dataclass(eq=False)
class Evidence:
    """Frames of one framing. ``tone``: the body's tone curve, as `daemon.pictures.reading.straighten` takes it.

    ``beside``: others of the same scene, such as those that metered; they tell as well, where they can be read and lie
    where a frame lies that is asked about.
    """

    frames: Sequence[Taken]
    tone: Sequence[float] = ()
    beside: Sequence[Taken] = ()
    _framings: dict[tuple[str, str], Framing] = field(default_factory=dict)
    _flows: dict[tuple[Region, float, float], Flow | None] = field(default_factory=dict)
    _runs: dict[tuple[str, str], Estimate | None] = field(default_factory=dict)
    _shakes: dict[tuple[str, Region], Estimate | None] = field(default_factory=dict)

    def brightness(self, frame: Taken, reference: Taken) -> tuple[Estimate | None, Reading]:
        """How much brighter a frame is than another [stops], and the reading; None where they cannot be compared."""
        reading = compare(frame.pixels.measure, reference.pixels.measure, self.tone)
        if reading.against_reference_stops is None or reading.spread_stops is None or reading.whole_frame:
            return self._off_the_middle(frame, reference), reading
        # 1.25 and 1.48: from the median distance to a deviation, and from it to a median's (normal distribution).
        unsure = 1.25 * 1.48 * reading.spread_stops / math.sqrt(max(reading.blocks_used, 1))
        value = reading.against_reference_stops
        return Estimate(value=value, unsure=math.hypot(unsure, BRIGHTNESS_UNSURE)), reading

    def _off_the_middle(self, frame: Taken, reference: Taken) -> Estimate | None:
        """Brightness by all blocks free of clipping, where the middle has too few. [stops]"""
        one, other = frame.pixels.measure, reference.pixels.measure
        ratio = max(frame.f_number / reference.f_number, reference.f_number / frame.f_number)
        if one.luminance.shape != other.luminance.shape or ratio > SAME_APERTURE:
            return None
        use = (one.clipped <= MOST_CLIPPED) & (other.clipped <= MOST_CLIPPED)
        if use.mean() < LEAST_BLOCKS:
            return None
        levels = [straighten(grey_stops(measure.luminance[use]), self.tone) for measure in (one, other)]
        return Estimate(value=float(np.median(levels[0] - levels[1])), unsure=CLIPPED_UNSURE)

    def framing(self, frame: Taken, reference: Taken) -> Framing:
        """Where a frame's content lies against another's."""
        key = frame.name, reference.name
        if key not in self._framings:
            self._framings[key] = framing(frame.pixels, reference.pixels)
        return self._framings[key]

    def moved(self, frame: Taken, reference: Taken) -> Estimate | None:
        """How far the middle's content has moved. [px]"""
        seen = self.framing(frame, reference)
        if seen.moved_px is None:
            return None
        return Estimate(value=seen.moved_px, unsure=seen.unsure_px)

    def _local(self, frame: Taken, reference: Taken, box: Box) -> tuple[float, float] | None:
        """Where the content of the reference's box lies in the frame. [px]"""
        seen = self.framing(frame, reference)
        if seen.shift_px is None:
            return None
        x = (box[0] + box[2]) / 2 - frame.pixels.width / 2
        y = (box[1] + box[3]) / 2 - frame.pixels.height / 2
        grown, turn = seen.scale - 1, seen.turn_mrad / 1000
        return seen.shift_px[0] + grown * x - turn * y, seen.shift_px[1] + grown * y + turn * x

    def disc(self, frame: Taken, region: Region) -> Estimate | None:
        """Diameter of the disc of a point in a region, told from a frame of the same focus at another aperture. [px]

        What a shake adds to it is in it. None where the run holds no such frame, or the region no texture.
        """
        found: list[Estimate] = []
        shaken = self._shaken(frame, region)
        for other in self._alike(frame):
            ratio = other.f_number / frame.f_number
            if max(ratio, 1 / ratio) < LEAST_APART:
                continue
            wide, narrow = (frame, other) if ratio > 1 else (other, frame)
            box = narrow.pixels.box(region)
            shift, seen = self._local(wide, narrow, box), self.framing(wide, narrow)
            if shift is None or abs(seen.scale - 1) > SAME_SCALE * seen.unsure_px:
                continue
            if (wide is frame and self._shaken(narrow, region)) or (narrow is frame and self._shaken(wide, region)):
                continue
            share = wide.f_number / narrow.f_number
            found_disc = disc(wide.pixels, narrow.pixels, box, shift, share)
            if found_disc is None:
                continue
            # Of frames close in aperture the wider one's disc is told worse.
            apart = 1 / math.sqrt(1 - share**2)
            estimate = _estimate(found_disc, DISC_UNSURE * apart, DISC_SHARE)
            found.append(estimate if wide is frame else estimate.times(share))
        best = min(found, key=lambda one: one.unsure, default=None)
        if best is None or shaken is None or frame is min(self._alike(frame), key=lambda one: one.f_number):
            return best
        return Estimate(value=math.hypot(best.value, shaken.value), unsure=math.hypot(best.unsure, shaken.unsure))

    def _alike(self, frame: Taken) -> list[Taken]:
        """All frames focused as this one, itself among them."""
        every = [*self.frames, *(one for one in self.beside if self._lies_with(one, frame))]
        return [one for one in every if abs(one.focus_m / frame.focus_m - 1) < SAME_DISTANCE]

    def _lies_with(self, one: Taken, frame: Taken) -> bool:
        try:
            moved = self.framing(one, frame).moved_px
        except PictureUnreadable:
            return False
        return moved is not None and moved < SAME_PLACE * frame.pixels.width

    def _shaken(self, frame: Taken, region: Region) -> Estimate | None:
        """How a frame was plainly shaken: softer than others of its focus, though their apertures are no narrower.

        None where it was not, or where nothing tells: of the widest frame all softness is taken for its disc. [px]
        """
        key = frame.name, region
        if key not in self._shakes:
            wider = [one for one in self._alike(frame) if one is not frame and one.f_number < frame.f_number * 1.05]
            wider.sort(key=lambda one: -one.f_number)
            seen = [self._shake(frame, one, one.pixels.box(region)) for one in wider[:RIVALS]]
            lengths = [_length(one) for one in seen if one is not None]
            plain = [one for one in lengths if one.value - SURELY * one.unsure > PLAIN_SHAKE]
            # The rivals must be of one mind: one of them may be wrong itself.
            whole = len(plain) == len(lengths)
            self._shakes[key] = min(plain, key=lambda one: one.value, default=None) if whole else None
        return self._shakes[key]

    def disc_against(self, frame: Taken, sharp: Taken, region: Region) -> Estimate | None:
        """The same against a frame that is known to be sharp there. [px]"""
        box = sharp.pixels.box(region)
        shift = self._local(frame, sharp, box)
        seen = None if shift is None else disc(frame.pixels, sharp.pixels, box, shift)
        if seen is None:
            return None
        return _estimate(seen, DISC_UNSURE, DISC_SHARE)

    def shake(self, frame: Taken, sharp: Taken) -> Estimate | None:
        """How far the picture ran about during an exposure, against one of the same focus and aperture that stood
        still: the median over places all over the frame. [px]

        What moves by itself, and what has little structure, is outvoted. None where too few places tell.
        """
        key = frame.name, sharp.name
        if key not in self._runs:
            boxes = [box for box in places(frame.pixels) if not (_burnt(frame, box) or _burnt(sharp, box))][::2]
            seen = [told for box in boxes if (told := self._shake(frame, sharp, box)) is not None]
            self._runs[key] = _consensus(seen) if len(seen) >= LEAST_PLACES else None
        return self._runs[key]

    def ran_about(self, frame: Taken) -> Estimate | None:
        """The same against the shortest frame of the same focus and aperture; None where the run holds none."""
        alike = [
            one
            for one in self._alike(frame)
            if one.time_s < frame.time_s
            and 1 / SAME_APERTURE < one.f_number / frame.f_number < SAME_APERTURE
            and one.pixels.picture.size == frame.pixels.picture.size
        ]
        return self.shake(frame, min(alike, key=lambda one: one.time_s)) if alike else None

    def _shake(self, frame: Taken, sharp: Taken, box: Box) -> Shake | None:
        shift = self._local(frame, sharp, box)
        return None if shift is None else shake(frame.pixels, sharp.pixels, box, shift)

    def flow(self, region: Region, like: Taken) -> Flow | None:
        """Speed of what moves in a region, from all frames focused as ``like``, at apertures alike enough."""
        key = region, like.focus_m, like.f_number
        if key not in self._flows:
            alike = [
                one
                for one in self._alike(like)
                if max(one.f_number / like.f_number, like.f_number / one.f_number) < APERTURES_ALIKE
                and one.pixels.picture.size == like.pixels.picture.size
            ]
            series = [(one.pixels, one.time_s, self._there(one, alike[0], region)) for one in alike]
            self._flows[key] = flow(series)
        return self._flows[key]

    def _there(self, frame: Taken, first: Taken, region: Region) -> Box:
        """Where the content of a region of the first frame lies in another: stone beside water must not pass for it."""
        box = first.pixels.box(region)
        shift = self._local(frame, first, box) if frame is not first else None
        if shift is None:
            return box
        width, height = frame.pixels.picture.size
        right = min(max(round(shift[0]), -box[0]), width - box[2])
        down = min(max(round(shift[1]), -box[1]), height - box[3])
        return box[0] + right, box[1] + down, box[2] + right, box[3] + down

    def smear(self, frame: Taken, region: Region) -> Estimate | None:
        """Smear of what moves in a region, in one frame. [px]"""
        found = self.flow(region, frame)
        if found is None:
            return None
        smear = found.smear_px(frame.time_s)
        # A shake adds to it or not, as the two lie to each other.
        ran = self.ran_about(frame)
        shaken = ran.value if ran is not None and ran.value - SURELY * ran.unsure > PLAIN_SHAKE else 0.0
        return Estimate(value=smear, unsure=math.hypot(smear * found.unsure, shaken))
