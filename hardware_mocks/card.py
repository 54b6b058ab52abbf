"""The camera's card: a folder on disk, so that pictures outlive the camera.

Files are GRDN0001.JPG to GRDN9999.JPG in DCIM/100GARDN, with a .DNG beside where a frame has a raw file as well;
after 9999 comes the next folder (a design rule for camera file systems, JEITA CP-3461: folder numbers 100 to 999,
file numbers 0001 to 9999). A file is complete or absent.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

_FOLDER = re.compile(r"(\d{3})GARDN")
_FILE = re.compile(r"GRDN(\d{4})\.(JPG|DNG)")
LAST_NUMBER = 9999


@dataclass(frozen=True)
class Entry:
    """A picture on the card: folder and name as the camera shows them, and its size. [bytes]"""

    folder: str
    name: str
    size: int


class Card:
    """Pictures under ``root``; ``capacity`` is what the card pretends to hold. [bytes]"""

    def __init__(self, root: Path, capacity: int = 32_000_000_000):
        self.root = root
        self.capacity = capacity
        self._next_number: int | None = None
        self._staging = root / ".incoming"
        (root / "DCIM" / "100GARDN").mkdir(parents=True, exist_ok=True)
        self._staging.mkdir(exist_ok=True)
        for leftover in self._staging.iterdir():  # the camera lost power while writing
            leftover.unlink()

    def folders(self) -> list[str]:
        """Names of the picture folders, in order."""
        return sorted(path.name for path in (self.root / "DCIM").iterdir() if _FOLDER.fullmatch(path.name))

    def entries(self) -> list[Entry]:
        """Every picture, oldest number first."""
        found = []
        for folder in self.folders():
            for path in sorted((self.root / "DCIM" / folder).iterdir()):
                if _FILE.fullmatch(path.name):
                    found.append(Entry(folder, path.name, path.stat().st_size))
        return found

    def path(self, entry: Entry) -> Path:
        """Where a picture lies on disk."""
        return self.root / "DCIM" / entry.folder / entry.name

    def free_bytes(self) -> int:
        """What still fits. [bytes]"""
        return max(0, self.capacity - sum(entry.size for entry in self.entries()))

    def number_next(self, number: int) -> None:
        """Give the next frame this number instead of the next free one; nothing when that has been passed."""
        self._next_number = number

    def _next_place(self) -> tuple[str, str]:
        """Folder and name, without its ending, of the next frame."""
        folder = self.folders()[-1]
        numbers = [
            int(match[1])
            for path in (self.root / "DCIM" / folder).iterdir()
            if (match := _FILE.fullmatch(path.name)) is not None
        ]
        number = max(numbers, default=0) + 1
        if self._next_number is not None:
            number, self._next_number = max(number, self._next_number), None
        if number > LAST_NUMBER:
            folder, number = f"{int(folder[:3]) + 1:03d}GARDN", 1
        return folder, f"GRDN{number:04d}"

    def taken(self, entry: Entry) -> datetime:
        """When a picture was taken by the camera's clock, which has no zone: the file's own time."""
        seconds = self.path(entry).stat().st_mtime
        return datetime.fromtimestamp(seconds, UTC).replace(tzinfo=None)

    def store(self, contents: Mapping[str, bytes], taken: datetime) -> list[Entry]:
        """Write the files of one frame, by ending, under the next number; each is there whole or not at all.

        ``taken`` is by the camera's clock.
        """
        folder, stem = self._next_place()
        (self.root / "DCIM" / folder).mkdir(exist_ok=True)
        seconds = taken.replace(tzinfo=UTC).timestamp()
        entries = []
        for ending, content in contents.items():
            name = f"{stem}.{ending}"
            staged = self._staging / name
            staged.write_bytes(content)
            os.utime(staged, (seconds, seconds))
            staged.replace(self.root / "DCIM" / folder / name)
            entries.append(Entry(folder, name, len(content)))
        return entries

    def delete(self, entry: Entry) -> None:
        """Take a picture off the card; FileNotFoundError when it is not there."""
        self.path(entry).unlink()
