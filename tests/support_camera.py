"""Cameras for tests: the three that need no hardware, and a scripted link for what no camera here does by itself."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import gphoto2
from PIL import Image

from daemon.camera.asking import Event, FileInfo, Widget
from daemon.camera.errors_map import LinkFault
from daemon.camera.supervisor import CameraProcess, Deadlines
from daemon.camera.verbs import Camera, CameraState, CardFile, SettingState
from daemon.errors import CameraError
from hardware_mocks.camera import GardenCamera
from hardware_mocks.card import Card
from hardware_mocks.dialects import DIALECTS
from hardware_mocks.flat import FlatRenderer
from hardware_mocks.inprocess import InProcessCamera
from hardware_mocks.server import Simulator, start
from hardware_mocks.shot import Optics
from hardware_mocks.speaking import DialectCamera
from plans.plan import ControlStep, Estimate, Focus, Inputs, LightBasis, Plan, Settings, mark_value
from plans.stops import Kind, Mark, Series, series_marks

TREES = Path(__file__).resolve().parents[2] / "shared" / "camera-trees"


class RecordingLog:
    """Keeps what it is told, as (level, event, fields)."""

    def __init__(self) -> None:
        self.told: list[tuple[str, str, dict[str, Any]]] = []

    def info(self, event: str, **fields: Any) -> None:
        self.told.append(("info", event, fields))

    def warning(self, event: str, **fields: Any) -> None:
        self.told.append(("warning", event, fields))

    def events(self) -> list[str]:
        return [event for _, event, _ in self.told]


@dataclass
class Rig:
    """One way of reaching a camera. ``open`` gives a new object each time; ``hands`` is None where there are none."""

    open: Callable[[], Camera]
    hands: Callable[[Mapping[str, Any]], Mapping[str, Any]] | None = None

    def wait_idle(self) -> None:
        """Wait until the camera's last exposure is on its card."""
        assert self.hands is not None
        limit = time.monotonic() + 10
        while self.hands({"ask": "state"})["state"]["busy"]:
            assert time.monotonic() < limit
            time.sleep(0.02)


@contextmanager
def simulator(**options: Any) -> Iterator[Simulator]:
    """The simulated camera behind PTP/IP with small grey pictures, in a process of its own."""
    with start(**({"render": "flat", "size": (300, 200)} | options)) as running:
        yield running


def vusb_environment(folder: Path) -> dict[str, str]:
    """Variables that give a camera process the library's virtual USB camera, with a card in ``folder``."""
    pictures = folder / "DCIM" / "100STOPS"
    pictures.mkdir(parents=True)
    for number in (1, 2):
        Image.new("RGB", (640, 480), (40 * number, 90, 90)).save(pictures / f"STOP{number:04d}.JPG")
    drivers = Path(gphoto2.__file__).parent / "libgphoto2" / "vusb"
    return {"IOLIBS": str(drivers), "VCAMERADIR": str(folder)}


@contextmanager
def in_process_rig(folder: Path) -> Iterator[Rig]:
    """The simulated camera without wire or library."""
    card = folder / "card"
    card.mkdir()
    core = GardenCamera(Card(card), FlatRenderer(), optics=Optics(size=(300, 200)))
    hands = InProcessCamera(core)
    yield Rig(lambda: InProcessCamera(core), hands.hands)
    hands.close()
    core.switch_off()


@contextmanager
def dialect_rig(name: str, folder: Path) -> Iterator[Rig]:
    """The simulated camera in a dialect, under the daemon's own session."""
    card = folder / "card"
    card.mkdir()
    step = DIALECTS[name].step
    core = GardenCamera(Card(card), FlatRenderer(), optics=Optics(size=(300, 200)), step=step)
    yield Rig(lambda: DialectCamera(name, core), DialectCamera(name, core).hands)
    core.switch_off()


def network_rig(running: Simulator, folder: Path) -> Rig:
    """The simulated camera behind PTP/IP, driven by the real library."""
    return Rig(lambda: CameraProcess(running.camera, folder / "work"), running.worked().ask)


@contextmanager
def virtual_usb_rig(folder: Path) -> Iterator[Rig]:
    """The library's own virtual USB camera. It makes no more than about 26 frames in one process."""
    environment = vusb_environment(folder / "card")
    yield Rig(lambda: CameraProcess(None, folder / "work", environment=environment))


@contextmanager
def plugged_in_rig(folder: Path) -> Iterator[Rig]:
    """Whatever camera is plugged in, or named by STOPWRIGHT_CAMERA."""
    yield Rig(lambda: CameraProcess(os.environ.get("STOPWRIGHT_CAMERA"), folder / "work"))


def impatient(**changes: float) -> Deadlines:
    """Deadlines short enough for tests."""
    short = {"connect_s": 10.0, "answer_s": 3.0, "readout_s": 1.0, "busy_s": 0.7, "settle_s": 0.5, "margin_s": 0.5}
    return Deadlines(**(short | changes))


def plan_of(*settings: tuple[Mark, Mark, Mark], series: Series = "thirds") -> Plan:
    """A plan that does nothing but set these apertures, times and ISOs, one after the other."""
    focus = Focus(subject=None, distance_m=3.0)
    steps = []
    for number, (aperture, exposure, iso) in enumerate(settings):
        wanted = Settings(aperture=mark_value(aperture), time=mark_value(exposure), iso=mark_value(iso), focus=focus)
        steps.append(
            ControlStep(id=f"s{number}", purpose="meter", settings=wanted, predicted_ev100=13.0, text="read the light")
        )
    inputs = Inputs(
        brief={}, light=LightBasis(ev100=13.0), scales={}, series={"aperture": series, "time": series, "iso": series}
    )
    estimate = Estimate(frames=0, control_frames=len(steps), operator_actions=0, exposure_s=1.0)
    return Plan(title="test", inputs=inputs, groups=(), steps=tuple(steps), estimate=estimate)


def mark(kind: Kind, series: Series, label: str) -> Mark:
    """A mark of a nominal series by its label."""
    return next(item for item in series_marks(kind, series) if item.label == label)


def setting(name: Any, labels: str | Sequence[str], current: str | None = None, **more: Any) -> SettingState:
    """A setting with space-separated labels; the first is the current one unless another is given."""
    words = tuple(labels.split()) if isinstance(labels, str) else tuple(labels)
    first = words[0] if words else ""
    fields = {"widget": name, "writable": True} | more
    return SettingState(name=name, current=first if current is None else current, labels=words, **fields)


def state(*settings: SettingState, **more: Any) -> CameraState:
    """A camera that shows these settings."""
    fields = {"model": "test body", "port": "usb:001,002"} | more
    return CameraState(settings={item.name: item for item in settings}, **fields)


@dataclass
class ScriptedLink:
    """A link whose camera does what the test says.

    ``widgets`` by the library's name; ``takes`` decides what a sent value makes of a widget's current label: it gets
    (name, value, widget) and returns the new label. ``events`` are announced one a call after the trigger; ``late``
    before it; ``faults`` maps a verb, or a widget that is sent to, to faults that its next calls raise.
    """

    widgets: dict[str, Widget]
    takes: Callable[[str, str, Widget], str] = lambda name, value, widget: value
    events: list[Event] = field(default_factory=list)
    late: list[Event] = field(default_factory=list)
    faults: dict[str, list[LinkFault]] = field(default_factory=dict)
    made: dict[str, int] = field(default_factory=dict)
    sent: list[tuple[str, str]] = field(default_factory=list)
    port: str = "usb:001,002"
    model: str = "scripted"
    takes_pictures: bool = True
    previews: bool = False
    live: bytes = b""
    triggered: int = 0

    def _fault(self, verb: str) -> None:
        if self.faults.get(verb):
            raise self.faults[verb].pop(0)

    def names(self) -> frozenset[str]:
        return frozenset(self.widgets)

    def widget(self, name: str) -> Widget | None:
        self._fault("widget")
        return self.widgets.get(name)

    def send(self, name: str, value: str) -> None:
        self.sent.append((name, value))
        self._fault(name if name in self.faults else "send")
        self.triggered += value in ("1", "Press Full")  # a shutter that is held open
        old = self.widgets[name]
        new = self.takes(name, value, old)
        self.widgets[name] = Widget(old.name, new, old.labels, old.writable, old.raw)

    def trigger(self) -> None:
        self._fault("trigger")
        self.triggered += 1

    def capture(self) -> Event:
        self._fault("capture")
        self.triggered += 1
        return Event("file", "/store/DCIM", "CAP0001.JPG")

    def event(self, timeout_ms: int) -> Event:
        self._fault("event")
        if self.late:
            return self.late.pop(0)
        if self.triggered and self.events:
            return self.events.pop(0)
        return Event("none")

    def folders(self, folder: str) -> list[str]:
        return []

    def preview(self, into: Path) -> int:
        self._fault("preview")
        into.write_bytes(self.live)
        return len(self.live)

    def files(self, folder: str) -> list[str]:
        return []

    def info(self, folder: str, name: str) -> FileInfo:
        return FileInfo(1000, self.made.get(name))

    def download(self, folder: str, name: str, into: Path) -> int:
        raise NotImplementedError

    def free_bytes(self) -> int | None:
        self._fault("free_bytes")
        return 10_000_000_000


def names(files: list[CardFile]) -> set[str]:
    return {file.name for file in files}


def next_frame(hands: Callable[[dict[str, Any]], dict[str, Any]]) -> int:
    return int(hands({"ask": "state"})["state"]["exposures"]) + 1


def fault(hands: Callable[[dict[str, Any]], dict[str, Any]], **line: Any) -> None:
    if line.get("frame") == "next":
        line["frame"] = next_frame(hands)
    hands({"do": "fault", "line": line})


def in_background(act: Callable[[], Any]) -> tuple[threading.Thread, list[Any]]:
    told: list[Any] = []

    def run() -> None:
        try:
            told.append(act())
        except CameraError as error:
            told.append(error)

    thread = threading.Thread(target=run)
    thread.start()
    return thread, told
