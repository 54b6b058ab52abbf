"""The lesson pack: a folder or a zip with everything in it, and a table of contents as page and as text.

A folder is renewed part by part: parts that are made again replace their files, other parts stay. A zip is written
whole. Files of anybody else are never touched. What lies in a pack is listed in ``lesson.json``; no path of this
computer is in it, and every name is made here.
"""

from __future__ import annotations

import html
import io
import json
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import quote

from daemon.errors import StoreError, UsageError
from daemon.pictures.teaching.shapes import Lesson
from daemon.pictures.writing import replace_file

FORMAT, VERSION = "stopwright-lesson", 1
LISTING = "lesson.json"
PARTS = {
    "side-by-side": "Side by side",
    "sheets": "Sheets for the screen and for paper",
    "stills": "Stills with captions",
    "quiz": "Quiz",
    "worksheet": "Worksheet of equivalent exposures",
    "students": "Student cards",
    "assignment": "Assignment sheet",
    "stop-card": "Pocket stop card",
    "talk": "Prompts for the talk",
    "frames": "Pictures with captions in sidecars",
    "notes": "For the teacher",
}
"""The parts of a pack, in the order of its table of contents."""

_STYLE = (
    "body{background:#fbf9f4;color:#24282e;font:17px/1.5 system-ui,'DejaVu Sans',sans-serif;max-width:46rem;"
    "margin:0 auto;padding:20px 16px 40px}h1{font:600 1.6rem/1.2 Georgia,'DejaVu Serif',serif;margin:.2em 0;"
    "overflow-wrap:anywhere}h2{font-size:1.05rem;border-top:1px solid #24282e;padding-top:8px;margin:1.6em 0 .4em}"
    "ul{list-style:none;padding:0;margin:0}li{padding:5px 0;border-bottom:1px solid #cdcac0;overflow-wrap:anywhere}"
    "a{color:#24282e;font-weight:600}a:focus-visible{outline:3px solid #606870}p{color:#5c6064;margin:.2em 0}"
    "table{border-collapse:collapse;font-size:.85rem}td,th{border-bottom:1px solid #cdcac0;padding:4px 10px 4px 0;"
    "text-align:left;vertical-align:top}.wide{overflow-x:auto}"
)
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:"


@dataclass(frozen=True)
class Entry:
    """A file of a pack: its path in it, its part, and what it is in a few words."""

    path: str
    part: str
    what: str


class Pack:
    """A pack being written; use it through `open_pack`."""

    def __init__(self, archive: zipfile.ZipFile | None, folder: Path | None, entries: list[Entry]):
        self._archive, self._folder = archive, folder
        self._old, self.entries = entries, list[Entry]()

    def write(self, part: str, path: str, data: bytes, what: str = "") -> None:
        """Put a file into the pack. ``what`` empty: the file is not named in the table of contents."""
        self._put(path, data)
        self.entries.append(Entry(path, part, what))

    def finish(self, lesson: Lesson, run: int) -> None:
        """Table of contents and listing; files of parts made again that are no longer made go away."""
        made = {entry.part for entry in self.entries}
        now = {entry.path for entry in self.entries}
        kept = [entry for entry in self._old if entry.part not in made]
        if self._folder is not None:
            for entry in self._old:
                if entry.part in made and entry.path not in now:
                    (self._folder / entry.path).unlink(missing_ok=True)
        order = list(PARTS)
        self.entries = sorted([*kept, *self.entries], key=lambda entry: order.index(entry.part))
        self._put("index.html", contents_page(lesson, self.entries).encode())
        self._put("contents.txt", contents_text(lesson, self.entries).encode())
        self._put(LISTING, _listing(run, lesson.title, self.entries))

    def _put(self, path: str, data: bytes) -> None:
        if self._archive is not None:
            packed = path.endswith((".jpg", ".png", ".pdf"))
            kind = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
            info = zipfile.ZipInfo(path)  # no date of this computer: the same lesson gives the same bytes
            info.external_attr = 0o644 << 16
            self._archive.writestr(info, data, kind)
        elif self._folder is not None:
            target = self._folder / path
            target.parent.mkdir(parents=True, exist_ok=True)
            replace_file(target, data)


@contextmanager
def open_pack(out: Path, run: int) -> Iterator[Pack]:
    """A pack at ``out``: a zip where the name ends so, else a folder. It is closed, and a zip put in place, at the end.

    Raises
    ------
    UsageError
        If something else lies there.
    StoreError
        If it cannot be written.
    """
    zipped = out.suffix.lower() == ".zip"
    entries = _found(out, run, zipped)
    try:
        if not zipped:
            out.mkdir(parents=True, exist_ok=True)
            if not (out / LISTING).exists():  # so that a pack that was broken off is known as ours
                replace_file(out / LISTING, _listing(run, "", []))
            yield Pack(None, out, entries)
            return
        sink = io.BytesIO()
        with zipfile.ZipFile(sink, "w") as archive:
            yield Pack(archive, None, [])
        replace_file(out, sink.getvalue())
    except OSError as error:
        raise StoreError(
            f"The lesson could not be written: asked for files in {out}, found {error.strerror or error}; the pictures "
            "are untouched. Name a place that can be written to and has room"
        ) from error


def _listing(run: int, title: str, entries: list[Entry]) -> bytes:
    tree = {"format": FORMAT, "version": VERSION, "run": run, "title": title}
    files = {"files": [asdict(entry) for entry in entries]}
    return (json.dumps(tree | files, indent=2, ensure_ascii=False) + "\n").encode()


def _found(out: Path, run: int, zipped: bool) -> list[Entry]:
    """What an earlier pack of the same run at ``out`` lists; refuses anything else that lies there."""
    if not out.exists():
        return []
    asked = f"lesson to {str(out)!r}"
    if zipped != out.is_file() or (not zipped and not out.is_dir()):
        raise UsageError(
            f"{asked}: found {'a folder' if out.is_dir() else 'a file'}; allowed: "
            f"{'a file' if zipped else 'a folder, or a name that ends in .zip'}. Name another place"
        )
    if not zipped and not any(out.iterdir()):
        return []
    try:
        if zipped:
            with zipfile.ZipFile(out) as archive:
                tree = json.loads(archive.read(LISTING))
        else:
            tree = json.loads((out / LISTING).read_text(encoding="utf-8"))
        return _entries(tree, run)
    except (OSError, ValueError, KeyError, TypeError, zipfile.BadZipFile):
        raise UsageError(
            f"{asked}: found other things there, or the lesson of another run. Name an empty folder or a new one"
        ) from None


def _entries(tree: dict[str, Any], run: int) -> list[Entry]:
    if tree["format"] != FORMAT or tree["run"] != run:
        raise ValueError("another run's")
    found = [Entry(str(item["path"]), str(item["part"]), str(item["what"])) for item in tree["files"]]
    for entry in found:
        path = PurePosixPath(entry.path)
        if path.is_absolute() or ".." in path.parts or entry.part not in PARTS:
            raise ValueError("a listing that was changed by hand")
    return found


def contents_page(lesson: Lesson, entries: list[Entry]) -> str:
    """The table of contents as a page; every file that has words to it, by its part."""
    parts = []
    for part, title in PARTS.items():
        rows = [
            f'<li><a href="{quote(entry.path)}">{html.escape(entry.what)}</a></li>'
            for entry in entries
            if entry.part == part and entry.what
        ]
        if rows:
            parts.append(f"<h2>{html.escape(title)}</h2>\n<ul>{''.join(rows)}</ul>")
    head = f"<h1>{html.escape(lesson.title)}</h1>\n<p>{html.escape(lesson.day)} · {html.escape(lesson.light)}</p>"
    return page(f"{lesson.title}: lesson", f"{head}\n" + "\n".join(parts))


def contents_text(lesson: Lesson, entries: list[Entry]) -> str:
    """The same as text."""
    lines = [lesson.title, f"{lesson.day}; {lesson.light}"]
    for part, title in PARTS.items():
        rows = [f"  {entry.path:<34} {entry.what}" for entry in entries if entry.part == part and entry.what]
        lines += ["", title, *rows] if rows else []
    return "\n".join(lines) + "\n"


def page(title: str, body: str) -> str:
    """A plain page of the pack, which asks no host for anything. ``body`` is markup, ``title`` text."""
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n<link rel="icon" href="data:,">\n'
        f"<title>{html.escape(title)}</title>\n<style>{_STYLE}</style></head>\n<body>\n{body}\n</body></html>\n"
    )
