"""The rig check, as data: what comparable pictures need of camera and tripod, each with why. Asks no camera.

Each item is ``verified`` from what the camera tells, can be ``set`` over the cable, is found ``wrong`` where hands must
put it right, or is ``asked`` where no camera tells it or this one does not. What to look at and why is common practice
where no source is named.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Literal

from pydantic import BaseModel, ConfigDict

from daemon.camera import dialects
from daemon.camera.findings import EMPTY_BATTERY, LOW_BATTERY, frame_bytes, plan_pixels
from daemon.camera.verbs import CameraState, SettingState
from plans.plan import ExposeStep, Plan

How = Literal["verified", "set", "wrong", "asked"]

EYEPIECE_S = 1.0  # from here on light through the eyepiece shows; common practice, no source [s]
CURTAIN_S = 1 / 1000  # beyond it an electronic first curtain shades wide open frames; common practice, no source [s]
WIDE_OPEN = 2.8  # f-number up to which it does
CLOCK_SLACK_S = 120.0  # more than that, and pictures are hard to find by time [s]
_DISK_SPARE = 200e6  # bytes that stay free for the record
_OFF = ("off", "0", "disable", "disabled", "none", "no")
_NEVER = ("0", "never", "disable", "off", "no limit")


class Item(BaseModel):
    """One thing looked at.

    ``label``: the camera's own word to set where ``how`` is ``set``, and ``setting`` its name. ``skippable``: a run may
    go on without it. ``todo`` is empty where nothing needs doing.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    item: str
    wanted: str
    found: str
    how: How
    why: str
    todo: str = ""
    setting: str = ""
    label: str = ""
    skippable: bool = True

    def __str__(self) -> str:
        text = f"{self.item}: {self.found}"
        if self.how == "verified":
            return text
        return f"{text}; wanted: {self.wanted}. {self.todo or self.why}"


def rig_items(state: CameraState, plan: Plan | None, disk_free: int | None = None) -> list[Item]:
    """Every item of the rig check for a plan on this camera; without a plan those that need none.

    Parameters
    ----------
    disk_free
        Room where the pictures will lie; None: not known. [bytes]
    """
    frames = [] if plan is None else [step for step in plan.steps if isinstance(step, ExposeStep)]
    found = [
        _mode(state),
        _focus(state),
        _stabiliser(state, plan),
        _auto_iso(state),
        _bias(state),
        *_balance(state),
        _plain(state, "brightness_aid", "picture aids that change brightness",
               "They brighten shadows frame by frame, so that equal exposures look different"),
        _plain(state, "wide_range", "several exposures in one", "It makes one picture of several with other settings"),
        _steady(state, "noise_reduction", "noise reduction at high ISO",
                "It smooths frames at high ISO and would change a noise series; one setting for all frames"),
        _plain(state, "lens_correction", "lens corrections", "They move the picture's corners and brighten them"),
        _long_exposures(state, frames),
        _format(state),
        _shutter(state, frames),
        _eyepiece(frames),
        _strap(),
        *_supplies(state, plan, disk_free),
        _clock(),
        _power_off(state, plan),
    ]  # fmt: skip
    return [item for item in found if item is not None]


def _mode(state: CameraState) -> Item:
    why = "Aperture and time must be yours alone, or the camera evens out what you want to show"
    setting = state.settings.get("mode")
    manual = None if setting is None else dialects.is_manual_mode(setting)
    if setting is None or manual is None:
        return _ask("exposure mode", "M", "the camera does not tell it", why, "See that its mode dial stands on M")
    if manual:
        return _fine("exposure mode", "M", setting.current, why)
    return _wrong(setting, "exposure mode", "M", why, "Turn the mode dial on the camera to M", ("M", "Manual"), False)


def _focus(state: CameraState) -> Item:
    why = "Autofocus would focus anew before each frame, and another spot"
    setting = state.settings.get("focus_mode")
    manual = None if setting is None else dialects.is_manual_focus(setting)
    if setting is None or manual is None:
        return _ask("focus", "manual", "the camera does not tell it", why, "Switch lens and body to manual focus")
    if manual:
        return _fine("focus", "manual", setting.current, why)
    todo = "Switch the lens or body to manual focus, so that the focus stays where you put it"
    return _wrong(setting, "focus", "manual", why, todo, ("Manual", "MF", "Manual Focus"))


def _stabiliser(state: CameraState, plan: Plan | None) -> Item | None:
    if plan is not None and plan.inputs.brief.get("kit", {}).get("support", "tripod") != "tripod":
        return None  # in the hand it helps
    why = "On a tripod it wanders, and shifts the frame from picture to picture"
    setting = state.settings.get("stabiliser")
    if setting is None or not setting.current:
        todo = "Switch it off at lens and body, where they have one"
        return _ask("stabiliser", "off", "the camera does not tell it", why, todo)
    if _is_off(setting):
        return _fine("stabiliser", "off", setting.current, why)
    return _wrong(setting, "stabiliser", "off", why, "Switch it off at the lens or in the menu", ("Off", "0"))


def _auto_iso(state: CameraState) -> Item:
    why = "It changes the brightness behind your back"
    automatic = dialects.is_auto_iso(state)
    if automatic is None:
        todo = "Switch automatic ISO off in the camera's menu"
        return _ask("automatic ISO", "off", "the camera does not tell it", why, todo)
    iso, switch = state.settings.get("iso"), state.settings.get("iso_auto")
    if not automatic:
        return _fine("automatic ISO", "off", f"ISO {iso.current}" if iso is not None else "off", why)
    todo = "Switch automatic ISO off in the camera's menu"
    if switch is not None and switch.current.lower() == "on":
        return _wrong(switch, "automatic ISO", "off", why, todo, ("Off",))
    shown = iso.current if iso is not None else "on"
    # The run sets a plain ISO for each frame, which ends it.
    if iso is not None and iso.writable:
        return _fine("automatic ISO", "off", f"{shown}; each frame sets its own ISO", why)
    return Item(item="automatic ISO", wanted="off", found=shown, how="wrong", why=why, todo=todo)


def _bias(state: CameraState) -> Item | None:
    setting = state.settings.get("exposure_bias")
    if setting is None:
        return None
    why = "Some bodies move the time or ISO by it even on M"
    stops = dialects.bias_stops(setting)
    if stops is None or stops == 0:
        return _fine("exposure bias", "0", setting.current or "not told", why)
    zero = [
        label for label in setting.labels if dialects.bias_stops(setting.model_copy(update={"current": label})) == 0
    ]
    return _wrong(setting, "exposure bias", "0", why, "Set the exposure compensation to 0", zero, shown=f"{stops:+g}")


def _balance(state: CameraState) -> list[Item]:
    why = "An automatic one shifts colours, and with them brightness, from frame to frame"
    wanted = "fixed, best in kelvin"
    todo = "Choose a fixed one in kelvin, or daylight"
    setting = state.settings.get("white_balance")
    if setting is None or not setting.current:
        return [_ask("white balance", wanted, "the camera does not tell it", why, todo)]
    if dialects.is_auto_balance(setting):
        return [_wrong(setting, "white balance", wanted, why, todo, ("Color Temperature", "Daylight", "Sunny"))]
    kelvin = state.settings.get("colour_temperature")
    by_kelvin = kelvin is not None and ("temperature" in setting.current.lower() or "kelvin" in setting.current.lower())
    shown = f"{setting.current}, {kelvin.current} K" if by_kelvin and kelvin is not None else setting.current
    return [_fine("white balance", wanted, shown, why)]


def _plain(state: CameraState, name: str, item: str, why: str) -> Item:
    """Something that is to be off."""
    setting = state.settings.get(name)
    if setting is None or not setting.current:
        return _ask(item, "off", "the camera does not tell it", why, "Switch it off in the camera's menu")
    if _is_off(setting):
        return _fine(item, "off", setting.current, why)
    return _wrong(setting, item, "off", why, "Switch it off in the camera's menu", ("Off",))


def _steady(state: CameraState, name: str, item: str, why: str) -> Item:
    """Something that may be anything, if it stays so."""
    setting = state.settings.get(name)
    if setting is None or not setting.current:
        todo = "Leave it at one setting; off, to see the sensor's own noise"
        return _ask(item, "the same for all frames", "the camera does not tell it", why, todo)
    if setting.current.lower() == "auto":
        return _wrong(setting, item, "the same for all frames", why, "Switch it off in the camera's menu", ("Off",))
    return _fine(item, "the same for all frames", setting.current, why)


def _long_exposures(state: CameraState, frames: Sequence[ExposeStep]) -> Item | None:
    longest = max((step.settings.time.exact for step in frames), default=0.0)
    if frames and longest < EYEPIECE_S:
        return None
    why = "It takes a dark frame as long as each long exposure, and doubles their time"
    setting = state.settings.get("long_exposure_reduction")
    if setting is None or not setting.current:
        todo = "Look it up in the camera's menu; with it a run takes longer than told"
        return _ask("long exposure noise reduction", "known", "the camera does not tell it", why, todo)
    return _fine("long exposure noise reduction", "known", setting.current, why)


def _format(state: CameraState) -> Item:
    why = "Brightness and sharpness are read from JPEGs; RAW beside them leaves room for work at home"
    setting = state.settings.get("image_format")
    if setting is None or not setting.current:
        return _ask("image format", "JPEG, or RAW with JPEG", "the camera does not tell it", why, "See its menu")
    only_raw = dialects.keeps_raw(setting.current) and dialects.files_expected(setting.current) == 1
    if not only_raw:
        return _fine("image format", "JPEG, or RAW with JPEG", setting.current, why)
    pairs = [label for label in setting.labels if dialects.keeps_raw(label) and dialects.files_expected(label) == 2]
    todo = "Choose RAW with JPEG in the camera's menu"
    return _wrong(setting, "image format", "JPEG, or RAW with JPEG", why, todo, pairs)


def _shutter(state: CameraState, frames: Sequence[ExposeStep]) -> Item:
    why = "The mirror's and shutter's shock blurs frames of about 1/60 s to 1 s"
    wanted = "a delay after the mirror, or an electronic first curtain"
    fast = any(
        step.settings.time.exact < CURTAIN_S * 0.98 and step.settings.aperture.exact <= WIDE_OPEN for step in frames
    )
    if fast:
        wanted = "a delay after the mirror"
        why += "; an electronic first curtain would shade this plan's frames that are faster than 1/1000 s wide open"
    setting = state.settings.get("shutter_delay")
    if setting is None or not setting.current:
        return _ask("shutter shock", wanted, "the camera does not tell it", why, f"Set {wanted} in its menu")
    if not _is_off(setting):
        return _fine("shutter shock", wanted, f"delay {setting.current}", why)
    return _ask("shutter shock", wanted, f"delay {setting.current}", why, f"Set {wanted}, where the body has it")


def _eyepiece(frames: Sequence[ExposeStep]) -> Item | None:
    longest = max((step.settings.time.exact for step in frames), default=0.0)
    if longest <= EYEPIECE_S:
        return None
    why = f"Light through the eyepiece shows in exposures over {EYEPIECE_S:g} s, and this plan has {longest:g} s"
    return _ask("eyepiece", "covered", "no camera tells it", why, "Cover it; a mirrorless body needs no cover")


def _strap() -> Item:
    why = "A strap in the wind shakes the tripod; stray light lifts the shadows, and not alike in all frames"
    return _ask(
        "strap and hood", "strap off or tied, hood on", "no camera tells it", why, "Tie the strap; fit the hood"
    )


def _supplies(state: CameraState, plan: Plan | None, disk_free: int | None) -> list[Item]:
    found = [_battery(state)]
    frame = frame_bytes(state.settings.get("image_format"), plan_pixels(plan))
    count = 1 if plan is None else plan.estimate.frames + 3 * plan.estimate.control_frames
    need = count * frame
    wanted = f"{need / 1e9:.2f} GB for about {count} frames"
    why = "A run that stops for want of room stops in the middle of a comparison"
    if state.free_bytes is None:
        found.append(_ask("card", wanted, "the camera does not tell its room", why, "Look at the frames left"))
    else:
        shown = f"{state.free_bytes / 1e9:.2f} GB free"
        todo = "Put in an empty card"
        found.append(_enough("card", wanted, shown, state.free_bytes >= need, why, todo, state.free_bytes >= frame))
    if disk_free is not None:
        shown = f"{disk_free / 1e9:.1f} GB free"
        todo = "Make room where the pictures are stored, or name another place with --store"
        fits = disk_free >= need + _DISK_SPARE
        found.append(_enough("disk", wanted, shown, fits, why, todo, disk_free >= frame + _DISK_SPARE))
    return found


def _battery(state: CameraState) -> Item:
    why = "A change of battery touches the tripod in the middle of a series"
    wanted = f"{LOW_BATTERY} % and more"
    if state.battery is None:
        return _ask("battery", wanted, "the camera does not tell it", why, "Look at its display")
    fits = state.battery >= LOW_BATTERY
    todo = "Put in a charged one now"
    return _enough("battery", wanted, f"{state.battery} %", fits, why, todo, state.battery >= EMPTY_BATTERY)


def _clock() -> Item:
    why = "Pictures are found again by their time, also after a cable was lost"
    wanted = "within two minutes of this computer's"
    return _ask("camera clock", wanted, "read from the first frame", why, "Set it, if you know that it is wrong")


def _power_off(state: CameraState, plan: Plan | None) -> Item:
    why = "A camera that falls asleep while hands are busy loses the link"
    setting = state.settings.get("power_off")
    if setting is None or not setting.current:
        todo = "Set the power-off timer to its longest, or off"
        return _ask("power-off timer", "off or its longest", "the camera does not tell it", why, todo)
    if setting.current.lower() in _NEVER:
        return _fine("power-off timer", "off or its longest", setting.current, why)
    lengths = {label: length for label in setting.labels if (length := _length_s(label)) is not None}
    if lengths and _length_s(setting.current) == max(lengths.values()) and not _never(setting):
        return _fine("power-off timer", "off or its longest", setting.current, why)
    never = _never(setting) or sorted(lengths, key=lengths.__getitem__)[-1:]
    return _wrong(setting, "power-off timer", "off or its longest", why, "Set it off in the menu", never)


def _never(setting: SettingState) -> list[str]:
    return [label for label in setting.labels if label.lower() in _NEVER]


def _length_s(label: str) -> float | None:
    """How long a timer of that label runs: ``30 minutes``, ``8 s``; None: it is not told so. [s]"""
    told = re.fullmatch(r"(\d+) ?(s|m|h)[a-z]*", label.strip().lower())
    return None if told is None else float(told[1]) * {"s": 1, "m": 60, "h": 3600}[told[2]]


def _is_off(setting: SettingState) -> bool:
    return setting.current.strip().lower() in _OFF


def _fine(item: str, wanted: str, found: str, why: str) -> Item:
    return Item(item=item, wanted=wanted, found=found, how="verified", why=why)


def _ask(item: str, wanted: str, found: str, why: str, todo: str) -> Item:
    return Item(item=item, wanted=wanted, found=found, how="asked", why=why, todo=todo)


def _enough(item: str, wanted: str, found: str, fits: bool, why: str, todo: str, skippable: bool) -> Item:
    if fits:
        return _fine(item, wanted, found, why)
    return Item(item=item, wanted=wanted, found=found, how="wrong", why=why, todo=todo, skippable=skippable)


def _wrong(
    setting: SettingState,
    item: str,
    wanted: str,
    why: str,
    todo: str,
    labels: Sequence[str],
    skippable: bool = True,
    shown: str = "",
) -> Item:
    """Found otherwise than wanted: settable where the camera offers one of ``labels`` and lets itself be told."""
    words = {label.lower(): label for label in setting.labels}
    label = next((words[word.lower()] for word in labels if word.lower() in words), "")
    settable = bool(label) and setting.writable
    return Item(
        item=item,
        wanted=wanted,
        found=shown or setting.current,
        how="set" if settable else "wrong",
        why=why,
        todo="" if settable else todo,
        setting=setting.name if settable else "",
        label=label if settable else "",
        skippable=skippable,
    )
