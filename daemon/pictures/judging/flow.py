"""Flow: how fast moving water and the like run over the picture, from frames of unlike exposure time.

How it is measured
    Water is never the same twice, but its pattern is of the same kind. Its power spectrum along the way it moves is
    that of the frozen pattern times sinc squared of the smear, and of what stands still behind it, and of noise. Three
    frames or more, of exposure times whose ratios are known, tell all of it at once: the one speed for which every
    frame's spectrum comes out of one pattern and one still part. Noise is read off where a spectrum is lowest.
What it counts on
    That the times in the Exif stand in the ratio they state, and that some of the exposures are shorter than the life
    of the pattern; what longer ones keep is put down to what stands still.
Where the way lies
    Along the direction in which a smeared frame varies least (the structure tensor's smaller axis).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from daemon.pictures.judging.pixels import Box, Pixels

LEAST_SIDE = 40  # of a place along the way [px]
LEAST_FRAMES = 3  # two cannot tell what smears from what stands still
LEAST_RATIO = 2.0  # of the longest time to the shortest
SURE = 0.03  # how far a speed may be off at best, one standard deviation [share]
COLUMNS_ALIKE = 8.0  # so many columns show about the same pattern [px]
PRIOR = 2.0  # how hard a pattern is held to one strength [frequencies]
STRENGTH_VARIES = 0.35  # of a pattern, between frames: standard deviation of the logarithm of its power
LEAST_COLUMNS = 4
WHITE, MOST_WHITE = 254, 0.1  # of 255; share of a place in which a pattern would be burnt out
ALIKE_PX = 8  # coarser than what a change of aperture does to what stands still [px]
STILL_ALIKE = 0.5  # correlation between frames, from which on a column stands still
LEAST_MOVING = 0.2  # of a place's columns
SURE_ENOUGH = 0.15  # of a speed told without one frame, to count against that told by all [share]
DISAGREES = 4.0  # standard deviations
LIKE_NEIGHBOURS = 0.5  # the window makes neighbouring frequencies alike

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Flow:
    """Speed on the picture, how far it may be off (a standard deviation, as a share), and the way's direction.

    ``angle_deg``: 0 across, 90 down. ``frames``: how many told it. ``bounds_px_s``: between these it lies in 24 cases
    of 25. [px/s], [degrees]
    """

    px_s: float
    unsure: float
    angle_deg: float
    frames: int
    bounds_px_s: tuple[float, float]

    def smear_px(self, time_s: float) -> float:
        """Length of the smear in an exposure. [px]"""
        return self.px_s * time_s


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Power along the way, over the mean light squared. ``frequency`` [cycles a pixel], ``length``, ``columns`` [px]"""

    frequency: Array
    power: Array
    length: int
    columns: int


def direction(frame: Pixels, box: Box) -> tuple[float, float]:
    """Direction along which a place varies least [degrees, 0 across, 90 down], and how plainly [0..1]."""
    part = frame.linear(box).astype(np.float64)
    down, across = np.gradient(part)
    xx, yy, xy = float((across**2).mean()), float((down**2).mean()), float((across * down).mean())
    lean = 0.5 * math.degrees(math.atan2(2 * xy, xx - yy)) + 90
    plain = math.hypot(xx - yy, 2 * xy) / max(xx + yy, 1e-15)
    return lean % 180, plain


def flow(frames: Sequence[tuple[Pixels, float, Box]]) -> Flow | None:
    """Speed of what moves, from frames of the same subject: pixels, exact exposure time [s], and where it is.

    None where there are fewer than three frames, their times differ too little, or nothing has a pattern.
    """
    seen = [one for one in frames if np.mean(one[0].grey(one[2]) >= WHITE) < MOST_WHITE]
    series = sorted(seen, key=lambda one: one[1])
    if len(series) < LEAST_FRAMES or series[-1][1] / series[0][1] < LEAST_RATIO:
        return None
    leans = [direction(pixels, box) for pixels, _, box in series]
    angle = leans[int(np.argmax([plain for _, plain in leans]))][0]
    places = [found for pixels, _, box in series if (found := _along(pixels, box, angle)) is not None]
    if len(places) < len(series) or len({one.shape for one in places}) > 1:
        return None
    moves = _moving_columns(places)
    if moves.sum() < max(LEAST_COLUMNS, LEAST_MOVING * moves.size):
        return None
    spectra = [_spectrum(one[:, moves]) for one in places]
    times = np.array([time_s for _, time_s, _ in series])
    return _of_one_mind(_fitted(spectra, times, angle), spectra, times, angle)


def _of_one_mind(found: Flow | None, spectra: Sequence[Spectrum], times: Array, angle_deg: float) -> Flow | None:
    """The speed, as unsure as it hangs on one frame alone.

    Two speeds may explain all frames nearly alike, and the likelihood then knows of one only. Left out in turn, the
    frame that makes the difference is found; it takes four.
    """
    if found is None or len(spectra) <= LEAST_FRAMES:
        return found
    unsure = found.unsure
    for left_out in range(len(spectra)):
        kept = [place for place in range(len(spectra)) if place != left_out]
        other = _fitted([spectra[place] for place in kept], times[kept], angle_deg)
        if other is None or other.unsure > SURE_ENOUGH:
            continue
        apart = abs(math.log(other.px_s / found.px_s))
        if apart > DISAGREES * math.hypot(other.unsure, found.unsure):
            unsure = max(unsure, apart)
    return replace(found, unsure=unsure)


def _fitted(spectra: Sequence[Spectrum], times: Array, angle_deg: float) -> Flow | None:
    """The speed that explains all spectra together, by the greatest likelihood of power spectra (gamma deviance)."""
    frequency, length = spectra[0].frequency, spectra[0].length
    power = np.stack([one.power for one in spectra])
    noise = np.array([_floor(row) for row in power])[:, None]
    use = (frequency > 2.5 / length) & (frequency < 0.42) & (power.max(axis=0) > 3 * noise[power.sum(axis=1).argmax()])
    if use.sum() < 6:
        return None
    power, frequency = power[:, use], frequency[use]
    speeds = np.geomspace(0.3 / times[-1], 2 * length / times[0], 240)
    misfit = np.empty(len(speeds))
    for place, speed in enumerate(speeds):
        kept = np.stack([_sinc2(speed * time_s, frequency, 1 / length) for time_s in times])
        misfit[place] = _deviance(power, kept, noise)
    independent = max(1.0, spectra[0].columns / COLUMNS_ALIKE) * LIKE_NEIGHBOURS
    chance = np.exp(-0.5 * independent * (misfit - misfit.min()))
    chance /= chance.sum()
    logs = np.log(speeds)
    middle = float((chance * logs).sum())
    unsure = math.sqrt(float((chance * (logs - middle) ** 2).sum()))
    speed = math.exp(middle)
    low, high = (float(np.exp(np.interp(share, np.cumsum(chance), logs))) for share in (0.02, 0.98))
    return Flow(speed, math.hypot(unsure, SURE), angle_deg, len(spectra), (low, high))


def _deviance(power: Array, kept: Array, noise: Array) -> float:
    """How badly ``power`` (frames x frequencies) is explained by a pattern of which ``kept`` is left, by what stands
    still, and by noise."""
    model = np.maximum(power, 1e-12)
    strength = np.ones((len(power), 1))
    for turn in range(4):
        seen = kept * strength
        weight = 1 / model**2
        rest = np.maximum(power - noise, 0)
        kk, k1, one = (weight * seen**2).sum(axis=0), (weight * seen).sum(axis=0), weight.sum(axis=0)
        ky, y = (weight * seen * rest).sum(axis=0), (weight * rest).sum(axis=0)
        determinant = np.maximum(kk * one - k1**2, 1e-9 * kk * one)
        pattern, still = (one * ky - k1 * y) / determinant, (kk * y - k1 * ky) / determinant
        alone = y / one, ky / np.maximum(kk, 1e-300)
        still, pattern = (
            np.where(pattern < 0, alone[0], np.where(still < 0, 0, still)),
            np.where(pattern < 0, 0, np.where(still < 0, alone[1], pattern)),
        )
        model = np.maximum(pattern * seen + still + noise, 1e-12)
        if turn < 3:
            # A pattern is not equally strong at all moments: each frame's may differ, by a factor that is near one.
            part = pattern * kept / model
            wanted = (part * (rest - still) / model).sum(axis=1) + PRIOR
            strength = np.clip(wanted / ((part**2).sum(axis=1) + PRIOR), 0.4, 2.5)[:, None]
            strength /= np.exp(np.log(strength).mean())
    uneven = float((np.log(strength) ** 2).sum()) / STRENGTH_VARIES**2
    return float(2 * (power / model - 1 - np.log(power / model)).sum()) + uneven


def _moving_columns(places: Sequence[Array]) -> NDArray[np.bool_]:
    """Which columns hold something that moves: what stands still is alike in all frames, but for its finest parts.

    A place that is marked or found a little too wide would else be judged by what stands beside the water, of which
    another aperture changes the structure.
    """
    smooth = []
    for one in places:
        rows = one.shape[0] // ALIKE_PX
        coarse = one[: rows * ALIKE_PX].reshape(rows, ALIKE_PX, -1).mean(axis=1)
        coarse = coarse - coarse.mean(axis=0)
        smooth.append(coarse / np.maximum(np.sqrt((coarse**2).sum(axis=0)), 1e-12))
    alike = np.mean([(one * other).sum(axis=0) for one, other in combinations(smooth, 2)], axis=0)
    near = np.convolve(np.pad(alike, 4, mode="edge"), np.full(9, 1 / 9), mode="valid")
    return np.asarray(near < STILL_ALIKE)


def _along(frame: Pixels, box: Box, angle_deg: float) -> Array | None:
    """A place turned so that the way runs down, its mean and slope along it taken off; None where it is too small."""
    part = frame.linear(box)
    off = (angle_deg - 90 + 90) % 180 - 90  # from straight down
    if abs(off) > 45:
        part, off = part.T, -((angle_deg + 90) % 180 - 90)
    if abs(off) > 8:
        part = _turned(np.ascontiguousarray(part), off)
    length = part.shape[0]
    if length < LEAST_SIDE or part.shape[1] < LEAST_COLUMNS:
        return None
    values = part.astype(np.float64)
    values = values / max(float(values.mean()), 1e-4)
    ramp = np.linspace(-1, 1, length)[:, None]
    return np.asarray(values - values.mean(axis=0) - ramp * (values * ramp).mean(axis=0) / (ramp**2).mean())


def _spectrum(values: Array) -> Spectrum:
    """The spectrum of a place along its columns."""
    length = values.shape[0]
    window = np.hanning(length)[:, None]
    power = (np.abs(np.fft.rfft(values * window, axis=0)) ** 2).mean(axis=1) / float((window**2).sum())
    return Spectrum(np.asarray(np.fft.rfftfreq(length), np.float64), power, length, values.shape[1])


def _turned(part: NDArray[np.float32], degrees: float) -> NDArray[np.float32]:
    """The middle of a place, turned so that its way runs down."""
    height, width = part.shape
    turned = np.asarray(Image.fromarray(part).rotate(-degrees, Image.Resampling.BICUBIC), np.float32)
    lean = math.radians(abs(degrees))
    cut_x = min(round(height / 2 * math.sin(lean) * 0.7), width // 3)
    cut_y = min(round(width / 2 * math.sin(lean)), height // 3)
    return turned[cut_y : height - cut_y, cut_x : width - cut_x]


def _floor(power: Array) -> float:
    """The noise: the mean of the lowest fifth."""
    return float(np.sort(power)[: max(3, power.size // 5)].mean())


def _sinc2(smear: float, frequency: Array, step: float) -> Array:
    """Sinc squared, averaged over the width that the window gives each frequency."""
    near = (np.arange(-4, 5) / 4)[None, :] * 1.5 * step
    weight = np.hanning(11)[1:-1]
    return np.asarray((np.sinc(smear * (frequency[:, None] + near)) ** 2 * weight).sum(axis=1) / weight.sum())
