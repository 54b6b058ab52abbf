"""Calibration: the tone curve of a body, and the true stops of its apertures, times and filters, from a short series.

The tone curve comes from eight frames that differ in time alone, in the order 0, -1, +1, -2, +2, -1.5, +1.5, 0 stops,
so that a light that drifts steadily does not look like contrast (found by simulation: slope to 0.7 %, where a monotone
bracket of five gives 1.5 %). Apertures and times are told apart by frames that change now the one, now the other. What
a series cannot tell is where the zero of either lies and whether all times are long or short in proportion: the first
aperture and time count as right, and errors of times as without a trend.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from daemon.errors import UsageError
from daemon.pictures.reading import FrameMeasure, grey_stops, straighten
from plans.stops import Kind, Mark, Scale

TONE_ORDER = (0.0, -1.0, 1.0, -2.0, 2.0, -1.5, 1.5, 0.0)  # stops against the base
TONE_TERMS = 3
REFERENCE_EVERY = 6  # frames of a chain between two of the base
STRIDES = (1, 4, 6)  # rungs from an aperture's own time to its other one: long strides keep errors from adding up
LONGEST_S = 4.0  # no frame of a calibration is longer [s]
_MOST_CLIPPED = 0.01
_LOW, _HIGH = -4.5, 2.2  # where a block's level is used for the tone curve [stops against mid grey]
_FEWEST_BLOCKS = 12
_ROUNDS = 3  # of leaving out what moved
_PRIOR = {"a": 0.3, "t": 0.05}  # size of most errors of marks: shutters are truer than irises; a guess [stops]
_NOISE = 0.01  # of one comparison [stops]


@dataclass(frozen=True)
class Shot:
    """Settings of one frame of a series."""

    aperture: Mark
    time: Mark


Take = Callable[[Shot], FrameMeasure]


@dataclass(frozen=True)
class Calibration:
    """What was measured.

    ``tone``: coefficients of the light of a level, in stops against mid grey: light = t1*y + t2*y^2 + t3*y^3.
    ``slope``: contrast at mid grey, 1 for plain sRGB. ``aperture``, ``time``: by mark, stops brighter than its value.
    ``filters``: stops each takes. ``residual``: root mean square of what the series leaves unexplained. [stops]
    """

    tone: tuple[float, ...]
    slope: float
    aperture: Mapping[str, float]
    time: Mapping[str, float]
    residual: float
    filters: Mapping[str, float] = field(default_factory=dict)

    def kit_lines(self) -> str:
        """The ``corrections`` of a kit file, and what to write for its filters."""
        lines = ["corrections:"]
        for name, found in (("aperture", self.aperture), ("time", self.time)):
            if found:
                lines += [f"  {name}:", *(f"    {mark}: {value + 0.0:+.3f} stops" for mark, value in found.items())]
        lines.append(f"  tone: [{', '.join(f'{value:.5f}' for value in self.tone)}]")
        lines += [f"# filter {name}: measured: {value:.2f} stops" for name, value in self.filters.items()]
        return "\n".join(lines) + "\n"


def tone_shots(base: Shot, times: Scale) -> list[Shot]:
    """The eight frames of the tone curve, by the marks nearest to `TONE_ORDER`.

    Raises
    ------
    UsageError
        If the scale ends too near to the base.
    """
    shots = []
    for stops in TONE_ORDER:
        wanted = float(base.time.light) + stops
        mark = min(times.marks, key=lambda one: abs(float(one.light) - wanted))
        if abs(float(mark.light) - wanted) > 0.4:
            raise UsageError(
                f"calibrate: needs two stops of times on either side of {base.time.label} s; this camera's end at "
                f"{times.marks[0].label} and {times.marks[-1].label}. Choose other light or another ISO"
            )
        shots.append(Shot(base.aperture, mark))
    return shots


def chain_shots(base: Shot, apertures: Scale, times: Scale) -> list[Shot]:
    """Frames of each aperture at the time that balances it and at a longer one, with the base in between.

    Apertures whose time would be longer than `LONGEST_S`, or off the scale, are left out.
    """
    usable = [mark for mark in times.marks if mark.exact <= LONGEST_S]
    goal = float(base.aperture.light + base.time.light)
    rungs = []
    for aperture in apertures.marks:
        wanted = goal - float(aperture.light)
        time = min(usable, key=lambda one: abs(float(one.light) - wanted), default=None)
        if time is not None and abs(float(time.light) - wanted) <= 0.3:
            rungs.append(Shot(aperture, time))
    shots: list[Shot] = [base]
    for number, one in enumerate(rungs):
        shots.append(one)
        other = number + STRIDES[number % len(STRIDES)]
        if other < len(rungs):
            shots.append(Shot(one.aperture, rungs[other].time))
    spaced: list[Shot] = []
    for number, shot in enumerate(shots):
        if number and number % REFERENCE_EVERY == 0:
            spaced.append(base)
        spaced.append(shot)
    return [*spaced, base]


def fit_tone(shots: Sequence[Shot], frames: Sequence[FrameMeasure]) -> tuple[tuple[float, ...], float]:
    """Coefficients of the tone curve and what is left unexplained (root mean square). [stops]

    Each block j of each frame i gives t1*y + t2*y^2 + t3*y^3 = x_i + b_j + d*i, with x the exposure and d the drift.

    Raises
    ------
    UsageError
        If too few blocks are bright and still enough.
    """
    levels = np.array([grey_stops(frame.luminance).ravel() for frame in frames])
    clipped = np.array([frame.clipped.ravel() for frame in frames])
    known = np.array([float(shot.time.light + shot.aperture.light) for shot in shots])
    usable = (levels > _LOW) & (levels < _HIGH) & (clipped <= _MOST_CLIPPED)
    drift = np.arange(len(frames), dtype=float) / len(frames)
    still = np.ones(levels.shape[1], bool)
    for _ in range(_ROUNDS):
        rows, values, blocks = [], [], []
        for block in np.flatnonzero(still):
            here = usable[:, block]
            if here.sum() < 4:
                continue
            y = levels[here, block]
            design = np.stack([*(y ** (power + 1) for power in range(TONE_TERMS)), -drift[here]], axis=1)
            rows.append(design - design.mean(axis=0))
            values.append(known[here] - known[here].mean())
            blocks.append(block)
        if len(blocks) < _FEWEST_BLOCKS:
            raise UsageError(
                f"calibrate: found {len(blocks)} of {levels.shape[1]} parts of the picture neither clipped nor moving; "
                "needs a still scene of many tones, such as a wall in shade with things before it"
            )
        solution, *_ = np.linalg.lstsq(np.concatenate(rows), np.concatenate(values), rcond=None)
        left = [value - row @ solution for row, value in zip(rows, values, strict=True)]
        each = np.array([np.sqrt(np.mean(one**2)) for one in left])
        limit = 3 * np.median(each) + 1e-6
        still = np.zeros_like(still)
        still[[block for block, size in zip(blocks, each, strict=True) if size <= limit]] = True
    tone = tuple(float(value) for value in solution[:TONE_TERMS])
    if tone[0] <= 0:
        raise UsageError(
            "calibrate: the pictures do not get brighter with the time; is the camera on M, the lens open?"
        )
    return tone, float(np.sqrt(np.mean(np.concatenate(left) ** 2)))


def difference(frame: FrameMeasure, reference: FrameMeasure, tone: Sequence[float]) -> float:
    """How much more light a frame got than a reference of the same scene. [stops]

    Raises
    ------
    UsageError
        If too few parts of the picture can be compared.
    """
    usable = (frame.clipped <= _MOST_CLIPPED) & (reference.clipped <= _MOST_CLIPPED)
    ratios = straighten(grey_stops(frame.luminance), tone) - straighten(grey_stops(reference.luminance), tone)
    if usable.sum() < _FEWEST_BLOCKS:
        raise UsageError("calibrate: two frames have nothing unclipped in common; has the light changed?")
    return float(np.median(ratios[usable]))


def fit_chain(shots: Sequence[Shot], levels: Sequence[float]) -> tuple[dict[str, float], dict[str, float], float]:
    """Errors of apertures and of times by mark, and what is left unexplained (root mean square). [stops]

    ``levels``: how much more light each frame got than the first, which is the base. [stops]
    """
    base = shots[0]
    apertures = sorted({shot.aperture for shot in shots}, key=lambda mark: mark.exact)
    times = sorted({shot.time for shot in shots}, key=lambda mark: mark.exact)
    unknown: list[tuple[str, Mark]] = [("a", mark) for mark in apertures if mark != base.aperture]
    unknown += [("t", mark) for mark in times if mark != base.time]
    place = {key: number for number, key in enumerate(unknown)}
    count, n = len(unknown), len(shots)
    rows = np.zeros((n + count + 1, count + 2))
    values = np.zeros(n + count + 1)
    start = float(base.aperture.light + base.time.light)
    for number, (shot, level) in enumerate(zip(shots, levels, strict=True)):
        for key in (("a", shot.aperture), ("t", shot.time)):
            if key in place:
                rows[number, place[key]] = 1 / _NOISE
        when = number / n
        rows[number, count:] = np.array([when, when**2]) / _NOISE
        values[number] = (level - (float(shot.aperture.light + shot.time.light) - start)) / _NOISE
    rows[n : n + count, :count] = np.diag([1 / _PRIOR[kind] for kind, _ in unknown])
    lights = np.array([float(mark.light) for mark in times])
    for key, number in place.items():
        if key[0] == "t":  # errors of times have no trend
            rows[-1, number] = (float(key[1].light) - lights.mean()) / max(lights.std(), 1e-9) / _NOISE
    solution, *_ = np.linalg.lstsq(rows, values, rcond=None)
    left = (values[:n] - rows[:n] @ solution) * _NOISE
    errors = {key: float(solution[number]) for key, number in place.items()}
    return (
        {mark.label: errors.get(("a", mark), 0.0) for mark in apertures},
        {mark.label: errors.get(("t", mark), 0.0) for mark in times},
        float(np.sqrt(np.mean(left**2))),
    )


def calibrate(base: Shot, scales: Mapping[Kind, Scale], take: Take) -> Calibration:
    """Shoot the series and measure tone curve, apertures and times. ``take``: takes a frame and measures it."""
    first = tone_shots(base, scales["time"])
    frames = [take(shot) for shot in first]
    tone, rough = fit_tone(first, frames)
    chain = chain_shots(base, scales["aperture"], scales["time"])
    reference = take(chain[0])
    levels = [0.0] + [difference(take(shot), reference, tone) for shot in chain[1:]]
    aperture, time, residual = fit_chain(chain, levels)
    return Calibration(tone, 1 / tone[0], aperture, time, max(residual, 0.0) if levels else rough)


def filter_stops(bare: Sequence[FrameMeasure], through: FrameMeasure, longer: float, tone: Sequence[float]) -> float:
    """Stops that a filter takes.

    Parameters
    ----------
    bare
        Frames without it, before and after: half of what they differ by is the light's drift.
    through
        The frame with it.
    longer
        Stops by which that frame was exposed longer, corrections included. [stops]
    """
    seen = [difference(through, frame, tone) for frame in bare]
    return longer - float(np.mean(seen))


def base_shot(scales: Mapping[Kind, Scale], level: Callable[[Shot], float]) -> Shot:
    """Aperture nearest to f/5.6, and the time that puts the scene at mid grey.

    ``level`` tells where a frame lies against mid grey. [stops]

    Raises
    ------
    UsageError
        If the light is too weak or too strong.
    """
    from daemon.metering import Search

    aperture = min(scales["aperture"].marks, key=lambda mark: abs(float(mark.light) + 5))
    times: list[Mark] = [mark for mark in scales["time"].marks if mark.exact <= LONGEST_S / 4]
    time = min(times, key=lambda mark: abs(mark.exact - 1 / 60))
    search = Search()
    for _ in range(10):
        shot = Shot(aperture, time)
        move = search.next_move(float(time.light), level(shot))
        if move is None:
            return shot
        wanted = float(time.light) + move
        nearest = min(times, key=lambda mark: abs(float(mark.light) - wanted))
        if nearest == time:
            break
        time = nearest
    raise UsageError(
        "calibrate: no time puts this scene at mid grey at f/5.6; choose a place in steady shade, or another ISO"
    )
