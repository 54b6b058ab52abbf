"""How the tripod moves while the shutter is open, and how the lens mists over."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from hardware_mocks.script import Rig, SceneScript
from hardware_mocks.shot import Optics, Shot

Path = NDArray[np.float64]
_PERIODS = (0.71, 1.0, 1.33)  # the tripod swings at these shares of its frequency together


def px_per_mrad(optics: Optics, focus_m: float) -> float:
    """How far the picture moves for a turn of the camera: image distance over pixel. [px/mrad]"""
    image_mm = optics.focal_mm * (1 + optics.focal_mm / (focus_m * 1000 - optics.focal_mm))
    return 1e-3 * image_mm / optics.pitch_mm


def moving(rig: Rig) -> bool:
    """Whether the rig moves at all."""
    return bool(any(rig.creep_mrad_per_min) or any(rig.creep_mm_per_min) or rig.wind_mrad or rig.slap_mrad or rig.bumps)


def shifts_mm(rig: Rig, at_s: NDArray[np.float64]) -> Path:
    """How far the camera was shifted: to the right and down as the picture moves, and nearer. moments x 3 [mm]"""
    shifted = np.outer(at_s / 60, (*rig.creep_mm_per_min, 0.0))
    for bump in rig.bumps:
        shifted += np.outer(at_s >= bump.at_s, (bump.right_mm, bump.down_mm, bump.nearer_mm))
    return np.asarray(shifted)


def turns_mrad(script: SceneScript, at_s: NDArray[np.float64], opened_s: float) -> Path:
    """Where the camera looks: how far the picture has gone to the right and down. moments x 2 [mrad]"""
    rig = script.rig
    turned = np.outer(at_s / 60, rig.creep_mrad_per_min)
    for bump in rig.bumps:
        turned += np.outer(at_s >= bump.at_s, (bump.right_mrad, bump.down_mrad))
    if rig.wind_mrad:
        phases = np.random.default_rng((script.seed, 73)).uniform(0, 2 * math.pi, (2, len(_PERIODS)))
        for axis in (0, 1):
            for share, phase in zip(_PERIODS, phases[axis], strict=True):
                swing = np.sin(2 * math.pi * rig.wind_hz * share * at_s + phase)
                turned[:, axis] += rig.wind_mrad * math.sqrt(2 / len(_PERIODS)) * swing
    if rig.slap_mrad:
        since = np.maximum(at_s - opened_s, 0)
        swing = np.exp(-since / rig.slap_decay_s) * np.sin(2 * math.pi * rig.slap_hz * since)
        turned[:, 1] += rig.slap_mrad * swing
    return np.asarray(turned)


def moments(script: SceneScript, shot: Shot) -> NDArray[np.float64]:
    """Times during the exposure, close enough together to follow every swing. [s]"""
    fastest = max(script.rig.wind_hz * 1.4, script.rig.slap_hz, 1.0)
    count = int(np.clip(16 * fastest * shot.time_s, 64, 4096))
    return np.asarray(shot.start_s + (np.arange(count) + 0.5) / count * shot.time_s)


def path_px(script: SceneScript, shot: Shot) -> Path | None:
    """The way that turns of the rig let the picture run over the sensor during the exposure, alike for all depths;
    None for a rig that stands still. moments x 2 [px]"""
    swing = shot.stand.swing * shot.optics.size[0]
    if not moving(script.rig) and not swing:
        return None
    at = moments(script, shot)
    turned = turns_mrad(script, at, shot.start_s) * px_per_mrad(shot.optics, shot.focus_m)
    turned[:, 0] += swing * ((at - shot.start_s) / shot.time_s - 0.5)
    return np.asarray(turned)


def veil(rig: Rig, at_s: float) -> float:
    """Share of the light that dew on the lens scatters. [0..1]"""
    return rig.fog_veil * float(np.clip((at_s - rig.fog_from_s) / rig.fog_full_s, 0, 1))
