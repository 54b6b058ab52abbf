"""What a camera's state says to a photographer: dial, focus, ISO, supplies, size of the pictures. Asks no camera."""

from __future__ import annotations

import re
from contextlib import suppress
from typing import Literal

from pydantic import BaseModel, ConfigDict

from daemon.camera import dialects
from daemon.camera.verbs import CameraState, SettingState
from plans.plan import Plan

Level = Literal["stops", "spoils", "note", "fine"]

# Common practice, no source.
EMPTY_BATTERY = 10  # [per cent]
LOW_BATTERY = 30  # [per cent]
_JPEG_BYTES_A_PIXEL = 0.7
_RAW_BYTES_A_PIXEL = 2.0
_USUAL_PIXELS = 24_000_000
_SAME_SIZE = 0.03  # pictures lack a margin of the sensor's pixels, which kits may count or not [of the width]


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


def as_finding(level: Level, what: str, found: str, allowed: str = "", todo: str = "") -> Finding:
    """A `Finding` in fewer words."""
    return Finding(level=level, what=what, found=found, allowed=allowed, todo=todo)


def look_at_state(state: CameraState) -> list[Finding]:
    """Findings on dial, focus, ISO, exposure bias, white balance, and where pictures go."""
    findings = [*_mode(state), *_settable(state)]
    findings += [finding for finding in (_focus(state), _auto_iso(state), _bias(state), _balance(state)) if finding]
    target = state.settings.get("capture_target")
    if target is not None and target.current and not dialects.is_card(target.current):
        findings.append(
            as_finding(
                "stops", "pictures", f"kept in {target.current}", "the card", "Put a card in; choose it as the target"
            )
        )
    if not state.can_trigger:
        findings.append(
            as_finding(
                "stops", "shutter", "this camera takes no pictures over the cable", "one that does", "Use another body"
            )
        )
    return findings


def _mode(state: CameraState) -> list[Finding]:
    mode = state.settings.get("mode")
    if mode is None:
        return [as_finding("fine", "mode dial", "not told by this camera; it must stand on M")]
    manual = dialects.is_manual_mode(mode)
    if manual is None:
        return [as_finding("fine", "mode dial", f"{mode.current or 'not told'}; it must stand on M")]
    if manual:
        return [as_finding("fine", "mode dial", mode.current)]
    return [as_finding("stops", "mode dial", mode.current, "M", "Turn the mode dial on the camera to M")]


def _settable(state: CameraState) -> list[Finding]:
    found = []
    for name in ("aperture", "time", "iso"):
        setting = state.settings.get(name)
        if name in state.untold:
            todo = "Leave the camera's menu, turn its mode dial to M, or switch it off and on; then check again"
            found.append(as_finding("stops", name, "not told, though the camera has it", "one that can be set", todo))
        elif setting is None or not setting.labels:
            todo = "Set it by hand for every picture, or use another body"
            found.append(as_finding("stops", name, "cannot be told over the cable", "one that can be set", todo))
        elif not setting.writable:
            found.append(
                as_finding("stops", name, f"{setting.current}, read-only", "one that can be set", _unlock(name))
            )
        else:
            found.append(as_finding("fine", name, f"{setting.current or 'unknown'}, {len(setting.labels)} choices"))
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
        return as_finding("fine", "focus", focus.current or "not told")
    todo = "Switch the lens or body to manual focus, so that the focus stays where you put it"
    return as_finding("spoils", "focus", focus.current, "manual focus", todo)


def _auto_iso(state: CameraState) -> Finding | None:
    if not dialects.is_auto_iso(state):
        return None
    iso = state.settings.get("iso")
    found = iso.current if iso is not None else "on"
    todo = "Switch automatic ISO off in the camera's menu, else it changes the brightness behind your back"
    return as_finding("spoils", "automatic ISO", found, "off", todo)


def _bias(state: CameraState) -> Finding | None:
    bias = state.settings.get("exposure_bias")
    if bias is None:
        return None
    stops = dialects.bias_stops(bias)
    if stops is None or stops == 0:
        return as_finding("fine", "exposure bias", bias.current or "not told")
    return as_finding("spoils", "exposure bias", f"{stops:+g} stop", "0", "Set the exposure compensation to 0")


def _balance(state: CameraState) -> Finding | None:
    balance = state.settings.get("white_balance")
    if balance is None:
        return None
    auto = dialects.is_auto_balance(balance)
    if not auto:
        return as_finding("fine", "white balance", balance.current or "not told")
    todo = "Choose a fixed one (daylight, for example), so that colours can be compared"
    return as_finding("spoils", "white balance", balance.current, "a fixed one", todo)


def supplies(state: CameraState, plan: Plan | None) -> list[Finding]:
    """Findings on battery and room on the card, for the frames of a plan where there is one."""
    return [*_battery(state), *_room(state, plan)]


def _battery(state: CameraState) -> list[Finding]:
    if state.battery is None:
        return [as_finding("fine", "battery", "not told")]
    found = f"{state.battery} %"
    if state.battery < EMPTY_BATTERY:
        return [as_finding("stops", "battery", found, f"at least {EMPTY_BATTERY} %", "Put in a charged one")]
    if state.battery < LOW_BATTERY:
        return [as_finding("spoils", "battery", found, f"{LOW_BATTERY} % and more", "Have a charged one at hand")]
    return [as_finding("fine", "battery", found)]


def _room(state: CameraState, plan: Plan | None) -> list[Finding]:
    if state.free_bytes is None:
        return [as_finding("fine", "card", "room not told")]
    frame = frame_bytes(state.settings.get("image_format"), plan_pixels(plan))
    frames = 1 if plan is None else plan.estimate.frames + plan.estimate.control_frames
    found = f"{state.free_bytes / 1e9:.2f} GB free, about {int(state.free_bytes / frame)} pictures"
    if state.free_bytes < frames * frame:
        level: Level = "stops" if state.free_bytes < frame else "spoils"
        allowed = f"{frames * frame / 1e9:.2f} GB for {frames} pictures"
        return [as_finding(level, "card", found, allowed, "Put in an empty card, or free room on this one")]
    return [as_finding("fine", "card", found)]


def frame_bytes(image_format: SettingState | None, pixels: int) -> int:
    """About how many bytes one exposure takes on the card. Common practice, no source. [bytes]"""
    label = "" if image_format is None else image_format.current
    raw = dialects.keeps_raw(label)
    size = _RAW_BYTES_A_PIXEL * raw
    if not raw or dialects.files_expected(label) > 1:
        size += _JPEG_BYTES_A_PIXEL
    return round(size * pixels)


def plan_pixels(plan: Plan | None) -> int:
    """Pixels of the kit's sensor, or those of a usual one. [pixels]"""
    kit = None if plan is None else _kit_pixels(plan)
    return _USUAL_PIXELS if kit is None else kit[0] * kit[1]


def _kit_pixels(plan: Plan) -> tuple[int, int] | None:
    """Width and height of the kit's sensor, as far as the plan has it. [pixels]"""
    with suppress(KeyError, TypeError, ValueError):
        width, height = plan.inputs.brief["kit"]["body"]["sensor"]["pixels"]
        return int(width), int(height)
    return None


def picture_size(state: CameraState, plan: Plan | None) -> list[Finding]:
    """A note when pictures are stored smaller, or larger, than the kit's sensor: figures in pixels are the kit's."""
    kit = None if plan is None else _kit_pixels(plan)
    kind = state.settings.get("image_format")
    setting = state.settings.get("image_size") or kind
    if kit is None or setting is None:
        return []
    if kind not in (None, setting) and dialects.keeps_raw(kind.current) and dialects.files_expected(kind.current) == 1:
        return []  # the size is that of a JPEG which is not made
    size = re.search(r"(\d{3,5}) ?x ?(\d{3,5})", setting.current)
    reduced = re.search(r"\b(medium|small|[ms]raw)\b", setting.current, re.IGNORECASE)
    if size is not None:
        width, height = sorted((int(size[1]), int(size[2])), reverse=True)
        wide, high = sorted(kit, reverse=True)
        if max(abs(width / wide - 1), abs(height / high - 1)) <= _SAME_SIZE:
            return []
        found = f"the camera stores {size[1]} x {size[2]} pixels"
    elif reduced is not None:
        found = f"the camera stores {setting.current!r}, less than its whole frame"
    else:
        return []
    return [as_finding("note", "picture size", f"{found}; the kit says {kit[0]} x {kit[1]}")]
