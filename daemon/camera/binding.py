"""The binding: a plan's marks matched, by exact value, to the connected camera's own labels."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from daemon.camera.dialects import Reading, camera_readings, refuses_to_tell
from daemon.camera.verbs import CameraState, SettingName
from daemon.errors import BindingRefused
from plans.plan import ControlStep, ExposeStep, MarkValue, Plan, Settings, TimelapseStep
from plans.stops import KINDS, Kind, Mark, Series, closest_by_light, light_of, read_scale

TOLERANCE = 0.02  # farthest that a mark's exact value may lie from the camera's [stops]
_NEIGHBOURS = 2
_SERIES_WORDS: dict[Series, str] = {
    "full": "full stops",
    "halves": "halves of a stop",
    "thirds": "thirds of a stop",
    "unknown": "steps of its own",
}


@dataclass(frozen=True)
class Binding:
    """The connected camera's scales, with its own label for each mark."""

    readings: Mapping[Kind, Reading]

    def label(self, kind: Kind, value: MarkValue) -> str | None:
        """The camera's label for one value, or None when it has none within 0.02 stop."""
        reading = self.readings.get(kind)
        if reading is None:
            return None
        mark = closest_by_light(reading.scale, light_of(kind, value.exact), TOLERANCE)
        return None if mark is None else reading.labels[mark]

    def labels(self, settings: Settings, but_for: Kind | None = None) -> dict[SettingName, str]:
        """The camera's labels for settings: aperture, time and ISO, but for one of them.

        Raises
        ------
        BindingRefused
            If the camera lacks one. After `bind` that cannot happen with settings of the plan that was bound.
        """
        found: dict[SettingName, str] = {}
        for kind in KINDS:
            if kind == but_for:
                continue
            value: MarkValue = getattr(settings, kind)
            label = self.label(kind, value)
            if label is None:
                raise BindingRefused([f"{kind}: {value.mark} is not on the connected camera's scale"])
            found[kind] = label
        return found


def bind(plan: Plan, state: CameraState, beyond: Collection[float] = ()) -> Binding:
    """Match every mark that the plan exposes with to a label of this camera.

    Marks are matched by exact value, within 0.02 stop: f/13 of a plan in thirds (12.70) is not the f/13 of a camera in
    halves (13.45). ``beyond``: exact times that are held by bulb and need no label. [s]

    Raises
    ------
    BindingRefused
        If one is missing; every difference is listed.
    CameraError
        If the camera did not tell its aperture, time or ISO though it has it: which marks it lacks is not known then.
    """
    binding = Binding(camera_readings(state))
    if untold := [kind for kind in KINDS if kind in state.untold and _marks_of(plan, kind)]:
        raise refuses_to_tell(untold)
    differences: list[str] = []
    for kind in KINDS:
        wanted = [value for value in _marks_of(plan, kind) if kind != "time" or value.exact not in beyond]
        missing = [value for value in wanted if binding.label(kind, value) is None]
        reading = binding.readings.get(kind)
        if missing and reading is None:
            differences.append(_absent(kind, wanted, state))
        elif missing and reading is not None:
            series = plan.inputs.series.get(kind) or read_scale(kind, [value.mark for value in wanted]).series
            differences += [_difference(kind, value, series, reading) for value in missing]
    if differences:
        raise BindingRefused(
            differences,
            "Compile the brief again for this camera (with a kit that has its scales), or set the camera's step as the "
            "plan has it",
        )
    return binding


def _marks_of(plan: Plan, kind: Kind) -> list[MarkValue]:
    steps = [step.settings for step in plan.steps if isinstance(step, ExposeStep | ControlStep)]
    values: list[MarkValue] = [getattr(settings, kind) for settings in steps]
    for lapse in (step for step in plan.steps if isinstance(step, TimelapseStep)):
        rungs = [rung for part in lapse.parts for rung in part.rungs]
        values += [lapse.settings.aperture] if kind == "aperture" else [getattr(rung, kind) for rung in rungs]
    found: dict[float, MarkValue] = {}
    for value in values:
        found.setdefault(value.exact, value)
    return [found[exact] for exact in sorted(found)]


def _named(kind: Kind, mark: str, exact: float) -> str:
    if kind == "aperture":
        return f"{mark} ({exact:.2f})"
    if kind == "time":
        shown = f"{exact:.3g} s" if exact >= 0.3 else f"1/{1 / exact:.4g} s"
        return f"{mark} ({shown})"
    return f"{mark} ({exact:.4g})"


def _difference(kind: Kind, value: MarkValue, series: Series, reading: Reading) -> str:
    light = light_of(kind, value.exact)

    def off(mark: Mark) -> float:
        return abs(float(mark.light) - light)

    near = sorted(sorted(reading.scale.marks, key=off)[:_NEIGHBOURS], key=lambda mark: mark.exact)
    offered = " and ".join(_named(kind, mark.label, mark.exact) for mark in near)
    ours = f", in {_SERIES_WORDS[series]}" if series != "unknown" else ""
    least, most = reading.scale.marks[0].label, reading.scale.marks[-1].label
    return (
        f"{kind}: the plan wants {_named(kind, value.mark, value.exact)}{ours}; this camera's scale is in "
        f"{_SERIES_WORDS[reading.scale.series]} from {least} to {most} and offers {offered} nearest"
    )


def _absent(kind: Kind, wanted: list[MarkValue], state: CameraState) -> str:
    marks = ", ".join(value.mark for value in wanted)
    setting = state.settings.get(kind)
    if setting is None:
        why = f"{state.model} cannot be told its {kind} over the cable"
    elif not setting.labels:
        why = f"{state.model} lists no choices for its {kind}"
    else:
        why = f"{state.model} offers only {', '.join(setting.labels[:10])}, as its dial stands"
    return f"{kind}: the plan wants {marks}; {why}"
