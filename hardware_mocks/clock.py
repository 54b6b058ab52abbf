"""The simulated hardware's clock: the schedule clock, so that a test that turns it turns the camera's time as well.

The only place in the simulated hardware where clocks are read and waits are made.
"""

from __future__ import annotations

from daemon.schedule_clock import monotonic, sleep, utc_now, wait

__all__ = ["monotonic", "sleep", "utc_now", "wait"]
