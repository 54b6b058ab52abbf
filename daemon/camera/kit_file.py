"""A kit file from a camera's reading: scales as the camera marks them, and blanks for what no camera tells.

A blank is the word in `BLANK`; a brief that uses the file before it is filled in is refused with the blank's line.
"""

from __future__ import annotations

import json
import re
import textwrap

from daemon.camera.kit_reading import FEW, KindReading, KitReading
from daemon.camera.trees import plain_label
from plans.reading import KIT_VERSION_KEY
from plans.stops import Kind, Mark, read_scale
from plans.yaml_tree import shorten

BLANK = "FILL-IN"
_LONGEST_MARK = 20  # characters, of a mark in a kit file
_MOST_MARKS = 200


def kit_text(reading: KitReading) -> str:
    """The text of a kit file; `plans.reading` accepts it once every blank is filled in."""
    told = reading.told
    picture = f"; the largest picture it lists is {told.picture}" if told.picture else ""
    stands = f"; the lens stands at {shorten(told.focal_length)} mm" if told.focal_length else ""
    lines = [
        f"{KIT_VERSION_KEY}: 1",
        f"# Read from {shorten(told.state.model)}. Fill in every line that says {BLANK}; the camera does not tell it.",
        *(f"# {shorten(note, 300)}" for note in reading.notes),
        "body:",
        f"  name: {json.dumps(shorten(told.state.model), ensure_ascii=False)}",
        "  sensor:",
        f"    width: {BLANK}  # such as 35.9 mm, as the sensor lies in landscape",
        f"    height: {BLANK}  # such as 24.0 mm",
        f"    pixels: {BLANK}  # such as [6000, 4000]{picture}",
        *_scale_lines(reading, "iso", "{from: 100, to: 6400, step: 1/3}"),
        *_scale_lines(reading, "time", "{from: 1/4000 s, to: 30 s, step: 1/3}"),
        "lens:",
        f"  focal_length: {BLANK}  # such as 50 mm{stands}",
        *_scale_lines(reading, "aperture", "{from: f/1.8, to: f/22, step: 1/3}"),
        f"  nearest_focus: {BLANK}  # such as 0.45 m, from the sensor; it is printed on most lenses",
        "  focus_by: hand",
        "support: tripod",
    ]
    return "\n".join(lines) + "\n"


def _scale_lines(reading: KitReading, name: Kind, example: str) -> list[str]:
    marks, left_out = written_marks(reading.kinds[name])
    if not is_whole(reading, name):
        now = f"; locked, it shows no more than {', '.join(marks)} now" if marks else ""
        return [f"  {name}: {BLANK}  # such as {example}, or {{marks: [...]}} with every mark{now}"]
    lines = [f"  # left out, no kit file can say them: {', '.join(left_out)}"] if left_out else []
    quoted = [text if re.fullmatch(r"[A-Za-z0-9./]+", text) else json.dumps(text) for text in marks]
    rows = textwrap.wrap(", ".join(quoted), 100, break_long_words=False, break_on_hyphens=False)
    return [*lines, f"  {name}:", "    marks: [", *(f"      {row}" for row in rows), "    ]"]


def is_whole(reading: KitReading, kind: Kind) -> bool:
    """Whether a scale was read at all, and is more than the one or two marks that a locked setting shows."""
    count = len(reading.kinds[kind].scale.marks)
    return count >= FEW or (count > 0 and kind not in reading.locked)


def written_marks(read: KindReading) -> tuple[list[str], list[str]]:
    """The marks to write, ascending, and those that had to be left out.

    They are the camera's own where a reader of the file finds the same exact values in them; else the marks for people
    (1/60 for a label cut off to 0.0166s).
    """
    marks = list(read.scale.marks)
    own = {mark: plain_label(mark.kind, read.own[mark]) for mark in marks}
    people = {mark: mark.label for mark in marks}
    short = all(len(text) <= _LONGEST_MARK and text.isascii() for text in own.values())
    if len(marks) <= _MOST_MARKS and short and not _lost(own):
        return list(own.values()), []
    kept, dropped = dict(list(people.items())[:_MOST_MARKS]), marks[_MOST_MARKS:]
    while lost := _lost(kept):
        dropped += lost
        kept = {mark: text for mark, text in kept.items() if mark not in lost}
    return list(kept.values()), [read.own[mark] for mark in dropped]


def _lost(texts: dict[Mark, str]) -> list[Mark]:
    """Marks that a reader of these texts would not find at their exact value."""
    if not texts:
        return []
    kind = next(iter(texts)).kind
    found = {mark.label: mark.light for mark in read_scale(kind, texts.values()).marks}
    return [mark for mark, text in texts.items() if found.get(text) != mark.light]
