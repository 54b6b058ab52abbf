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
    restart   frame, phase [away_s]
              the power goes and comes back: before, during, after;
              a frame that was being exposed is lost
    card_full frame
              no room for this frame
    event     which, how [frame] [file] [late_s] [times]
              ObjectAdded or CaptureComplete: lost, doubled, stale, late;
              file 2 is the second of a pair
    unasked   frame
              a finger presses the button right after this frame
    truncate  frame [keep] [times]
              a download stops short; the file on the card is whole
    spoil     frame, how
              the file on the card itself is bad: empty, truncated, format
    battery   frame, percent
              the battery falls when this frame is made; at 0 it is off
    wrap      frame
              this frame's file gets the number 9999
    clock     frame, shift_s
              the camera's clock jumps after this frame
    aperture_error  stops
              {"f/8": -0.5} or {"all": -0.5}: light lost by the iris [stops]
    shutter_error   stops
              the same for the shutter, by time mark [stops]

``verb`` is one of open, capture, bulb, preview, set, get, describe, list,
info, object, thumb, delete, or any. ``frame`` counts exposures from 1 since
the camera was switched on; 0 is every frame. ``after`` lets so many matching
calls pass first; ``times`` is how often the line acts. Any line may carry
``from_s``, before which it sleeps (seconds since the camera was switched on),
and ``chance``, a share of the matching calls at which it acts, drawn with the
script's seed. Lines that never acted are reported, so that a test can see
that its script was played.
"""

from __future__ import annotations

import math
import random
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from hardware_mocks import clock

VERBS = (
    "open",
    "capture",
    "bulb",
    "preview",
    "set",
    "get",
    "describe",
    "list",
    "info",
    "object",
    "thumb",
    "delete",
    "any",
)
PHASES = ("before", "during", "after", "download")
REASONS = ("denied", "invalid", "unsupported", "general")
SPOILT = ("empty", "truncated", "format")
_BY_VERB = ("busy", "refuse", "silent")
_ERRORS = ("aperture_error", "shutter_error")
_ANYWHERE = {"from_s", "chance"}

_FIELDS: dict[str, tuple[set[str], set[str]]] = {  # needed, allowed besides
    "busy": ({"verb"}, {"setting", "after", "times"}),
    "refuse": ({"verb"}, {"setting", "after", "times", "reason"}),
    "silent": ({"verb"}, {"setting", "after", "times"}),
    "change": ({"setting", "to"}, {"after", "times"}),
    "hang": ({"frame"}, {"times"}),
    "drop": ({"frame", "phase"}, {"away_s", "times"}),
    "restart": ({"frame", "phase"}, {"away_s", "times"}),
    "card_full": ({"frame"}, {"times"}),
    "event": ({"which", "how"}, {"frame", "file", "late_s", "times"}),
    "unasked": ({"frame"}, {"times"}),
    "truncate": ({"frame"}, {"keep", "times"}),
    "spoil": ({"frame", "how"}, {"times"}),
    "battery": ({"frame", "percent"}, {"times"}),
    "wrap": ({"frame"}, set()),
    "clock": ({"frame", "shift_s"}, {"times"}),
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
    if unknown := given - needed - optional - _ANYWHERE:
        allowed = ", ".join(sorted(needed | optional | _ANYWHERE))
        raise ScriptError(f"fault {kind}: found {', '.join(sorted(unknown))}; allowed: {allowed}")
    _one_of(fields, "verb", VERBS)
    _one_of(fields, "phase", PHASES if kind == "drop" else PHASES[:3])
    _one_of(fields, "reason", REASONS)
    _one_of(fields, "which", ("ObjectAdded", "CaptureComplete"))
    _one_of(fields, "how", SPOILT if kind == "spoil" else ("lost", "doubled", "stale", "late"))
    _number(fields, "away_s", 0, 3600)
    _number(fields, "late_s", 0, 3600)
    _number(fields, "from_s", 0, 1e9)
    _number(fields, "chance", 0, 1)
    _number(fields, "shift_s", -1e9, 1e9)
    _number(fields, "keep", 0, 1)
    _number(fields, "percent", 0, 100)
    if "frame" in fields:
        _whole(fields, "frame", 0, 1)
    _whole(fields, "file", 1, 1)
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

    def __init__(self, lines: list[Any] | None = None, seed: int = 0):
        self._lock = threading.Lock()
        self._lines = [check_line(line) for line in lines or []]
        self._chance = random.Random(seed)
        self._born = clock.monotonic()

    def add(self, fields: Any) -> None:
        """Put one more line at the end of the script; ScriptError when it cannot be played."""
        line = check_line(fields)
        with self._lock:
            self._lines.append(line)

    def clear(self) -> None:
        """Forget the script."""
        with self._lock:
            self._lines.clear()

    def _take(self, line: Line) -> bool:
        fields = line.fields
        if line.left <= 0 or clock.monotonic() - self._born < fields.get("from_s", 0.0):
            return False
        if line.skip > 0:
            line.skip -= 1
            return False
        if "chance" in fields and self._chance.random() >= fields["chance"]:
            return False
        line.left -= 1
        line.acted += 1
        return True

    def _first(self, kinds: tuple[str, ...], matches: Callable[[dict[str, Any]], bool]) -> dict[str, Any] | None:
        with self._lock:
            for line in self._lines:
                if line.fields["fault"] in kinds and matches(line.fields) and self._take(line):
                    return line.fields
        return None

    def for_verb(self, verb: str, setting: str | None = None) -> dict[str, Any] | None:
        """The line that acts on this call, if any; it is used up by one."""
        return self._first(
            _BY_VERB,
            lambda fields: fields["verb"] in (verb, "any") and fields.get("setting", setting) == setting,
        )

    def for_change(self, setting: str) -> dict[str, Any] | None:
        """The line that puts another value in force when ``setting`` is set, if any."""
        return self._first(("change",), lambda fields: fields["setting"] == setting)

    def for_frame(self, kind: str, frame: int, phase: str | None = None) -> dict[str, Any] | None:
        """The line of this kind that acts on frame number ``frame`` (and phase), if any."""
        return self._first(
            (kind,),
            lambda fields: fields["frame"] in (0, frame) and (phase is None or fields.get("phase") == phase),
        )

    def for_event(self, which: str, frame: int, file: int = 1) -> dict[str, Any] | None:
        """The line by which the announcement ``which`` of a frame (and file of a pair) goes wrong, if any."""
        return self._first(
            ("event",),
            lambda fields: (
                fields["which"] == which and fields.get("frame", 0) in (0, frame) and fields.get("file", file) == file
            ),
        )

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
