"""The quiz: which was shot so, which setting was changed, what went wrong; and its answer key.

Pictures are lettered afresh for each question, in an order that follows from the lesson alone, so that the same lesson
gives the same quiz and no order gives an answer away. Their files have neither Exif nor telling names.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from PIL import Image

from daemon.pictures.geometry import Area, Box, Item, Text
from daemon.pictures.teaching.flow import Flow, PaperName
from daemon.pictures.teaching.shapes import (
    ALIKE,
    Lesson,
    LessonFrame,
    LessonGroup,
    Told,
    short_caption,
    value,
    whole_line,
)
from daemon.pictures.typeface import text_width
from plans.plan import Settings
from plans.stops import Kind, light_of

LETTERS = "ABC"
_APART = 2.0  # stops between the pictures of a question, so that it can be told by eye
_MOST = 6  # questions of one kind
_SETTINGS: tuple[Told, ...] = ("aperture", "time", "iso", "focus", "filters", "focal length")
_NAMES = {"iso": "ISO", "filters": "filter", "focal length": "focal length"}
# What the goals of mistakes end with, and how a class says it.
MISTAKES = {
    "underexposed": "too little light",
    "overexposed": "too much light",
    "shaken": "the camera was shaken",
    "misfocused": "focused at the wrong distance",
    "with motion blur": "the subject moved while the shutter was open",
}


@dataclass(frozen=True)
class Question:
    """A question about pictures; ``answer`` and ``because`` are for the key. ``choices`` empty: letters answer."""

    kind: str
    text: str
    frames: tuple[LessonFrame, ...]
    choices: tuple[str, ...]
    answer: str
    because: str


def questions(lesson: Lesson) -> list[Question]:
    """The questions that the pictures of a lesson allow, those taken and readable being all of ``lesson``'s."""
    kinds = (_which, _changed, _wrong)
    found: list[Question] = []
    for make in kinds:
        some = [one for group in lesson.groups for one in make(lesson.title, _taken(group))]
        found += some[:_MOST]
    return found


def quiz_pdf(lesson: Lesson, asked: Sequence[Question], pictures: Mapping[int, Image.Image], paper: PaperName) -> bytes:
    """The quiz to hand out. The pictures' numbers in the lesson are not on it."""
    flow = Flow(paper, f"Look and tell: {lesson.title}", "Name: ______________________________    Date: ______________")
    if not asked:
        flow.text("No question can be made: pictures that can be compared are missing.", 11.0)
    for number, one in enumerate(asked, 1):
        _ask(flow, number, one, pictures)
    return flow.pdf("Look first, then reckon. Every picture is shown as it was taken.", "Quiz")


def key_pdf(lesson: Lesson, asked: Sequence[Question], paper: PaperName) -> bytes:
    """The answer key, with the number that each picture has in the lesson."""
    flow = Flow(paper, f"Answers: {lesson.title}", "For the teacher. Numbers are those of the pictures in the lesson.")
    for number, one in enumerate(asked, 1):
        flow.head(f"{number}. {one.text} {one.answer[:1].upper()}{one.answer[1:]}.", 10.5)
        flow.text(one.because, 9.0, "plain", 5.0, 0.8)
        shown = "; ".join(
            f"{letter} is No. {frame.number}, {whole_line(frame.step.settings)}"
            for letter, frame in zip(LETTERS, one.frames, strict=False)
        )
        flow.text(shown, 8.0, "plain", 5.0, 3.0)
    return flow.pdf("", "Answer key")


def differing(one: Settings, other: Settings) -> list[Told]:
    """Which settings differ between two pictures."""
    kinds: tuple[Kind, ...] = ("aperture", "time", "iso")
    found: list[Told] = [
        kind
        for kind in kinds
        if abs(light_of(kind, getattr(one, kind).exact) - light_of(kind, getattr(other, kind).exact)) > ALIKE
    ]
    found += ["focus"] if abs(one.focus.distance_m - other.focus.distance_m) > 1e-6 else []
    found += ["filters"] if one.filters != other.filters else []
    found += ["focal length"] if one.focal_length_mm != other.focal_length_mm else []
    return found


def shuffled(frames: Sequence[LessonFrame], seed: str) -> list[LessonFrame]:
    """An order that follows from the seed and from no setting."""
    return sorted(frames, key=lambda frame: hashlib.sha256(f"{seed}/{frame.number}".encode()).digest())


def _taken(group: LessonGroup) -> LessonGroup:
    frames = tuple(frame for frame in group.frames if frame.source is not None)
    return LessonGroup(group.title, group.told, frames, group.notes, group.faults)


def _which(title: str, group: LessonGroup) -> Iterator[Question]:
    """``Which was shot at 1/15 s?``: two or three pictures far enough apart to be told by eye."""
    if group.faults or len(group.frames) < 2 or group.told not in ("aperture", "time", "iso"):
        return
    for kind in _kinds(group):
        picked = _spread(group.frames, kind)
        if len(picked) < 2:
            continue
        mixed = shuffled(picked, f"{title}/which/{kind}/{group.title}")
        target = (
            picked[-1]
            if int(hashlib.sha256(f"{title}/{group.title}/{kind}".encode()).hexdigest(), 16) % 2
            else picked[0]
        )
        asked = value(kind, target.step.settings)
        letter = LETTERS[mixed.index(target)]
        yield Question("which", f"Which was shot at {asked}?", tuple(mixed), (), letter, _because(kind, group, target))


def _because(kind: Kind, group: LessonGroup, target: LessonFrame) -> str:
    """What tells it: the picture's own caption, where that speaks of the setting asked for; else what goes with it."""
    if kind == group.told:
        return short_caption(target)
    asked, along = value(kind, target.step.settings), value(group.told, target.step.settings)
    lights = [light_of(kind, getattr(frame.step.settings, kind).exact) for frame in group.frames]
    own = light_of(kind, getattr(target.step.settings, kind).exact)
    clue = {
        ("time", True): "What moves is drawn out farthest. ",
        ("time", False): "What moves stands stillest. ",
    }.get((kind, own > sum(lights) / len(lights)), "")
    return f"{clue}{asked} goes with {along} here. {short_caption(target)}"


def _kinds(group: LessonGroup) -> list[Kind]:
    """The settings to ask for: the one that tells the pictures apart, and time where it goes along."""
    first: Kind = group.told if group.told in ("aperture", "time", "iso") else "aperture"
    both: list[Kind] = [first]
    if first == "aperture" and len(group.frames) > 2 and len(_spread(group.frames, "time")) > 1:
        both.append("time")
    return both


def _spread(frames: Sequence[LessonFrame], kind: Kind) -> list[LessonFrame]:
    """The two ends and the middle, where they lie far enough apart in one setting."""

    def light(frame: LessonFrame) -> float:
        return light_of(kind, getattr(frame.step.settings, kind).exact)

    ordered = sorted(frames, key=light)
    picked: list[LessonFrame] = []
    for frame in (ordered[0], ordered[len(ordered) // 2], ordered[-1]):
        if all(abs(light(frame) - light(other)) >= _APART for other in picked):
            picked.append(frame)
    return picked


def _changed(title: str, group: LessonGroup) -> Iterator[Question]:
    """``Which settings were changed from A to B?``, for the two ends of a group."""
    if group.faults or len(group.frames) < 2:
        return
    first, last = shuffled((group.frames[0], group.frames[-1]), f"{title}/changed/{group.title}")
    found = differing(first.step.settings, last.step.settings)
    if not found:
        return
    names = [_NAMES.get(name, name) for name in found]
    plural = "s were" if len(found) > 1 else " was"
    because = "; ".join(
        f"{_NAMES.get(name, name)}: {_bare(name, first.step.settings)} to {_bare(name, last.step.settings)}"
        for name in found
    )
    offered = tuple(_NAMES.get(name, name) for name in _SETTINGS if name != "focal length" or name in found)
    text = f"Which setting{plural} changed from A to B?"
    yield Question("changed", text, (first, last), offered, ", ".join(names), because)


def _bare(name: Told, settings: Settings) -> str:
    return value(name, settings).removeprefix("focus ").removeprefix("ISO ")


def _wrong(title: str, group: LessonGroup) -> Iterator[Question]:
    """``What went wrong in B?``: beside the right picture, which comes first in its group."""
    if not group.faults or len(group.frames) < 2:
        return
    right = next((frame for frame in group.frames if frame.step.reference == frame.step.id), group.frames[0])
    for frame in group.frames:
        told = mistake_of(frame)
        if frame is right or told is None:
            continue
        pair = shuffled((right, frame), f"{title}/wrong/{frame.number}")
        letter = LETTERS[pair.index(frame)]
        yield Question(
            "wrong",
            f"What went wrong in {letter}?",
            tuple(pair),
            tuple(MISTAKES.values()),
            MISTAKES[told],
            f"{letter}: {short_caption(frame)}",
        )


def mistake_of(frame: LessonFrame) -> str | None:
    """Which of `MISTAKES` a picture of a faults goal shows, by its goal's name; None: none of them."""
    return next((word for word in MISTAKES if frame.step.goal.endswith(f" {word}")), None)


def _ask(flow: Flow, number: int, one: Question, pictures: Mapping[int, Image.Image]) -> None:
    count = len(one.frames)
    gap = 4.0
    wide = (flow.inner - (count - 1) * gap) / count
    shown = [pictures.get(frame.number) for frame in one.frames]
    aspects = [picture.width / picture.height for picture in shown if picture is not None] or [1.5]
    high = min(wide / min(aspects), 50.0)  # three questions a page
    answers = 8.0 * (-(-len(one.choices) // 3)) if one.choices else 8.0
    flow.need(8.0 + high + answers + 6.0)
    flow.text(f"{number}. {one.text}", 12.0, "bold", after=1.5)

    starts: dict[int, float] = {}

    def row(x: float, y: float) -> list[Item]:
        items: list[Item] = []
        for place, picture in enumerate(shown):
            box = Box(x + place * (wide + gap), y, wide, high)
            placed = flow.place(picture, box) if picture is not None else None
            left = placed.box.x if placed is not None else box.x
            top = placed.box.y if placed is not None else box.y
            items += [placed] if placed is not None else [Area(box, "paper", 0.3)]
            starts[place] = left
            items.append(Area(Box(left, top, 7.5, 7.0), "paper"))
            letter = LETTERS[place]
            items.append(Text(left + 1.7, top + 5.4, text_width(letter, "bold", 14.0), letter, "bold", 14.0))
        return items

    flow.put(high, row, 2.5, "picture")
    choices = one.choices or tuple(LETTERS[:count])

    def ticks(x: float, y: float) -> list[Item]:
        items: list[Item] = []
        column = flow.inner / 3
        for place, choice in enumerate(choices):
            top = y + (place // 3) * 8.0
            left = x + (place % 3) * column if one.choices else starts[place]  # letters stand under their pictures
            items.append(Area(Box(left, top + 0.8, 4.6, 4.6), "paper", 0.35))
            words = flow.clean(choice)
            size = 10.0 if text_width(words, "plain", 10.0) < column - 8 else 7.5
            items.append(Text(left + 6.6, top + 4.5, text_width(words, "plain", size), words, "plain", size))
        return items

    flow.put(8.0 * (-(-len(choices) // 3)), ticks, 5.0)
