"""Shots of scripted scenes for tests: marks, optics, and crops of large frames."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from hardware_mocks.scales import Scales
from hardware_mocks.scene import GardenRenderer
from hardware_mocks.script import Glass, SceneScript, Target
from hardware_mocks.shot import Optics, Shot

FOCAL_MM, SENSOR_WIDTH_MM = 50.0, 35.9


def shot(
    f_number: float = 8.0,
    time_s: float = 1 / 128,
    iso: float = 100.0,
    *,
    focus_m: float = 3.0,
    size: tuple[int, int] = (600, 400),
    **more: Any,
) -> Shot:
    """A shot by exact values, in a light of EV 13 through a bare lens unless ``more`` says other."""
    fields: dict[str, Any] = {
        "number": 1,
        "aperture": Scales().nearest("aperture", f_number),
        "time": Scales().nearest("time", time_s),
        "sensitivity": Scales().nearest("iso", iso),
        "f_number": f_number,
        "time_s": time_s,
        "iso": iso,
        "focus_m": focus_m,
        "filter_stops": (),
        "ev100": 13.0,
        "start_s": 0.0,
        "taken": datetime(2026, 10, 20, 15, 30),  # noqa: DTZ001
        "optics": Optics(size=size),
    }
    return Shot(**(fields | more))


def bare(*targets: Target, diffraction: bool = False, ground: float = 0.0, **more: Any) -> GardenRenderer:
    """A renderer of targets on an even ground."""
    given: dict[str, Any] = {"glass": Glass(diffraction=diffraction)} | more
    return GardenRenderer(script=SceneScript(stage="bare", ground=ground, targets=targets, **given))
