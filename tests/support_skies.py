"""Light that shifts during a group, and a group shot in it. Shares no code with the watch that is tried in it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from plans.drift import PAUSE_S, Account, Grade, Watch

Sky = Callable[[float], float]  # stops of light at a time [s]
READING_S = 1.2  # one control reading: exposure, readout, download [s]
CHANGE_S = 1.0  # setting the camera [s]
CONTROL_NOISE, OWN_NOISE = 0.022, 0.03  # of a reading, and of a frame at settings corrected by measurement [stops]


def linear(rng: np.random.Generator) -> Sky:
    """A steady drift of up to 0.4 stop over two minutes, either way."""
    slope = rng.uniform(-0.2, 0.2) / 60
    return lambda t: slope * t


def flutter(rng: np.random.Generator) -> Sky:
    """Thin haze: a slow random walk that comes back, of 0.02 to 0.10 stop."""
    sigma, step_s = rng.uniform(0.02, 0.10), 5.0
    walk = [0.0]
    for _ in range(400):
        walk.append(0.9 * walk[-1] + sigma * math.sqrt(1 - 0.81) * rng.standard_normal())
    return lambda t: float(np.interp(t, np.arange(len(walk)) * step_s, walk))


def clouds(rng: np.random.Generator) -> Sky:
    """Clouds that pass: 1 to 2 stops for 5 to 60 s, with edges of 2 to 6 s, a minute and a half apart on average."""
    passing, t = [], rng.uniform(-60, 90)
    while t < 2000:
        length = rng.uniform(5, 60)
        passing.append((t, length, rng.uniform(1, 2), rng.uniform(2, 6)))
        t += length + rng.exponential(90)

    def light(at: float) -> float:
        loss = [deep * np.clip(min(at - t0, t0 + length - at) / edge, 0, 1) for t0, length, deep, edge in passing]
        return -float(max(loss))

    return light


def steady(rng: np.random.Generator) -> Sky:
    """Nothing happens."""
    return lambda t: 0.0


SKIES = {"linear": linear, "flutter": flutter, "clouds": clouds, "steady": steady}


@dataclass(frozen=True)
class Shot:
    """One simulated group: the true light of the frames that count against the first one's, and what was told."""

    true: dict[str, float]
    told: Account
    seconds: float

    @property
    def true_range(self) -> float:
        """How far the frames truly lie apart. [stops]"""
        return max(self.true.values()) - min(self.true.values())

    @property
    def raw_error(self) -> float:
        """The largest true difference to the first frame. [stops]"""
        return max(abs(value) for value in self.true.values())

    @property
    def corrected_error(self) -> float:
        """The same after the told corrections. [stops]"""
        return max(abs(value - self.told.corrections.get(step, 0.0)) for step, value in self.true.items())


def shoot(
    sky: Sky, rng: np.random.Generator, grade: Grade, calibrated: bool = True, frames: int = 6, between_s: float = 14.0
) -> Shot:
    """Shoot a group as a run does: readings, waits and retakes as the watch asks for them."""
    steps = [f"f{number}" for number in range(frames)]
    lengths = rng.choice([0.01, 0.1, 1.0, 4.0], frames)
    watch, true, t = Watch(grade, steps), {}, 0.0

    def read() -> float:
        nonlocal t
        t += READING_S
        return sky(t - READING_S / 2) + rng.normal(0, CONTROL_NOISE)

    for step, length in zip(steps, lengths, strict=True):
        t += between_s
        while True:
            while True:
                level = read() if watch.needs_reading(step, "before", t) else None
                if watch.before(level, t) == "shoot":
                    break
                t += PAUSE_S
            t += CHANGE_S
            light = float(np.log2(np.mean([2 ** sky(t + part * length) for part in np.linspace(0, 1, 9)])))
            t += length + 0.5
            own = light + rng.normal(0, OWN_NOISE) if calibrated and grade != "off" else None
            level = read() if watch.needs_reading(step, "after", t) else None
            if watch.after(step, level, t, own) != "retake":
                break
        true[step] = light
    zero = true[steps[0]]
    return Shot({step: value - zero for step, value in true.items()}, watch.account(), t)


@dataclass(frozen=True)
class Tally:
    """What came of many groups in one kind of light. Shares in 0..1, errors at the 95th percentile. [stops], [s]"""

    shifted: float
    missed: float
    missed_large: int
    false_alarms: float
    false_in_calm: float
    raw: float
    corrected: float
    seconds: float


def campaign(kind: str, grade: Grade, seeds: Sequence[int], calibrated: bool = True) -> Tally:
    """Shoot one group a seed. ``missed_large``: groups whose frames truly lie over 0.25 stop apart, told as steady."""
    shots = []
    for seed in seeds:
        rng = np.random.default_rng((seed, len(kind)))
        shots.append(shoot(SKIES[kind](rng), rng, grade, calibrated))
    moved = [shot for shot in shots if shot.true_range > 0.15]
    still = [shot for shot in shots if shot.true_range <= 0.15]
    calm = [shot for shot in shots if shot.true_range < 0.10]

    def share(part: Sequence[Shot], shifted: bool) -> float:
        return sum(shot.told.shifted is shifted for shot in part) / max(1, len(part))

    return Tally(
        shifted=len(moved) / len(shots),
        missed=share(moved, False),
        missed_large=sum(shot.true_range > 0.25 and not shot.told.shifted for shot in shots),
        false_alarms=share(still, True),
        false_in_calm=share(calm, True),
        raw=float(np.quantile([shot.raw_error for shot in shots], 0.95)),
        corrected=float(np.quantile([shot.corrected_error for shot in shots], 0.95)),
        seconds=float(np.mean([shot.seconds for shot in shots])),
    )
