"""Every fault that the simulated camera can be given, at every phase of a run, and what a user sees of it.

The lines follow from the script's own table of fields, so that a fault that is new there is tried here: for each kind
every verb, phase, event or reason that it may name. A fault strikes at one of four moments of a run.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from support_run import Rig, rig, small_plan
from support_simulator import simulated_camera

from daemon import clock
from daemon.camera.supervisor import CameraProcess, Deadlines
from daemon.context import Manners
from daemon.errors import StopwrightError
from daemon.feed import Event
from daemon.report import report
from hardware_mocks import faults
from hardware_mocks.hands import SimulatedOperator

GOALS = """goals:
  - ladder: {change: aperture, by: 1, from: f/4, to: f/8, balance: time, focus: heron}
limits: {iso_at_most: 6400}
"""
MOMENTS = ("at the start", "metering", "in the midst", "at the end")
# Quick ones, so that a camera that never answers is given up within a test; the order among them is as it is in use.
QUICK = Deadlines(connect_s=15.0, answer_s=4.0, readout_s=3.0, busy_s=2.0, settle_s=1.0, margin_s=1.0)
# What a message must hold to be of use: something for a person to do, as the messages word it.
REMEDY = re.compile(
    r"\b(put in|turn|switch|check|change|wait until|look at|leave|close|free|set right|make room|name|compile)\b",
    re.IGNORECASE,
)
HARMLESS = {"aperture_error", "shutter_error", "battery"}  # they change what is measured or told, not whether it works


@dataclass(frozen=True)
class Told:
    """What came of one fault. ``outcome``: completed, or paused and resumed. ``recovery_s`` from the strike on. [s]"""

    line: dict[str, Any]
    moment: str
    outcome: str
    sees: str
    acted: bool
    recovery_s: float

    def row(self) -> str:
        """One line of the table."""
        line = " ".join(str(value) for value in self.line.values())
        acted = self.outcome if self.acted else "did not come to act"
        return f"{line:<44} {self.moment:<13} {acted:<20} {self.recovery_s:5.1f} s  {self.sees}"


def every_line(next_frame: int) -> Iterator[dict[str, Any]]:
    """A line for each fault the script knows; those by frame strike at the frame of that number."""
    for kind, (needed, optional) in faults._FIELDS.items():
        fields = needed | optional
        line: dict[str, Any] = {"fault": kind}
        if "frame" in fields:
            line["frame"] = next_frame
        if "percent" in fields:
            line["percent"] = 1
        if "stops" in fields:
            line["stops"] = {"all": -0.5}
        if "away_s" in fields:
            line["away_s"] = 0.5
        if kind == "change":
            line |= {"setting": "time", "to": "1/30"}
        several: list[dict[str, Any]] = [{}]
        for name, words in (("verb", faults.VERBS), ("phase", faults.PHASES), ("reason", faults.REASONS[:1])):
            if name in fields:
                several = [one | {name: word} for one in several for word in words]
        if "which" in fields:
            several = [
                one | {"which": which, "how": how}
                for one in several
                for which in ("ObjectAdded", "CaptureComplete")
                for how in ("lost", "doubled", "stale")
            ]
        if kind == "spoil":
            several = [one | {"how": how} for one in several for how in faults.SPOILT]
        if "shift_s" in fields:
            several = [one | {"shift_s": shift_s} for one in several for shift_s in (3600, -3600)]
        for one in several:
            made = line | one
            if made.keys() - {"fault"} >= needed:
                yield made


def unknown_kinds() -> list[str]:
    """Kinds of fault for which `every_line` makes no line: their fields are not known here."""
    made = {line["fault"] for line in every_line(1)}
    return sorted(set(faults._FIELDS) - made)


def strike(folder: Path, line: dict[str, Any], moment: str) -> Told:
    """One run with one fault; what came of it.

    Asserts that it completes, or pauses with a message that says what to do and is resumed to its end once the camera
    is calm again; and that every exposure that the camera made is in the record once.
    """
    with simulated_camera() as simulator:
        camera = CameraProcess(simulator.camera, folder / "camera", deadlines=QUICK)
        with rig(
            folder, simulator, SimulatedOperator(simulator.hands), Manners(patience_s=15.0), camera=camera
        ) as bench:
            struck = _arm(bench, line, moment)
            sees, outcome = "", "completed"
            try:
                bench.runner.start(small_plan(GOALS))
            except StopwrightError as error:
                sees, outcome = str(error), "paused"
                assert REMEDY.search(sees), f"{line} {moment}: nothing to do in: {sees}"
                assert bench.store.logbook.list_runs() == [] or bench.store.logbook.run("last").state == "paused"
            acted = any(item["acted"] for item in bench.hands.faults()["lines"])
            bench.hands.calm()
            bench.hands.battery(80)
            if outcome == "paused":
                bench.on_event = lambda event: None
                begun = bench.store.logbook.list_runs()
                bench.runner.resume("last") if begun else bench.runner.start(small_plan(GOALS))
                outcome = "paused, resumed" if begun else "refused, shot anew"
            recovery_s = clock.monotonic() - (struck[0] if struck else clock.monotonic())
            sees = sees or "; ".join(
                event.text for event in bench.events if event.kind in ("camera-lost", "attempt-failed", "note")
            )
            empty = int(acted and line.get("how") == "empty")
            assert bool(empty) == ("wrote an empty file" in sees), sees
            _assert_nothing_lost(bench, empty)
            return Told(line, moment, outcome, " ".join(sees.split())[:160] or "nothing", acted, recovery_s)


def _arm(bench: Rig, line: dict[str, Any], moment: str) -> list[float]:
    """Have the fault put into the script at its moment; the time at which it was."""
    struck: list[float] = []

    def put() -> None:
        if not struck:
            struck.append(clock.monotonic())
            now = int(bench.hands.state()["exposures"])
            bench.hands.fault(**(line | ({"frame": now + 1} if "frame" in line else {})))

    whens: dict[str, Callable[[Event], bool]] = {
        "metering": lambda event: event.kind == "hands-done",
        "in the midst": lambda event: event.kind == "frame-kept",
        "at the end": lambda event: event.kind == "frame-kept" and event.data["done"] == event.data["total"] - 1,
    }
    if line.get("verb") == "set":  # the last picture's settings are made while the one before it is stored
        whens["at the end"] = lambda event: (
            event.kind == "step-started" and "total" in event.data and event.data["done"] == event.data["total"] - 2
        )
    if moment == "at the start":
        put()
    else:
        bench.on_event = lambda event: put() if whens[moment](event) else None
    return struck


def _assert_nothing_lost(bench: Rig, empty: int = 0) -> None:
    """``empty``: how many exposures left an empty file, of which nothing can be kept."""
    found = report(bench.store, "last")
    counts, made = found.counts, bench.hands.state()
    assert found.run.state == "done"
    assert "open" not in counts["outcomes"], counts
    assert counts["files"] == counts["distinct_hashes"] == made["exposures"] - empty, (counts, made["exposures"])
    assert made["deletes"] == 0
    assert [frame.outcome for frame in found.frames] == ["kept"] * len(found.frames), counts
