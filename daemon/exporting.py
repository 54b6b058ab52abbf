"""A run for other programs: a table (CSV), everything (JSON), and a sidecar (XMP) for each picture.

An export holds no serial number and no place on this computer. Cells of the table cannot run: spreadsheets take a text
that begins with one of ``= + - @``, a tab or a line break as a formula (OWASP, CSV Injection), so that such texts get
an apostrophe before them. What is a number is written as one.
"""

from __future__ import annotations

import csv
import io
import json
import shutil
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any

from daemon.errors import UsageError
from daemon.files import Files, wording
from daemon.logbook import FileRow, FrameRow, RunRow, StepRow
from daemon.store import Store
from daemon.tables import plain
from daemon.xmp import sidecar

FORMAT = "stopwright-export"
VERSION = 1
COLUMNS = (
    *("step", "goal", "group", "role", "outcome", "file", "kind", "bytes", "sha256", "taken_camera_clock"),
    *("stored_utc", "aperture", "aperture_exact", "time", "time_exact_s", "iso", "iso_exact", "focus", "filters"),
    *("exif_f_number", "exif_exposure_s", "exif_iso", "exif_focal_length_mm", "verified"),
    *("expected_stops", "measured_stops", "residual_stops"),
)
_STARTS_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
_MIME = {"jpeg": "image/jpeg"}


@dataclass(frozen=True)
class Exported:
    """Where an export lies, and what is in it."""

    folder: Path
    frames: int
    files: int
    sidecars: int
    pictures: int

    def as_json(self) -> dict[str, Any]:
        """The export as plain data."""
        return vars(self) | {"folder": str(self.folder)}


def export(store: Store, which: int | str, out: Path | None = None, pictures: bool = False) -> Exported:
    """Write a run's table, JSON and sidecars into ``out`` (None: ``export/`` in the run's folder).

    An export of the same run that lies there is renewed. ``pictures``: copies of the pictures lie beside their
    sidecars.

    Raises
    ------
    UsageError
        If there is no such run, or ``out`` holds something else.
    StoreError
        If the disk refuses, or a picture that is to be copied is missing.
    """
    run = store.logbook.run(which)
    folder = (store.files.path(run.folder) / "export" if out is None else out).absolute()
    _refuse_other(folder, run)
    tree = run_tree(store, run)
    writer = Files(folder)
    with wording("make", folder, folder.parent):
        folder.mkdir(parents=True, exist_ok=True)
    writer.write_text_atomically(folder / "run.json", json.dumps(tree, indent=2, ensure_ascii=False) + "\n")
    writer.write_text_atomically(folder / "frames.csv", table(tree))
    sidecars = copied = 0
    for frame in tree["frames"]:
        for stem, files in _by_stem(frame["files"]).items():
            below = folder / frame["role"]
            with wording("make", below, folder):
                below.mkdir(exist_ok=True)
            kind = files[0]["kind"] if len(files) == 1 else ""  # a pair shares one sidecar
            text = sidecar(_title(run, frame), _description(frame), _MIME.get(kind, ""), frame["exif"])
            writer.write_text_atomically(below / f"{stem}.xmp", text)
            sidecars += 1
            for file in files if pictures else ():
                source = store.files.path(file["path"])
                with wording("copy", source, folder):
                    shutil.copyfile(source, below / source.name)
                copied += 1
    listed = sum(len(frame["files"]) for frame in tree["frames"])
    return Exported(folder, len(tree["frames"]), listed, sidecars, copied)


def run_tree(store: Store, run: RunRow) -> dict[str, Any]:
    """Everything that the logbook has of a run, as plain data without serial numbers; paths relative to the store."""
    logbook = store.logbook
    steps = {row.id: row for row in logbook.steps(run.id)}
    attempts = {row.id: row for row in logbook.attempts(run.id)}
    files: dict[int, list[FileRow]] = {}
    for file in logbook.files(run.id):
        files.setdefault(file.frame_id, []).append(file)
    lapse_frames = [row for step in steps.values() if step.kind == "timelapse" for row in logbook.lapse_frames(step.id)]
    own = {row.attempt_id: row.settings for row in lapse_frames if row.settings is not None}
    readings: dict[int, list[Any]] = {}
    for row in logbook.readings(run.id):
        readings.setdefault(row.frame_id, []).append(row)
    frames = []
    for frame in logbook.frames(run.id):
        attempt = attempts.get(frame.attempt_id or 0)
        step = steps.get(attempt.step_row) if attempt else None
        if step is not None and frame.attempt_id in own:
            step = replace(step, settings=own[frame.attempt_id])
        frames.append(_frame(frame, step, files.get(frame.id, []), readings.get(frame.id, [])))
    revisions = logbook.run_plans(run.id)
    tree = {
        "format": FORMAT,
        "version": VERSION,
        "run": vars(run),
        "plans": [vars(row) | {"plan": logbook.plan(run.id, row.revision)} for row in revisions],
        "steps": [vars(row) for row in steps.values()],
        "attempts": [vars(row) for row in attempts.values()],
        "frames": frames,
        "lapse_frames": [vars(row) for row in lapse_frames],
        "events": [vars(row) for row in logbook.events(run.id)],
    }
    return _without_serials(plain(tree))  # type: ignore[no-any-return]


def table(tree: dict[str, Any]) -> str:
    """The frames of a `run_tree` as CSV (RFC 4180), a row for each file; texts in quotes, numbers bare."""
    sink = io.StringIO()
    writer = csv.writer(sink, quoting=csv.QUOTE_NONNUMERIC, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for frame in tree["frames"]:
        settings, facts = frame["settings"] or {}, frame["exif"] or {}
        newest = frame["readings"][-1]["data"] if frame["readings"] else {}
        shared = {
            **{
                key: frame[key]
                for key in ("step", "goal", "group", "role", "outcome", "taken_camera_clock", "verified")
            },
            "stored_utc": frame["stored_at"],
            "focus": (settings.get("focus") or {}).get("subject"),
            "filters": " + ".join(item.get("name", "") for item in settings.get("filters") or ()),
            **{f"exif_{key}": facts.get(key) for key in ("f_number", "exposure_s", "iso", "focal_length_mm")},
            **{key: newest.get(key) for key in ("expected_stops", "measured_stops", "residual_stops")},
        }
        for kind, exact in (("aperture", "aperture_exact"), ("time", "time_exact_s"), ("iso", "iso_exact")):
            mark = settings.get(kind) or {}
            shared |= {kind: mark.get("mark"), exact: mark.get("exact")}
        for file in frame["files"]:
            row = shared | {"file": file["path"], "kind": file["kind"], "bytes": file["size"], "sha256": file["sha256"]}
            writer.writerow([cell(row.get(column)) for column in COLUMNS])
    return sink.getvalue()


def cell(value: Any) -> str | float | int:
    """A cell that no spreadsheet runs: numbers as they are, texts on one line and never the start of a formula."""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return value
    text = "" if value is None else str(value)
    # Full-width signs count as the plain ones for some spreadsheets, and leading blanks are dropped by others.
    risky = unicodedata.normalize("NFKC", text).lstrip(" \u00a0\u200b\ufeff\0")
    text = " ".join(text.split("\n")).replace("\r", " ").replace("\t", " ").replace("\0", "")
    return f"'{text}" if risky.startswith(_STARTS_FORMULA) else text


def _frame(frame: FrameRow, step: StepRow | None, files: Sequence[FileRow], readings: Sequence[Any]) -> dict[str, Any]:
    return vars(frame) | {
        "step": step.step_id if step else None,
        "goal": step.goal if step else None,
        "group": step.group if step else None,
        "outcome": step.outcome if step else None,
        "settings": step.settings if step else None,
        "files": [vars(file) for file in files],
        "readings": [vars(row) for row in readings],
    }


def _without_serials(tree: Any) -> Any:
    if isinstance(tree, dict):
        return {key: _without_serials(item) for key, item in tree.items() if "serial" not in key.lower()}
    return [_without_serials(item) for item in tree] if isinstance(tree, list) else tree


def _by_stem(files: Sequence[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    stems: dict[str, list[dict[str, Any]]] = {}
    for file in files:
        stems.setdefault(PurePosixPath(file["path"]).stem, []).append(file)
    return stems


def _title(run: RunRow, frame: dict[str, Any]) -> str:
    return f"{run.title}: {frame['goal'] or frame['role']}"


def _description(frame: dict[str, Any]) -> str:
    settings = frame["settings"]
    if not settings:
        return f"{frame['role']} frame"
    marks = [settings["aperture"]["mark"], f"{settings['time']['mark']} s", f"ISO {settings['iso']['mark']}"]
    marks += [item["name"] for item in settings.get("filters") or ()]
    if (settings.get("focus") or {}).get("subject"):
        marks.append(f"focused on {settings['focus']['subject']}")
    return f"step {frame['step']}, planned at {', '.join(marks)}; {frame['verified']}"


def _refuse_other(folder: Path, run: RunRow) -> None:
    if folder.is_dir() and any(folder.iterdir()):
        try:
            told = json.loads((folder / "run.json").read_text(encoding="utf-8"))
            same = told["format"] == FORMAT and told["run"]["id"] == run.id and told["run"]["folder"] == run.folder
        except (OSError, ValueError, KeyError, TypeError):
            same = False
        if not same:
            raise UsageError(f"export to {folder}: found other things there. Name an empty folder or a new one")
    elif folder.exists() and not folder.is_dir():
        raise UsageError(f"export to {folder}: found a file; allowed: a folder")
