"""Where the service keeps what is not the record: its token and address, and previews that can be made again.

Both lie outside the store, so that a copy of the store carries no key and no clutter, named by its path.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from daemon.errors import StoreError

ADDRESS = "address.json"
TOKEN = "token"
SESSIONS = "sessions.json"


def state_folder(store: Path, environ: Mapping[str, str] = os.environ) -> Path:
    """The folder of token, sessions and address of the service for ``store``; it need not be there."""
    return _base("XDG_STATE_HOME", "~/.local/state", environ) / "stopwright" / _name(store)


def cache_folder(store: Path, environ: Mapping[str, str] = os.environ) -> Path:
    """The folder of what can be made again; it need not be there."""
    return _base("XDG_CACHE_HOME", "~/.cache", environ) / "stopwright" / _name(store)


def make_private(folder: Path) -> None:
    """Make a folder that only its owner may read.

    Raises
    ------
    StoreError
        If it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o700)
    except OSError as error:
        raise StoreError(f"make {folder}: {error.strerror}. Make room, or name another with XDG_STATE_HOME") from None


def write_private(path: Path, text: str) -> None:
    """Write a file that only its owner may read, all or nothing.

    Raises
    ------
    StoreError
        If it cannot be written.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with suppress(FileNotFoundError):
            beside.unlink()
        handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        raise StoreError(f"write {path}: {error.strerror}. Make room, or name another with XDG_STATE_HOME") from None


def _base(variable: str, default: str, environ: Mapping[str, str]) -> Path:
    named = environ.get(variable, "").strip()
    home = environ.get("HOME", "").strip() or "~"
    path = Path(named) if named.startswith("/") else Path(default.replace("~", home, 1))
    try:
        return path.expanduser().absolute()
    except RuntimeError:
        raise StoreError(f"{variable}: no home is known. Name a folder with {variable}") from None


def _name(store: Path) -> str:
    return hashlib.sha256(str(store.absolute()).encode("utf-8", "surrogateescape")).hexdigest()[:16]
