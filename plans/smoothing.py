"""How much brighter or darker each frame of a time-lapse must be shown, so that only the light is seen to change.

Two parts, both of them without delay: a value is smoothed by its neighbours on both sides alike (zero phase).

- *Steps.* A camera follows the light in steps, a third of a stop for one. Frame k is shown 2^(smoothed - set) times as
  bright, where *set* is what its exact settings give and *smoothed* a line through the middles of the stretches of
  alike settings, its corners rounded by a Gaussian. A Gaussian alone will not do: where light is slow, and one step
  lies thirty frames and more from the next, it leaves a wave that is seen as breathing. Marks will not do: 1/60 is
  1/64, "30 s" is 32 s, which is up to 0.09 stop.
- *Residue.* What then still differs from frame to frame while the picture stays the same (a shutter, an aperture that
  closes anew each time). It is measured on many blocks, each against its own smoothed past and future, and the median
  is taken, so that a passer-by does not count. Only what is as small as such an error is taken out, less and less
  between `RESIDUE` and twice that: a cloud is light, and stays. Neighbours beyond a sudden change do not count at all.

Gaussian smoothing and the median are textbook; the widths are tried values, not published ones.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEP_SIGMA = 8.0  # frames; a step of a third of a stop is spread over about thirty at least
STEP_REACH = 5.0  # sigmas; a step with none near it is spread so far to either side: 40 frames
HASTE = 2.0  # a stretch slopes over at most so many times as many frames as those beside it
ALIKE = 0.1  # stops; settings that differ by less are one stretch: a time held by hand is never twice the same
RESIDUE_SIGMA = 2.5  # frames
RESIDUE = 0.08  # stops
JUMP = 0.25  # stops from one frame to the next; dusk at its fastest changes by 0.14 in a frame each half minute
REACH = 3.0  # a Gaussian is cut off after so many sigmas


def light_given(f_number: float, exposure_s: float, iso: float, filter_stops: float = 0.0) -> float:
    """What exact settings give, f/1 for 1 s at ISO 100 being 0. [stops] Source: APEX, with exact values."""
    return float(np.log2(exposure_s / f_number**2) + np.log2(iso / 100) - filter_stops)


def reach(sigma: float) -> int:
    """How many neighbours on each side count. [frames]"""
    return max(1, round(REACH * sigma))


def smoothed(values: Array, sigma: float) -> Array:
    """Values, shape (frames,), through a zero-phase Gaussian of ``sigma`` frames.

    Beyond the ends the curve is turned about its end point, so that a steady fall stays one to its last frame.
    """
    side = min(reach(sigma), len(values) - 1)
    if side < 1:
        return values.copy()
    head = 2 * values[0] - values[side:0:-1]
    tail = 2 * values[-1] - values[-2 : -side - 2 : -1]
    return np.convolve(np.concatenate([head, values, tail]), _gaussian(side, sigma), "valid")


def step_gains(given: Array, sigma: float = STEP_SIGMA) -> Array:
    """How much brighter each frame is to be shown, so that the steps of its settings vanish. [stops], shape (frames,).

    ``given`` is each frame's `light_given`. [stops] ``sigma`` as `STEP_SIGMA`. [frames]
    """
    return smoothed(sloped(given, STEP_REACH * sigma), sigma) - given


def sloped(given: Array, most: float) -> Array:
    """A staircase as a line through the middles of its stretches, which is straight where the steps are even.

    Parameters
    ----------
    given
        Each frame's `light_given`, shape (frames,). [stops]
    most
        The slope of a step reaches so far to either side of it at most; a longer stretch is level in between. [frames]
    """
    starts = [0]
    for frame in range(1, len(given)):
        if abs(given[frame] - given[starts[-1]]) > ALIKE:
            starts.append(frame)
    if len(starts) == 1:
        return np.full(len(given), given.mean())
    bounds = np.array([*starts, len(given)])
    halves = np.minimum(np.diff(bounds) / 2, most)
    # The first and the last stretch go on where nobody looks: they are taken to be as long as the one beside them.
    if len(halves) > 2:
        halves[0], halves[-1] = max(halves[0], halves[1]), max(halves[-1], halves[-2])
    else:
        halves[:] = most
    # Next to a hasty change a long stretch stays level: what happened at once is not told long beforehand.
    beside = np.minimum(np.append(halves[1:], np.inf), np.insert(halves[:-1], 0, np.inf))
    halves = np.minimum(halves, HASTE * beside)
    means = np.add.reduceat(given, starts) / np.diff(bounds)
    edges = bounds[1:-1] - 0.5
    before, after = edges - halves[:-1], edges + halves[1:]
    places = np.stack([before, after], axis=1).ravel()
    values = np.stack([means[:-1], means[1:]], axis=1).ravel()
    return np.interp(np.arange(len(given)), places, values)


def residue(levels: Array) -> float:
    """How much brighter the middle one of some frames is than its neighbours, as far as it may be taken out. [stops]

    Parameters
    ----------
    levels
        Each frame's blocks in stops, with its gain already counted; NaN where a block is clipped. Shape (odd number of
        frames, blocks); frames that do not exist, before the first and after the last, are all NaN.
    """
    middle = len(levels) // 2
    weights = _gaussian(middle, RESIDUE_SIGMA)[:, None] * np.isfinite(_until_a_jump(levels))
    total = weights.sum(axis=0)
    usable = (total > 0.5) & np.isfinite(levels[middle])
    if usable.sum() < max(4, 0.1 * levels.shape[1]):
        return 0.0
    seen = levels[:, usable]
    share = weights[:, usable] / total[usable]
    # A straight line through the neighbours: at an end of the film they all lie on one side.
    at = np.arange(-middle, middle + 1, dtype=float)[:, None]
    filled = np.where(np.isfinite(seen), seen, 0.0)
    mean_at, mean = (share * at).sum(axis=0), (share * filled).sum(axis=0)
    spread = (share * at**2).sum(axis=0) - mean_at**2
    slope = ((share * at * filled).sum(axis=0) - mean_at * mean) / np.maximum(spread, 1e-9)
    off = float(np.median(filled[middle] - (mean - slope * mean_at)))
    return off * float(np.clip(2 - abs(off) / RESIDUE, 0.0, 1.0))


def _until_a_jump(levels: Array) -> Array:
    """The same levels, NaN from the first sudden change on, on either side of the middle."""
    middle = len(levels) // 2
    kept = levels.copy()
    for way in (1, -1):
        at = middle
        while 0 <= at + way < len(levels):
            change = levels[at + way] - levels[at]
            known = change[np.isfinite(change)]
            if not len(known) or abs(float(np.median(known))) > JUMP:
                kept[at + way :: way] = np.nan
                break
            at += way
    return kept


def _gaussian(side: int, sigma: float) -> Array:
    shares: Array = np.exp(-0.5 * (np.arange(-side, side + 1) / sigma) ** 2)
    total = float(shares.sum())
    return shares / total
