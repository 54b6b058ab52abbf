"""Exposures longer than the camera's own longest time: the shutter is held open from here for as long as the plan says.

They are made by the camera verb ``bulb`` where the camera has it; the verb is looked for by name, since not every way
of reaching a camera offers it.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Protocol, cast

from daemon.camera.binding import TOLERANCE, Binding, bind
from daemon.camera.dialects import bulb_label, camera_readings
from daemon.camera.verbs import BulbExposure, CameraState, SettingName
from daemon.errors import BindingRefused
from daemon.pictures.exif import ExifCheck
from plans.plan import ControlStep, ExposeStep, MarkValue, Plan, Settings
from plans.stops import Mark, Scale, light_of

HELD_WITHIN = 1 / 6  # a shutter held so much longer or shorter was not held as planned: the spread of a group [stops]


class HoldsOpen(Protocol):
    """A camera whose shutter can be held open."""

    def bulb(self, seconds: float) -> BulbExposure:
        """Take one frame, the shutter held open for so long. [s]"""
        ...


@dataclass(frozen=True)
class Bulb:
    """How this camera takes times beyond ``longest_s``. ``label``: its own word for them, None where it lists none.

    ``times`` are those of the plan.
    """

    camera: HoldsOpen
    longest_s: float
    label: str | None
    times: tuple[MarkValue, ...]

    def takes(self, exposure_s: float) -> bool:
        """Whether a time lies beyond the camera's own. [s]"""
        return is_beyond(exposure_s, self.longest_s)

    def carried_on(self, scale: Scale) -> Scale:
        """The camera's time scale with the plan's longer times after it, to hold Exif against."""
        more = tuple(
            Mark("time", value.mark, Fraction(light_of("time", value.exact)).limit_denominator(6))
            for value in self.times
        )
        return Scale("time", scale.marks + more, scale.series)

    def labels(self, binding: Binding, settings: Settings) -> dict[SettingName, str]:
        """The camera's labels for settings of which the time is held from here. Errors as for `Binding.labels`."""
        found = dict(binding.labels(settings, but_for="time"))
        return found if self.label is None else found | {"time": self.label}


def is_beyond(exposure_s: float, longest_s: float) -> bool:
    """Whether a time is longer than the longest one by more than marks that mean the same may differ. [s]"""
    return light_of("time", exposure_s) > light_of("time", longest_s) + TOLERANCE


def held_check(held: BulbExposure, planned: MarkValue) -> ExifCheck:
    """How long a shutter was held open against how long it should have been.

    It agrees, or does not, where every time that it can have been open does. One that the camera ended by itself was
    open for at most so long, so that it may tell only that it was too short.
    """
    longest, shortest = held.held_s + held.within_s, 0.0 if held.ended_early else held.held_s - held.within_s
    found = f"{held.held_s:.3f} s within {held.within_s:.3f} s"
    if held.ended_early:
        found = f"the camera ended it after {longest:.3f} s at most"
    least, most = planned.exact * 2**-HELD_WITHIN, planned.exact * 2**HELD_WITHIN
    agrees = False if longest < least or shortest > most else True if shortest >= least and longest <= most else None
    return ExifCheck(kind="held", planned=planned.mark, found=found, agrees=agrees)


def bind_to(camera: object, plan: Plan, state: CameraState) -> tuple[Binding, Bulb | None]:
    """Match a plan to a camera: `daemon.camera.binding.bind`, and times beyond its own to its bulb.

    ``camera`` may be the class of cameras that will be used: only whether it has the verb is looked at.

    Raises
    ------
    BindingRefused
        If marks are missing, or times are longer than the camera's longest and its shutter cannot be held open.
    CameraError
        If the camera did not tell its settings.
    """
    reading = camera_readings(state).get("time")
    if reading is None:
        return bind(plan, state), None
    longest = reading.scale.marks[-1]
    steps = [step for step in plan.steps if isinstance(step, ExposeStep | ControlStep)]
    times = {step.settings.time.exact: step.settings.time for step in steps}
    beyond = tuple(times[exact] for exact in sorted(times) if is_beyond(exact, longest.exact))
    offers = state.can_bulb and callable(getattr(camera, "bulb", None))
    if beyond and not offers:
        shown = ", ".join(f"{value.mark} s" for value in beyond)
        raise BindingRefused(
            [f"time: the plan wants {shown}; the longest this camera keeps by itself is {longest.label}"],
            "Its shutter cannot be held open over this connection. Plan without bulb times (no bulb in the kit): "
            "then a weaker filter, a smaller aperture or a higher ISO is looked for instead",
        )
    binding = bind(plan, state, beyond=frozenset(value.exact for value in beyond))
    if not offers:
        return binding, None
    label = bulb_label(state.settings["time"].labels)
    return binding, Bulb(cast(HoldsOpen, camera), longest.exact, label, beyond)
