"""What a person sees while a run goes on: one line an event, a bar of text, never more than 80 columns."""

from __future__ import annotations

import textwrap
from typing import TextIO

from daemon.feed import Event
from daemon.report import settings_line
from plans.plan import Settings

BAR = 12  # characters
WIDTH = 80
LONG_S = 2.0  # an exposure from here on is announced, so that silence does not worry anyone [s]
PREFIXES = {
    "step-skipped": "Skipped: ",
    "attempt-failed": "Again: ",
    "camera-lost": "Camera lost: ",
    "frame-recovered": "Found: ",
    "unasked-frame": "Unasked: ",
    "paused": "Paused: ",
}


class Progress:
    """A listener that writes lines for people. ``asks``: the console asks hands itself, so that is not told twice."""

    def __init__(self, sink: TextIO, asks: bool = False):
        self._sink, self._asks = sink, asks
        self._left_s = 0.0
        self._overheads: list[float] = []
        self._group = ""

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
        elif event.kind == "run-started":
            self._say(f"{event.text}\n  pictures and record: {data['folder']}")
        elif event.kind == "run-done":
            self._say(f"\n{event.text}.")
        elif data.get("hands"):
            if not self._asks:
                self._say("")
                self._wrapped(event.text, "  ")
        elif event.kind != "hands-done":
            self._wrapped(PREFIXES.get(event.kind, "") + event.text, "  ")
            if "summary" in data:
                self._say(data["summary"])

    def _frame(self, event: Event) -> None:
        data = event.data
        settings = Settings.model_validate(data["settings"])
        exposure = settings.time.exact
        self._overheads.append(max(0.0, data["took_s"] - exposure))
        todo = data["total"] - data["done"]
        left = self._left_s - exposure + todo * sum(self._overheads) / len(self._overheads)
        filled = round(BAR * data["done"] / data["total"])
        bar = "=" * filled + "." * (BAR - filled)
        odd = "" if data["verified"] == "as planned" else f"  ({data['verified']})"
        text = f"  {bar} {data['done']:>3}/{data['total']}  {settings_line(settings)}{odd}"
        self._say(f"{text[: WIDTH - 14]:<{WIDTH - 14}}{_minutes(left):>12}")

    def _heading(self, goal: str) -> None:
        if goal != self._group:
            self._group = goal
            self._say(f"\n  {goal}"[:WIDTH])

    def _wrapped(self, text: str, indent: str) -> None:
        for line in text.splitlines():
            self._say(textwrap.fill(line, WIDTH, initial_indent=indent, subsequent_indent=indent + "  "))

    def _say(self, text: str) -> None:
        print(text, file=self._sink, flush=True)


def _minutes(seconds: float) -> str:
    """Time left for people: seconds below a minute and a half, then minutes."""
    if seconds < 90:
        return f"{max(0.0, seconds):.0f} s left"
    return f"{seconds / 60:.0f} min left"
