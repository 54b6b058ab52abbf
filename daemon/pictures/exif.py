"""What a frame's own Exif says, and whether the frame was shot as planned.

Exif is written by the camera and may hold anything: zero denominators, an f-number of 0 from a lens without contacts,
a date in 2216, text where a number belongs. A value that makes no sense counts as missing, and missing is shown as
"unverified", never as agreement.

Tag numbers and the APEX relations (t = 2^-Tv, N = 2^(Av/2)) are those of the Exif standard (CIPA DC-008), read by way
of the tag lists of two Exif libraries.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from daemon.pictures.opening import opened_jpeg, without_decoder_warnings
from plans.plan import MarkValue, Settings
from plans.stops import Kind, Scale, light_of

_MAKE, _MODEL, _EXIF_IFD = 271, 272, 0x8769
_EXPOSURE_TIME, _F_NUMBER, _SENSITIVITY, _SENSITIVITY_TYPE = 33434, 33437, 34855, 34864
_STANDARD_OUTPUT, _RECOMMENDED_INDEX, _ISO_SPEED = 34865, 34866, 34867
_TAKEN, _OFFSET, _SUBSEC, _TIME_APEX, _APERTURE_APEX, _FOCAL_LENGTH = 36867, 36881, 37521, 37377, 37378, 37386

# PhotographicSensitivity is 16 bits wide; 65535 says that the value is in another tag, and SensitivityType in which.
_SENSITIVITY_ELSEWHERE = 65535
_SENSITIVITY_TAGS = {
    1: (_STANDARD_OUTPUT,),
    2: (_RECOMMENDED_INDEX,),
    3: (_ISO_SPEED,),
    4: (_STANDARD_OUTPUT, _RECOMMENDED_INDEX),
    5: (_STANDARD_OUTPUT, _ISO_SPEED),
    6: (_RECOMMENDED_INDEX, _ISO_SPEED),
    7: (_STANDARD_OUTPUT, _RECOMMENDED_INDEX, _ISO_SPEED),
}
_LONGEST_TEXT = 64


class ExifFacts(BaseModel):
    """What the Exif of one frame tells; None where it tells nothing that makes sense.

    ``exposure_s`` [s], ``f_number`` [unitless], ``iso`` [unitless], ``focal_length_mm`` [mm]. ``taken``, ``subsec`` and
    ``offset`` are the camera's text as written: camera clocks are often wrong and seldom say their zone. ``width`` and
    ``height`` are those of the picture as stored, before any turning. [px]
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    taken: str | None = None
    subsec: str | None = None
    offset: str | None = None
    focal_length_mm: float | None = None
    width: int | None = None
    height: int | None = None
    make: str | None = None
    model: str | None = None


class ExifCheck(BaseModel):
    """One planned setting held against the Exif. ``agrees`` None: the Exif cannot tell.

    ``held`` is how long the computer held the shutter open, which no Exif tells.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: Literal["aperture", "time", "iso", "focus", "filters", "held"]
    planned: str
    found: str
    agrees: bool | None


def read_exif(path: Path) -> ExifFacts:
    """The Exif facts of a JPEG; a JPEG without Exif, or with broken Exif, gives its size alone.

    Raises
    ------
    PictureUnreadable
        If ``path`` is no JPEG that can be opened (see `opened_jpeg`).
    """
    with opened_jpeg(path) as image:
        width, height = image.size
        main: Mapping[int, Any] = {}
        detail: Mapping[int, Any] = {}
        try:
            with without_decoder_warnings():
                exif = image.getexif()
                main = dict(exif)
                detail = exif.get_ifd(_EXIF_IFD)
        except Exception:  # a foreign parser on hostile data: whatever it raises means that the Exif is broken
            pass
    return ExifFacts(
        exposure_s=_positive(detail.get(_EXPOSURE_TIME)) or _from_apex(detail.get(_TIME_APEX), -1.0),
        f_number=_positive(detail.get(_F_NUMBER)) or _from_apex(detail.get(_APERTURE_APEX), 0.5),
        iso=_sensitivity(detail),
        taken=_text(detail.get(_TAKEN)),
        subsec=_text(detail.get(_SUBSEC)),
        offset=_text(detail.get(_OFFSET)),
        focal_length_mm=_positive(detail.get(_FOCAL_LENGTH)),
        width=width,
        height=height,
        make=_text(main.get(_MAKE)),
        model=_text(main.get(_MODEL)),
    )


def against_plan(facts: ExifFacts, settings: Settings, scales: Mapping[Kind, Scale]) -> list[ExifCheck]:
    """Hold a frame's Exif against the settings it was meant to have.

    A value agrees when the scale's mark nearest to it is the planned one, and it lies within half a step of that mark:
    a value far beyond the end of the scale has a nearest mark too. What Exif does not tell is "unverified"; focus and
    filters, which no Exif tells reliably, are "by operator". Both have ``agrees`` None, as has a setting whose scale is
    not in ``scales`` or does not hold the planned mark.
    """
    asked: tuple[tuple[Kind, MarkValue, float | None], ...] = (
        ("aperture", settings.aperture, facts.f_number),
        ("time", settings.time, facts.exposure_s),
        ("iso", settings.iso, facts.iso),
    )
    checks = [_check(kind, planned, value, scales.get(kind)) for kind, planned, value in asked]
    focus = f"{settings.focus.subject or 'no subject'} at {settings.focus.distance_m:.3g} m"
    filters = " + ".join(item.name for item in settings.filters) or "none"
    return [
        *checks,
        ExifCheck(kind="focus", planned=focus, found="by operator", agrees=None),
        ExifCheck(kind="filters", planned=filters, found="by operator", agrees=None),
    ]


def _check(kind: Kind, planned: MarkValue, value: float | None, scale: Scale | None) -> ExifCheck:
    if value is None:
        return ExifCheck(kind=kind, planned=planned.mark, found="unverified", agrees=None)
    written = f"{value:.4g}"
    wanted, nearest = (scale.nearest(planned.exact), scale.nearest(value)) if scale else (None, None)
    if scale is None or wanted is None or nearest is None:
        return ExifCheck(kind=kind, planned=planned.mark, found=f"{written}, scale unknown", agrees=None)
    half_step = float(scale.step) / 2 + 1e-6
    if abs(float(wanted.light) - light_of(kind, planned.exact)) > 1e-3:
        found = f"{written}, planned mark not on the scale"
        return ExifCheck(kind=kind, planned=planned.mark, found=found, agrees=None)
    if abs(float(nearest.light) - light_of(kind, value)) > half_step:
        return ExifCheck(kind=kind, planned=planned.mark, found=f"{written}, off the scale", agrees=False)
    return ExifCheck(kind=kind, planned=planned.mark, found=nearest.label, agrees=nearest == wanted)


def _number(value: Any) -> float | None:
    """A finite number out of whatever a tag holds, or None."""
    if isinstance(value, tuple | list) and value:
        value = value[0]
    if isinstance(value, str | bytes | bool) or value is None:
        return None
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return number if math.isfinite(number) else None


def _positive(value: Any) -> float | None:
    number = _number(value)
    return number if number is not None and number > 0 else None


def _from_apex(value: Any, factor: float) -> float | None:
    """2 to the power of an APEX value times ``factor``; None outside any camera's range."""
    number = _number(value)
    return 2.0 ** (factor * number) if number is not None and abs(number) <= 32 else None


def _sensitivity(detail: Mapping[int, Any]) -> float | None:
    iso = _positive(detail.get(_SENSITIVITY))
    if iso is not None and iso != _SENSITIVITY_ELSEWHERE:
        return iso
    kind = _number(detail.get(_SENSITIVITY_TYPE))
    tags = _SENSITIVITY_TAGS.get(int(kind) if kind is not None else 0, _SENSITIVITY_TAGS[7])
    return next((found for tag in tags if (found := _positive(detail.get(tag))) is not None), None)


def _text(value: Any) -> str | None:
    """Text without control characters, at most 64 long; None when nothing but blanks and colons is left.

    The standard lets a camera that does not know the date write blanks between the colons.
    """
    if isinstance(value, bytes):
        value = value.decode("latin-1")
    if not isinstance(value, str):
        return None
    clean = "".join(char for char in value.split("\0")[0] if char.isprintable())[:_LONGEST_TEXT].strip()
    return clean if clean.strip(": ") else None
