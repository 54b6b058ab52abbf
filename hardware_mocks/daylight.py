"""Light over time: sun, clouds, lamps and flashes, as the gain of each row of the sensor.

The sun's curve is this simulation's own. By day it is Haurwitz's clear sky, 1098 sin h exp(-0.057 / sin h) W/m2 on the
level (Haurwitz 1945; from memory) at 115 lm/W; from 5 degrees down it is a straight line, logarithm of the light
against altitude, through 4500 lx at 5 degrees, 500 lx at -0.83 (sunset 585 to 410 lx, glossary of the American
Meteorological Society), 2.8 lx at -6 (end of civil twilight 3.5 to 2 lx, the same), and 0.008 and 0.0007 lx at -12 and
-18, which are our own. The sun's height follows from hour angle and declination; the declination is Cooper's,
23.45 sin(360 (284 + day) / 365) degrees (Cooper 1969; from memory).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from hardware_mocks.script import Clouds, SceneScript, Sun
from hardware_mocks.shot import Shot

Rows = NDArray[np.float64]
_MOMENTS = 33
_LOW = ((-18.0, 0.0007), (-12.0, 0.008), (-6.0, 2.8), (-0.83, 500.0), (5.0, 4500.0))
_DARK_STOPS = -50.0


def altitude_deg(sun: Sun, at_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Height of the sun above the horizon. [degrees]"""
    declination = math.radians(23.45 * math.sin(math.radians(360 * (284 + sun.day) / 365)))
    latitude = math.radians(sun.latitude_deg)
    hour = np.radians(15 * (sun.solar_hour - 12 + at_s / 3600))
    sine = math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(declination) * np.cos(hour)
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1, 1))))


def illuminance_lx(altitude: NDArray[np.float64]) -> NDArray[np.float64]:
    """Light of a clear sky on level ground. [lx]"""
    sine = np.sin(np.radians(np.maximum(altitude, 4)))
    day = 115 * 1098 * sine * np.exp(-0.057 / sine)
    # The two curves are brought together between 5 and 10 degrees.
    low = np.exp(np.interp(altitude, [a for a, _ in _LOW], [math.log(e) for _, e in _LOW]))
    share = np.clip((altitude - 5) / 5, 0, 1)
    return np.asarray(np.exp(share * np.log(day) + (1 - share) * np.log(low)))


def _cloud_stops(clouds: Clouds, seed: int, at_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Stops that clouds take, none at time 0 of the scene on. [stops, 0 or less]"""
    rng = np.random.default_rng((seed, 71))
    waves = [(rng.uniform(0.7, 1.4), rng.uniform(0, 2 * math.pi)) for _ in range(3)]
    total = sum((np.sin(2 * math.pi * f * at_s / clouds.period_s + p) for f, p in waves), np.zeros_like(at_s))
    return np.asarray(-clouds.depth_stops * (0.5 + 0.5 * np.tanh(total)))


def daylight(script: SceneScript, at_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Daylight against the light that the camera's ``ev100`` stands for. [unitless]"""
    light = script.light
    if light.daylight_stops < _DARK_STOPS:
        return np.zeros_like(at_s)
    stops = np.full_like(at_s, light.daylight_stops)
    if light.sun is not None:
        start = illuminance_lx(altitude_deg(light.sun, np.zeros(1)))
        stops += np.log2(illuminance_lx(altitude_deg(light.sun, at_s)) / start)
    if light.clouds is not None:
        stops += _cloud_stops(light.clouds, script.seed, at_s) - _cloud_stops(light.clouds, script.seed, np.zeros(1))
    return np.asarray(2.0**stops)


def row_gains(script: SceneScript, shot: Shot) -> Rows:
    """Mean light during each row's own exposure, against the light that ``shot.ev100`` stands for. rows [unitless]"""
    light, rows = script.light, shot.optics.size[1]
    opened = shot.start_s + script.sensor.readout_s * (np.arange(rows) + 0.5) / rows
    closed = opened + shot.time_s
    moments = shot.start_s + (np.arange(_MOMENTS) + 0.5) / _MOMENTS * shot.time_s
    gains = np.full(rows, float(daylight(script, moments).mean()))
    for number, lamps in enumerate(light.lamps):
        on = np.clip(closed - np.maximum(opened, lamps.from_s), 0, None)
        begun = np.maximum(opened, lamps.from_s)
        turn = 2 * math.pi * 2 * lamps.mains_hz
        phase = float(np.random.default_rng((script.seed, 72, number)).uniform(0, 2 * math.pi))
        swing = (np.sin(turn * closed + phase) - np.sin(turn * begun + phase)) / turn
        gains += 2.0**lamps.stops * np.where(on > 0, on + lamps.ripple * swing, 0) / shot.time_s
    for flash in light.flashes:
        caught = np.minimum(closed, flash.at_s + flash.lasts_s) - np.maximum(opened, flash.at_s)
        gains += flash.worth_s * np.clip(caught / flash.lasts_s, 0, 1) / shot.time_s
    return gains
