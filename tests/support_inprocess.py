"""Whole runs on the simulated camera without a process or a wire: for what a runner does with its clients."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from daemon.context import Manners
from daemon.feed import Command, CommandQueue, Event
from daemon.report import RunReport, report
from daemon.runner import Runner
from daemon.store import Store, open_store
from hardware_mocks.flat import FlatRenderer
from hardware_mocks.inprocess import InProcessCamera
from plans.plan import OperatorStep, Plan

SIZE = (120, 80)


class NearHands:
    """An operator whose hands work a camera in this process. ``poll`` is there, as for any operator that waits."""

    name = "simulated"

    def __init__(self, camera: InProcessCamera):
        self._camera = camera
        self.asked: list[str] = []

    def act(self, step: OperatorStep) -> str:
        self.asked.append(step.id)
        if step.action == "compose":
            self._camera.hands({"do": "dial", "to": "M"})
        if step.action in ("compose", "focus"):
            self._camera.hands({"do": "focus", "distance_m": step.focus.distance_m})
        if step.action in ("compose", "filters"):
            names, stops = [item.name for item in step.filters], [item.stops for item in step.filters]
            self._camera.hands({"do": "filters", "stops": stops, "names": names})
        return "done"

    def choose(self, question: str, choices: Any) -> str:
        return str(choices[0])

    def acknowledge(self, caution: str) -> None:
        pass


class Bench:
    """A store, a camera and its runners; events of all of them are in ``events``, and told to ``on_event``."""

    def __init__(self, store: Store, camera: InProcessCamera):
        self.store, self.camera, self.hands = store, camera, NearHands(camera)
        self.events: list[Event] = []
        self.commands = CommandQueue()
        self.on_event: Callable[[Event], None] = lambda event: None
        self.runner = self.new_runner()

    def new_runner(self, operator: Any = "near", manners: Manners | None = None) -> Runner:
        """Another runner with a queue of its own, as a process that was started anew would have it."""
        self.commands = CommandQueue()
        hands = self.hands if operator == "near" else operator
        manners = manners or Manners(patience_s=5.0)
        self.runner = Runner(self.store, self.camera, hands, self._hear, self.commands, manners)
        return self.runner

    def _hear(self, event: Event) -> None:
        self.events.append(event)
        self.on_event(event)

    def kinds(self) -> list[str]:
        """The kinds of event so far."""
        return [event.kind for event in self.events]

    def texts(self, kind: str) -> list[str]:
        """What was told by events of one kind."""
        return [event.text for event in self.events if event.kind == kind]

    def send(self, verb: str, **data: Any) -> Command:
        """Send a new command."""
        command = Command.new(verb, **data)
        self.commands.send(command)
        return command

    def after_frames(self, number: int, act: Callable[[], None]) -> None:
        """Do something when so many pictures of the plan are kept, once."""
        done = []

        def on_event(event: Event) -> None:
            if event.kind == "frame-kept" and event.data["done"] == number and not done:
                done.append(number)
                act()

        self.on_event = on_event

    def shoot(self, plan: Plan) -> RunReport:
        """Run a plan to its end."""
        return report(self.store, self.runner.start(plan))

    @property
    def exposures(self) -> int:
        """How many exposures the camera made."""
        return int(self.camera.core.report()["exposures"])


@contextmanager
def bench(folder: Path, **options: Any) -> Iterator[Bench]:
    """A `Bench` with its store in ``folder``; ``options`` are the camera's."""
    camera = InProcessCamera(**({"renderer": FlatRenderer(), "size": SIZE} | options))
    try:
        with open_store(folder / "store") as store:
            yield Bench(store, camera)
    finally:
        camera.close()


def assert_adds_up(found: RunReport, made: Bench) -> None:
    """Record, disk and camera tell one story: each exposure once, each step with one outcome and a picture."""
    counts = found.counts
    assert found.run.state == "done"
    assert "open" not in counts["outcomes"]
    assert set(counts["outcomes"]) <= {"kept", "retaken"}, counts
    assert all(frame.path is not None and frame.path.is_file() for frame in (*found.frames, *found.improvised))
    on_disk = [path for path in found.folder.rglob("*.jpg") if path.parent.name in ("pictures", "control", "unasked")]
    assert counts["files"] == counts["distinct_hashes"] == len(on_disk) == made.exposures, counts
