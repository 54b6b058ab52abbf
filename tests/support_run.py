"""Whole runs for tests: a small brief, the real camera library, simulated camera and hands, real processes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from daemon import clock
from daemon.camera.supervisor import CameraProcess
from daemon.context import Manners
from daemon.feed import CommandQueue, Event
from daemon.report import RunReport, report
from daemon.runner import Runner
from daemon.store import Store, open_store
from hardware_mocks.hands import Hands, SimulatedOperator
from hardware_mocks.server import Simulator
from plans.compiler import compile_brief
from plans.plan import Plan
from plans.reading import demo_brief_text, read_brief

COMMAND = [sys.executable, "-c", "from daemon.cli import main; main()"]

# Seven frames of a thirtieth of a second or less, and hands three times: long enough to die in, short enough to repeat.
SMALL_GOALS = """goals:
  - ladder: {change: aperture, by: 1, from: f/4, to: f/11, balance: time, focus: heron}
  - bracket: {change: time, by: 1, count: 3, focus: spout}
limits: {iso_at_most: 6400, spread: 1/6}
"""


def small_brief(goals: str = SMALL_GOALS, light: float = 13.0) -> str:
    """The demo brief with other goals (its tail from ``goals:`` on) and light."""
    head = demo_brief_text().partition("goals:")[0]
    return head.replace("light: {ev100: 13}", f"light: {{ev100: {light}}}") + goals


def small_plan(goals: str = SMALL_GOALS, light: float = 13.0) -> Plan:
    """The plan of `small_brief`."""
    return compile_brief(read_brief(small_brief(goals, light), "small.yaml"))


class Rig:
    """A runner on a simulated camera, in this process; events are kept in ``events``."""

    def __init__(self, store: Store, simulator: Simulator, camera: CameraProcess, operator: Any, manners: Manners):
        self.events: list[Event] = []
        self.commands = CommandQueue()
        self.on_event: Callable[[Event], None] = lambda event: None
        self.store, self.simulator, self.camera = store, simulator, camera
        self.hands = Hands(simulator.hands)
        self.runner = Runner(store, camera, operator, self._hear, self.commands, manners)

    def _hear(self, event: Event) -> None:
        self.events.append(event)
        self.on_event(event)

    def kinds(self) -> list[str]:
        """The kinds of event so far."""
        return [event.kind for event in self.events]

    def shoot(self, plan: Plan) -> RunReport:
        """Run a plan to its end."""
        return report(self.store, self.runner.start(plan))


@contextmanager
def rig(
    folder: Path,
    simulator: Simulator,
    operator: Any = "simulated",
    manners: Manners | None = None,
    trace: Any = None,
    camera: CameraProcess | None = None,
) -> Iterator[Rig]:
    """A `Rig` with its store in ``folder``; ``operator`` None: nobody; ``camera``: one that is made already."""
    hands = SimulatedOperator(simulator.hands) if operator == "simulated" else operator
    with open_store(folder / "store", trace=trace) as store:
        camera = camera or CameraProcess(simulator.camera, folder / "camera")
        try:
            yield Rig(store, simulator, camera, hands, manners or Manners(patience_s=10.0))
        finally:
            camera.close()


def environment(home: Path) -> dict[str, str]:
    """The environment for a command: a home of its own."""
    kept = {name: os.environ[name] for name in ("PATH", "LANG", "LD_LIBRARY_PATH") if name in os.environ}
    root = str(Path(__file__).resolve().parent.parent)
    return kept | {"HOME": str(home), "PYTHONPATH": root, "STOPWRIGHT_VERDICTS": "no"}


def command(*words: str, home: Path, timeout: float = 50, stdin: str | None = None) -> subprocess.CompletedProcess[str]:
    """Run ``stopwright`` with ``words`` in a process of its own."""
    return subprocess.run(
        [*COMMAND, *words],
        env=environment(home),
        cwd=home,
        input=stdin if stdin is not None else "",
        capture_output=True,
        text=True,
        timeout=timeout,
        check=False,
    )


def begin(*words: str, home: Path) -> subprocess.Popen[str]:
    """Start ``stopwright`` with ``words`` and do not wait."""
    return subprocess.Popen(
        [*COMMAND, *words],
        env=environment(home),
        cwd=home,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_for_exposures(hands: Hands, wanted: int, process: subprocess.Popen[str]) -> None:
    """Until the camera has made ``wanted`` exposures, or the command has ended, or twenty seconds have gone."""
    end = clock.monotonic() + 20
    while clock.monotonic() < end and process.poll() is None and hands.state()["exposures"] < wanted:
        clock.sleep(0.02)


def kill(process: subprocess.Popen[str]) -> None:
    """SIGKILL, as a power cut would."""
    process.send_signal(signal.SIGKILL)
    process.communicate(timeout=10)


def json_of(done: subprocess.CompletedProcess[str]) -> Any:
    """What a command printed with ``--json``."""
    return json.loads(done.stdout)


def assert_nothing_lost_nothing_twice(found: RunReport, hands: Hands) -> None:
    """The record, the disk and the simulated camera's own count must tell the same story."""
    counts = found.counts
    assert found.run.state == "done"
    assert counts["outcomes"] == {"kept": sum(counts["steps"].values())}, counts
    assert [frame.outcome for frame in found.frames] == ["kept"] * len(found.plan.exposing)
    assert all(frame.path is not None and frame.path.is_file() for frame in found.frames)
    camera = hands.state()
    on_disk = [path for path in found.folder.rglob("*.jpg") if path.parent.name in ("pictures", "control", "unasked")]
    # Every picture the camera made is in the record once: none lost, none listed twice, none deleted on the card.
    assert counts["files"] == counts["distinct_hashes"] == len(on_disk) == camera["exposures"], (counts, camera)
    assert camera["deletes"] == 0
