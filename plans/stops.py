"""Exact stop arithmetic: marks, scales, and which series a scale is.

A mark is what a camera prints (f/3.5, 1/640, 30); behind it lies an exact value on a geometric series of whole,
half or third stops. The mark alone is ambiguous: f/13 is 12.70 on a scale in thirds and 13.45 on one in halves, so
the whole scale decides (`read_scale`).

Positions are counted as *light*: the stops of image brightness that a value gives, as an exact fraction.

    aperture  light = -log2(N^2)     f/1 is 0, f/8 is -6      exact = N = 2^(-light/2)   [unitless]
    time      light =  log2(t)       1 s is 0, 1/8 s is -3     exact = t = 2^light        [s]
    iso       light =  log2(S/100)   100 is 0, 400 is +2       exact = S = 100 * 2^light  [unitless]

so that the brightness of an image is the light's EV100 plus the three (`plans.exposure`).
Source: APEX, as in the Exif standard's annex (Av = log2 N^2, Tv = -log2 t); the nominal series are common practice
and were checked against published lists (see tests/plans/test_stops.py).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache, cached_property
from typing import Literal

Kind = Literal["aperture", "time", "iso"]
Series = Literal["full", "halves", "thirds", "unknown"]

TICKS = 6_000_000_000  # to the stop: full, half and third stops are whole numbers of them, and sums stay exact
KINDS: tuple[Kind, ...] = ("aperture", "time", "iso")
STEPS: dict[Series, Fraction] = {"full": Fraction(1), "halves": Fraction(1, 2), "thirds": Fraction(1, 3)}

# Farthest that a label which no series prints may lie from its place on one: 10/15 for 0.7 s is 0.085 off. [stops]
_OFF_SERIES = 0.09
_SAME = 0.01  # labels this close to what a series prints count as printed by it

_APERTURES = {
    "full": "0.7 1 1.4 2 2.8 4 5.6 8 11 16 22 32 45 64 90",
    "halves": "0.7 0.85 1 1.2 1.4 1.7 2 2.4 2.8 3.3 4 4.8 5.6 6.7 8 9.5 11 13 16 19 22 27 32 38 45 54 64 76 90",
    "thirds": "0.7 0.8 0.9 1 1.1 1.2 1.4 1.6 1.8 2 2.2 2.5 2.8 3.2 3.5 4 4.5 5 5.6 6.3 7.1 8 9 10 11 13 14 16 18 20"
    " 22 25 29 32 36 40 45 51 57 64 72 80 90",
}
_TIMES = {
    "full": "1/32000 1/16000 1/8000 1/4000 1/2000 1/1000 1/500 1/250 1/125 1/60 1/30 1/15 1/8 1/4 0.5 1 2 4 8 15 30",
    "halves": "1/32000 1/24000 1/16000 1/12000 1/8000 1/6000 1/4000 1/3000 1/2000 1/1500 1/1000 1/750 1/500 1/350 1/250"
    " 1/180 1/125 1/90 1/60 1/45 1/30 1/20 1/15 1/10 1/8 1/6 1/4 0.3 0.5 0.7 1 1.5 2 3 4 6 8 10 15 20 30",
    "thirds": "1/32000 1/25600 1/20000 1/16000 1/12800 1/10000 1/8000 1/6400 1/5000 1/4000 1/3200 1/2500 1/2000 1/1600"
    " 1/1250 1/1000 1/800 1/640 1/500 1/400 1/320 1/250 1/200 1/160 1/125 1/100 1/80 1/60 1/50 1/40 1/30 1/25 1/20"
    " 1/15 1/13 1/10 1/8 1/6 1/5 1/4 0.3 0.4 0.5 0.6 0.8 1 1.3 1.6 2 2.5 3.2 4 5 6 8 10 13 15 20 25 30",
}
_ISOS = {
    "full": "6 12 25 50 100 200 400 800 1600 3200 6400 12800 25600 51200 102400 204800 409600",
    "halves": "6 9 12 18 25 35 50 70 100 140 200 280 400 560 800 1100 1600 2200 3200 4500 6400 9000 12800 18000 25600"
    " 36000 51200 72000 102400 144000 204800 288000 409600",
    "thirds": "6 8 10 12 16 20 25 32 40 50 64 80 100 125 160 200 250 320 400 500 640 800 1000 1250 1600 2000 2500 3200"
    " 4000 5000 6400 8000 10000 12800 16000 20000 25600 32000 40000 51200 64000 80000 102400 128000 160000 204800"
    " 256000 320000 409600",
}
# Times beyond 30 s that carry a series on, by light; 60 s is six stops above 1 s, as 30 s is five. Common practice.
_LONG_TIMES: dict[str, dict[Fraction, float]] = {
    "full": {Fraction(n): seconds for n, seconds in enumerate((60.0, 120.0, 240.0, 480.0, 900.0, 1800.0, 3600.0), 6)},
    "halves": {Fraction(11, 2): 45.0, Fraction(13, 2): 90.0, Fraction(15, 2): 180.0},
    "thirds": {Fraction(16, 3): 40.0, Fraction(17, 3): 50.0, Fraction(19, 3): 80.0, Fraction(20, 3): 100.0},
}
_LONG = 31.0  # [s]

# Light of the first entry of each list above, in stops. A list goes up by one step an entry in its own sense.
_STARTS: dict[Kind, Fraction] = {"aperture": Fraction(1), "time": Fraction(-15), "iso": Fraction(-4)}
_TABLES: dict[Kind, dict[str, str]] = {"aperture": _APERTURES, "time": _TIMES, "iso": _ISOS}


@dataclass(frozen=True, order=False)
class Mark:
    """A value as a camera names it, with the exact value behind it.

    Attributes
    ----------
    kind
        Which setting the mark belongs to.
    label
        The mark for people: ``f/5.6``, ``1/2000``, ``800``; times of 0.3 s and longer as plain seconds.
    light
        Stops of image brightness this value gives (see the module's table). [stops, exact]
    """

    kind: Kind
    label: str
    light: Fraction

    @cached_property
    def exact(self) -> float:
        """The exact value: f-number [unitless], time [s] or ISO speed [unitless]."""
        return exact_value(self.kind, self.light)

    @cached_property
    def ticks(self) -> int:
        """The same as ``light``, in whole ticks. [1/`TICKS` stop]"""
        return round(self.light * TICKS)


def exact_value(kind: Kind, light: Fraction | float) -> float:
    """The value that gives ``light`` stops: f-number [unitless], exposure time [s] or ISO speed [unitless]."""
    if kind == "aperture":
        return float(2.0 ** (-float(light) / 2))
    if kind == "time":
        return float(2.0 ** float(light))
    return float(100 * 2.0 ** float(light))


def light_of(kind: Kind, value: float) -> float:
    """Stops of image brightness that a value gives. [stops]

    Raises
    ------
    ValueError
        If ``value`` is not a finite number above zero.
    """
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"{kind} must be a finite number above zero, found {value!r}")
    if kind == "aperture":
        return -2 * math.log2(value)
    if kind == "time":
        return math.log2(value)
    return math.log2(value / 100)


def label_value(kind: Kind, label: str) -> float:
    """The number printed in a mark, before any series is known. [unitless or s]

    Understands ``f/5.6``, ``5.6``, ``1/640``, ``10/13``, ``0.3``, ``0.3s``, ``30 s``, ``15m`` (minutes), ``ISO 800``.

    Raises
    ------
    ValueError
        If the label holds no such number.
    """
    text = label.strip().lower()
    if kind == "aperture":
        text = re.sub(r"^f\s*/?\s*", "", text)
    elif kind == "iso":
        text = re.sub(r"^iso\s*", "", text)
    else:
        minutes = re.fullmatch(r"([1-9]\d?)\s*m(?:in)?", text)
        text = str(60 * int(minutes[1])) if minutes else re.sub(r"\s*s(ec)?$", "", text)
    match = re.fullmatch(r"(\d{1,9}(?:\.\d{1,9})?)(?:/(\d{1,9}(?:\.\d{1,9})?))?", text)
    if not match or (match[2] and kind != "time"):
        raise ValueError(f"{label!r} is no {kind}")
    value = float(match[1]) / float(match[2]) if match[2] and float(match[2]) else float(match[1])
    if (match[2] and not float(match[2])) or value <= 0:
        raise ValueError(f"{label!r} is no {kind}: it must be above zero")
    return value


@cache
def series_marks(kind: Kind, series: Series) -> tuple[Mark, ...]:
    """Every mark of a nominal series, ascending by exact value.

    Raises
    ------
    ValueError
        If ``series`` is ``unknown``.
    """
    if series not in STEPS:
        raise ValueError("an unknown series has no marks of its own")
    step = -STEPS[series] if kind == "aperture" else STEPS[series]
    prefix = "f/" if kind == "aperture" else ""
    labels = _TABLES[kind][series].split()
    return tuple(Mark(kind, prefix + label, _STARTS[kind] + n * step) for n, label in enumerate(labels))


@dataclass(frozen=True)
class Scale:
    """The ordered marks that one camera offers for one setting, ascending by exact value."""

    kind: Kind
    marks: tuple[Mark, ...]
    series: Series

    @property
    def step(self) -> Fraction:
        """The scale's step; for an unknown series the widest gap between neighbours. [stops]

        A single mark shows no step: a third of a stop, the usual one, so that it makes nothing coarser.
        """
        if len(self.marks) == 1:
            return STEPS["thirds"]
        if self.series in STEPS:
            return STEPS[self.series]
        gaps = [abs(b.light - a.light) for a, b in zip(self.marks, self.marks[1:], strict=False)]
        return max(gaps, default=Fraction(0))

    def index(self, mark: Mark) -> int:
        """Place of a mark on this scale.

        Raises
        ------
        ValueError
            If the mark is not on the scale.
        """
        return self.marks.index(mark)

    def find(self, label: str) -> Mark | None:
        """The mark that a person means by ``label`` on this scale, or None.

        Marks are compared as marks, so that ``f/13`` finds 12.70 on a scale in thirds and 13.45 on one in halves.
        """
        try:
            wanted = label_value(self.kind, label)
        except ValueError:
            return None
        for mark in self.marks:
            if math.isclose(label_value(self.kind, mark.label), wanted, rel_tol=1e-6):
                return mark
        light = light_of(self.kind, wanted)
        near = self.nearest(wanted)
        # 1/2 for 0.5, 1/3 for 0.3, 10/13 for 0.8: times are written in more ways than one; elsewhere only exact values.
        slack = 0.11 if self.kind == "time" else 0.02
        return near if near and abs(float(near.light) - light) <= slack else None

    def nearest(self, value: float) -> Mark | None:
        """The mark whose exact value lies nearest to ``value`` in stops; None on an empty scale."""
        light = light_of(self.kind, value)
        return min(self.marks, key=lambda mark: abs(float(mark.light) - light), default=None)

    def within(self, lowest: Mark | None = None, highest: Mark | None = None) -> Scale:
        """The part of the scale from ``lowest`` to ``highest``, both included, compared on the scale."""
        low = lowest.exact * (1 - 1e-9) if lowest else 0.0
        high = highest.exact * (1 + 1e-9) if highest else math.inf
        return Scale(self.kind, tuple(m for m in self.marks if low <= m.exact <= high), self.series)


def scale_between(kind: Kind, lowest: str, highest: str, series: Series) -> Scale:
    """A scale of a nominal series between two marks, both included.

    Raises
    ------
    ValueError
        If a mark is not on the series, or the range is empty or upside down; the text names which.
    """
    whole = Scale(kind, series_marks(kind, series), series)
    ends = []
    for label in (lowest, highest):
        mark = whole.find(label)
        if mark is None:
            raise ValueError(f"{label} is no mark of the {kind} scale in {series}")
        ends.append(mark)
    if ends[0].exact > ends[1].exact:
        raise ValueError(f"the {kind} scale runs from {lowest} to {highest}, which is upside down")
    return whole.within(ends[0], ends[1])


def scale_from_exact(kind: Kind, pairs: Iterable[tuple[str, float]], series: Series) -> Scale:
    """The scale written down as labels with exact values, nine digits of them.

    Positions come back as the fractions they were: sixths of a stop (full, half and third stops), or the thousandths
    that stand for printed values off every series.

    Raises
    ------
    ValueError
        If a value is not above zero, or is neither.
    """
    marks = []
    for label, exact in pairs:
        light = light_of(kind, exact)
        near = [Fraction(round(light * parts), parts) for parts in (6, 1000)]
        position = next((place for place in near if abs(float(place) - light) <= 1e-6), None)
        if position is None:
            raise ValueError(f"{label}: {exact!r} is no exact {kind} of a scale")
        marks.append(Mark(kind, label, position))
    return Scale(kind, tuple(sorted(marks, key=lambda mark: mark.exact)), series)


@cache
def printed_values(kind: Kind, series: Series) -> dict[Fraction, float]:
    """What a nominal series prints at each of its places: light [stops] to value [f-number, s or ISO speed]."""
    printed = {mark.light: label_value(kind, mark.label) for mark in series_marks(kind, series)}
    return printed | (_LONG_TIMES["full"] | _LONG_TIMES[series] if kind == "time" else {})


def _is_printed(kind: Kind, series: Series, place: Fraction, value: float) -> bool:
    return math.isclose(printed_values(kind, series).get(place, 0.0), value, rel_tol=_SAME)


def explained(kind: Kind, values: Sequence[float], series: Series) -> dict[float, Fraction]:
    """The place on a series of each value that the series explains; of several at one place the nearest has it. [stops]

    Times beyond 30 s are on the series only if it prints all of them (40, 50, 60 s; 15 and 30 minutes): a list with
    90 s and 300 s in it counts by the clock.
    """
    step = STEPS[series]
    long = {value: _printed_place(kind, series, value) for value in values if kind == "time" and value > _LONG}
    by_clock = None in long.values()
    nearest: dict[Fraction, tuple[float, float]] = {}
    for value in values:
        if value in long and by_clock:
            continue
        light = light_of(kind, value)
        place = long.get(value) or round(light / float(step)) * step
        off = 0.0 if _is_printed(kind, series, place, value) else abs(float(place) - light)
        if off <= _OFF_SERIES and off < nearest.get(place, (math.inf, 0.0))[0]:
            nearest[place] = (off, value)
    return {value: place for place, (_, value) in nearest.items()}


def _printed_place(kind: Kind, series: Series, value: float) -> Fraction | None:
    shown = printed_values(kind, series).items()
    return next((place for place, printed in shown if math.isclose(printed, value, rel_tol=_SAME)), None)


def best_series(kind: Kind, values: Sequence[float]) -> tuple[Series, dict[float, Fraction]]:
    """The series that explains most of the values, and where it puts them; of two alike, the one that prints more.

    The coarser is taken of two that are alike in that as well. ``unknown`` when the best explains or prints less than
    half of the values.
    """
    best: tuple[Series, dict[float, Fraction]] = ("unknown", {})
    score = (0, 0)
    order: tuple[Series, ...] = ("full", "halves", "thirds")
    for series in order:
        found = explained(kind, values, series)
        printed = sum(_is_printed(kind, series, place, value) for value, place in found.items())
        if (len(found), printed) > score and 2 * printed >= len(values):
            best, score = (series, found), (len(found), printed)
    return best if 2 * score[0] >= len(values) else ("unknown", {})


def place_values(
    kind: Kind, values: Sequence[float], series: Series, places: Mapping[float, Fraction]
) -> dict[float, Fraction]:
    """The light of every value of a scale, those off its series among them. [stops]

    A value between two marks that lie two steps apart is the mark between them, however it is printed (f/42 between
    f/36 and f/45). Else the series that prints it decides (f/1.8 on a scale in halves). A value between neighbours in
    thirds is the sixth between them, if near (f/3.8 between f/3.5 and f/4). Else what is printed counts as exact.

    Parameters
    ----------
    values
        Printed values, each once. [f-number, s or ISO speed]
    series, places
        As `best_series` gives them.
    """
    rising = sorted(values, key=lambda value: light_of(kind, value))
    result = dict(places)
    for index, value in enumerate(rising):
        if value in places:
            continue
        light = light_of(kind, value)
        choices: list[Fraction] = []
        if series != "unknown":
            gap, middle = _between(places, rising[max(index - 1, 0)], rising[min(index + 1, len(rising) - 1)])
            off = abs(float(middle) - light)
            if gap == 2 * STEPS[series] and 2 * off <= float(STEPS[series]):
                choices.append(middle)
            if not (kind == "time" and value > _LONG):
                others: tuple[Series, ...] = ("thirds", "halves")
                choices += [place for other in others if (place := _printed_place(kind, other, value)) is not None]
            if gap == STEPS[series] == STEPS["thirds"] and off <= _OFF_SERIES:
                choices.append(middle)
        choices.append(Fraction(round(light * 1000), 1000))
        result[value] = next(place for place in choices if place not in result.values() or place is choices[-1])
    return result


def _between(places: Mapping[float, Fraction], below: float, above: float) -> tuple[Fraction, Fraction]:
    """How far two placed values lie apart, and the middle of them; a gap of 0 when one of them has no place. [stops]"""
    low, high = places.get(below), places.get(above)
    return (high - low, (low + high) / 2) if low is not None and high is not None else (Fraction(0), Fraction(0))


def read_scale(kind: Kind, labels: Iterable[str]) -> Scale:
    """The scale that a camera's own labels form: `best_series`, and for labels off it `place_values`.

    Labels that hold no number are left out (bulb, auto). Where no series explains half of them, the printed values
    are taken as exact and the series is ``unknown``.
    """
    known: dict[float, str] = {}
    for label in labels:
        try:
            value = label_value(kind, label)
        except ValueError:
            continue
        if not any(math.isclose(value, other, rel_tol=1e-9) for other in known):
            known[value] = label
    series, places = best_series(kind, list(known))
    lights = place_values(kind, list(known), series, places)
    marks = [Mark(kind, label, lights[value]) for value, label in known.items()]
    return Scale(kind, tuple(sorted(marks, key=lambda mark: mark.exact)), series)


def closest_by_light(scale: Scale, light: Fraction | float, tolerance: float) -> Mark | None:
    """The scale's mark whose light lies within ``tolerance`` stops of ``light``, or None. [stops]"""
    best = min(scale.marks, key=lambda mark: abs(float(mark.light) - float(light)), default=None)
    return best if best and abs(float(best.light) - float(light)) <= tolerance else None
