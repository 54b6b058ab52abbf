"""Every error Stopwright raises on purpose, classed by what the runner does next.

    StopwrightError
      BriefError            file, line, field; found; allowed      -> tell the user, exit 2
      PlanUnreachable       goal, reasons, remedies                -> tell the user, exit 3
      UsageError            a command that cannot be carried out   -> tell the user, exit 2
      CameraError           (exit 4)
        CameraAbsent        -> wait, reopen, resume
        CameraHeld          -> another program has it: say which and how to release it
        CameraBusy          -> retry shortly, bounded
        CameraSilent        -> kill the camera process, reopen, reconcile
        SettingRefused      -> never retried blindly; names setting, value, offered marks, the dial to turn
        BindingRefused      -> the plan's marks are not on this camera: recompile or refuse
        CardFull, BatteryLow-> pause, keep everything, say so
      StoreError            -> stop: a result must never be lost, exit 5
      PictureUnreadable     -> the frame is kept as it is and says so; in daemon/pictures/opening.py, exit 1
      RunPaused             -> the run waits; nothing lost; resume goes on, exit 6

The two errors of planning live in ``plans/errors.py`` (plans never import the daemon) and are shown here as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from plans.errors import BriefError, Complaint, PlanUnreachable, StopwrightError

__all__ = [
    "BatteryLow",
    "BindingRefused",
    "BriefError",
    "CameraAbsent",
    "CameraBusy",
    "CameraError",
    "CameraHeld",
    "CameraSilent",
    "CardFull",
    "Complaint",
    "PlanUnreachable",
    "RunPaused",
    "SettingRefused",
    "StopwrightError",
    "StoreError",
    "UsageError",
]


_SHOWN = 40  # marks that are named when a setting was refused; scales of exposure times have more


class UsageError(StopwrightError):
    """A command that cannot be carried out as asked: what was asked, found, allowed, what to do."""

    exit_code = 2


class CameraError(StopwrightError):
    """Anything the camera or its link says no to."""

    exit_code = 4


class CameraAbsent(CameraError):
    """No camera answers at the port (unplugged, switched off, connection refused or dropped)."""


class CameraHeld(CameraError):
    """The camera is there, but another program holds it or the user may not open the device."""


class CameraBusy(CameraError):
    """The camera asks to be asked again shortly."""


class CameraSilent(CameraError):
    """A deadline passed without an answer; the camera process was killed."""


class SettingRefused(CameraError):
    """A setting did not read back as asked."""

    def __init__(self, setting: str, asked: str, found: str, offered: Sequence[str], advice: str = ""):
        self.setting, self.asked, self.found, self.offered, self.advice = setting, asked, found, list(offered), advice
        shown = ", ".join(self.offered[:_SHOWN]) or "nothing"
        if (more := len(self.offered) - _SHOWN) > 0:
            shown += f" and {more} more"
        text = f"{setting}: asked for {asked}, the camera shows {found}; it offers {shown}"
        super().__init__(f"{text}. {advice}" if advice else text)

    def as_json(self) -> dict[str, Any]:
        return super().as_json() | {
            "setting": self.setting,
            "asked": self.asked,
            "found": self.found,
            "offered": self.offered,
        }


class BindingRefused(CameraError):
    """Marks of the plan that the connected camera does not have; ``differences`` lists them in words."""

    def __init__(self, differences: Sequence[str], advice: str = ""):
        self.differences = list(differences)
        super().__init__("\n".join([*self.differences, advice] if advice else self.differences))

    def as_json(self) -> dict[str, Any]:
        return super().as_json() | {"differences": self.differences}


class CardFull(CameraError):
    """No room on the camera's card."""


class BatteryLow(CameraError):
    """The camera's battery is too low to go on."""


class StoreError(StopwrightError):
    """A file or a row could not be made durable. Everything stops: a result must never be lost."""

    exit_code = 5


class RunPaused(StopwrightError):
    """The run stopped before its end with nothing lost; ``resume`` goes on."""

    exit_code = 6
