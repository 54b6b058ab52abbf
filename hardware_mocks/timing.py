"""How slow the simulated bodies are."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Timing:
    """How slow the camera is: lag before the shutter opens, readout after it, one setting, speed of the link."""

    lag_s: float
    readout_s: float
    bytes_per_s: float | None
    set_s: float = 0.0


TIMINGS = {
    "instant": Timing(0.0, 0.0, None),
    "typical": Timing(0.05, 0.25, 20e6, 0.01),
    "slow": Timing(0.3, 1.2, 4e6, 0.15),
}
