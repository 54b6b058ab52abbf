"""Handouts: the assignment sheet with a blank log, the pocket stop card, and five prompts for the talk."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from daemon.pictures.barpanel import filled
from daemon.pictures.geometry import Area, Box, Face, Item, Line, Text
from daemon.pictures.stopbar import LETTERS
from daemon.pictures.teaching.flow import Cell, Flow, PaperName
from daemon.pictures.teaching.quiz import differing
from daemon.pictures.teaching.shapes import Lesson, LessonGroup, usual, value, widest_pair
from daemon.pictures.typeface import text_width
from plans.stops import Kind, Mark, Scale

_LOG_ROWS, _LOG_ROW = 9, 14.0
_WORDS: dict[Kind, str] = {"aperture": "aperture", "time": "time in seconds", "iso": "ISO"}
_COLUMNS = 10


def assignment_pdf(lesson: Lesson, cautions: Sequence[str], paper: PaperName) -> bytes:
    """What to shoot, and a log to fill in: the prediction before the picture, the result after it."""
    flow = Flow(paper, f"Your turn: {lesson.title}", "Name: ______________________________    Date: ______________")
    flow.text(
        "Choose one of these. Write down what you expect before you press; only then shoot. Keep the framing, change "
        "one thing on purpose, balance it with another, and note all of it.", 10.0, after=2.0,
    )  # fmt: skip
    for group in lesson.groups:
        flow.text(f"– {_task(group)}", 10.0, indent=3.0, after=0.8)
    for caution in cautions:
        flow.text(caution, 9.0, "bold", after=1.0)
    flow.y += 2.0
    blank = [[Cell(str(n), "bold", _LOG_ROW), *(Cell("") for _ in range(6))] for n in range(1, _LOG_ROWS + 1)]
    header = ("", "prediction: what will be different?", "aperture", "time", "ISO", "focus, filter", "result: what is?")
    flow.table(header, blank, (0.04, 0.27, 0.11, 0.10, 0.09, 0.15, 0.24), 8.5)
    flow.text("Were you right? What surprised you? _____________________________________________________", 10.0)
    return flow.pdf("Number of the first picture on the card: ____________", "Assignment")


def stop_card_pdf(scales: Mapping[Kind, Scale], camera: str) -> bytes:
    """The pocket stop card, A6: this camera's marks, a column a stop, and how to trade them."""
    flow = Flow(
        "A6", "Stops to trade", f"{camera}. A column is a stop; go one way here, the other way there.", margin=7.0
    )
    for kind in ("aperture", "time", "iso"):
        columns = _columns(scales[kind])
        for first in range(0, len(columns), _COLUMNS):
            _scale_row(flow, kind, columns[first : first + _COLUMNS])
    flow.new_page()
    for told, size in (
        ("One stop is twice or half the light.", 11.0),
        ("Aperture: wider is more light, and less is sharp before and behind.", 9.5),
        ("Time: longer is more light, and what moves is drawn out.", 9.5),
        ("ISO: higher makes the same light brighter, and grain with it.", 9.5),
        ("Filter: each stop it takes is a stop of time to give.", 9.5),
        ("A stop wider, a stop faster: the same brightness, another picture.", 11.0),
        ("Count columns, not numbers: f/8 to f/4 is two, 1/60 to 1/250 is two.", 9.5),
    ):
        flow.text(told, size, "bold" if size > 10 else "plain", after=2.2)
    return flow.pdf("", "Stop card")


def talk(lesson: Lesson) -> list[tuple[str, str]]:
    """Five prompts, each with what to listen for; they name pictures of this lesson by their numbers."""
    ladder = max(lesson.groups, key=lambda group: len(group.frames), default=None)
    shown = widest_pair(lesson)
    if shown is None or ladder is None or not shown.frames:
        return []
    first, last = shown.frames[0], shown.frames[-1]
    long_first, long_last = ladder.frames[0], ladder.frames[-1]
    changed = differing(first.step.settings, last.step.settings)
    names = ", ".join("ISO" if name == "iso" else name.replace("filters", "filter") for name in changed) or "nothing"
    moving = any(frame.step.predicted.smear_mm for frame in lesson.frames)
    slow = max(lesson.frames, key=lambda frame: frame.step.settings.time.exact)
    cost = "time" if long_last.step.settings.time.exact > long_first.step.settings.time.exact else "ISO"
    return [
        (
            f"Hide the settings and show {first.number} beside {last.number}. What was different? How do you know?",
            f"Changed: {names}. {value(shown.told, first.step.settings)} against "
            f"{value(shown.told, last.step.settings)}. "
            "Let them point at a place in the picture before they name a setting.",
        ),
        (
            f"{long_first.number} and {long_last.number}: what did {value(ladder.told, long_last.step.settings)} cost?",
            f"It was paid for in {cost}. Look at the stop bars: a border moved, and where does the end lie?",
        ),
        (
            f"What happens to {slow.number} when the wind rises, or somebody touches the tripod?",
            f"{value('time', slow.step.settings)} is long"
            + (": what should move draws out, and so does what should not." if moving else ": what moves draws out."),
        ),
        (
            f"Which of {first.number} and {last.number} would you hang on a wall, and what does it say of the place?",
            "Neither is right. Ask for the word that the picture says, then for the setting that says it.",
        ),
        (
            "It is dusk, three stops darker. Which picture is lost first, and what would save it?",
            "Three stops must come from somewhere: wider, longer, higher ISO, a filter less. Let them trade.",
        ),
    ]


def talk_pdf(lesson: Lesson, paper: PaperName) -> bytes:
    """The prompts, large enough to be read from a lectern."""
    flow = Flow(
        paper, f"To talk about: {lesson.title}", "Five prompts. Wait longer than is comfortable before you answer."
    )
    for number, (prompt, listen) in enumerate(talk(lesson), 1):
        flow.need(38.0)
        flow.text(f"{number}. {prompt}", 16.0, "bold", after=2.0)
        flow.text(listen, 11.0, "italic", 8.0, 7.0)
    return flow.pdf("", "Prompts")


def _task(group: LessonGroup) -> str:
    told = {"iso": "ISO", "filters": "the filter"}.get(group.told, group.told)
    if len(group.frames) < 2:
        return f"{group.title}: one picture that shows it"
    if group.faults:
        return f"{group.title}: one right picture, and a mistake that others can name"
    first, last = group.frames[0].step.settings, group.frames[-1].step.settings
    went = f"{value(group.told, first)} to {value(group.told, last)}"
    return f"{group.title}: at least two pictures that differ in {told}; the lesson went from {went}"


def _columns(scale: Scale) -> list[list[Mark]]:
    """The scale's marks by full stops: a column begins with the whole stop, its parts follow."""
    columns: dict[int, list[Mark]] = {}
    for mark in usual(scale):
        place = -math.ceil(mark.light) if scale.kind == "aperture" else math.floor(mark.light)
        columns.setdefault(place, []).append(mark)
    return [columns[place] for place in sorted(columns)]


def _scale_row(flow: Flow, kind: Kind, columns: Sequence[Sequence[Mark]]) -> None:
    """A band with the setting's filling, and under it a column of marks for each stop."""
    wide = flow.inner / _COLUMNS
    deep = max(len(column) for column in columns)
    height = 3.6 + deep * 3.3 + 1.0

    def build(x: float, y: float) -> list[Item]:
        items: list[Item] = [*filled(kind, Box(x, y, len(columns) * wide, 3.2))]
        for place, column in enumerate(columns):
            left = x + place * wide
            items.append(Line(left, y, left, y + height - 1.0, 0.2))
            for row, mark in enumerate(column):
                whole = mark.light.denominator == 1
                face: Face = "bold" if whole else "plain"
                size = 7.5 if whole else 6.0
                top = y + 3.2 + (row + 1) * 3.3 - 0.6
                label = mark.label.removeprefix("f/") if not whole else mark.label
                items.append(Text(left + 0.9, top, text_width(label, face, size), label, face, size))
        told = f"{LETTERS[kind]} {_WORDS[kind]}"
        length = text_width(told, "bold", 6.0)
        items.append(Area(Box(x + 1.5, y + 0.3, length + 1.6, 2.6), "paper"))
        items.append(Text(x + 2.3, y + 2.35, length, told, "bold", 6.0))
        return items

    flow.put(height, build, 1.0)
