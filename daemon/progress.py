"""What a person sees while a run goes on: one line an event, a bar of text, never more than 80 columns
and no more than the terminal has."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TextIO

from daemon.advice import command_line
from daemon.feed import Event
from daemon.report import settings_line
from daemon.streams import columns
from plans.plan import Settings
from plans.step_words import in_words

BAR = 12  # characters
LEFT = 12  # characters for the time that is left
LAPSE_EVERY = 25  # frames of a time-lapse after which one is shown whatever it is
LONG_S = 2.0  # an exposure from here on is announced, so that silence does not worry anyone [s]
# Told by whoever asks, or by the command itself.
UNTOLD = ("paused", "question", "answered", "command", "hands-done", "lapse-waiting")
PREFIXES = {
    "command-refused": "Refused: ",
    "step-skipped": "Skipped: ",
    "attempt-failed": "Again: ",
    "camera-lost": "Camera lost: ",
    "frame-recovered": "Found: ",
    "unasked-frame": "Unasked: ",
}


class Progress:
    """A listener that writes lines for people. ``asks``: the console asks hands itself, so that is not told twice.

    ``store``: the folder that commands to go on with are to name, where the user named one.
    """

    def __init__(self, sink: TextIO, asks: bool = False, store: Path | None = None):
        self._sink, self._asks, self._store = sink, asks, store
        self._width = columns(sink)
        self._left_s = 0.0
        self._overheads: list[float] = []
        self._group = ""
        self._lapse = ("", "")

    def __call__(self, event: Event) -> None:
        """Show one event."""
        data = event.data
        if event.kind == "step-started" and "settings" in data:
            self._left_s = data["exposure_left_s"]
            self._heading(data["goal"])
            exposure_s = data["settings"]["time"]["exact"]
            if exposure_s >= LONG_S:
                self._say(f"  exposing {exposure_s:.0f} s …")
        elif event.kind == "frame-kept":
            self._frame(event)
        elif event.kind == "lapse-frame":
            self._lapse_frame(event)
        elif event.kind == "run-started":
            self._say(f"{event.text}\n  pictures and record: {data['folder']}")
        elif event.kind == "run-done":
            self._say(f"\n{_end(event)}.")
        elif event.kind == "verdict":
            self._verdict(event)
        elif event.kind in UNTOLD:
            pass
        elif data.get("hands"):
            if not self._asks:
                self._say("")
                self._wrapped(event.text, "  ")
        else:
            self._wrapped(PREFIXES.get(event.kind, "") + in_words(event.text), "  ")
            if "summary" in data:
                self._say(data["summary"])

    def _frame(self, event: Event) -> None:
        data = event.data
        settings = Settings.model_validate(data["settings"])
        exposure = settings.time.exact
        self._overheads.append(max(0.0, data["took_s"] - exposure))
        todo = data["total"] - data["done"]
        left = self._left_s - exposure + todo * sum(self._overheads) / len(self._overheads)
        bar = BAR if self._width > 60 else 0
        filled = round(bar * data["done"] / data["total"])
        odd = "" if data["verified"] == "as planned" else f"  ({data['verified']})"
        text = f"  {'=' * filled}{'.' * (bar - filled)} {data['done']:>3}/{data['total']}  "
        text += f"{settings_line(settings)}{odd}"
        room = self._width - LEFT - 2
        self._say(f"{text[:room]:<{room}}{_minutes(left):>{LEFT}}" if bar else text)

    def _verdict(self, event: Event) -> None:
        """What a group shows, told whenever it is known; the last line names the command that tells more."""
        if self._asks and "group" in event.data:
            self._say("")  # a prompt may be open on this line
        self._wrapped(in_words(event.text), "  ")
        if "command" in event.data:
            self._say(f"    {command_line(*event.data['command'], store=self._store)}")

    def _lapse_frame(self, event: Event) -> None:
        """A frame of a time-lapse: told when its settings are new, when it was late, and now and then."""
        data = event.data
        settings = Settings.model_validate(data["settings"])
        shown = (settings.time.mark, settings.iso.mark)
        number, total = data["frame"] + 1, data["frames"]
        if shown == self._lapse and number % LAPSE_EVERY and number != total and not data["why"]:
            return
        self._lapse = shown
        left = (total - number) * data["interval_s"]
        text = f"  {number:>{len(str(total))}}/{total}  {settings_line(settings)}  EV {data['thought']['level']:.1f}"
        text += f"  {1000 * data['late_s']:.0f} ms late" if data["why"] else ""
        room = self._width - LEFT - 2
        self._say(f"{text[:room]:<{room}}{_minutes(left):>{LEFT}}" if self._width > 60 else text[: self._width])

    def _heading(self, goal: str) -> None:
        if goal != self._group:
            self._group = goal
            self._say(f"\n  {goal}"[: self._width])

    def _wrapped(self, text: str, indent: str) -> None:
        for line in text.splitlines():
            self._say(textwrap.fill(line, self._width, initial_indent=indent, subsequent_indent=indent + "  "))

    def _say(self, text: str) -> None:
        print(text, file=self._sink, flush=True)


def _end(event: Event) -> str:
    """The last line of a run: what became of its pictures."""
    steps = event.data["counts"]["kept"]
    kept = steps.get("expose", 0)
    total = event.data["counts"]["steps"].get("expose", 0)
    if not kept and not total and steps.get("timelapse"):
        return event.text
    if not kept:
        return f"Run {event.data['run']} has ended without a picture"
    return event.text if kept == total else f"{event.text}: {kept} of {total} pictures, {total - kept} left out"


def _minutes(seconds: float) -> str:
    """Time left for people: seconds below a minute and a half, then minutes."""
    if seconds < 90:
        return f"{max(0.0, seconds):.0f} s left"
    return f"{seconds / 60:.0f} min left"
