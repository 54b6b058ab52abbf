"""Holding a store against its own record: every listed file is hashed again, and every file there must be listed.

The disk is listed before the record is read, and what a living run has in flight is told apart, so that a store that
is being shot into verifies as well as one at rest. Nothing is changed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from daemon.files import PICTURE_FOLDERS, attempt_stem, wording
from daemon.logbook import FileRow, RunRow
from daemon.store import Store

Progress = Callable[[int, int], None]
"""Told how many files were hashed so far, and of how many."""


@dataclass
class Findings:
    """What was found wrong; paths are relative to the store.

    ``missing``, ``changed``, ``unreadable``: listed in the logbook. ``unlisted``: pictures that no row names.
    ``leftovers``: downloads in ``incoming/`` that were never finished. ``damaged``: what the database says of itself.
    ``in_flight`` (of a living run) and ``set_aside`` (fetched again since) are no fault.
    """

    store: Path
    files: int = 0
    bytes: int = 0
    missing: list[str] = field(default_factory=list)
    changed: list[str] = field(default_factory=list)
    unreadable: list[str] = field(default_factory=list)
    unlisted: list[str] = field(default_factory=list)
    leftovers: list[str] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    in_flight: list[str] = field(default_factory=list)
    set_aside: list[str] = field(default_factory=list)

    @property
    def wrong(self) -> dict[str, list[str]]:
        """What is wrong, by kind; empty: nothing is."""
        kinds = ("damaged", "missing", "changed", "unreadable", "unlisted", "leftovers")
        return {kind: getattr(self, kind) for kind in kinds if getattr(self, kind)}

    def as_json(self) -> dict[str, Any]:
        """The findings as plain data."""
        return {"ok": not self.wrong} | {key: str(v) if key == "store" else v for key, v in vars(self).items()}


def verify(store: Store, run: RunRow | None = None, progress: Progress | None = None) -> Findings:
    """Hash every file that the logbook names (of one ``run``, or of all), and look for files that it does not name.

    Raises
    ------
    StoreError
        If the logbook cannot be read, or a folder not listed.
    """
    found = Findings(store.path)
    on_disk = _pictures(store, run)
    incoming = store.files.leftovers() if run is None else []
    found.damaged = store.logbook.damage()
    runs = store.logbook.list_runs() if run is None else [run]
    listed = [file for row in runs for file in store.logbook.files(row.id)]
    for number, file in enumerate(listed, 1):
        _hold(store, file, found)
        if progress:
            progress(number, len(listed))
    names = {file.path for file in listed}
    living = store.run_in_progress()
    flying = set(_stems_in_flight(store, living))
    for path in on_disk:
        if path in names:
            continue
        folder, stem = str(Path(path).parent.parent), Path(path).stem.partition(".")[0]
        (found.in_flight if (folder, stem) in flying else found.unlisted).append(path)
    for leftover in incoming:
        path = leftover.path.relative_to(store.path).as_posix()
        place = found.set_aside if leftover.set_aside else found.in_flight if living is not None else found.leftovers
        place.append(path)
    return found


def hash_file(path: Path) -> tuple[int, str]:
    """The size [bytes] and SHA-256 of a file, read in pieces. Raises ``OSError``."""
    with path.open("rb") as source:
        digest = hashlib.file_digest(source, "sha256").hexdigest()
        return source.tell(), digest


def _hold(store: Store, file: FileRow, found: Findings) -> None:
    place = store.files.path(file.path)
    found.files += 1
    if not place.exists():
        found.missing.append(file.path)
        return
    try:
        size, digest = hash_file(place)
    except OSError as error:
        found.unreadable.append(f"{file.path} ({error.strerror})")
        return
    found.bytes += size
    if (size, digest) != (file.size, file.sha256):
        found.changed.append(file.path)


def _pictures(store: Store, run: RunRow | None) -> list[str]:
    """Every file below the picture folders of one run, or of whatever run folders there are, by name."""
    runs = store.path / "runs"
    with wording("list", runs, store.path):
        folders = [store.files.path(run.folder)] if run else sorted(path for path in runs.iterdir() if path.is_dir())
        return [
            path.relative_to(store.path).as_posix()
            for folder in folders
            for name in PICTURE_FOLDERS
            for path in sorted((folder / name).rglob("*"))
            if path.is_symlink() or not path.is_dir()
        ]


def _stems_in_flight(store: Store, living: int | None) -> Iterator[tuple[str, str]]:
    if living is None:
        return
    run = store.logbook.run(living)
    for attempt in store.logbook.open_attempts(living):
        step = store.logbook.step(attempt.step_row)
        yield run.folder, attempt_stem(step.step_id, attempt.number)
