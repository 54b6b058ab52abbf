"""Files of a store: a picture is complete or absent, never overwritten, never deleted, and named by us.

A download lands in ``incoming/``. `Files.adopt` makes it durable where it belongs, in an order that is the promise:
flush the file, hash it, rename it without overwriting, flush the folders; only then may the logbook name it. A death
at any point leaves either a leftover in ``incoming/`` or a whole file without a row, and both can be listed.
"""

from __future__ import annotations

import ctypes
import errno
import hashlib
import os
import re
import shutil
import stat
import unicodedata
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePath, PurePosixPath
from typing import Literal

from daemon.errors import StoreError

FileKind = Literal["jpeg", "raw", "other"]
Trace = Callable[[str, str], None]
"""Told of each durable act in order: ``fsync file``, ``rename``, ``fsync folder``, ``commit``, and of what."""

PICTURE_FOLDERS = ("pictures", "control", "unasked")

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,119}")
_ENDING = re.compile(r"[a-z0-9]{1,5}")
_RUN = re.compile(r"\d{4}-\d\d-\d\d-run-(\d{3,9})-")
_HEAD_BYTES = 16
# First bytes of raw files that are not plain TIFF; facts of the formats.
_RAW_HEADS = (b"II*\0", b"MM\0*", b"IIRO", b"IIRS", b"MMOR", b"IIU\0", b"FUJIFILM", b"FOVb", b"\0MRM")
_AT_FDCWD, _RENAME_NOREPLACE = -100, 1  # linux/fcntl.h, linux/fs.h


@dataclass(frozen=True)
class StoredFile:
    """A file that is durable in the store. ``path`` is relative to the store, with slashes; ``size`` in bytes.

    ``card_folder`` and ``card_name`` are the camera's own words for it, kept as text, ``card_taken`` the
    camera's unlabelled clock; None: it was on no card, or the camera does not tell.
    """

    path: str
    size: int
    sha256: str
    kind: FileKind
    card_folder: str | None = None
    card_name: str | None = None
    card_taken: str | None = None


@dataclass(frozen=True)
class Leftover:
    """A file that lies in ``incoming/``. ``set_aside``: a partial download that was fetched again since. [bytes]"""

    path: Path
    size: int
    set_aside: bool


class Files:
    """The files below one store. Every method may raise a ``StoreError``; none deletes a file."""

    def __init__(self, root: Path, trace: Trace | None = None):
        self.root = root
        self.incoming = root / "incoming"
        self.trace = trace
        self._durable: set[Path] = set()

    def path(self, relative: str | PurePath) -> Path:
        """Where a stored file lies; ``relative`` as the logbook has it."""
        return self.root / relative

    def new_incoming(self, name: str) -> Path:
        """A path in ``incoming/`` at which nothing lies yet, for one download. ``name`` is made safe."""
        if not _NAME.fullmatch(name):
            stem, dot, ending = name.rpartition(".")
            ending = f".{ending.lower()}" if dot and _ENDING.fullmatch(ending.lower()) else ""
            name = _token(stem if ending else name) + ending
        candidate, number = self.incoming / name, 1
        while os.path.lexists(candidate):
            number += 1
            candidate = self.incoming / f"{PurePath(name).stem}-{number}{PurePath(name).suffix}"
        return candidate

    def adopt(
        self,
        incoming: Path,
        final: str | PurePath,
        card_folder: str | None = None,
        card_name: str | None = None,
        expected_size: int | None = None,
        card_taken: str | None = None,
    ) -> StoredFile:
        """Make a finished download durable at ``final``, a path of our own names relative to the store.

        If the very same bytes are there already (a death between rename and commit), they count as adopted and the
        second copy is set aside in ``incoming/``.

        Raises
        ------
        StoreError
            If the download is empty or not ``expected_size`` long [bytes], if other bytes lie at ``final``, if
            ``final`` is no path of ours below ``runs/``, or if the disk refuses. The download then stays in
            ``incoming/``.
        """
        target = self._ours(final)
        with wording("store", target, self.root):
            size, sha256, kind = self._flushed(incoming, expected_size)
            self.make_folder(target.parent)
            try:
                rename_without_overwriting(incoming, target)
                self._report("rename", target)
            except FileExistsError:
                if self._flushed(target)[:2] != (size, sha256):
                    raise StoreError(
                        f"store {target}: another file lies there already; nothing is ever overwritten. The new one "
                        f"stays at {incoming}. Move one of them by hand"
                    ) from None
                self.set_aside(incoming)
            self._flush_folder(target.parent)
            self._flush_folder(incoming.parent)
        return StoredFile(self._relative(target), size, sha256, kind, card_folder, card_name, card_taken)

    def find_stored(
        self, final: str | PurePath, card_folder: str | None = None, card_name: str | None = None
    ) -> StoredFile | None:
        """The file already at ``final``, made durable again and hashed afresh, or None when nothing lies there."""
        target = self._ours(final)
        if not os.path.lexists(target):
            return None
        with wording("read", target, self.root):
            size, sha256, kind = self._flushed(target)
            self.make_folder(target.parent)
            self._flush_folder(target.parent)
        return StoredFile(self._relative(target), size, sha256, kind, card_folder, card_name)

    def set_aside(self, incoming: Path) -> Path:
        """Rename a file in ``incoming/`` to ``NAME.partial-N``, to fetch its picture again; the new path.

        Call it only when the whole picture is known to lie elsewhere (on the card, or stored).
        """
        with wording("set aside", incoming, self.root):
            for number in range(1, 10_000):
                aside = incoming.with_name(f"{incoming.name}.partial-{number}")
                try:
                    rename_without_overwriting(incoming, aside)
                except FileExistsError:
                    continue
                self._flush_folder(incoming.parent)
                return aside
        raise StoreError(f"set aside {incoming}: ten thousand partial copies lie there. Move them away by hand")

    def leftovers(self) -> list[Leftover]:
        """Every file in ``incoming/``, by name."""
        with wording("list", self.incoming, self.root):
            return [
                Leftover(path, path.stat().st_size, bool(re.search(r"\.partial-\d+$", path.name)))
                for path in sorted(self.incoming.iterdir())
                if path.is_file() and not path.is_symlink()
            ]

    def strays(self, run_folder: str, known: Collection[str]) -> list[str]:
        """Stored pictures of a run that are not among the paths ``known`` to the logbook, relative to the store."""
        found: list[str] = []
        with wording("list", self.root / run_folder, self.root):
            for name in PICTURE_FOLDERS:
                folder = self.root / run_folder / name
                if folder.is_dir():
                    found += [self._relative(path) for path in sorted(folder.iterdir()) if path.is_file()]
        return [path for path in found if path not in known]

    def highest_run_number(self) -> int:
        """The highest number among the run folders on the disk; 0: there is none."""
        runs = self.root / "runs"
        with wording("list", runs, self.root):
            matches = [_RUN.match(path.name) for path in runs.iterdir()] if runs.is_dir() else []
        return max((int(match[1]) for match in matches if match), default=0)

    def make_folder(self, folder: Path) -> None:
        """Make a folder below the store, and those above it, durable."""
        if folder in self._durable or folder == self.root:
            return
        self.make_folder(folder.parent)
        with wording("make", folder, self.root):
            folder.mkdir(exist_ok=True)
            # An older process may have died between making this folder and flushing the one above it.
            self._flush_folder(folder.parent)
        self._durable.add(folder)

    def write_text_atomically(self, path: Path, text: str) -> None:
        """Write a text of our own (never a picture) so that ``path`` holds the old or the new one, whole."""
        passing = path.with_name(f".{path.name}.new")
        with wording("write", path, self.root):
            with open(passing, "w", encoding="utf-8") as sink:
                sink.write(text)
                sink.flush()
                os.fsync(sink.fileno())
            self._report("fsync file", path)
            passing.replace(path)
            self._report("rename", path)
            self._flush_folder(path.parent)

    def free_bytes(self) -> int:
        """Room on the store's disk for this user. [bytes]"""
        with wording("look at", self.root, self.root):
            return shutil.disk_usage(self.root).free

    @staticmethod
    def ending(card_name: str) -> str:
        """The ending for a stored file, with its dot, from the camera's name for it: ``DSC_0001.JPG`` to ``.jpg``."""
        ending = card_name.rpartition(".")[2].lower() if "." in card_name else ""
        if not _ENDING.fullmatch(ending):
            return ".bin"
        return ".jpg" if ending in ("jpeg", "jpe") else f".{ending}"

    def _ours(self, final: str | PurePath) -> Path:
        text = str(final)
        parts = text.split("/")
        if len(parts) < 3 or parts[0] != "runs" or not all(_NAME.fullmatch(part) for part in parts):
            raise StoreError(
                f"store {text!r}: found a path that is not of Stopwright's making; allowed: runs/RUN/... in letters, "
                "digits, dot, dash and underscore. Make names with attempt_stem and Files.ending"
            )
        return self.root.joinpath(*parts)

    def _flushed(self, path: Path, expected_size: int | None = None) -> tuple[int, str, FileKind]:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
        with open(handle, "rb") as source:
            found = os.fstat(handle)
            if not stat.S_ISREG(found.st_mode):
                raise StoreError(f"store {path}: found something that is no plain file; allowed: a finished download")
            if found.st_size == 0 or expected_size not in (None, found.st_size):
                wanted = "at least 1" if expected_size is None else str(expected_size)
                raise StoreError(
                    f"store {path}: the download is not complete: found {found.st_size} bytes, expected {wanted}. "
                    "Fetch it from the card again"
                )
            os.fsync(handle)
            self._report("fsync file", path)
            kind = sniff(source.read(_HEAD_BYTES))
            source.seek(0)
            return found.st_size, hashlib.file_digest(source, "sha256").hexdigest(), kind

    def _flush_folder(self, folder: Path) -> None:
        flush_folder(folder)
        self._report("fsync folder", folder)

    def _relative(self, path: Path) -> str:
        return path.relative_to(self.root).as_posix()

    def _report(self, act: str, path: Path) -> None:
        if self.trace:
            self.trace(act, self._relative(path) if path.is_relative_to(self.root) else str(path))


def sniff(head: bytes) -> FileKind:
    """What a file's first 16 bytes say it is."""
    if head.startswith(b"\xff\xd8\xff"):
        return "jpeg"
    return "raw" if head.startswith(_RAW_HEADS) or head[4:12] == b"ftypcrx " else "other"


def slug(text: str, fallback: str = "untitled", longest: int = 48) -> str:
    """``text`` as ASCII lower-case letters, digits and single dashes, at most ``longest`` characters."""
    plain = unicodedata.normalize("NFKD", text[:400]).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:longest].strip("-") or fallback


def attempt_stem(step_id: str, number: int) -> str:
    """The name, without ending, of the files of attempt ``number`` at a step: ``07-expose-a1``."""
    return f"{_token(step_id)}-a{number}"


def unasked_stem(card_folder: str, card_name: str, size: int | None, taken: str | None) -> str:
    """The name, without ending, of a picture nobody asked for; always the same for the same file on the card."""
    told = "\0".join([card_folder, card_name, str(size), str(taken)])
    return f"unasked-{hashlib.sha256(told.encode('utf-8', 'backslashreplace')).hexdigest()[:12]}"


def _token(text: str) -> str:
    """``text`` itself when it is a safe name; else its slug with a hash, so that two texts never share a name."""
    if re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", text) and len(text) <= 60:
        return text
    return f"{slug(text, 'step')}-{hashlib.sha256(text.encode('utf-8', 'backslashreplace')).hexdigest()[:8]}"


def flush_folder(folder: Path) -> None:
    """Make the names in a folder durable."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def rename_without_overwriting(source: Path, target: Path) -> None:
    """Rename, or fail with ``FileExistsError`` when anything lies at ``target``.

    Where the file system lacks such a rename: a second name, then the first one goes. Raises ``OSError``.
    """
    rename = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    code = errno.ENOSYS
    if rename is not None:
        if not rename(_AT_FDCWD, os.fsencode(source), _AT_FDCWD, os.fsencode(target), _RENAME_NOREPLACE):
            return
        code = ctypes.get_errno()
    if code not in (errno.ENOSYS, errno.EINVAL):
        raise OSError(code, os.strerror(code), str(source), None, str(target))
    link_then_unlink(source, target)


def link_then_unlink(source: Path, target: Path) -> None:
    """The way of moving without overwriting where the kernel offers no better one. Raises ``OSError``."""
    try:
        os.link(source, target, follow_symlinks=False)
    except FileExistsError:
        if not source.samefile(target):
            raise
    source.unlink()


def os_trouble(error: OSError, asked: str, place: str, root: Path) -> StoreError:
    """The error for what the operating system refused: what was asked, found, allowed, what to do."""
    go_on = "Nothing already recorded is lost"
    full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
    if full or (error.errno == errno.EIO and is_full(root)):
        return StoreError(f"{asked} {place}: the disk with the store {root} is full. Free some space. {go_on}")
    if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
        return StoreError(
            f"{asked} {place}: not allowed to write ({error.strerror}). The store must be a folder that you may write, "
            f"on a disk that is not read-only; another one is named with STOPWRIGHT_STORE. {go_on}"
        )
    if error.errno == errno.EXDEV:
        return StoreError(f"{asked} {place}: the whole store {root} must lie on one disk. {go_on}")
    return StoreError(f"{asked} {place}: the disk answered {error.strerror or error}. Check disk and cable. {go_on}")


def is_full(root: Path) -> bool:
    """Whether less than 64 kB are left on the disk at ``root``; False when it cannot be asked."""
    try:
        return shutil.disk_usage(root).free < 65536
    except OSError:
        return False


@contextmanager
def wording(asked: str, place: Path, root: Path) -> Iterator[None]:
    """The border at which an ``OSError`` becomes a ``StoreError``."""
    try:
        yield
    except OSError as error:
        raise os_trouble(error, asked, str(place), root) from error


def run_folder(day: str, number: int, title: str) -> str:
    """The folder of a run, relative to the store: ``runs/2026-10-20-run-007-fountain-tuesday-class``."""
    return str(PurePosixPath("runs") / f"{day}-run-{number:03d}-{slug(title)}")
