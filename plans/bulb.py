"""Times beyond those that a shutter keeps by itself: marks of the same series, held open by bulb.

The marks go on by whole steps of the scale. Their exact values are powers of two like all others, so that 30 s, which
is 32 s, is followed by 64 s; what is printed is what the series prints (40, 50, 60 s), and from where no series prints
on twice what is printed a stop below (160 s after 80 s).
"""

from __future__ import annotations

from fractions import Fraction

from plans.kit import Body
from plans.stops import STEPS, Mark, Scale, label_value, printed_values, series_marks

LONGEST_S = 3600.0
ORDINARY_END_S = 30.0  # as printed; common practice, no source


def _printed(scale: Scale, light: Fraction) -> str:
    named = {mark.light: mark.label for mark in series_marks("time", scale.series)}
    if light in named:
        return named[light]
    printed = printed_values("time", scale.series).get(light)
    return f"{printed:g}" if printed else f"{2 * label_value('time', _printed(scale, light - 1)):g}"


def beyond(scale: Scale, last: Mark, to_s: float) -> tuple[Mark, ...]:
    """The marks after ``last`` that are printed as ``to_s`` or less, ascending. [s]

    Parameters
    ----------
    scale
        A time scale whose series is known; ``last`` may lie off its places.

    Raises
    ------
    ValueError
        If the scale's series is unknown: there is no step to go on by.
    """
    if scale.series not in STEPS:
        raise ValueError("a scale without a step cannot be carried on")
    step = STEPS[scale.series]
    light = (last.light // step + 1) * step
    marks: list[Mark] = []
    while label_value("time", label := _printed(scale, light)) <= to_s:
        marks.append(Mark("time", label, light))
        light += step
    return tuple(marks)


def with_bulb(body: Body, scale: Scale) -> Scale:
    """A camera's own time scale with the body's bulb times after it; unchanged where there are none.

    Carried on already, it stays as it is.
    """
    if body.bulb_above_s is None or not scale.marks:
        return scale
    last = max(body.bulb_above_s, scale.marks[-1].exact) * (1 + 1e-9)
    more = tuple(mark for mark in body.time.marks if mark.exact > last)
    return Scale(scale.kind, scale.marks + more, scale.series)
