"""A store: one folder with the logbook, the downloads in flight and the runs. Finding, making, opening, locking it.

    STORE/logbook.db        the record (SQLite); or logbook.server, which names the PostgreSQL server that has it
    STORE/incoming/         downloads in flight
    STORE/runs/DATE-run-NNN-TITLE/{pictures,control}/
    STORE/shooting.lock     held by the one process that shoots

Importing this module is cheap; the database library is loaded when a store is opened.
"""

from __future__ import annotations

import fcntl
import json
import os
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Literal

from daemon import clock, migrations
from daemon.errors import StoreError, UsageError
from daemon.files import Files, StoredFile, Trace, flush_folder, wording

if TYPE_CHECKING:
    from daemon.logbook import Logbook

__all__ = ["Store", "StoredFile", "default_store_path", "open_store"]

LOGBOOK = "logbook.db"
LOCK = "shooting.lock"
BADGE = "logbook.server"
_OURS = {
    LOGBOOK,
    BADGE,
    f"{LOGBOOK}-wal",
    f"{LOGBOOK}-shm",
    f"{LOGBOOK}-journal",
    LOCK,
    "incoming",
    "runs",
    "lost+found",
}
_ELSEWHERE = "or name another folder with --store or STOPWRIGHT_STORE"

_HOLDER_BYTES = 2048  # written at once and always as long, so that nobody reads half of it
_PROBED_S = 0.5  # a lock that is merely looked at is free again well within this [s]
_held: dict[int, Path] = {}  # locks of this process: file handle, place


def _let_go_in_child() -> None:
    # A forked child shares the lock; if it outlived us, the store would stay locked.
    for handle in _held:
        os.close(handle)
    _held.clear()


os.register_at_fork(after_in_child=_let_go_in_child)


@dataclass(frozen=True)
class Store:
    """An open store. Close it, or use it as a context manager."""

    path: Path
    logbook: Logbook
    files: Files

    def close(self) -> None:
        """Let the logbook go. Idempotent."""
        self.logbook.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextmanager
    def lock(self, command: str) -> Iterator[None]:
        """Hold the store as its only shooter; the system lets go when this process ends, however it ends.

        Parameters
        ----------
        command
            What the user called, shown to whoever is refused.

        Raises
        ------
        UsageError
            If another process shoots into this store; names its process id and command.
        """
        place = self.path / LOCK
        with wording("lock", place, self.path):
            handle = os.open(place, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        _held[handle] = place
        try:
            with wording("lock", place, self.path):
                if not _taken(handle):
                    raise UsageError(self._held_by(handle))
                holder = {"pid": os.getpid(), "command": command[:200], "since": f"{clock.utc_now():%FT%TZ}"}
                _write_holder(handle, holder)
            yield
        finally:
            if _held.pop(handle, None) is not None:  # else this is a forked child, which let go already
                os.close(handle)

    def note_run(self, run_id: int) -> None:
        """Say which run this process shoots, for whoever looks; a process that does not hold the lock says nothing."""
        for handle, place in _held.items():
            if place == self.path / LOCK:
                with suppress(OSError, ValueError):
                    _write_holder(handle, json.loads(os.pread(handle, _HOLDER_BYTES, 0)) | {"run": run_id})

    def run_in_progress(self) -> int | None:
        """The run that a living process shoots into this store; None: there is no such process, or no run yet.

        The system gave the lock back when its holder ended, so that a run that was killed is not taken for one.
        """
        try:
            handle = os.open(self.path / LOCK, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            return None
        try:
            fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            with suppress(OSError, ValueError, TypeError, AttributeError):
                return int(json.loads(os.pread(handle, _HOLDER_BYTES, 0)).get("run"))
        except OSError:
            pass
        finally:
            os.close(handle)
        return None

    def _held_by(self, handle: int) -> str:
        try:
            holder = json.loads(os.pread(handle, _HOLDER_BYTES, 0))
            who = f"process {holder['pid']} has it since {holder['since']}: {holder['command']}"
        except (ValueError, KeyError, TypeError):
            who = "another process has just taken it"
        return (
            f"shoot into {self.path}: one run at a time; {who}. Wait for it to end or stop it there with Ctrl-C, "
            f"{_ELSEWHERE}"
        )


def _taken(handle: int) -> bool:
    """Lock a file for this process alone; False when another one keeps it."""
    end = clock.monotonic() + _PROBED_S
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if clock.monotonic() >= end:
                return False
            clock.sleep(0.02)
        else:
            return True


def _write_holder(handle: int, holder: Mapping[str, Any]) -> None:
    os.pwrite(handle, json.dumps(holder).encode().ljust(_HOLDER_BYTES), 0)


def default_store_path(environ: Mapping[str, str] = os.environ) -> Path:
    """Where the store lies when nobody says: ``$STOPWRIGHT_STORE``, else ``~/Stopwright``."""
    return _absolute(Path(environ.get("STOPWRIGHT_STORE", "").strip() or "~/Stopwright"))


def _absolute(path: Path) -> Path:
    try:
        return path.expanduser().absolute()
    except RuntimeError:
        raise StoreError(f"open {path}: no such user's home is known. Write the path in full, {_ELSEWHERE}") from None


def open_store(
    path: Path | None = None, create: bool = True, trace: Trace | None = None, database: str | None = None
) -> Store:
    """Open the store at ``path`` (None: `default_store_path`), making it first when it is missing and ``create``.

    ``trace`` is told of each durable act, in order: ``fsync file``, ``rename``, ``fsync folder``, ``commit``.
    ``database`` is the address of a PostgreSQL database that has the logbook (None: ``$STOPWRIGHT_DATABASE``, else the
    logbook is a file in the folder).

    Raises
    ------
    StoreError
        If it is missing, no store, not writable, damaged, or written by a newer version. Nothing is changed then.
    UsageError
        If ``database`` is no address of a PostgreSQL database, or its driver is missing.
    """
    root = default_store_path() if path is None else _absolute(path)
    database = database or os.environ.get("STOPWRIGHT_DATABASE", "").strip() or None
    if database is not None or (root / BADGE).exists():
        return _open_on_server(root, database, create, trace)
    found = _look(root)
    if found == "missing" and not create:
        raise StoreError(f"open {root}: there is no store. Shoot something first, {_ELSEWHERE}")
    if found == "missing":
        _make(root)
    from daemon.logbook import Logbook

    files = Files(root, trace)
    logbook = Logbook(root / LOGBOOK, files)
    try:
        if found != "current":
            logbook.upgrade()
            with wording("make", root, root):
                flush_folder(root)
        for name in ("incoming", "runs"):
            files.make_folder(root / name)
    except BaseException:
        logbook.close()
        raise
    return Store(root, logbook, files)


def _open_on_server(root: Path, database: str | None, create: bool, trace: Trace | None) -> Store:
    from daemon import database_server as server
    from daemon.logbook import Logbook

    if database is None:
        raise StoreError(
            f"open {root}: its logbook is in a database server, and no address is given. Set {server.VARIABLE} to it; "
            f"{BADGE} in the folder says which, {_ELSEWHERE}"
        )
    if (root / LOGBOOK).exists():
        raise StoreError(
            f"open {root}: found {LOGBOOK}, while {server.VARIABLE} names a database server. One store has one "
            f"logbook: unset {server.VARIABLE}, {_ELSEWHERE}"
        )
    identity = server.read_badge(root)
    if identity is None:
        found = _look(root)  # refuses what is no store, and pictures that lost their logbook
        if found == "missing" and not create:
            raise StoreError(f"open {root}: there is no store. Shoot something first, {_ELSEWHERE}")
    elif not os.access(root, os.W_OK | os.X_OK):
        raise StoreError(
            f"open {root}: the folder may not be written. Mount the disk for writing or change its permissions, "
            f"{_ELSEWHERE}"
        )
    files = Files(root, trace)
    logbook = Logbook(root / BADGE, files, database)
    try:
        revision, owner = logbook.found_on_server()
        if revision is not None and revision not in migrations.REVISIONS:
            raise _too_new(root, revision)
        if owner != identity and (owner is not None or (root / "runs").is_dir()):
            raise StoreError(
                f"open {root}: the database holds the logbook of {'another store' if owner else 'no store yet'}; this "
                f"folder has pictures or a logbook of its own. Correct {server.VARIABLE}, {_ELSEWHERE}. Nothing was "
                "changed"
            )
        if identity is None:
            identity = server.new_identity()
            _make(root)
            files.write_text_atomically(root / BADGE, server.badge_text(database, identity))
        if revision != migrations.REVISIONS[-1]:
            logbook.upgrade_on_server(identity)
        for name in ("incoming", "runs"):
            files.make_folder(root / name)
    except BaseException:
        logbook.close()
        raise
    return Store(root, logbook, files)


def _too_new(root: Path, revision: str) -> StoreError:
    return StoreError(
        f"open {root}: the logbook was written by a newer version of stopwright (shape {revision[:40]}; this one "
        f"knows up to {migrations.REVISIONS[-1]}). Update stopwright, {_ELSEWHERE}. Nothing was changed"
    )


def _make(root: Path) -> None:
    with wording("make", root, root.parent):
        missing = [folder for folder in [root, *root.parents] if not folder.exists()]
        for folder in reversed(missing):
            folder.mkdir(exist_ok=True)
            flush_folder(folder.parent)


def _look(root: Path) -> Literal["missing", "older", "current"]:
    """What lies at ``root``, without changing it. StoreError when it cannot be a store of ours."""
    try:
        entries = {entry.name for entry in root.iterdir()}
        has_runs = "runs" in entries and any((root / "runs").iterdir())
    except FileNotFoundError:
        return "missing"
    except NotADirectoryError:
        raise StoreError(f"open {root}: found a file; a store is a folder. Remove the file, {_ELSEWHERE}") from None
    except OSError as error:
        raise StoreError(
            f"open {root}: cannot be read ({error.strerror}). Change its permissions, {_ELSEWHERE}"
        ) from None
    strange = sorted(name for name in entries - _OURS if not name.startswith("."))
    if LOGBOOK not in entries:
        if strange:
            raise StoreError(
                f"open {root}: found a folder with other things in it ({strange[0][:60]!r}) and no logbook. A new "
                f"store needs an empty folder or none, {_ELSEWHERE}"
            )
        _refuse_lost(root, has_runs)
        return "missing"
    if not (os.access(root, os.W_OK | os.X_OK) and os.access(root / LOGBOOK, os.W_OK)):
        raise StoreError(
            f"open {root}: the folder or its logbook may not be written. Mount the disk for writing or change its "
            f"permissions, {_ELSEWHERE}"
        )
    revision = _revision(root / LOGBOOK)
    if revision is None:
        _refuse_lost(root, has_runs)
        return "older"
    if revision not in migrations.REVISIONS:
        raise _too_new(root, revision)
    return "current" if revision == migrations.REVISIONS[-1] else "older"


def _refuse_lost(root: Path, has_runs: bool) -> None:
    if has_runs:
        raise StoreError(
            f"open {root}: pictures lie in runs/, but their logbook is missing or empty. Put {LOGBOOK} back from a "
            f"backup, {_ELSEWHERE}; the pictures are untouched"
        )


def _revision(database: Path) -> str | None:
    """The revision written in a logbook; None: nothing is in it yet. Opened for reading only."""
    try:
        try:
            return _ask(database, "ro")
        except sqlite3.OperationalError:
            # A death in mid-creation left a journal to roll back, which a mere reader may not do.
            return _ask(database, "rw")
    except sqlite3.Error as error:
        from daemon.database import sqlite_trouble

        raise sqlite_trouble(error, "open", database) from error


def _ask(database: Path, mode: str) -> str | None:
    with closing(sqlite3.connect(f"{database.as_uri()}?mode={mode}", uri=True, timeout=5.0)) as connection:
        owner = connection.execute("PRAGMA application_id").fetchone()[0]
        has_tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if not owner and not has_tables:
            return None
        if owner != migrations.APPLICATION_ID:
            raise StoreError(
                f"open {database}: found a database that is no logbook of stopwright. Move it elsewhere, {_ELSEWHERE}"
            )
        written = connection.execute("SELECT version_num FROM alembic_version").fetchone()
        if written is None:
            raise StoreError(
                f"open {database}: the logbook does not say its shape; it is damaged. Copy the whole folder, then "
                f"put a backup of {LOGBOOK} in its place, {_ELSEWHERE}"
            )
        return str(written[0])
