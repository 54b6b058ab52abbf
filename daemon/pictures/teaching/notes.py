"""The teacher's notes: residual figures, Exif and names of files, which no class needs to see."""

from __future__ import annotations

import html

from daemon.pictures.teaching.pack import page
from daemon.pictures.teaching.shapes import Lesson, short_caption, whole_line

_LEGEND = (
    "set, seen: stops of brightness against the group's reference, by exact settings and as measured; residual is "
    "their difference. Focus and filters are by operator."
)


def notes_text(lesson: Lesson) -> str:
    """The notes as text."""
    lines = [f"{lesson.title}: notes for the teacher", f"{lesson.day}; {lesson.light}", _LEGEND]
    for group in lesson.groups:
        lines += ["", group.title, *(f"  {note}" for note in group.notes)]
        for frame in group.frames:
            lines.append(f"  {frame.number:>3}  {whole_line(frame.step.settings)}")
            lines.append(f"       {short_caption(frame)}")
            lines += [f"       {frame.verdict}"] if frame.verdict else []
            lines.append("       " + "; ".join(f"{name}: {told}" for name, told in frame.figures))
    return "\n".join(lines) + "\n"


def notes_page(lesson: Lesson) -> str:
    """The notes as a page."""
    parts = [f"<h1>{html.escape(lesson.title)}</h1><p>Notes for the teacher. {html.escape(_LEGEND)}</p>"]
    for group in lesson.groups:
        parts.append(f"<h2>{html.escape(group.title)}</h2>")
        parts += [f"<p>{html.escape(note)}</p>" for note in group.notes]
        names = [name for name, _ in group.frames[0].figures] if group.frames else []
        head = "".join(f"<th>{html.escape(name)}</th>" for name in ("No.", "settings", *names))
        rows = "".join(
            f"<tr><td>{frame.number}</td><td>{html.escape(whole_line(frame.step.settings))}</td>"
            + "".join(f"<td>{html.escape(told)}</td>" for _, told in frame.figures)
            + "</tr>"
            for frame in group.frames
        )
        parts.append(f'<div class="wide"><table><tr>{head}</tr>{rows}</table></div>')
    return page(f"{lesson.title}: notes", "\n".join(parts))
