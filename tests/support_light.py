"""A sky of our own for judging time-lapse controllers: it shares no code and no curve with ``plans``.

Light is counted as EV100 [stops], time in seconds. The sun moves on a circle of fixed declination; its light is a
smooth monotone curve through rounded published figures (AMS Glossary: 585-410 lx at sunset, 3.5-2 lx at the end of
civil twilight; 0.008 and 0.0006 lx at -12 and -18 degrees are tabulated values, those by day are from memory).
Each scene then bends it by amounts that the controller is not told.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

Array = NDArray[np.float64]
FRAMES = 420
OVERHEAD_S = 1.5
SMOOTH_S = 120.0  # what counts as light and what as flutter: a time constant of the film, a matter of taste

# (latitude, declination of the sun) [degrees]
SITES: dict[str, tuple[float, float]] = {
    "equator, equinox": (0.0, 0.0),
    "35 S, December": (-35.0, -23.4),
    "51 N, October": (51.0, -9.0),
    "65 N, midsummer": (65.0, 23.4),
}
INTERVALS = (10.0, 20.0, 30.0)
FAMILIES = "abcdefgh"
_DEGREES = (-90, -18, -15, -12, -9, -6, -3, -0.833, 2, 5, 10, 20, 40, 60, 90)
_LUX = (5e-4, 6e-4, 0.002, 0.008, 0.12, 3.4, 80, 450, 1800, 4500, 11000, 27000, 70000, 1.03e5, 1.29e5)


@cache
def _sky() -> Callable[[Array], Array]:
    curve: Callable[[Array], Array] = PchipInterpolator(_DEGREES, np.log2(np.array(_LUX) / 2.5))
    return curve


def altitude_deg(latitude: float, declination: float, hour_angle_deg: Array) -> Array:
    """Altitude of a body on its daily circle, by the cosine rule of spherical triangles. [degrees]"""
    phi, delta, h = np.radians(latitude), np.radians(declination), np.radians(hour_angle_deg)
    return np.degrees(np.arcsin(np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.cos(h)))


def smoothstep(x: Array | float) -> Any:
    """3x^2 - 2x^3, held between 0 and 1."""
    y = np.clip(x, 0.0, 1.0)
    return y * y * (3 - 2 * y)


def wanted_look(level: Array | float) -> Any:
    """The bench's own statement of the night's look: two stops down over the twelve below EV 6. [stops]"""
    return -2.0 * smoothstep((6.0 - np.asarray(level)) / 12.0)


def gaussian(values: Array, sigma: float) -> Array:
    """Zero-phase smoothing; ends are continued by their slope. ``sigma`` in samples."""
    reach = int(4 * sigma) + 1
    x = np.arange(-reach, reach + 1)
    kernel = np.exp(-0.5 * (x / sigma) ** 2)
    before = 2 * values[0] - values[1 : reach + 1][::-1]
    after = 2 * values[-1] - values[-reach - 1 : -1][::-1]
    return np.convolve(np.concatenate([before, values, after]), kernel / kernel.sum(), mode="valid")


@dataclass
class Scene:
    """One run's truth, a value a frame. ``light``: what falls; ``content``: what is added to the reading only.

    ``target``: the light with flutter smoothed away, plus the wanted look, as settings' EV. ``lost``: no reading.
    ``slope``: contrast of the meter's tone curve. ``noise``, ``shutter``: draws of the reading's noise and of the
    shutter's unevenness. [stops]
    """

    family: str
    interval: float
    light: Array
    content: Array
    lost: NDArray[np.bool_]
    slope: float
    noise: Array
    start: float
    before: Array
    bracket_noise: Array
    shutter: Array
    target: Array


def _sun_course(rng: np.random.Generator, site: str, times: Array, rising: bool) -> Array:
    latitude, declination = SITES[site]
    hours = np.linspace(0.0, 180.0, 3601)
    heights = altitude_deg(latitude, declination, hours)
    middle = max(-4.0, float(heights.min()) + 0.3)  # where the sun never sinks so far the run holds the real turn
    at = float(hours[np.argmin(np.abs(heights - middle))])
    way = (times - times.mean()) * 15.041 / 3600
    height = altitude_deg(latitude, declination, at + (-way if rising else way)) + rng.normal(0.0, 0.7)
    bent = np.where(height < 0, height * np.clip(rng.normal(1.0, 0.08), 0.8, 1.2), height)
    return _sky()(np.clip(bent, -90, 90))


def _clouds(rng: np.random.Generator, times: Array) -> Array:
    """Passing clouds of one to two stops and 5 to 60 s, edges of a few seconds; about one in six minutes.

    None stands before the sun in the two minutes around the start, when the operator looks.
    """
    dip = np.zeros_like(times)
    at = times[0] + rng.exponential(380.0)
    while at < times[-1]:
        length, depth, edge = rng.uniform(5, 60), rng.uniform(1, 2), rng.uniform(1, 5)
        if not -60 - length < at < 60:
            inside = smoothstep((times - at) / edge) * smoothstep((at + length - times) / edge)
            dip = np.minimum(dip, -depth * inside)
        at += length + rng.exponential(380.0)
    return dip


def _flutter(rng: np.random.Generator, times: Array, interval: float) -> Array:
    sigma, keep = rng.uniform(0.1, 0.3), np.exp(-interval / rng.uniform(5, 25))
    found = np.zeros_like(times)
    found[0] = rng.normal(0, sigma)
    for n, push in enumerate(rng.normal(0, sigma * np.sqrt(1 - keep**2), len(times) - 1), 1):
        found[n] = keep * found[n - 1] + push
    return found


def _bursts(rng: np.random.Generator, count: int, share: float, longest: int, least: float, most: float) -> Array:
    found = np.zeros(count)
    for n in np.flatnonzero(rng.random(count) < share):
        found[n : n + int(rng.integers(1, longest + 1))] = rng.uniform(least, most)
    return found


def _street_lights(rng: np.random.Generator, level: Array, rising: bool) -> Array:
    """Lamps as bright as a part of the daylight at which they come on, or go off; a step of up to 0.9 stop."""
    switch = rng.uniform(1.0, 5.0)
    lamps = switch + rng.uniform(-3.0, -0.2)
    below = np.flatnonzero(level < switch)
    if not below.size:
        return level
    on = np.zeros(len(level), dtype=bool)
    on[slice(None, below[-1] + 1) if rising else slice(below[0], None)] = True
    return np.where(on, np.logaddexp2(level, lamps), level)


def draw(rng: np.random.Generator, family: str, site: str, interval: float, rising: bool, slope: bool = True) -> Scene:
    """One scene of a family.

    a clear; b passing clouds; c flutter; d single flashes of 3 stops; e people before the lens; f all of these with a
    weather front and street lights; g an odd interval, heavy-tailed readings, a tenth of them lost, a real turn of the
    light at high latitude; h light on a random walk, flashes of two and three frames, one reading in twenty lost.
    """
    if family == "g":
        interval = 17.0
    if family == "h":
        interval = 15.0
    pad = int(4 * SMOOTH_S / interval) + 1  # frames before and after, so that smoothing has no ends
    count = FRAMES + 2 * pad
    times = (np.arange(count) - pad) * interval
    run = slice(pad, pad + FRAMES)
    level = _sun_course(rng, site, times, rising) + rng.uniform(-3.0, 0.5)
    floor = np.log2(10 ** rng.uniform(np.log10(0.002), np.log10(0.3)) / 2.5)
    level = np.logaddexp2(level, floor)
    content = np.zeros(count)
    if family in "bf":
        level = level + _clouds(rng, times)
    if family in "cf":
        level = level + _flutter(rng, times, interval)
    if family in "df":
        content = content + _bursts(rng, count, 0.016, 1, 3.0, 3.0)
    if family in "ef":
        content = content - _bursts(rng, count, 0.025, 3, 0.3, 1.2)
    if family in "fg":
        begins, lasts = rng.uniform(0.2, 0.7) * times[-1], rng.uniform(300, 1200)
        level = level + rng.choice([-1.0, 1.0]) * rng.uniform(1.0, 2.0) * smoothstep((times - begins) / lasts)
        level = _street_lights(rng, level, rising)
    if family == "h":
        level = level + np.cumsum(rng.normal(0, 0.006 * np.sqrt(interval), count))
        content = content + _bursts(rng, count, 0.008, 3, 2.0, 3.0)
    smooth = gaussian(level, SMOOTH_S / interval)
    target = (smooth - wanted_look(smooth))[run]
    level, content = level[run], content[run]
    noise = rng.normal(0, 0.03, FRAMES)
    if family == "g":
        noise = 0.05 * rng.standard_t(3, FRAMES)
    lost = rng.random(FRAMES) < {"g": 0.10, "h": 0.05}.get(family, 0.0)
    lost[0] = False
    return Scene(
        family=family,
        interval=interval,
        light=level,
        content=content,
        lost=lost,
        slope=float(rng.uniform(0.7, 1.6)) if slope else 1.0,
        noise=noise,
        start=float(level[0] + rng.normal(0, 0.05)),
        before=level[0] + rng.uniform(-0.004, 0.004) * np.arange(8),
        bracket_noise=rng.normal(0, 0.03, 8),
        shutter=rng.normal(0, 0.015, FRAMES),
        target=target,
    )


def code(stops: float, slope: float) -> int:
    """What an 8-bit picture shows, as a whole mean code: mid grey at 118, a tone curve of some slope, clipped."""
    linear = min(0.18 * 2.0 ** (slope * stops), 1.0)
    encoded = 12.92 * linear if linear <= 0.0031308 else 1.055 * linear ** (1 / 2.4) - 0.055
    return int(np.clip(round(255 * encoded), 0, 255))


@dataclass
class Ladder:
    """Settings' EV by rung, in thirds, from darkest to brightest: exact powers of two, f/2.8, ISO 100 to 6400."""

    interval: float
    dark_end: float = -20.0

    def values(self) -> Array:
        """EV100 for which each rung is right, descending. [stops]"""
        longest = np.floor(3 * np.log2(self.interval - OVERHEAD_S) + 1e-9)
        lowest = max(3.0 - longest / 3 - 6.0, self.dark_end)  # f/2.8 is three stops of Av, the ISO runs over six
        return np.arange(3 * 16, round(3 * lowest) - 1, -1) / 3


@dataclass
class Score:
    """How one run went. RMS and worst error against the smoothed truth [stops]; reversals a hundred frames.

    ``raw_flicker`` and ``flicker``: what the settings put into the film before and after its smoothing, ``jittered``
    with an uneven shutter; ``gain``: the largest correction that smoothing asks for. [stops]
    """

    rms: float
    most: float
    reversals: float
    clipped: float
    raw_flicker: float
    flicker: float
    jittered: float
    gain: float


def score(scene: Scene, settings: Array, reachable: Array | None = None) -> Score:
    """Judge the settings' EV of each frame against the light that the controller never saw.

    ``reachable``: the ladder's values; frames whose target lies beyond its ends are held against the end.
    """
    target = scene.target if reachable is None else np.clip(scene.target, reachable.min(), reachable.max())
    error = settings - target
    moves = np.sign(np.diff(settings))
    moves = moves[moves != 0]
    shown = scene.light - settings
    smooth = gaussian(settings, 8.0)
    steady = gaussian(error, 8.0)  # what the film is left with beside the wanted course of the light
    return Score(
        rms=float(np.sqrt(np.mean(error**2))),
        most=float(np.abs(error).max()),
        reversals=float(100 * np.sum(moves[1:] != moves[:-1]) / len(settings)),
        clipped=float(np.mean(shown > 2.47)),
        raw_flicker=jitter(error),
        flicker=jitter(steady),
        jittered=jitter(steady + scene.shutter),
        gain=float(np.abs(settings - smooth).max()),
    )


def jitter(brightness: Array) -> float:
    """RMS of what a short smoothing takes away: what the eye sees as flicker. [stops]"""
    return float(np.sqrt(np.mean((brightness - gaussian(brightness, 3.0)) ** 2)))
