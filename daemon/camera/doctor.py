"""What stands between a photographer and comparable pictures: which camera, what is in the way, what spoils.

Serves ``stopwright cameras`` and ``stopwright check``. A finding ``stops`` the work, ``spoils`` the comparison, or is
``fine``; each says what was found, what is allowed and what to do.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from daemon.camera import dialects
from daemon.camera.binding import Binding, bind
from daemon.camera.devices import Machine
from daemon.camera.supervisor import CameraProcess
from daemon.camera.verbs import Camera, CameraState, SettingState
from daemon.errors import BindingRefused, CameraAbsent, CameraBusy, CameraError, CameraHeld, SettingRefused, UsageError
from plans.plan import ControlStep, ExposeStep, Plan

Level = Literal["stops", "spoils", "fine"]

# Common practice, no source.
EMPTY_BATTERY = 10  # [per cent]
LOW_BATTERY = 30  # [per cent]
_JPEG_BYTES_A_PIXEL = 0.7
_RAW_BYTES_A_PIXEL = 2.0
_USUAL_PIXELS = 24_000_000


class Finding(BaseModel):
    """One thing looked at. ``todo`` is empty when nothing needs doing."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    level: Level
    what: str
    found: str
    allowed: str = ""
    todo: str = ""

    def __str__(self) -> str:
        text = f"{self.level}: {self.what}: found {self.found}"
        if self.allowed:
            text += f"; allowed: {self.allowed}"
        return f"{text}. {self.todo}" if self.todo else text


def _finding(level: Level, what: str, found: str, allowed: str = "", todo: str = "") -> Finding:
    return Finding(level=level, what=what, found=found, allowed=allowed, todo=todo)


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
    camera: Camera | None = None,
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
    camera
        An open camera to look at instead of opening one.

    Raises
    ------
    UsageError
        If the port is none, several cameras could be meant, or ``dry`` comes without a plan.
    """
    if dry and plan is None:
        raise UsageError("check --dry: found no plan; give the brief or plan whose settings are to be tried")
    if camera is not None:
        return _look(camera, plan, dry)
    place = machine or Machine()
    with _folder(work) as folder, CameraProcess(port, folder, environment=environment, machine=place) as opened:
        try:
            opened.open()
        except CameraHeld as error:
            return [_finding("stops", "camera", str(error), "a camera that nobody else holds", "Then check again")]
        except CameraAbsent as error:
            return [_absent(error, place)]
        except CameraError as error:
            return [_finding("stops", "camera", str(error), "a camera that answers", "Switch it off and on again")]
        return _look(opened, plan, dry)


def _absent(error: CameraAbsent, machine: Machine) -> Finding:
    others = "; ".join(f"{device.name} at {device.port}" for device in machine.cameras())
    found = str(error)
    if others:
        found += f" On the USB bus there is: {others}."
    return _finding("stops", "camera", found, "one camera, switched on and awake", "Put that right, then check again")


def _look(camera: Camera, plan: Plan | None, dry: bool) -> list[Finding]:
    try:
        state = camera.state()
    except CameraError as error:
        return [_finding("stops", "camera", str(error), "a camera that answers", "Switch it off and on again")]
    findings = [_finding("fine", "camera", f"{state.model} at {state.port}")]
    findings += look_at_state(state)
    findings += _supplies(state, plan)
    binding: Binding | None = None
    if plan is not None:
        try:
            binding = bind(plan, state)
            findings.append(_finding("fine", "marks", "every mark of the plan is on this camera"))
        except BindingRefused as error:
            todo = "Compile the brief for this camera, or change its step in its menu"
            findings += [_finding("stops", "marks", text, "the plan's marks", todo) for text in error.differences]
    if dry and plan is not None and binding is not None:
        findings += _dry(camera, plan, binding, state)
    return findings


def look_at_state(state: CameraState) -> list[Finding]:
    """Findings on dial, focus, ISO, exposure bias, white balance, and where pictures go."""
    findings = [*_mode(state), *_settable(state)]
    findings += [finding for finding in (_focus(state), _auto_iso(state), _bias(state), _balance(state)) if finding]
    target = state.settings.get("capture_target")
    if target is not None and target.current and not dialects.is_card(target.current):
        findings.append(
            _finding(
                "stops", "pictures", f"kept in {target.current}", "the card", "Put a card in; choose it as the target"
            )
        )
    if not state.can_trigger:
        findings.append(
            _finding(
                "stops", "shutter", "this camera takes no pictures over the cable", "one that does", "Use another body"
            )
        )
    return findings


def _mode(state: CameraState) -> list[Finding]:
    mode = state.settings.get("mode")
    if mode is None:
        return [_finding("fine", "mode dial", "not told by this camera; it must stand on M")]
    manual = dialects.is_manual_mode(mode)
    if manual is None:
        return [_finding("fine", "mode dial", f"{mode.current or 'not told'}; it must stand on M")]
    if manual:
        return [_finding("fine", "mode dial", mode.current)]
    return [_finding("stops", "mode dial", mode.current, "M", "Turn the mode dial on the camera to M")]


def _settable(state: CameraState) -> list[Finding]:
    found = []
    for name in ("aperture", "time", "iso"):
        setting = state.settings.get(name)
        if setting is None or not setting.labels:
            todo = "Set it by hand for every picture, or use another body"
            found.append(_finding("stops", name, "cannot be told over the cable", "one that can be set", todo))
        elif not setting.writable:
            found.append(_finding("stops", name, f"{setting.current}, read-only", "one that can be set", _unlock(name)))
        else:
            found.append(_finding("fine", name, f"{setting.current or 'unknown'}, {len(setting.labels)} choices"))
    return found


def _unlock(name: str) -> str:
    if name == "aperture":
        return "Turn the mode dial to M; an aperture ring on the lens must stand on A or its smallest aperture"
    if name == "time":
        return "Turn the mode dial to M; a time dial on the body must stand where the camera may set it"
    return "Turn the mode dial to M and switch automatic ISO off"


def _focus(state: CameraState) -> Finding | None:
    focus = state.settings.get("focus_mode")
    if focus is None:
        return None
    manual = dialects.is_manual_focus(focus)
    if manual is None or manual:
        return _finding("fine", "focus", focus.current or "not told")
    todo = "Switch the lens or body to manual focus, so that the focus stays where you put it"
    return _finding("spoils", "focus", focus.current, "manual focus", todo)


def _auto_iso(state: CameraState) -> Finding | None:
    if not dialects.is_auto_iso(state):
        return None
    iso = state.settings.get("iso")
    found = iso.current if iso is not None else "on"
    todo = "Switch automatic ISO off in the camera's menu, else it changes the brightness behind your back"
    return _finding("spoils", "automatic ISO", found, "off", todo)


def _bias(state: CameraState) -> Finding | None:
    bias = state.settings.get("exposure_bias")
    if bias is None:
        return None
    stops = dialects.bias_stops(bias)
    if stops is None or stops == 0:
        return _finding("fine", "exposure bias", bias.current or "not told")
    return _finding("spoils", "exposure bias", f"{stops:+g} stop", "0", "Set the exposure compensation to 0")


def _balance(state: CameraState) -> Finding | None:
    balance = state.settings.get("white_balance")
    if balance is None:
        return None
    auto = dialects.is_auto_balance(balance)
    if not auto:
        return _finding("fine", "white balance", balance.current or "not told")
    todo = "Choose a fixed one (daylight, for example), so that colours can be compared"
    return _finding("spoils", "white balance", balance.current, "a fixed one", todo)


def _supplies(state: CameraState, plan: Plan | None) -> list[Finding]:
    return [*_battery(state), *_room(state, plan)]


def _battery(state: CameraState) -> list[Finding]:
    if state.battery is None:
        return [_finding("fine", "battery", "not told")]
    found = f"{state.battery} %"
    if state.battery < EMPTY_BATTERY:
        return [_finding("stops", "battery", found, f"at least {EMPTY_BATTERY} %", "Put in a charged one")]
    if state.battery < LOW_BATTERY:
        return [_finding("spoils", "battery", found, f"{LOW_BATTERY} % and more", "Have a charged one at hand")]
    return [_finding("fine", "battery", found)]


def _room(state: CameraState, plan: Plan | None) -> list[Finding]:
    if state.free_bytes is None:
        return [_finding("fine", "card", "room not told")]
    frame = frame_bytes(state.settings.get("image_format"), _pixels(plan))
    frames = 1 if plan is None else plan.estimate.frames + plan.estimate.control_frames
    found = f"{state.free_bytes / 1e9:.2f} GB free, about {int(state.free_bytes / frame)} pictures"
    if state.free_bytes < frames * frame:
        level: Level = "stops" if state.free_bytes < frame else "spoils"
        allowed = f"{frames * frame / 1e9:.2f} GB for {frames} pictures"
        return [_finding(level, "card", found, allowed, "Put in an empty card, or free room on this one")]
    return [_finding("fine", "card", found)]


def frame_bytes(image_format: SettingState | None, pixels: int) -> int:
    """About how many bytes one exposure takes on the card. Common practice, no source. [bytes]"""
    label = "" if image_format is None else image_format.current
    raw = dialects.keeps_raw(label)
    size = _RAW_BYTES_A_PIXEL * raw
    if not raw or dialects.files_expected(label) > 1:
        size += _JPEG_BYTES_A_PIXEL
    return round(size * pixels)


def _pixels(plan: Plan | None) -> int:
    brief = {} if plan is None else plan.inputs.brief
    with suppress(KeyError, TypeError, ValueError):
        width, height = brief["kit"]["body"]["sensor"]["pixels"]
        return int(width) * int(height)
    return _USUAL_PIXELS


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
                findings.append(_finding("stops", "dry run", str(error), ", ".join(labels.values()), error.advice))
                break
            except CameraBusy as error:
                findings.append(_finding("stops", "dry run", str(error), "a camera that keeps up", "Check again"))
                break
    except CameraError as error:
        findings.append(
            _finding("stops", "dry run", str(error), "a camera that stays connected", "Check cable and battery")
        )
    text = f"{tried} of {len(combinations)} combinations were set and read back, without an exposure"
    findings.append(_finding("fine" if tried == len(combinations) else "stops", "dry run", text))
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
        return [_finding("spoils", "put back", str(error), shown, "Set these by hand as they were")]
    return []
