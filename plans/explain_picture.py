"""What the settings of one step do to the picture, in numbers, each beside what it is for the eye."""

from __future__ import annotations

import math

from plans.goals import words
from plans.plan import ExposeStep, Predicted
from plans.step_words import step_number

_SEEN = 1.05  # numbers that differ by less are told as the same
_PIXELS_SEEN = 2.0  # from so many pixels on a disc softens what is looked at full size; common practice, no source
_BEYOND = 2.0  # frames' heights from which on a length on the sensor says nothing more
_DB_A_STOP = 10 * math.log10(2)


def noise_factor(stops: float) -> float:
    """How many times weaker the signal-to-noise ratio is with so many stops less light: sqrt(2)^stops. [unitless]

    References
    ----------
    Photons arrive by Poisson's law: the standard deviation is the square root of the mean, so signal over noise goes
    with the square root of the light. The sensor's own read noise, which counts in the dark, is left out.
    """
    return float(2 ** (stops / 2))


def noise_db(stops: float) -> float:
    """The same in decibels: 20 log10 of the factor, 3.01 a stop. [dB]"""
    return stops * _DB_A_STOP


def pixels(value: float) -> str:
    """A width in pixels: ``4.1 px``."""
    return f"{words.figures(value, 2) if value < 10 else round(value)} px"


def _times(value: float, other: float, reference: str, how: str = "much") -> str:
    """How a number compares with the reference's: ``; 512 times as much as in step 3``."""
    if not (value > 0 and other > 0) or 1 / _SEEN < value / other < _SEEN:
        return ""
    if value > other:
        return f"; {_ratio(value / other)} times as {how} as in {reference}"
    return f"; {_ratio(other / value)} times less than in {reference}"


def _ratio(value: float) -> str:
    return words.figures(value, 2) if value < 100 else str(round(value))


def _sharp(seen: Predicted, focus_m: float) -> str:
    """Near and far limit, and how the depth lies about the focus."""
    before = f"{words.figures(focus_m - seen.near_m, 2)} m"
    behind = "everything" if seen.far_m is None else f"{words.figures(seen.far_m - focus_m, 2)} m"
    coc = f", within a circle of confusion of {words.millimetres(seen.coc_mm)}" if seen.coc_mm is not None else ""
    return f"{words.sharp(seen.near_m, seen.far_m)}: {before} before the focus and {behind} behind it{coc}"


def _depth_m(seen: Predicted) -> float:
    """Depth of the sharp range; nought where it is infinite. [m]"""
    return 0.0 if seen.far_m is None else seen.far_m - seen.near_m


def _smear(name: str, seen: Predicted) -> str:
    length, share = seen.smear_mm[name], seen.smear_share.get(name, 0.0)
    if share >= _BEYOND:
        return f"{words.the(name)} moves {_ratio(share)} times the frame's height while the shutter is open"
    text = f"{words.the(name)} smears {words.millimetres(length)} on the sensor"
    if name in seen.smear_px:
        text += f" = {pixels(seen.smear_px[name])}"
    if name in seen.smear_share:
        text += f", {words.percent(share)} of the frame's height"
    if seen.coc_mm is not None:
        if length <= seen.coc_mm:
            text += "; it looks still"
        else:
            text += f"; that is {_ratio(length / seen.coc_mm)} times the circle of confusion"
    return text


def _diffraction(seen: Predicted, pitch_mm: float | None) -> str:
    text = f"diffraction spreads every point to {words.millimetres(seen.airy_mm)}"
    wide = seen.airy_mm / pitch_mm if pitch_mm else None
    if wide is not None:
        text += f" = {pixels(wide)}"
    if seen.coc_mm is not None:
        over = seen.airy_mm > seen.coc_mm
        text += ", more than the circle of confusion" if over else ", within the circle of confusion"
        if wide is not None and not over and wide > _PIXELS_SEEN:
            text += f"; over {_PIXELS_SEEN:g} px it begins to soften what is looked at full size"
    return text


def _share_of_light(stops: float) -> str:
    """The light that is left of one after so many stops less: ``1/8``, ``79 %``."""
    if abs(stops - round(stops)) < 1e-6 and stops > 0:
        return f"1/{2 ** round(stops)}"
    return words.percent(2.0**-stops)


def _noise(step: ExposeStep, above: float) -> str:
    """ISO above the lowest native one, and what that and the brightness meant do to noise."""
    if abs(above) < 1e-6:
        text = "ISO: the lowest native one"
    else:
        text = f"ISO: {words.stops(abs(above))} {'above' if above > 0 else 'below'} the lowest native one"
    less = above - step.intended_offset  # light on the sensor against a right picture at the lowest native ISO
    if less > 1e-6:
        told = f"{_share_of_light(less)} of the light makes the picture, so the signal-to-noise ratio is"
        return f"{text}; {told} {words.figures(noise_factor(less), 2)} times smaller ({noise_db(less):.0f} dB)"
    if less < -1e-6:
        gain = f"{words.figures(noise_factor(-less), 2)} times larger ({noise_db(-less):.0f} dB)"
        told = f"more light makes the picture, so the signal-to-noise ratio is {gain}"
        return f"{text}; {told}, and bright parts burn out sooner"
    return f"{text}, with the least noise" if abs(above) < 1e-6 else text


def picture_lines(step: ExposeStep, reference: ExposeStep | None, pitch_mm: float | None) -> list[str]:
    """What the settings do to the picture, a sentence each.

    Parameters
    ----------
    step
        The picture.
    reference
        The picture that it is compared with; None: itself.
    pitch_mm
        Distance of two pixels on the sensor; None: not known. [mm]
    """
    seen = step.predicted
    other, name = (reference.predicted, step_number(reference.id)) if reference is not None else (seen, "")
    lines = [_sharp(seen, step.settings.focus.distance_m) + _times(_depth_m(seen), _depth_m(other), name, "deep")]
    for subject, smear in seen.smear_mm.items():
        lines.append(_smear(subject, seen) + _times(smear, other.smear_mm.get(subject, 0.0), name))
    if seen.background_disc_mm is not None:
        share = words.percent(seen.background_disc_share or 0.0)
        disc = f"a point of the background spreads to {words.millimetres(seen.background_disc_mm)}, {share} of the "
        lines.append(f"{disc}frame's width{_times(seen.background_disc_mm, other.background_disc_mm or 0.0, name)}")
    lines.append(_diffraction(seen, pitch_mm))
    if seen.iso_above_base is not None:
        lines.append(_noise(step, seen.iso_above_base))
    return lines
