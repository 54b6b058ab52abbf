"""Settings hidden from the class: what a device that may only watch is not told until the lecturer reveals it.

While settings are hidden, a watching device gets nothing but what `OPEN` names, and there every picture after the last
revealed one is told without settings, Exif, readings and words, and nothing at all is told of what is still to be shot.
It is a list of what may be read, not of what may not: whatever is added to the interface is closed to it at first. What
a device was told before the settings were hidden stays with it.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from daemon.places import write_private

HIDING = "hiding.json"
OPEN = re.compile(
    r"/api/(health|service|state|leave|power|board|events|openapi\.json|files/[0-9]{1,10}/preview|frames/[0-9]{1,10}"
    r"|runs/(last|[0-9]{1,9})/(frames|outline))"
)
"""What a watching device may read while settings are hidden."""

_OF_FRAME = ("frame", "run", "role", "stored_at", "attempt_state")
_OF_STATE = ("total", "done", "camera")
_OF_PLAN = ("title", "run", "revision", "leave_by", "subjects", "frame_mm")


class Hiding:
    """Whether settings are hidden, and up to which frame they are revealed. Outlives a restart. Safe between threads.

    Raises
    ------
    StoreError
        From `hide` and `show`, if it cannot be kept.
    """

    def __init__(self, folder: Path):
        self._path, self._lock = folder / HIDING, threading.Lock()
        self._revealed: int | None = None
        with suppress(FileNotFoundError):
            try:
                found = json.loads(self._path.read_text(encoding="utf-8"))["revealed"]
                self._revealed = None if found is None else int(found)
            except (OSError, ValueError, KeyError, TypeError):
                if self._path.exists():  # what cannot be read hides all, rather than nothing
                    self._revealed = 0

    @property
    def on(self) -> bool:
        """Whether settings are hidden from those who watch."""
        return self._revealed is not None

    @property
    def revealed(self) -> int:
        """The number of the last frame whose settings are told while others are hidden."""
        return self._revealed or 0

    def hides(self, frame: int) -> bool:
        """Whether this frame's settings are hidden."""
        return self._revealed is not None and frame > self._revealed

    def hide(self, revealed: int) -> None:
        """Hide the settings of all frames after ``revealed``, and of all that is to come."""
        self._keep(revealed)

    def show(self) -> None:
        """Hide nothing."""
        self._keep(None)

    def as_json(self) -> dict[str, Any]:
        """``hidden``; ``revealed``: the number of the last frame whose settings are told, null when all are."""
        return {"hidden": self.on, "revealed": self._revealed}

    def _keep(self, revealed: int | None) -> None:
        with self._lock:
            write_private(self._path, json.dumps({"revealed": revealed}) + "\n")
            self._revealed = revealed

    # -- what is told of a thing ----------------------------------------------------------------------------------

    def frame(self, whole: Mapping[str, Any]) -> dict[str, Any]:
        """A frame as a watching device is told it: of a hidden one, that it is there, and its picture."""
        if not self.hides(whole["frame"]):
            return dict(whole)
        files = [{"id": one["id"], "kind": one["kind"]} for one in whole["files"]]
        empty = dict.fromkeys(whole)
        return empty | {name: whole[name] for name in _OF_FRAME} | {"files": files, "checks": [], "hidden": True}

    def state(self, whole: Mapping[str, Any]) -> dict[str, Any]:
        """What goes on: that a run does, and how far it is."""
        if not self.on:
            return dict(whole)
        progress, asking = whole["progress"], whole["asking"]
        told = dict(whole)
        if progress is not None:
            told["progress"] = {name: progress[name] for name in _OF_STATE if name in progress}
        if asking is not None:
            told["asking"] = {"kind": asking["kind"], "id": asking["id"], "text": "", "why": "", "choices": []}
            told["asking"] |= {"step": None, "since": asking["since"]}
        return told

    def outline(self, whole: Mapping[str, Any], shown: set[str]) -> dict[str, Any]:
        """A plan: of its steps only those ``shown``, whose pictures are revealed."""
        if not self.on:
            return dict(whole)
        told: dict[str, Any] = {name: whole[name] for name in _OF_PLAN if name in whole}
        for name in ("steps", "extra"):
            told[name] = [one for one in whole.get(name, ()) if one["kind"] == "expose" and one["id"] in shown]
        empty: dict[str, Any] = {"groups": [], "unreachable": [], "cautions": [], "notes": [], "scales": {}}
        return told | empty | {"estimate": None, "hidden": True}

    def event(self, whole: Mapping[str, Any]) -> dict[str, Any]:
        """A live event that is no frame and no state: that it happened."""
        if not self.on:
            return dict(whole)
        told = {key: whole[key] for key in ("id", "run_id", "at", "kind") if key in whole}
        return told | {"text": "", "data": {}}
