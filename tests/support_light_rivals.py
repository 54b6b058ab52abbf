"""Controllers to hold the project's own against: some that must fail, and an oracle that shows the floor.

Each rival is called with a frame's number and its reading (stops against mid grey, None when lost) and answers with the
settings' EV for the next frame on a grid of thirds. [stops]
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from support_light import Array, Ladder, Scene, code, wanted_look

from plans.light_control import Controller, Look, Reading, State
from plans.tone import BRACKET, Tone, at_end, decoded_stops, fit_tone

Act = Callable[[float | None], float]


def on_ladder(value: float, grid: Array) -> float:
    """The nearest rung."""
    return float(grid[np.argmin(np.abs(grid - value))])


def wanted(level: float) -> float:
    """Settings' EV for a level of light."""
    return float(level - wanted_look(level))


def memoryless(scene: Scene, grid: Array) -> Act:
    """Believes each frame."""
    at = on_ladder(wanted(scene.start), grid)

    def act(reading: float | None) -> float:
        nonlocal at
        if reading is not None:
            at = on_ladder(wanted(at + reading), grid)
        return at

    return act


def proportional(scene: Scene, grid: Array) -> Act:
    """One step when a frame is half a stop off."""
    at = on_ladder(wanted(scene.start), grid)

    def act(reading: float | None) -> float:
        nonlocal at
        if reading is not None:
            error = wanted(at + reading) - at
            if abs(error) > 0.5:
                at = on_ladder(at + np.sign(error) / 3, grid)
        return at

    return act


def integral(scene: Scene, grid: Array) -> Act:
    """Proportional and integral on the error as the rungs leave it."""
    at, total = on_ladder(wanted(scene.start), grid), 0.0
    base = wanted(scene.start)

    def act(reading: float | None) -> float:
        nonlocal at, total
        if reading is not None:
            error = wanted(at + reading) - at
            total += error * scene.interval
            at = on_ladder(base + 0.3 * error + total / 60.0, grid)
        return at

    return act


def published(scene: Scene, grid: Array) -> Act:
    """Kalman filter with a gate, a cumulative sum and hysteresis, written out anew with fixed figures in thirds."""
    x0, x1 = scene.start, 0.0
    p00, p01, p11 = 0.05, 0.0, 1e-7
    s2, up, down, against, dt = 0.01, 0.0, 0.0, 0.0, scene.interval
    n = round(3 * on_ladder(wanted(scene.start), grid))
    blind = 0
    low, high = round(3 * grid.min()), round(3 * grid.max())

    def act(reading: float | None) -> float:
        nonlocal x0, x1, p00, p01, p11, s2, up, down, against, n, blind
        if reading is not None:
            inn = n / 3 + reading - x0
            r = min(max(s2, 0.01), 0.5)
            gate = max(3 * np.sqrt(p00 + r), 0.35)
            held = min(max(inn, -0.35), 0.35)
            up, down = max(0.0, up + (held - 0.15) * dt), max(0.0, down + (-held - 0.15) * dt)
            pull, tied = inn, True
            if max(up, down) > 40:
                p00, p01, s2, r, up, down = 0.25, 0.0, 0.01, 0.04, 0.0, 0.0
                pull = min(max(inn, -1.0), 1.0)
            elif abs(inn) > gate:
                tied = False
                x0, x1 = x0 + p00 / (p00 + r) * 0.35 * np.sign(inn), x1 + 0.3 * p01 / (p00 + r) * 0.35 * np.sign(inn)
            if tied:
                k0, k1 = p00 / (p00 + r), p01 / (p00 + r)
                x0, x1 = x0 + k0 * pull, x1 + k1 * pull
                p00, p01, p11 = (1 - k0) * p00, (1 - k0) * p01, p11 - k1 * p01
            s2 += (1 - np.exp(-dt / 200)) * (min(inn**2, max(0.35, 3 * np.sqrt(s2)) ** 2) - s2)
            blind = blind + 1 if reading * scene.slope > 2.4 else 0
        x0 += x1 * dt
        p00 += 2 * dt * p01 + dt * dt * p11 + 1e-7 * dt + 3e-10 * dt**3 / 3
        p01 += dt * p11 + 3e-10 * dt * dt / 2
        p11 += 3e-10 * dt
        d = wanted(x0) - n / 3
        trend = np.sign(x1) if abs(x1) > 1e-4 else 0
        limit = 0.25 if trend == 0 else 0.2 if np.sign(d) == trend else 0.4
        if abs(d) > limit:
            against += dt
            if (trend != 0 and np.sign(d) == trend) or against >= 60:
                n += int(np.sign(d)) * (1 if abs(d) < 1 else 2)
                against = 0.0
        else:
            against = 0.0
        if blind >= 3:
            n, blind, p00 = n + 3, 0, 0.5
            x0 = max(x0, n / 3 + float(wanted_look(n / 3)))
        n = min(max(n, low), high)
        return n / 3

    return act


RIVALS: dict[str, Callable[[Scene, Array], Act]] = {
    "memoryless": memoryless,
    "proportional": proportional,
    "integral": integral,
    "published": published,
}


def calibrated(scene: Scene) -> Tone:
    """The tone curve as fitted from a bracket of the scene's own camera at its start."""
    at = round(3 * scene.start) / 3
    offsets = np.array(BRACKET)
    seen = scene.before - at + offsets + scene.bracket_noise
    return fit_tone(BRACKET, [code(float(one), scene.slope) for one in seen])


def drive(scene: Scene, grid: Array, name: str, tone: Tone | None = None) -> Array:
    """The settings' EV of each frame when a rival has the camera; readings pass through ``tone``."""
    tone = tone or calibrated(scene)
    act = RIVALS[name](scene, grid)
    settings = np.empty(len(scene.light))
    settings[0] = on_ladder(wanted(scene.start), grid)
    for k in range(len(scene.light) - 1):
        settings[k + 1] = act(_reading(scene, k, float(settings[k]), tone))
    return settings


def _code(scene: Scene, k: int, settings: float) -> int:
    return code(float(scene.light[k] + scene.content[k] - settings + scene.noise[k]), scene.slope)


def _reading(scene: Scene, k: int, settings: float, tone: Tone) -> float | None:
    return None if scene.lost[k] else tone.stops(decoded_stops(_code(scene, k, settings)))


def oracle(scene: Scene, grid: Array) -> Array:
    """Knows the smoothed light to come: what rungs of a third leave at best."""
    return np.array([on_ladder(one, grid) for one in scene.target])


def drive_ours(
    scene: Scene,
    grid: Array,
    controller: Controller | None = None,
    tone: Tone | None = None,
    restart_at: int | None = None,
    late: int = 0,
) -> Array:
    """The settings' EV of each frame under `plans.light_control`.

    ``restart_at``: the frame at which the state is written down as text and read again. ``late``: by how many frames
    readings come after their own decision was due.
    """
    import json

    tone = tone or calibrated(scene)
    controller = controller or Controller(tuple((-grid).tolist()), Look())
    state = controller.start(scene.start)
    settings = np.empty(len(scene.light))
    index = state.index
    waiting: list[Reading | None] = [None] * late
    for k in range(len(scene.light)):
        settings[k] = -controller.rungs[index]
        seen = None
        if not scene.lost[k]:
            shown = _code(scene, k, float(settings[k]))
            clipped, dark = at_end(shown)
            seen = Reading(k * scene.interval, index, tone.stops(decoded_stops(shown)), clipped, dark)
        waiting.append(seen)
        if k == restart_at:
            state = State.from_json(json.loads(json.dumps(state.as_json())))
        state, decision = controller.step(state, waiting.pop(0), (k + 1) * scene.interval)
        index = decision.index
    return settings


def ladder(scene: Scene) -> Array:
    """The rungs of a scene's camera."""
    return Ladder(scene.interval).values()
