"""A copy of a store, or of its logbook alone, taken while it may be shot into, and held against the original at once.

The logbook is copied first, as of one moment (SQLite's own online backup; rows of one snapshot from a server), and
only then the files that this copy names: pictures never change, so the two agree. The copy is a whole store with its
logbook in SQLite, whatever the original has, and opens with ``--store``. Done again into the same folder it brings what
is new; a folder that holds anything else is refused.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.errors import StoreError, UsageError
from daemon.files import PICTURE_FOLDERS, Files, flush_folder, rename_without_overwriting, wording
from daemon.logbook import Logbook, RunRow
from daemon.store import LOGBOOK, Store
from daemon.tables import utc_text
from daemon.verifying import Progress, hash_file


@dataclass(frozen=True)
class Copied:
    """What a backup holds now. ``copied``: files that were new to it; ``bytes`` of them. ``left``: in ``incoming/``."""

    place: Path
    runs: int
    files: int
    copied: int
    bytes: int
    left: int
    not_copied: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """The backup as plain data."""
        return vars(self) | {"place": str(self.place), "not_copied": list(self.not_copied)}


def backup_logbook(store: Store, target: Path) -> Copied:
    """Copy the logbook alone to the new file ``target``, and look the copy through.

    Raises
    ------
    UsageError
        If something lies at ``target`` already, or its folder is missing.
    StoreError
        If the disk refuses, or the copy is not as it should be; then there is no ``target``.
    """
    target = target.absolute()
    if os.path.lexists(target):
        raise UsageError(f"backup to {target}: found something there already; nothing is overwritten. Name a new file")
    if not target.parent.is_dir():
        raise UsageError(f"backup to {target}: found no folder {target.parent}. Make it first")
    passing = _snapshot(store, target)
    with wording("write", target, target.parent):
        try:
            rename_without_overwriting(passing, target)
        except FileExistsError:
            passing.unlink()
            raise UsageError(f"backup to {target}: something came to lie there meanwhile. Name a new file") from None
        flush_folder(target.parent)
    runs = len(store.logbook.list_runs())
    return Copied(target, runs, 0, 0, target.stat().st_size, 0, ())


def backup_store(store: Store, target: Path, progress: Progress | None = None) -> Copied:
    """Copy logbook, pictures and everything else below ``runs/`` to the folder ``target``, and verify the copy.

    Raises
    ------
    UsageError
        If ``target`` is neither empty, missing nor an earlier backup of this very store, or lies inside it.
    StoreError
        If a disk refuses, a picture of the original is not what the logbook says, or the copy does not verify.
    """
    target = target.absolute()
    if target.resolve().is_relative_to(store.path.resolve()):
        raise UsageError(f"backup to {target}: found a folder inside the store itself; name one on another disk")
    _refuse_other(store, target)
    with wording("make", target, target.parent):
        target.mkdir(parents=True, exist_ok=True)
    files = Files(target)
    passing = _snapshot(store, target / LOGBOOK)
    with wording("write", target, target):
        for folder in ("incoming", "runs"):
            files.make_folder(target / folder)
    snapshot = Logbook(passing, files)
    try:
        runs = snapshot.list_runs()
        listed = [file for run in runs for file in snapshot.files(run.id)]
        copied = size = 0
        trouble = []
        for number, file in enumerate(listed, 1):
            place = target / file.path
            if not place.exists():
                try:
                    _copy(store.files.path(file.path), place, files)
                    copied, size = copied + 1, size + file.size
                except FileNotFoundError:
                    trouble.append(f"{file.path}: missing in the store")
                    continue
            with wording("read", place, target):
                whole = hash_file(place) == (file.size, file.sha256)
            if not whole:
                trouble.append(f"{file.path}: not as the logbook says")
            if progress:
                progress(number, len(listed))
        not_copied = _others(store, runs, {file.path for file in listed}, target, files)
    finally:
        snapshot.close()
    for ending in ("-wal", "-shm"):
        passing.with_name(passing.name + ending).unlink(missing_ok=True)
    with wording("write", target, target):
        for ending in ("-wal", "-shm"):  # of the logbook that is replaced; nobody has it open
            (target / f"{LOGBOOK}{ending}").unlink(missing_ok=True)
        passing.replace(target / LOGBOOK)
        flush_folder(target)
    if trouble:
        raise StoreError(
            f"backup to {target}: {len(trouble)} files of {len(listed)} are not whole there ({trouble[0]}). All others "
            "are. Look with: stopwright verify"
        )
    left = len(store.files.leftovers())
    return Copied(target, len(runs), len(listed), copied, size, left, tuple(not_copied))


def _snapshot(store: Store, target: Path) -> Path:
    """The logbook as of one moment, in a new file beside ``target``, looked through and durable."""
    passing = target.with_name(f".{target.name}.new")
    with wording("write", passing, target.parent):
        for ending in ("", "-wal", "-shm", "-journal"):
            passing.with_name(passing.name + ending).unlink(missing_ok=True)
    if store.logbook.on_server:
        fresh = Logbook(passing, Files(target.parent))
        try:
            fresh.upgrade()
            fresh.copy_from(store.logbook)
        finally:
            fresh.close()
    else:
        store.logbook.copy_file(passing)
    with closing(sqlite3.connect(passing)) as copy:
        # One file without companions, so that it can be carried about by itself.
        copy.execute("PRAGMA journal_mode = DELETE")
        told = [row[0] for row in copy.execute("PRAGMA integrity_check")]
        dangling = copy.execute("PRAGMA foreign_key_check").fetchall()
    if told != ["ok"] or dangling:
        raise StoreError(
            f"backup of {store.path}: the copy of the logbook is damaged ({told[0][:80]}). It stays at {passing}"
        )
    with wording("write", passing, target.parent), passing.open("rb") as file:
        os.fsync(file.fileno())
    return passing


def _refuse_other(store: Store, target: Path) -> None:
    if not os.path.lexists(target):
        return
    if not target.is_dir():
        raise UsageError(f"backup to {target}: found a file; allowed: a folder, or --logbook-only for a file")
    there = {entry.name for entry in target.iterdir() if not entry.name.startswith(".") and entry.name != "lost+found"}
    if not there:
        return
    if LOGBOOK not in there:
        if there <= {"incoming", "runs"} and (target / f".{LOGBOOK}.new").exists():
            return  # a backup that was broken off
        raise UsageError(
            f"backup to {target}: found a folder with other things in it ({sorted(there)[0][:60]!r}). Name an empty "
            "folder, a new one, or an earlier backup of this store"
        )
    try:
        with closing(sqlite3.connect(f"{(target / LOGBOOK).as_uri()}?mode=rw", uri=True, timeout=5.0)) as older:
            theirs = older.execute("SELECT id, created, folder FROM runs").fetchall()
    except sqlite3.Error as error:
        raise UsageError(
            f"backup to {target}: found a {LOGBOOK} that cannot be read as an earlier backup ({error}). Name an empty "
            "folder or a new one"
        ) from None
    ours = {(run.id, utc_text(run.created), run.folder) for run in store.logbook.list_runs()}
    if not ours.issuperset(theirs):
        strange = next(run for run in theirs if run not in ours)
        raise UsageError(
            f"backup to {target}: found a store with a run {strange[0]} that this one does not have. Name an empty "
            "folder, a new one, or an earlier backup of this store"
        )


def _copy(source: Path, place: Path, files: Files) -> None:
    with wording("make", place.parent, files.root):
        files.make_folder(place.parent)
    passing = files.incoming / f"{place.parent.parent.name}-{place.name}"
    if not source.exists():
        raise FileNotFoundError(source)
    with wording("copy to", place, files.root):
        shutil.copyfile(source, passing)
        with passing.open("rb") as file:
            os.fsync(file.fileno())
        rename_without_overwriting(passing, place)
        flush_folder(place.parent)


def _others(store: Store, runs: list[RunRow], listed: set[str], target: Path, files: Files) -> list[str]:
    """Copy what lies in run folders beside the pictures (plans, sheets, exports); what could not be, by name."""
    left = []
    for run in runs:
        for path in sorted(store.files.path(run.folder).rglob("*")):
            name = path.relative_to(store.path).as_posix()
            if name in listed or path.is_symlink() or not path.is_file() or path.name.startswith("."):
                continue
            place = target / name
            try:
                if place.exists():
                    if hash_file(place) == hash_file(path):
                        continue
                    if path.parent.name in PICTURE_FOLDERS:
                        left.append(name)  # a picture that no row names: neither of the two is thrown away
                        continue
                    place.unlink()  # a sheet or a plan that was drawn again
                _copy(path, place, files)
            except FileNotFoundError:
                left.append(name)  # drawn anew at this very moment
    return left
