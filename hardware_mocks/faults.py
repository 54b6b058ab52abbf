"""What goes wrong, by script.

A script is a list of lines, each a JSON object with ``fault`` and what it
needs, for example {"fault": "drop", "frame": 2, "phase": "during"}:

    busy      verb [setting] [after] [times]
              the camera asks to be asked again
    refuse    verb [setting] [after] [times] [reason]
              the camera says no: denied, invalid, unsupported, general
    silent    verb [setting] [after] [times]
              the camera never answers
    change    setting, to [after] [times]
              a setting is accepted, and another value is in force
    hang      frame
              the frame is made, its end is never announced
    drop      frame, phase [away_s]
              the link breaks: before, during, after, download
    card_full frame
              no room for this frame
    event     which, how [frame] [times]
              ObjectAdded or CaptureComplete: lost, doubled, stale
    truncate  frame [keep] [times]
              a download stops short; the file on the card is whole
    battery   frame, percent
              the battery falls when this frame is made
    aperture_error  stops
              {"f/8": -0.5} or {"all": -0.5}: light lost by the iris [stops]
    shutter_error   stops
              the same for the shutter, by time mark [stops]

``verb`` is one of capture, set, get, describe, list, info, object, thumb,
delete, or any. ``frame`` counts exposures from 1 since the camera was
switched on. ``after`` lets so many matching calls pass first; ``times`` is how
often the line acts. Lines that never acted are reported, so that a test can
see that its script was played.
"""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass
from typing import Any

VERBS = ("capture", "set", "get", "describe", "list", "info", "object", "thumb", "delete", "any")
PHASES = ("before", "during", "after", "download")
REASONS = ("denied", "invalid", "unsupported", "general")
_BY_VERB = ("busy", "refuse", "silent")
_BY_FRAME = ("hang", "drop", "card_full", "truncate", "battery")
_ERRORS = ("aperture_error", "shutter_error")

_FIELDS: dict[str, tuple[set[str], set[str]]] = {  # needed, allowed besides
    "busy": ({"verb"}, {"setting", "after", "times"}),
    "refuse": ({"verb"}, {"setting", "after", "times", "reason"}),
    "silent": ({"verb"}, {"setting", "after", "times"}),
    "change": ({"setting", "to"}, {"after", "times"}),
    "hang": ({"frame"}, set()),
    "drop": ({"frame", "phase"}, {"away_s"}),
    "card_full": ({"frame"}, set()),
    "event": ({"which", "how"}, {"frame", "times"}),
    "truncate": ({"frame"}, {"keep", "times"}),
    "battery": ({"frame", "percent"}, set()),
    "aperture_error": ({"stops"}, set()),
    "shutter_error": ({"stops"}, set()),
}


class ScriptError(ValueError):
    """A script line that cannot be played; the text says what was found and what is allowed."""


@dataclass
class Line:
    """A script line with how often it may still be passed over, may still act, and has acted."""

    fields: dict[str, Any]
    skip: int
    left: int
    acted: int = 0


def _whole(fields: dict[str, Any], name: str, lowest: int, default: int) -> int:
    value = fields.get(name, default)
    if isinstance(value, bool) or not isinstance(value, int) or value < lowest:
        raise ScriptError(f"fault {fields['fault']}: {name}: found {value!r}; allowed: a whole number from {lowest}")
    return value


def _one_of(fields: dict[str, Any], name: str, allowed: tuple[str, ...]) -> None:
    if name in fields and fields[name] not in allowed:
        raise ScriptError(f"fault {fields['fault']}: {name}: found {fields[name]!r}; allowed: {', '.join(allowed)}")


def _number(fields: dict[str, Any], name: str, lowest: float, highest: float) -> None:
    if name not in fields:
        return
    value = fields[name]
    fine = isinstance(value, (int, float)) and not isinstance(value, bool) and lowest <= value <= highest
    if not fine:
        raise ScriptError(
            f"fault {fields['fault']}: {name}: found {value!r}; allowed: a number from {lowest:g} to {highest:g}"
        )


def check_line(fields: Any) -> Line:
    """A script line, checked.

    Raises
    ------
    ScriptError
        If the line is not one of those in the module's table.
    """
    if not isinstance(fields, dict) or fields.get("fault") not in _FIELDS:
        found = fields.get("fault") if isinstance(fields, dict) else fields
        raise ScriptError(f"fault: found {found!r}; allowed: {', '.join(_FIELDS)}")
    kind = fields["fault"]
    needed, optional = _FIELDS[kind]
    given = set(fields) - {"fault"}
    if missing := needed - given:
        raise ScriptError(f"fault {kind}: needs {', '.join(sorted(missing))}")
    if unknown := given - needed - optional:
        allowed = ", ".join(sorted(needed | optional))
        raise ScriptError(f"fault {kind}: found {', '.join(sorted(unknown))}; allowed: {allowed}")
    _one_of(fields, "verb", VERBS)
    _one_of(fields, "phase", PHASES)
    _one_of(fields, "reason", REASONS)
    _one_of(fields, "which", ("ObjectAdded", "CaptureComplete"))
    _one_of(fields, "how", ("lost", "doubled", "stale"))
    _number(fields, "away_s", 0, 3600)
    _number(fields, "keep", 0, 1)
    _number(fields, "percent", 0, 100)
    if "frame" in fields:
        _whole(fields, "frame", 1, 1)
    if kind in _ERRORS:
        stops = fields["stops"]
        good = isinstance(stops, dict) and all(
            isinstance(v, (int, float)) and not isinstance(v, bool) and math.isfinite(v) and abs(v) <= 10
            for v in stops.values()
        )
        if not good or not stops:
            raise ScriptError(f"fault {kind}: stops: found {stops!r}; allowed: marks, or all, each from -10 to 10")
    return Line(dict(fields), _whole(fields, "after", 0, 0), _whole(fields, "times", 1, 1))


class Faults:
    """The script and what has become of it. Safe to use from several threads."""

    def __init__(self, lines: list[Any] | None = None):
        self._lock = threading.Lock()
        self._lines = [check_line(line) for line in lines or []]

    def add(self, fields: Any) -> None:
        """Put one more line at the end of the script; ScriptError when it cannot be played."""
        line = check_line(fields)
        with self._lock:
            self._lines.append(line)

    def clear(self) -> None:
        """Forget the script."""
        with self._lock:
            self._lines.clear()

    def _take(self, line: Line) -> dict[str, Any] | None:
        if line.left <= 0:
            return None
        if line.skip > 0:
            line.skip -= 1
            return None
        line.left -= 1
        line.acted += 1
        return line.fields

    def for_verb(self, verb: str, setting: str | None = None) -> dict[str, Any] | None:
        """The line that acts on this call, if any; it is used up by one."""
        with self._lock:
            for line in self._lines:
                fields = line.fields
                if fields["fault"] not in _BY_VERB or fields["verb"] not in (verb, "any"):
                    continue
                if fields.get("setting", setting) != setting:
                    continue
                if (taken := self._take(line)) is not None:
                    return taken
        return None

    def for_change(self, setting: str) -> dict[str, Any] | None:
        """The line that puts another value in force when ``setting`` is set, if any."""
        with self._lock:
            for line in self._lines:
                if line.fields["fault"] != "change" or line.fields["setting"] != setting:
                    continue
                if (taken := self._take(line)) is not None:
                    return taken
        return None

    def for_frame(self, kind: str, frame: int, phase: str | None = None) -> dict[str, Any] | None:
        """The line of this kind that acts on frame number ``frame`` (and phase), if any."""
        with self._lock:
            for line in self._lines:
                fields = line.fields
                if fields["fault"] != kind or fields["frame"] != frame:
                    continue
                if phase is not None and fields.get("phase") != phase:
                    continue
                if (taken := self._take(line)) is not None:
                    return taken
        return None

    def for_event(self, which: str, frame: int) -> str | None:
        """How the announcement ``which`` of a frame goes wrong: lost, doubled, stale; None when it does not."""
        with self._lock:
            for line in self._lines:
                fields = line.fields
                if fields["fault"] != "event" or fields["which"] != which or fields.get("frame", frame) != frame:
                    continue
                if (taken := self._take(line)) is not None:
                    return str(taken["how"])
        return None

    def error_stops(self, kind: str, mark: str) -> float:
        """Stops of light that iris (``aperture_error``) or shutter (``shutter_error``) are off at a mark. [stops]"""
        total = 0.0
        with self._lock:
            for line in self._lines:
                stops = line.fields.get("stops", {}) if line.fields["fault"] == kind else {}
                for name in (mark, "all"):
                    if name in stops:
                        total += float(stops[name])
                        line.acted += 1
                        break
        return total

    def report(self) -> dict[str, Any]:
        """Every line with how often it acted, and those that never did."""
        with self._lock:
            lines = [line.fields | {"acted": line.acted} for line in self._lines]
            return {"lines": lines, "unused": [line.fields for line in self._lines if not line.acted]}
