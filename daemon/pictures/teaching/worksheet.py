"""A worksheet of equivalent exposures from one camera's own scale, with answers that are exact by construction.

A question gives three settings and a change in whole or third stops, and asks for the mark that keeps the brightness.
Only questions are asked whose answer is a mark of this camera's scale to the last fraction of a stop: positions are
exact fractions (`plans.stops`), so an answer is right or it is not asked.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import cycle

from daemon.pictures.teaching.flow import Cell, Flow, PaperName
from daemon.pictures.teaching.shapes import usual
from plans.goals import words
from plans.stops import KINDS, Kind, Mark, Scale

_MOST = 14
_STEPS = (1, 2, 3, -1, 4, -2, 5, 3)  # whole stops, from easy to less so
_THIRDS = (Fraction(1, 3), Fraction(4, 3), Fraction(-2, 3), Fraction(5, 3))
_CHANGES: tuple[tuple[Kind, Kind], ...] = (
    ("aperture", "time"),
    ("time", "aperture"),
    ("iso", "time"),
    ("aperture", "iso"),
)


@dataclass(frozen=True)
class Exercise:
    """Settings before, one of them changed, and another that must answer for it. ``after`` holds the answer too."""

    before: Mapping[Kind, Mark]
    after: Mapping[Kind, Mark]
    changed: Kind
    asked: Kind

    @property
    def stops(self) -> Fraction:
        """How much more light the change gives; the answer gives as much less. [stops, exact]"""
        return self.after[self.changed].light - self.before[self.changed].light


def exercises(scales: Mapping[Kind, Scale], starts: Sequence[Mapping[Kind, Mark]]) -> list[Exercise]:
    """Exercises that begin at real pictures' settings, from whole stops to thirds.

    ``starts``: settings of pictures, each a mark of its scale. Fewer come out where a scale is short; none where no
    exchange comes out even.
    """
    found: list[Exercise] = []
    seen: set[tuple[str, ...]] = set()
    if not starts:
        return found
    sizes = [Fraction(n) for n in _STEPS]
    if all(scales[kind].step <= Fraction(1, 3) for kind in ("aperture", "time")):
        sizes += _THIRDS
    elif all(scales[kind].step <= Fraction(1, 2) for kind in ("aperture", "time")):
        sizes += [Fraction(1, 2), Fraction(3, 2)]
    turns = cycle(starts)
    for number, size in enumerate([*sizes, *sizes]):
        changed, asked = _CHANGES[number % len(_CHANGES)]
        for _ in starts:
            one = _exercise(scales, next(turns), changed, asked, size)
            if one is None or (key := _key(one)) in seen:
                continue
            seen.add(key)
            found.append(one)
            break
        if len(found) == _MOST:
            break
    return found


def worksheet_pdf(
    title: str, camera: str, found: Sequence[Exercise], scales: Mapping[Kind, Scale], paper: PaperName
) -> bytes:
    """The worksheet to hand out, with the camera's own marks to count on."""
    flow = Flow(
        paper, f"Same light, other settings: {title}", "Name: ______________________________    Date: ______________"
    )
    flow.text(
        "One stop is half or twice the light. Wider aperture, longer time, higher ISO: more light. Give a stop in one "
        "setting, take it back in another, and the picture is as bright as before. Write this camera's mark.",
        after=3.0,
    )
    rows = [_row(number, one, False) for number, one in enumerate(found, 1)]
    if rows:
        flow.table(("", "as bright as", "is now", "write the mark"), rows, (0.07, 0.36, 0.33, 0.24), 10.0)
    else:
        flow.text("This camera's scales are too short for an exchange that comes out even.", 10.0)
    flow.head(f"The marks of {camera}", 10.5)
    for kind in KINDS:
        marks = usual(scales[kind])
        name = {"aperture": "Aperture", "time": "Time in seconds", "iso": "ISO"}[kind]
        told = "   ".join(mark.label.removeprefix("f/") for mark in marks)
        flow.text(f"{name} ({_steps(scales[kind])}):  {told}", 8.0, after=1.6)
    return flow.pdf(
        "A mark is a name: 1/60 stands for 1/64 s and 1/15 for 1/16 s, so that stops are exact.", "Worksheet"
    )


def answers_pdf(title: str, found: Sequence[Exercise], paper: PaperName) -> bytes:
    """The answers, each with how many stops went to and fro."""
    flow = Flow(paper, f"Answers: {title}", "For the teacher. Every answer is exact on this camera's scale.")
    rows = [_row(number, one, True) for number, one in enumerate(found, 1)]
    flow.table(("", "as bright as", "is now", "answer"), rows, (0.06, 0.31, 0.27, 0.36), 9.5)
    return flow.pdf("", "Answers")


def _exercise(
    scales: Mapping[Kind, Scale], start: Mapping[Kind, Mark], changed: Kind, asked: Kind, size: Fraction
) -> Exercise | None:
    """The exercise, if both marks are on the scales; with the sign turned round where only that way has room."""
    for stops in (size, -size):
        new = _at(scales[changed], start[changed].light + stops)
        answer = _at(scales[asked], start[asked].light - stops)
        if new is not None and answer is not None:
            return Exercise(dict(start), {**start, changed: new, asked: answer}, changed, asked)
    return None


def _at(scale: Scale, light: Fraction) -> Mark | None:
    return next((mark for mark in usual(scale) if mark.light == light), None)


def _key(one: Exercise) -> tuple[str, ...]:
    return tuple(mark.label for mark in (*one.before.values(), *one.after.values()))


def _row(number: int, one: Exercise, solved: bool) -> list[Cell]:
    blank = {"aperture": "f/ ________", "time": "________ s", "iso": "ISO ________"}[one.asked]
    parts = ["…" if kind == one.asked else words.mark(one.after[kind]) for kind in KINDS]
    answer = blank
    if solved:
        more = "more" if one.stops > 0 else "less"
        size = words.mixed(abs(one.stops))
        answer = f"{words.mark(one.after[one.asked])} ({_NAMES[one.changed]} gave {size} {more})"
    before = " · ".join(words.mark(one.before[kind]) for kind in KINDS)
    tall = 0.0 if solved else 9.0
    return [
        Cell(str(number), "bold", tall),
        Cell(before),
        Cell(" · ".join(parts)),
        Cell(answer, "bold" if solved else "plain"),
    ]


_NAMES: dict[Kind, str] = {"aperture": "aperture", "time": "time", "iso": "ISO"}


def _steps(scale: Scale) -> str:
    return {"thirds": "in third stops", "halves": "in half stops", "full": "in full stops"}.get(
        scale.series, "as it marks them"
    )


def starts_of(settings: Sequence[Mapping[Kind, float]], scales: Mapping[Kind, Scale]) -> Iterator[dict[Kind, Mark]]:
    """Settings given by exact values as marks of the scales; those that are none of them are left out."""
    seen: set[tuple[Mark, ...]] = set()
    for one in settings:
        marks = {kind: scales[kind].nearest(one[kind]) for kind in KINDS}
        if any(mark is None or abs(mark.exact / one[kind] - 1) > 1e-6 for kind, mark in marks.items()):
            continue
        known = {kind: mark for kind, mark in marks.items() if mark is not None}
        key = tuple(known.values())
        if key not in seen:
            seen.add(key)
            yield known
