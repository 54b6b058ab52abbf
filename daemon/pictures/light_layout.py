"""Where everything goes on a drawn light page: one page, A4 upright, longer where many goals need it.

From above: what and where; the curve of EV over local time with its range; night, twilights and day; the sun's bearing,
height and shadows; the goals' windows; what to mind. Type is large, so that a page the width of a phone can be read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta

from daemon.pictures.geometry import Block, Box, Item, Line, Measure, Page, fit, line_height, set_lines
from daemon.pictures.light_chart import BODY, INNER, MARGIN, SMALL, WIDTH, Plot, chart, label, paragraph
from daemon.pictures.light_marks import dial, sureness_filling
from plans.light import Day, Sample
from plans.light_page import (
    DEGREE,
    clock,
    compass,
    direction_words,
    heading,
    premise,
    range_words,
    reach_words,
    shadow_words,
    warnings,
)
from plans.light_windows import Reach, Window
from plans.sky import SUNLIT_SKIES, is_up

LEAST_HEIGHT = 297.0

_DIAL_RADIUS, _BAR_HEIGHT, _GAP = 6.0, 6.0, 4.0
_SHADOW_AT_RIM_M = 6.0

Clean = Callable[[str], str]


def lay_out_light(
    title: str,
    day: Day,
    goals: Sequence[Reach],
    measure: Measure,
    mark: datetime | None = None,
    cautions: Sequence[str] = (),
    clean: Clean = str,
) -> Page:
    """The page of a day's light.

    Parameters
    ----------
    title
        Its first line.
    day, goals
        The light, and the goals' windows in it.
    measure
        Widths of text.
    mark
        A time to mark on the curve: the one that the brief is written for.
    cautions
        Shown before the warnings.
    clean
        Makes the user's words such as the typeface can show.
    """
    plot = Plot(day)
    blocks = [_head(clean(title), day, measure)]
    parts: tuple[Callable[[float], Block | None], ...] = (
        lambda y: chart(plot, y, mark, measure),
        lambda y: _sun(plot, y, measure),
        lambda y: _goals(plot, goals, y, measure, clean),
        lambda y: _foot(day, cautions, y, measure),
    )
    for part in parts:
        block = part(blocks[-1].box.bottom + _GAP)
        if block is not None:
            blocks.append(block)
    return Page(WIDTH, max(LEAST_HEIGHT, blocks[-1].box.bottom + MARGIN), tuple(blocks))


def _head(title: str, day: Day, measure: Measure) -> Block:
    width = INNER
    lines, size = fit(title, width, 17.0, "bold", (20, 17, 15), measure)
    items, y = set_lines(lines, MARGIN, MARGIN, "bold", size, measure)
    for text in (heading(day), premise(day)):
        more, y = paragraph(text, MARGIN, y, width, "plain", BODY, measure)
        items += more
    for text in (_events(day), *(f"{note[0].upper()}{note[1:]}." for note in day.notes)):
        if text:
            more, y = paragraph(text, MARGIN, y, width, "plain", SMALL, measure, "soft")
            items += more
    return Block("head", Box(MARGIN, MARGIN, width, y - MARGIN), tuple(items))


def _events(day: Day) -> str:
    """The events that people ask for, in one line; the twilights are drawn."""
    told = []
    for event in day.events:
        if "twilight" in event.kind:
            continue
        where = compass(event.azimuth_deg)
        if event.kind == "solar noon":
            where = f"{abs(event.altitude_deg):.0f}{DEGREE} {'up' if event.altitude_deg > 0 else 'down'}"
        told.append(f"{event.kind} {clock(event.when)} ({where})".replace(" ", "\N{NO-BREAK SPACE}"))
    return ", ".join(told)


def _sun(plot: Plot, top: float, measure: Measure) -> Block | None:
    """Compass dials under the hours of sunlight."""
    day = plot.day
    shown = list(_dial_samples(plot))
    if not shown:
        return None
    caption = "Sun and shadows, seen from above, north up"
    texts, y = paragraph(caption, MARGIN, top, INNER, "bold", BODY, measure)
    items: list[Item] = [*texts]
    middle = y + 1.0 + _DIAL_RADIUS + 1.2
    rows = [middle + _DIAL_RADIUS + 6.4 + n * line_height(SMALL) for n in range(3)]
    for text, base in zip(("from", "height", "shadow"), rows, strict=True):
        items.append(label(text, MARGIN, base, SMALL, measure, 0.0, "soft"))
    for sample in shown:
        x = plot.x(sample.when)
        height = max(sample.sun.altitude_deg, 0.0)
        share = None if sample.shadow_m is None else sample.shadow_m / _SHADOW_AT_RIM_M
        items += dial(x, middle, _DIAL_RADIUS, sample.sun.azimuth_deg, share, day.facing_deg)
        figures = (
            f"{sample.sun.azimuth_deg:.0f}{DEGREE}",
            f"{height:.0f}{DEGREE}",
            shadow_words(sample.shadow_m).replace(">100 m", "long"),
        )
        items += [label(text, x, base, SMALL, measure) for text, base in zip(figures, rows, strict=True)]
    y = rows[-1] + 1.6
    said = "The disc is the sun; clouds leave no shadows."
    if day.sky in (None, *SUNLIT_SKIES):
        said = "The disc is the sun, the thick line the shadow of an upright of 1 m, as long as told."
    if day.facing_deg is not None:
        said += f" The wedge is where the camera looks: {direction_words(day)}." if direction_words(day) else ""
    more, y = paragraph(said, MARGIN, y, INNER, "plain", SMALL, measure, "soft")
    return Block("bars", Box(MARGIN, top, INNER, y - top), (*items, *more))


def _dial_samples(plot: Plot) -> Iterator[Sample]:
    by_time = {sample.when.timestamp(): sample for sample in plot.day.samples}
    for hour in plot.hours(2):
        sample = by_time.get(hour.timestamp())
        if sample is not None and is_up(sample.sun) and hour < plot.day.end - timedelta(minutes=30):
            yield sample


def _goals(plot: Plot, goals: Sequence[Reach], top: float, measure: Measure, clean: Clean) -> Block | None:
    if not goals:
        return None
    width = INNER
    items: list[Item] = [*paragraph("Goals, by the light alone", MARGIN, top, width, "bold", BODY, measure)[0]]
    y = top + line_height(BODY)
    x, base = MARGIN, y + 4.0
    for word in ("sure", "expected", "possible"):
        swatch = Box(x, y, 10.0, 5.0)
        items += sureness_filling(word, swatch)
        said = label(word, swatch.right + 1.5, base, SMALL, measure, 0.0, "soft")
        items.append(said)
        x = said.x + said.w + 6.0
    y += 7.0
    for one in goals:
        texts, y = paragraph(f"{clean(one.goal)}: {range_words(one.ranges)}", MARGIN, y, width, "bold", SMALL, measure)
        items += texts
        y += 0.6
        items.append(Line(plot.left, y + _BAR_HEIGHT, plot.right, y + _BAR_HEIGHT, 0.25, "soft"))
        for hour in plot.hours(3):
            items.append(Line(plot.x(hour), y, plot.x(hour), y + _BAR_HEIGHT, 0.12, "soft"))
        parts: tuple[tuple[str, Sequence[Window]], ...] = (
            ("possible", one.possible),
            ("expected", one.expected),
            ("sure", one.sure),
        )
        for word, windows in parts:
            for start, end in windows:
                box = Box(plot.x(start), y, max(plot.x(end) - plot.x(start), 0.4), _BAR_HEIGHT)
                items += sureness_filling(word, box)
        y += _BAR_HEIGHT + 0.8
        more, y = paragraph(reach_words(one, plot.day), MARGIN, y, width, "plain", SMALL, measure, "soft")
        items += more
        y += 2.4
    return Block("bars", Box(MARGIN, top, width, y - top), tuple(items))


def _foot(day: Day, cautions: Sequence[str], top: float, measure: Measure) -> Block:
    width = INNER
    items: list[Item] = [Line(MARGIN, top, MARGIN + width, top, 0.25, "soft")]
    y = top + 2.0
    for text in cautions:
        more, y = paragraph(text, MARGIN, y, width, "bold", SMALL, measure)
        items += more
        y += 1.0
    for text in warnings(day):
        more, y = paragraph(text, MARGIN, y, width, "plain", SMALL, measure, "soft")
        items += more
        y += 1.0
    return Block("foot", Box(MARGIN, top, width, y - top), tuple(items))
