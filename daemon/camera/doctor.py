"""What stands between a photographer and comparable pictures: which camera, what is in the way, what spoils.

Serves ``stopwright cameras`` and ``stopwright check``. A finding ``stops`` the work, ``spoils`` the comparison, is a
``note`` to know, or ``fine``; the first two say what was found, what is allowed and what to do.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from daemon.camera.binding import Binding, bind
from daemon.camera.devices import Machine
from daemon.camera.findings import Finding, as_finding, look_at_state, picture_size, supplies
from daemon.camera.ports import port_for_people
from daemon.camera.supervisor import CameraProcess
from daemon.camera.verbs import Camera, CameraState
from daemon.errors import (
    BindingRefused,
    CameraAbsent,
    CameraBusy,
    CameraError,
    CameraHeld,
    PlanUnreachable,
    SettingRefused,
    StopwrightError,
    UsageError,
)
from plans.plan import ControlStep, ExposeStep, Plan

__all__ = ["Finding", "check", "list_cameras", "look_at_state"]

Fit = Callable[[CameraState], tuple[Plan, Sequence[str]]]
Told = Callable[[CameraState, Plan | None], None]


@contextmanager
def _folder(work: Path | None) -> Iterator[Path]:
    if work is not None:
        yield work
        return
    with tempfile.TemporaryDirectory(prefix="stopwright-check-") as folder:
        yield Path(folder)


def list_cameras(
    *, work: Path | None = None, environment: Mapping[str, str] | None = None, machine: Machine | None = None
) -> list[dict[str, str]]:
    """Model and port of every camera on USB. Opens none; a camera on the network is not found by looking.

    Returns
    -------
    list
        ``{"model": ..., "port": ...}`` each, by port.
    """
    with _folder(work) as folder, CameraProcess(None, folder, environment=environment, machine=machine) as camera:
        found = [{"model": model, "port": port} for model, port in camera.cameras()]
    return sorted(found, key=lambda item: item["port"])


def check(
    port: str | None,
    plan: Plan | None = None,
    dry: bool = False,
    work: Path | None = None,
    *,
    fit: Fit | None = None,
    camera: Camera | None = None,
    told: Told | None = None,
    environment: Mapping[str, str] | None = None,
    machine: Machine | None = None,
) -> list[Finding]:
    """Everything that stands in the way of a plan, or of any plan, with this camera.

    Parameters
    ----------
    port
        As for `CameraProcess`; None for the only camera there is.
    plan
        Its marks, number of frames and focus are checked too.
    dry
        Set and read back every combination of the plan's settings without an exposure, then put back what was found.
    work
        A folder for the camera process; None: one that vanishes.
    fit
        Gives the plan that would be shot with the camera as it shows itself, in place of ``plan``, and how its marks
        differ. What it refuses is a finding.
    camera
        An open camera to look at instead of opening one.
    told
        Called with the camera's state and the plan as it would be shot.

    Raises
    ------
    UsageError
        If the port is none, several cameras could be meant, or ``dry`` comes without a plan.
    """
    if dry and plan is None:
        raise UsageError("check --dry: found no plan; give the brief or plan whose settings are to be tried")
    if camera is not None:
        return _look(camera, plan, dry, fit, told)
    place = machine or Machine()
    with _folder(work) as folder, CameraProcess(port, folder, environment=environment, machine=place) as opened:
        try:
            opened.open()
        except CameraHeld as error:
            return [as_finding("stops", "camera", str(error), "a camera that nobody else holds", "Then check again")]
        except CameraAbsent as error:
            return [_absent(error, place)]
        except CameraError as error:
            return [as_finding("stops", "camera", str(error), "a camera that answers", "Switch it off and on again")]
        return _look(opened, plan, dry, fit, told)


def _absent(error: CameraAbsent, machine: Machine) -> Finding:
    others = "; ".join(f"{device.name} at {device.port}" for device in machine.cameras())
    found = str(error)
    if others:
        found += f" On the USB bus there is: {others}."
    return as_finding("stops", "camera", found, "one camera, switched on and awake", "Put that right, then check again")


def _look(camera: Camera, plan: Plan | None, dry: bool, fit: Fit | None, told: Told | None) -> list[Finding]:
    try:
        state = camera.state()
    except CameraError as error:
        return [as_finding("stops", "camera", str(error), "a camera that answers", "Switch it off and on again")]
    findings = [as_finding("fine", "camera", f"{state.model} at {port_for_people(state.port)}")]
    findings += look_at_state(state)
    plan, marks, binding = _bound(plan, state, fit)
    if told is not None:
        told(state, plan)
    findings += [*supplies(state, plan), *picture_size(state, plan), *marks]
    if dry and plan is not None and binding is not None:
        findings += _dry(camera, plan, binding, state)
    return findings


def _bound(plan: Plan | None, state: CameraState, fit: Fit | None) -> tuple[Plan | None, list[Finding], Binding | None]:
    """The plan as it would be shot, what there is to say of its marks, and its labels on this camera."""
    if plan is None:
        return None, [], None
    differences: Sequence[str] = ()
    try:
        if fit is not None:
            plan, differences = fit(state)
        binding = bind(plan, state)
    except BindingRefused as error:
        todo = "Compile the brief for this camera, or change its step in its menu"
        return plan, [as_finding("stops", "marks", text, "the plan's marks", todo) for text in error.differences], None
    except CameraError as error:
        return plan, [as_finding("stops", "marks", str(error), "the plan's marks", "Then check again")], None
    except PlanUnreachable as error:
        todo = "Change the brief, or go on with the goals that can be reached by --reachable"
        return plan, [as_finding("stops", "goals", str(error), "goals in reach of this camera", todo)], None
    except StopwrightError as error:
        return plan, [as_finding("stops", "brief", str(error), "one that suits this camera", "Change the brief")], None
    notes = [as_finding("note", "marks", f"differ from the brief's kit: {text}") for text in differences]
    told = "the plan was compiled for the camera's own, as a run does" if notes else "every mark of the plan is there"
    return plan, [*notes, as_finding("fine", "marks", told)], binding


def _dry(camera: Camera, plan: Plan, binding: Binding, state: CameraState) -> list[Finding]:
    """Set and read back each combination of the plan once, then put the camera back as it was found."""
    combinations: list[dict[str, str]] = []
    for step in plan.steps:
        if isinstance(step, ExposeStep | ControlStep):
            labels = {str(name): label for name, label in binding.labels(step.settings).items()}
            if labels not in combinations:
                combinations.append(labels)
    findings, tried = [], 0
    try:
        for labels in combinations:
            try:
                camera.apply(labels)
                tried += 1
            except SettingRefused as error:
                findings.append(as_finding("stops", "dry run", str(error), ", ".join(labels.values()), error.advice))
                break
            except CameraBusy as error:
                findings.append(as_finding("stops", "dry run", str(error), "a camera that keeps up", "Check again"))
                break
    except CameraError as error:
        findings.append(
            as_finding("stops", "dry run", str(error), "a camera that stays connected", "Check cable and battery")
        )
    text = f"{tried} of {len(combinations)} combinations were set and read back, without an exposure"
    findings.append(as_finding("fine" if tried == len(combinations) else "stops", "dry run", text))
    return findings + _put_back(camera, state, [key for labels in combinations for key in labels])


def _put_back(camera: Camera, state: CameraState, names: Sequence[str]) -> list[Finding]:
    before: dict[str, Any] = {
        name: state.settings[name].current
        for name in dict.fromkeys(names)
        if name in state.settings and state.settings[name].current in state.settings[name].labels
    }
    try:
        camera.apply(before)
    except CameraError as error:
        shown = ", ".join(f"{name} {label}" for name, label in before.items())
        return [as_finding("spoils", "put back", str(error), shown, "Set these by hand as they were")]
    return []
