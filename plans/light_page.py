"""The light of a day as lines of text, 80 columns wide: its course, its events, and when each goal can be shot.

Bars are made of plain characters, so that they survive any terminal, printer and message.
"""

from __future__ import annotations

import itertools
import math
import textwrap
from collections.abc import Iterator, Sequence
from datetime import datetime

from plans.light import Day, Sample, sky_words
from plans.light_events import Event
from plans.light_windows import Range, Reach, Window
from plans.sky import is_up

COLUMNS = 80
DEGREE = "\N{DEGREE SIGN}"
_LEAST_EV, _MOST_EV = -12, 16  # of the bars: one character a stop
_NO_DARKER, _NO_BRIGHTER = -18.0, 18.0  # no sky above us goes beyond
_SLOT_S = 1800
_SIGNS = {"sure": "#", "expected": "=", "possible": "-", "no": "."}
_COMPASS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


def compass(azimuth_deg: float) -> str:
    """The nearest of eight points of the compass."""
    return _COMPASS[round(azimuth_deg / 45) % 8]


def clock(when: datetime, day: Day | None = None) -> str:
    """A local time to the minute; the day's last moment is 24:00."""
    nearest = when.timestamp() // 60 * 60 + (60 if when.timestamp() % 60 >= 30 else 0)
    if day is not None and nearest >= day.end.timestamp():
        return "24:00"
    return f"{datetime.fromtimestamp(nearest, when.tzinfo):%H:%M}"


def heading(day: Day) -> str:
    """Date, place and zone in one line."""
    north = f"{abs(day.latitude):.2f}{DEGREE} {'N' if day.latitude >= 0 else 'S'}"
    east = f"{abs(day.longitude):.2f}{DEGREE} {'E' if day.longitude >= 0 else 'W'}"
    return f"{day.date:%A} {day.date.day} {day.date:%B %Y}, {north} {east}, {day.timezone} time"


def premise(day: Day) -> str:
    """What the EV is of: subject, sky, facing."""
    if day.facing_deg is None:
        subject = "level ground"
    else:
        subject = f"upright subjects, camera facing {compass(day.facing_deg)} ({day.facing_deg:.0f}{DEGREE})"
    if day.sky is None:
        return f"EV100 of {subject}. The sky is not known: expected for a clear one, ranges down to heavy overcast."
    return f"EV100 of {subject}, {sky_words(day.sky)}."


def warnings(day: Day) -> tuple[str, ...]:
    """What is to be known before anything is planned by these figures."""
    ground = (
        "This is EV for level ground. Upright subjects differ by where they face"
        if day.facing_deg is None
        else "This is EV for upright subjects. Level ground differs"
    )
    return (
        f"A forecast from sun, moon and published curves: a prior, to be corrected by measurement. {ground}, and the "
        "sky itself is another matter: at sunset it meters about EV 12 where the ground has 7.5.",
        "Heavy cloud takes up to 3.3 stops of a clear sky's light. Once the sun is more than 6 degrees down, town "
        "light, cloud and terrain decide.",
        "Waiting for other light breaks the common light of a pair: shoot the frames of one group in one go.",
    )


def range_words(ranges: Sequence[Range]) -> str:
    """Ranges of EV as text: ``EV 5.0 to 7.3 or 9.0 and more``; ends that no sky reaches are left open."""
    if any(low <= _NO_DARKER and high >= _NO_BRIGHTER for low, high in ranges):
        return "any light"
    return "EV " + " or ".join(_range(low, high) for low, high in ranges) if ranges else "no light whatever"


def _range(low: float, high: float) -> str:
    if high >= _NO_BRIGHTER:
        return f"{low:.1f} and more"
    return f"{high:.1f} and less" if low <= _NO_DARKER else f"{low:.1f} to {high:.1f}"


def window_words(windows: Sequence[Window], day: Day) -> str:
    """Windows as text: ``07:46 to 08:46, 16:42 to 17:42``; ``never`` for none, ``all day`` for all."""
    if windows and windows[0][0] <= day.start and windows[0][1] >= day.end:
        return "all day"
    return ", ".join(f"{clock(start)} to {clock(end, day)}" for start, end in windows) or "never"


def reach_words(one: Reach, day: Day) -> str:
    """A goal's windows in one sentence."""
    if not one.possible:
        lit = max(day.samples, key=lambda sample: sample.high)
        dark = min(day.samples, key=lambda sample: sample.low)
        return f"not on this day, whose light runs from EV {dark.low:.1f} to {lit.high:.1f}"
    sure = window_words(one.sure, day)
    if sure == "all day":
        return sure
    return f"expected {window_words(one.expected, day)}; sure {sure}; possible {window_words(one.possible, day)}"


def direction_words(day: Day) -> str:
    """The light's direction over a day: ``back light 07:33 to 10:40, ...``; empty without a facing or shadows."""
    spells: list[tuple[str, datetime, datetime]] = []
    for sample, after in itertools.pairwise(day.samples):
        if sample.direction is None:
            continue
        name = sample.direction.name
        if spells and spells[-1][0] == name and spells[-1][2] == sample.when:
            spells[-1] = (name, spells[-1][1], after.when)
        else:
            spells.append((name, sample.when, after.when))
    return ", ".join(f"{name} {clock(start)} to {clock(end, day)}" for name, start, end in spells)


def light_lines(
    title: str,
    day: Day,
    goals: Sequence[Reach],
    mark: datetime | None = None,
    cautions: Sequence[str] = (),
    mark_words: str = "the brief's time",
) -> list[str]:
    """The whole page, no line longer than 80 characters (a title is cut).

    ``mark`` is a time of the day that gets a line of its own, with ``mark_words``: the brief's.
    """
    lines = [_cut(title), *_wrapped(heading(day)), *_wrapped(premise(day)), ""]
    lines += _course(day, mark, mark_words)
    lines.append("")
    lines += _wrapped("Bars: = is light to count on, - its range, o as expected; a division is one stop.")
    if whence := direction_words(day):
        lines += _wrapped(f"The sun gives {whence}.")
    lines += [part for note in day.notes for part in _wrapped(f"{note[0].upper()}{note[1:]}.")]
    if goals:
        lines += ["", *_goals(day, goals)]
    lines.append("")
    for text in (*cautions, *warnings(day)):
        lines += _wrapped(f"! {text}" if text in cautions else text, "  " if text in cautions else "")
    return lines


def _course(day: Day, mark: datetime | None, mark_words: str) -> Iterator[str]:
    """The table: an hour a line (every third at night), and the events at their times."""
    labels = "".join(f"{ev:<4d}" for ev in range(_LEAST_EV, _MOST_EV, 4))
    yield f"{'time':>6} {'EV100':>6}  {labels:<29}{'sun':<23}{'1 m casts':>9}"
    rows: list[tuple[datetime, Sample, str]] = []
    for sample in day.samples[:-1]:
        when = sample.when
        if when.minute == 0 and when.second == 0 and (sample.phase != "night" or when.hour % 3 == 0):
            rows.append((when, sample, _sun_words(sample)))
    for event in day.events:
        rows.append((event.when, day.nearest(event.when), _event_words(event)))
    if mark is not None and day.start <= mark < day.end:
        rows.append((mark, day.nearest(mark), mark_words))
    for when, sample, words in sorted(rows, key=lambda row: row[0].timestamp()):
        yield f"{clock(when):>6} {_ev_at(day, when):>6.1f}  {_bar(sample):<29}{words}".rstrip()


def _goals(day: Day, goals: Sequence[Reach]) -> Iterator[str]:
    slots = [_SLOT_S * (n + 0.5) for n in range(round(day.seconds(day.end) / _SLOT_S))]
    yield "Goals, by the light alone: # sure, = expected, - possible, . not"
    ruler = "".join(
        f"{day.at(t - _SLOT_S / 2):%H}" if n % 6 == 0 else "" if n % 6 == 1 else " " for n, t in enumerate(slots)
    )
    yield f"  {ruler.rstrip()}"
    for one in goals:
        if not one.ranges:
            yield from _wrapped(f"{one.goal}: in no light; something else stands in its way, see compile", "  ")
            continue
        yield from _wrapped(f"{one.goal}: {range_words(one.ranges)}", "  ")
        yield f"  {''.join(_SIGNS[one.holds(day.at(t))] for t in slots)}"
        yield from _wrapped(reach_words(one, day), "  ", "  ")


def _bar(sample: Sample) -> str:
    """The light as a length: sure up to its low end, then the range, with the expected value in it."""
    low, ev, high = (
        min(max(math.floor(value) - _LEAST_EV, 0), _MOST_EV - _LEAST_EV)
        for value in (sample.low, sample.ev100, sample.high)
    )
    return "=" * low + "-" * (ev - low) + "o" + "-" * (high - ev)


def _sun_words(sample: Sample) -> str:
    if not is_up(sample.sun):
        if sample.moon.altitude_deg > 0:
            return f"moon {sample.moon.altitude_deg:.0f}{DEGREE} up, {sample.moon.lit_share:.0%} lit"
        return f"{sample.phase}" if sample.phase == "night" else ""
    text = f"{compass(sample.sun.azimuth_deg)} {sample.sun.azimuth_deg:.0f}{DEGREE}"
    text += f", {max(sample.sun.altitude_deg, 0):.0f}{DEGREE} up"
    return f"{text:<24}{shadow_words(sample.shadow_m):>7}"


def shadow_words(shadow_m: float | None) -> str:
    """Length of a shadow: ``3.8 m``, ``>100 m``, ``none``."""
    if shadow_m is None:
        return "none"
    if shadow_m >= 99.5:
        return ">100 m"
    return f"{shadow_m:.0f} m" if shadow_m >= 9.95 else f"{shadow_m:.1f} m"


def _event_words(event: Event) -> str:
    if "twilight" in event.kind:
        return event.kind
    return f"{event.kind}, {compass(event.azimuth_deg)} {event.azimuth_deg:.0f}{DEGREE}"


def _ev_at(day: Day, when: datetime) -> float:
    times, values = day.times_s, day.curves["ev100"]
    seconds = day.seconds(when)
    after = min(max(int(times.searchsorted(seconds)), 1), len(times) - 1)
    part = (seconds - times[after - 1]) / (times[after] - times[after - 1])
    return float(values[after - 1] + part * (values[after] - values[after - 1]))


def _cut(text: str) -> str:
    return text if len(text) <= COLUMNS else text[: COLUMNS - 1] + "…"


def _wrapped(text: str, indent: str = "", first: str = "") -> list[str]:
    return textwrap.wrap(
        text, COLUMNS, initial_indent=first, subsequent_indent=indent, break_long_words=True, break_on_hyphens=False
    )
