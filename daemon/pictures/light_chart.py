"""The curve of a day's light: EV over local time with its range, and the strip of night, twilights and day below it."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from datetime import datetime

import numpy as np

from daemon.pictures.geometry import (
    Area,
    Block,
    Box,
    Dot,
    Face,
    Item,
    Line,
    Measure,
    Text,
    Tone,
    line_height,
    set_lines,
    wrap,
)
from daemon.pictures.light_marks import dashed, phase_filling
from plans.light import Day, Phase
from plans.light_page import clock

WIDTH, MARGIN = 210.0, 10.0
INNER = WIDTH - 2 * MARGIN
BODY, SMALL = 13.0, 12.0  # type [pt]

_LEFT, _RIGHT = 26.0, 4.0  # of the plot, within the margins
_CHART_HEIGHT, _STRIP_HEIGHT = 84.0, 7.0
_LEAST_EV, _MOST_EV, _EV_STEP = -12, 16, 4


class Plot:
    """The width in which time runs, shared by all parts."""

    def __init__(self, day: Day):
        self.day, self.left = day, MARGIN + _LEFT
        self.width = INNER - _LEFT - _RIGHT
        self.right = self.left + self.width
        self.length = day.seconds(day.end)

    def x(self, when: datetime) -> float:
        return self.left + self.day.seconds(when) / self.length * self.width

    def hours(self, every: int) -> Iterator[datetime]:
        """Whole local hours that can be divided by ``every``, the closing midnight with them."""
        for minute in range(0, round(self.length / 60) + 1, 15):
            when = self.day.at(60.0 * minute)
            if when.minute == 0 and when.hour % every == 0:
                yield when


def paragraph(
    text: str, x: float, y: float, width: float, face: Face, size: float, measure: Measure, tone: Tone = "ink"
) -> tuple[list[Text], float]:
    """Text wrapped and set from the top ``y`` down, and the y below it. [mm]"""
    return set_lines(wrap(text, width, face, size, measure), x, y, face, size, measure, tone)


def label(
    text: str, x: float, baseline: float, size: float, measure: Measure, align: float = 0.5, tone: Tone = "ink"
) -> Text:
    """One line of text; ``align`` 0 starts at ``x``, 0.5 is centred on it, 1 ends there."""
    width = measure(text, "plain", size)
    return Text(x - align * width, baseline, width, text, "plain", size, tone)


def chart(plot: Plot, top: float, mark: datetime | None, measure: Measure) -> Block:
    """The curve, the hours, and the strip of night, twilights and day."""
    day = plot.day
    caption = "EV100 of the light: line as expected, grey its range"
    items: list[Item] = [*paragraph(caption, MARGIN, top, INNER, "bold", BODY, measure)[0]]
    upper = top + line_height(BODY) + 4.0
    lower = upper + _CHART_HEIGHT

    def y(ev: float) -> float:
        inside = min(max(ev, _LEAST_EV), _MOST_EV)
        return lower - (inside - _LEAST_EV) / (_MOST_EV - _LEAST_EV) * _CHART_HEIGHT

    items += _range(plot, y)
    for ev in range(_LEAST_EV, _MOST_EV + 1, _EV_STEP):
        items.append(Line(plot.left, y(ev), plot.right, y(ev), 0.2, "soft"))
        items.append(label(f"{ev}", plot.left - 2.0, y(ev) + 1.6, BODY, measure, 1.0))
    for hour in plot.hours(3):
        items.append(Line(plot.x(hour), upper, plot.x(hour), lower, 0.12, "soft"))
    for before, after in itertools.pairwise(day.samples):
        ends = (plot.x(before.when), y(before.ev100), plot.x(after.when), y(after.ev100))
        items.append(Line(*ends, 0.9))
        items.append(Dot(ends[2], ends[3], 0.45))
    if mark is not None and day.start <= mark < day.end:
        items += _marked(plot, mark, upper, lower, y, measure)
    strip = lower + 1.0
    items += _strip(plot, strip, measure)
    bottom = strip + _STRIP_HEIGHT + line_height(BODY) + 0.8
    for hour in plot.hours(3):
        text = "24" if hour >= day.end else f"{hour:%H}"
        items.append(label(text, plot.x(hour), bottom - 1.4, BODY, measure))
        items.append(Line(plot.x(hour), strip + _STRIP_HEIGHT, plot.x(hour), strip + _STRIP_HEIGHT + 1.2, 0.25))
    legend, bottom = _legend(bottom + 0.8, measure)
    return Block("bars", Box(MARGIN, top, INNER, bottom - top), (*items, *legend))


def _range(plot: Plot, y: Callable[[float], float]) -> Iterator[Area]:
    """The range of the light as upright slices."""
    times, curves = plot.day.times_s, plot.day.curves
    slices = np.linspace(0.0, plot.length, 4 * len(times))
    low, high = (np.interp(slices, times, curves[name]) for name in ("low", "high"))
    width = plot.width / (len(slices) - 1)
    for n in range(len(slices) - 1):
        upper, lower = y((high[n] + high[n + 1]) / 2), y((low[n] + low[n + 1]) / 2)
        yield Area(Box(plot.left + n * width, upper, width, lower - upper), "hairline")


def _marked(
    plot: Plot, mark: datetime, upper: float, lower: float, y: Callable[[float], float], measure: Measure
) -> Iterator[Item]:
    """The marked time: a broken line, a disc on the curve, and its EV where the curve leaves room."""
    day, x = plot.day, plot.x(mark)
    sample = day.nearest(mark)
    yield from dashed(x, upper, lower, 0.35)
    yield Dot(x, y(sample.ev100), 1.4)
    text = f"{clock(mark)}: EV {sample.ev100:.1f}"
    width = measure(text, "bold", BODY)
    places = [
        Box(left, y(ev) - 4.2, width + 1.6, 5.6)
        for ev in (2.0, -2.0, 6.0, -6.0, 10.0, -10.0, 14.0)
        for left in (x + 1.2, x - 2.8 - width)
        if left >= plot.left and left + width + 1.6 <= plot.right
    ]
    plate = min(places, key=lambda box: _covered(plot, box, y))
    yield Area(plate, "paper")
    yield Text(plate.x + 0.8, plate.y + 4.2, width, text, "bold", BODY)


def _covered(plot: Plot, box: Box, y: Callable[[float], float]) -> int:
    """How many samples' ranges a box would lie upon."""
    return sum(
        box.x <= plot.x(one.when) <= box.right and y(one.high) <= box.bottom and box.y <= y(one.low)
        for one in plot.day.samples
    )


def _strip(plot: Plot, top: float, measure: Measure) -> Iterator[Item]:
    """Night, twilights and day along the hours; the longer parts carry their name."""
    for name, start, end in _phases(plot.day):
        box = Box(plot.x(start), top, plot.x(end) - plot.x(start), _STRIP_HEIGHT)
        yield from phase_filling(name, box)
        if name in ("night", "day") and measure(name, "plain", SMALL) + 2 < box.w:
            tone: Tone = "paper" if name == "night" else "ink"
            yield label(name, box.x + box.w / 2, top + _STRIP_HEIGHT / 2 + 1.5, SMALL, measure, tone=tone)
    for x1, y1, x2, y2 in (
        (plot.left, top, plot.right, top),
        (plot.left, top + _STRIP_HEIGHT, plot.right, top + _STRIP_HEIGHT),
        (plot.left, top, plot.left, top + _STRIP_HEIGHT),
        (plot.right, top, plot.right, top + _STRIP_HEIGHT),
    ):
        yield Line(x1, y1, x2, y2, 0.25)


def _phases(day: Day) -> Iterator[tuple[Phase, datetime, datetime]]:
    """The parts of a day, cut at the events."""
    cuts = [event.when for event in day.events if event.kind in ("sunrise", "sunset") or "twilight" in event.kind]
    times = [day.start, *cuts, day.end]
    for start, end in itertools.pairwise(times):
        middle = day.at((day.seconds(start) + day.seconds(end)) / 2)
        yield day.nearest(middle).phase, start, end


def _legend(top: float, measure: Measure) -> tuple[list[Item], float]:
    items: list[Item] = []
    x, base = MARGIN, top + 4.0
    names: tuple[tuple[Phase, str], ...] = (
        ("civil twilight", "civil"),
        ("nautical twilight", "nautical"),
        ("astronomical twilight", "astronomical twilight"),
    )
    items.append(
        label("Sun 0\N{EN DASH}6\N{EN DASH}12\N{EN DASH}18\N{DEGREE SIGN} down:", x, base, SMALL, measure, 0.0, "soft")
    )
    x = items[-1].x + items[-1].w + 3.0  # type: ignore[union-attr]
    for name, text in names:
        swatch = Box(x, top, 10.0, 5.0)
        items += phase_filling(name, swatch)
        items += _outline(swatch)
        said = label(text, swatch.right + 1.5, base, SMALL, measure, 0.0, "soft")
        items.append(said)
        x = said.x + said.w + 5.0
    return items, top + 6.0


def _outline(box: Box) -> Iterator[Line]:
    for x1, y1, x2, y2 in (
        (box.x, box.y, box.right, box.y),
        (box.x, box.bottom, box.right, box.bottom),
        (box.x, box.y, box.x, box.bottom),
        (box.right, box.y, box.right, box.bottom),
    ):
        yield Line(x1, y1, x2, y2, 0.2)
