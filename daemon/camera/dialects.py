"""What makers call a setting, what their labels mean, and which scales a camera offers.

The names are those that the camera library gives its widgets; they were read from its published configuration trees.
The library runs in the C locale, so that labels are its own words and never a translation; where the camera also
tells the code behind a label, the code decides.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING

from daemon.errors import CameraError
from plans.stops import (
    KINDS,
    Kind,
    Mark,
    Scale,
    Series,
    best_series,
    explained,
    label_value,
    place_values,
    printed_values,
    series_marks,
)

if TYPE_CHECKING:  # the camera process reads the tables only, and starts faster without pydantic
    from daemon.camera.verbs import CameraState, SettingName, SettingState

# Our name: the library's names for it, the more exact first. Order of the table: the order in which settings are sent.
WIDGETS: dict[SettingName, tuple[str, ...]] = {
    "mode": ("expprogram", "autoexposuremodedial", "autoexposuremode", "shootingmode"),
    "capture_target": ("capturetarget",),
    "image_format": ("imageformat", "imagequality", "imgquality", "imagesize"),
    "image_size": ("imagesize",),
    "focus_mode": ("focusmode", "focusmode2"),
    "white_balance": ("whitebalance",),
    "colour_temperature": ("colortemperature",),
    "brightness_aid": ("dlighting", "alomode"),
    "wide_range": ("hdrmode",),
    "noise_reduction": ("highisonr",),
    "long_exposure_reduction": ("longexpnr",),
    "iso_auto": ("isoauto", "autoiso"),
    "stabiliser": ("imagestabilization", "d138"),
    "picture_style": ("picturestyle", "optimizeimage"),
    "lens_correction": ("autodistortioncontrol",),
    "vignette_correction": ("vignettecorrection",),
    "shutter_delay": ("exposuredelaymode",),
    "power_off": ("autopoweroff", "meterofftime"),
    "exposure_bias": ("exposurecompensation", "exposurecompensation2"),
    "iso": ("iso",),
    "aperture": ("aperture", "f-number"),
    "time": ("shutterspeed2", "shutterspeed"),
}

# Standard property behind a widget, as the library lists it among the raw ones. Source: ISO 15740; 0xD100 is measured.
TWINS: dict[str, str] = {
    "whitebalance": "5005",
    "f-number": "5007",
    "focusmode": "500a",
    "shutterspeed": "500d",
    "expprogram": "500e",
    "iso": "500f",
    "exposurecompensation": "5010",
    "shutterspeed2": "d100",
}

# Raw properties that mean something with one maker only: what the library calls them there. Found by advertising every
# number of vendor extension 10 to it; no body was asked. That 0 is off there is common practice, no source.
RAW_ONLY: dict[str, str] = {"d138": "VibrationReduction"}

# The library's switches for a shutter that is held open, with the values that open and close it. The first is
# measured; the second is from the trees and has not been tried.
HOLDS: tuple[tuple[str, str, str], ...] = (("bulb", "1", "0"), ("eosremoterelease", "Press Full", "Release Full"))
_BULB_CODES = ("429496.7295s",)  # all ones in tenths of a millisecond

_CARD = ("memory card", "card", "card+sdram")  # the order of preference
_MANUAL_MODE = ("m", "manual")
_MANUAL_FOCUS = ("manual", "mf", "manual focus", "mf (fixed)", "mf (selection)", "preset mf")
_RAW_WORDS = ("raw", "nef", "craw")
MINUTES = re.compile(r"[1-9]\d?\s*m(in)?")
CUT = re.compile(r"\d+\.\d{4}s")
_ISO_CODES = (65533.0, 65534.0, 65535.0)
# Numbers outside are codes: a "time" of 429496.7295 s for bulb, f/655.35 for no lens. [f-number, s, ISO speed]
_PLAUSIBLE: dict[Kind, tuple[float, float]] = {
    "aperture": (0.5, 128.0),
    "time": (1e-6, 1000.0),
    "iso": (3.0, 10_000_000.0),
}
_LONGEST_S = 3600.0  # whole seconds up to an hour are times; codes are longer or odd (4294.967295 s) [s]


def card_label(labels: Sequence[str]) -> str | None:
    """The label of a capture target that keeps pictures on the card, or None."""
    by_word = {label.lower(): label for label in labels}
    return next((by_word[word] for word in _CARD if word in by_word), None)


def bulb_label(labels: Sequence[str]) -> str | None:
    """The label of a time that lasts as long as the shutter is held open, or None."""
    return next((label for label in labels if label.lower() == "bulb" or label in _BULB_CODES), None)


def is_card(label: str) -> bool:
    """Whether pictures go to the card under this capture target."""
    return label.lower() in _CARD


def _code(setting: SettingState) -> int | None:
    text = setting.raw or ""
    return int(text) if re.fullmatch(r"\d+", text) else None


def is_manual_mode(setting: SettingState) -> bool | None:
    """Whether aperture and time are both the photographer's; None when the camera does not tell.

    Source: ISO 15740, exposure program mode 1 is manual.
    """
    if setting.widget == "expprogram" and _code(setting) is not None:
        return _code(setting) == 1
    return setting.current.lower() in _MANUAL_MODE if setting.current else None


def is_manual_focus(setting: SettingState) -> bool | None:
    """Whether the lens stays where it was focused; None when the camera does not tell. Source: ISO 15740, mode 1."""
    if setting.widget == "focusmode" and _code(setting) is not None:
        return _code(setting) == 1
    if not setting.current or setting.current.lower() == "undefined":
        return None
    return setting.current.lower() in _MANUAL_FOCUS


def is_auto_balance(setting: SettingState) -> bool | None:
    """Whether the white balance wanders from frame to frame; None when untold. Source: ISO 15740, code 2."""
    if setting.widget == "whitebalance" and _code(setting) is not None and (_code(setting) or 0) < 0x8000:
        return _code(setting) == 2
    if not setting.current:
        return None
    word = setting.current.lower()
    return word.startswith(("auto", "awb")) or word.endswith(" auto")


def bias_stops(setting: SettingState) -> float | None:
    """Exposure compensation, or None when it is no number. Some bodies tell thousandths. [stops]"""
    try:
        value = float(setting.current)
    except ValueError:
        return None
    return value / 1000 if abs(value) >= 100 else value


def is_auto_iso(state: CameraState) -> bool | None:
    """Whether the camera chooses the ISO; None when it tells no ISO at all."""
    iso = state.settings.get("iso")
    switch = state.settings.get("iso_auto")
    if switch is not None and switch.current.lower() == "on":
        return True
    if iso is None or not iso.current:
        return None
    return plain_value("iso", iso.current) is None


def files_expected(image_format: str) -> int:
    """How many files one exposure makes: two for a pair of RAW and JPEG."""
    return 2 if "+" in image_format.strip("+ ") else 1


def keeps_raw(image_format: str) -> bool:
    """Whether the format holds RAW files."""
    words = re.split(r"[^a-z]+", image_format.lower())
    return any(word in words or word in ("mraw", "sraw") for word in _RAW_WORDS)


def plain_value(kind: Kind, label: str) -> float | None:
    """The number in a label that stands for itself: no code for auto, bulb or flash sync, no minutes."""
    if kind == "time" and (re.match(r"655\d\d/", label) or MINUTES.fullmatch(label)):
        return None
    try:
        value = label_value(kind, label)
    except ValueError:
        return None
    if kind == "iso" and value in _ISO_CODES:
        return None
    low, high = _PLAUSIBLE[kind]
    by_clock = kind == "time" and value.is_integer() and value <= _LONGEST_S
    return value if low <= value <= high or by_clock else None


@dataclass(frozen=True)
class Reading:
    """A scale with the camera's own label for each of its marks."""

    scale: Scale
    labels: Mapping[Mark, str]


def read_labels(kind: Kind, labels: Sequence[str]) -> Reading:
    """As `_read_labels`; what was read lately is remembered, since a camera's choices seldom change."""
    return _read_labels(kind, tuple(labels))


@lru_cache(maxsize=32)
def _read_labels(kind: Kind, labels: tuple[str, ...]) -> Reading:
    """The scale behind a camera's labels, in marks for people (f/5.6, 0.8), with the camera's label for each.

    The series is `plans.stops.best_series`; a label off it (a lens that opens to f/1.8 on a scale in halves) gets its
    value from `plans.stops.place_values`. Bulb, auto and other codes are left out.

    Whole minutes carry on a scale of seconds and mean nothing without one.

    A scale written in ten-thousandths of a second (``0.0166s``) is cut off, not exact: there a label that several
    marks share (``0.0001s``) is left out as well.
    """
    values = {label: value for label in labels if (value := plain_value(kind, label)) is not None}
    cut = kind == "time" and bool(values) and all(CUT.fullmatch(label) for label in values)
    if kind == "time" and values and not cut:
        values |= {label: label_value(kind, label) for label in labels if MINUTES.fullmatch(label)}
    if cut:
        best, places = _cut_series(values)
    else:
        distinct = list(dict.fromkeys(values.values()))
        best, found = best_series(kind, distinct)
        lights = place_values(kind, distinct, best, found)
        places = {label: lights[value] for label, value in values.items()}
    pairs: dict[Mark, str] = {}
    for label, light in places.items():
        mark = Mark(kind, _for_people(kind, label, light), light)
        if not any(known.light == light for known in pairs):
            pairs[mark] = label
    return Reading(Scale(kind, tuple(sorted(pairs, key=lambda mark: mark.exact)), best), pairs)


def _cut_series(values: Mapping[str, float]) -> tuple[Series, dict[str, Fraction]]:
    """The series of times that the library cuts off after the fourth decimal, and the place of each label that has one.

    ``unknown`` and no places when no series explains half of them.
    """
    best: Series = "unknown"
    places: dict[str, Fraction] = {}
    order: tuple[Series, ...] = ("full", "halves", "thirds")
    for series in order:
        found = _cut_places(values, series)
        if len(found) > len(places):
            best, places = series, found
    return (best, places) if 2 * len(places) >= len(values) else ("unknown", {})


def _cut_places(values: Mapping[str, float], series: Series) -> dict[str, Fraction]:
    # From here on the makers' own rounding is coarser than the cut: 0.7692 is the mark 0.8.
    slow = {value: label for label, value in values.items() if value >= 0.2}
    places = {slow[value]: place for value, place in explained("time", list(slow), series).items()}
    shortest = min(values.values())
    for label, value in values.items():
        fits = cut_fits(value, series)
        # Bodies end at a full stop (common practice): the shortest label 0.0002s is 1/4000, and 1/5000 is not offered.
        ends = len(fits) > 1 and value == shortest and max(fits).denominator == 1
        if value < 0.2 and (len(fits) == 1 or ends):
            places[label] = max(fits)
    return places


def cut_fits(value: float, series: Series) -> list[Fraction]:
    """The places of a series whose printed times are cut off to ``value`` [s]. [stops]"""
    shown = printed_values("time", series).items()
    return [place for place, printed in shown if int(printed * 10_000 + 1e-6) == round(value * 10_000)]


def _for_people(kind: Kind, label: str, light: Fraction) -> str:
    if kind == "aperture":
        return f"f/{label_value(kind, label):g}"
    if kind == "iso":
        return f"{label_value(kind, label):g}"
    for series in ("thirds", "halves"):
        for mark in series_marks("time", series):
            if mark.light == light:
                return mark.label
    return f"{label_value(kind, label):g}" if MINUTES.fullmatch(label) else re.sub(r"\s*s$", "", label)


def refuses_to_tell(names: Iterable[str]) -> CameraError:
    """The error for settings that a camera has and does not tell, by our names."""
    shown = " and ".join(name.replace("_", " ") for name in names)
    return CameraError(
        f"The camera has a setting for its {shown} and refuses to tell it, or is too busy to; it was asked again and "
        "again. Leave its menu or playback, see that its mode dial stands on M, or switch it off and on."
    )


def camera_readings(state: CameraState) -> dict[Kind, Reading]:
    """Scale and labels of aperture, time and ISO, as far as the camera offers them."""
    readings = {}
    for kind in KINDS:
        setting = state.settings.get(kind)
        if setting is None:
            continue
        reading = read_labels(kind, setting.labels)
        if reading.scale.marks:
            readings[kind] = reading
    return readings


def camera_scales(state: CameraState) -> dict[Kind, Scale]:
    """The scales that a camera offers, in marks for people. Bulb, auto and codes are left out.

    A setting that the camera lacks, or whose choices it does not list, is not in the result.
    """
    return {kind: reading.scale for kind, reading in camera_readings(state).items()}
