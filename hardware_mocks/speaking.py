"""The simulated camera in a dialect, in process: the daemon's own session over a link that behaves like the library.

So the code that finds settings, sends labels and reads them back is the one that works real bodies; only the library
and the wire are left out.
"""

from __future__ import annotations

import queue
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Any, TypeVar

from daemon.camera.asking import Event, FileInfo, Pace, Widget
from daemon.camera.dialects import TWINS
from daemon.camera.errors_map import LinkFault, as_ours
from daemon.camera.session import Session
from daemon.camera.verbs import BulbExposure, CameraState, CardFile
from daemon.errors import CameraSilent
from hardware_mocks import clock, jpeg
from hardware_mocks.camera import GardenCamera
from hardware_mocks.card import Card
from hardware_mocks.developing import Renderer
from hardware_mocks.dialects import DIALECTS, Dialect
from hardware_mocks.dials import Reason, Refusal
from hardware_mocks.faults import Faults
from hardware_mocks.hands import obey
from hardware_mocks.inprocess import SHOWN
from hardware_mocks.scales import Scales
from hardware_mocks.scene import GardenRenderer
from hardware_mocks.shot import Optics

STORE = "store_00010001"
_WALK_S = 0.01  # one mark of a setting that walks [s]
_ANSWERS: dict[Reason, tuple[int, int | None]] = {  # the library's number and the camera's answer
    "busy": (-110, 0x2019),
    "card_full": (-1, 0x200C),
    "battery": (-1, 0x200F),
    "denied": (-1, 0x200F),
    "invalid": (-2, 0x201C),
    "unsupported": (-6, 0x2005),
    "general": (-1, 0x2002),
    "absent": (-7, None),
}
QUICK = Pace(stable_s=0.3, walking_s=3.0, quiet_s=0.05, pair_s=0.3, lost_s=0.3, busy_s=1.0)
_Answer = TypeVar("_Answer")


@dataclass
class _Walk:
    """A setting on its way: where to, and since when it stands where it is. [s]"""

    target: int
    moved: float


class DialectLink:
    """Implements `daemon.camera.asking.LinkLike` on a camera, in a dialect."""

    def __init__(self, core: GardenCamera, dialect: Dialect):
        self.core, self.dialect = core, dialect
        self.port = "inprocess"
        self._told: queue.Queue[Event] = queue.Queue()
        self._away_until = 0.0
        self._walks: dict[str, _Walk] = {}
        self._settings = {dialect.widgets.get(core_name, widget): core_name for core_name, widget in SHOWN.items()}
        core.listen(self._hear)

    def close(self) -> None:
        """Hear no more."""
        self.core.unlisten(self._hear)

    def _hear(self, what: str, value: int | str) -> None:
        if what == "drop" and isinstance(value, int):
            self._away_until = clock.monotonic() + max(0.05, value / 1000)
        elif what == "complete":
            self._told.put(Event("complete"))
        elif what == "added" and isinstance(value, int):
            entry = self.core.files()[value]
            self._told.put(Event("file", f"/{STORE}/DCIM/{entry.folder}", entry.name))

    def _there(self, doing: str) -> None:
        if clock.monotonic() < self._away_until or not self.core.on:
            raise LinkFault(-7, doing)
        self.core.touch()

    def _do(self, verb: str, doing: str, act: Callable[[], _Answer], setting: str | None = None) -> _Answer:
        self._there(doing)
        line = self.core.faults.for_verb(verb, setting)
        try:
            if line is not None:
                if line["fault"] == "silent":
                    raise CameraSilent(f"While {doing}: the camera did not answer.")
                raise Refusal("busy" if line["fault"] == "busy" else line.get("reason", "denied"))
            return act()
        except Refusal as refusal:
            raise LinkFault(_ANSWERS[refusal.reason][0], doing, _ANSWERS[refusal.reason][1]) from None

    @property
    def model(self) -> str:
        return f"{jpeg.MAKE} {jpeg.MODEL}"

    @property
    def takes_pictures(self) -> bool:
        return True

    @property
    def previews(self) -> bool:
        return True

    def names(self) -> frozenset[str]:
        return frozenset(self._settings) | {"bulb", "viewfinder", "batterylevel"}

    def _labels(self, setting: str) -> dict[int, str]:
        return {raw: self.dialect.label(setting, raw, label) for raw, label in self.core.labels(setting).items()}

    def widget(self, name: str) -> Widget | None:
        self._there(f"reading {name}")
        if name == "batterylevel":
            return Widget(name, f"{self.core.battery}%", (), False)
        if name == "cameramodel":
            return Widget(name, self.model, (), False)
        setting = self._settings.get(name)
        if setting is None:
            return None
        self._step(setting)
        labels = self._labels(setting)
        raw = self.core.get(setting)
        listed = tuple(dict.fromkeys(labels.values()))
        code = str(raw) if name in TWINS else None
        return Widget(name, labels[raw], listed, self.core.writable(setting), code)

    def _step(self, setting: str) -> None:
        """Let a walking setting go as many marks as its time allows."""
        walk = self._walks.get(setting)
        if walk is None:
            return
        order = list(self.core.labels(setting))
        while clock.monotonic() - walk.moved >= _WALK_S:
            here, there = order.index(self.core.get(setting)), order.index(walk.target)
            if here == there:
                del self._walks[setting]
                return
            self.core.set(setting, order[here + (1 if there > here else -1)])
            walk.moved += _WALK_S

    def send(self, name: str, value: str) -> None:
        doing = f"setting {name} to {value}"
        if name == "bulb":
            act = self.core.open_shutter if value == "1" else self.core.close_shutter
            self._do("bulb", doing, act)
            return
        if name == "viewfinder":
            self._do("preview", doing, lambda: self.core.look(value == "1"))
            return
        setting = self._settings.get(name)
        if setting is None:
            raise LinkFault(-2, doing)
        self._do("set", doing, lambda: self._take(setting, value), setting)

    def _take(self, setting: str, value: str) -> None:
        """Take a request as this make does."""
        labels = self._labels(setting)
        manner = self.dialect.manners.get(setting, "plain")
        order = list(labels)
        if manner == "places" and value.isdigit():
            raw = order[min(int(value), len(order) - 1)]
        elif value in labels.values():
            raw = next(raw for raw, label in labels.items() if label == value)
        else:
            raise Refusal("invalid", f"{setting} has no {value}")
        if manner == "snaps":
            raw = min(Scales("full").marks(setting), key=lambda mark: abs(order.index(raw) - order.index(mark.raw))).raw
        if manner != "walks":
            self.core.set(setting, raw)
        elif not self.core.writable(setting):
            raise Refusal("denied")
        else:
            self._walks[setting] = _Walk(raw, clock.monotonic())

    def trigger(self) -> None:
        self._do("capture", "triggering an exposure", self.core.trigger)

    def capture(self) -> Event:
        raise LinkFault(-6, "taking a picture")

    def event(self, timeout_ms: int) -> Event:
        self._there("listening to the camera")
        try:
            return self._told.get_nowait()
        except queue.Empty:
            return Event("none")

    def folders(self, folder: str) -> list[str]:
        inside = {"/": [STORE], f"/{STORE}": ["DCIM"], f"/{STORE}/DCIM": self.core.card.folders()}
        return self._do("list", f"listing {folder}", lambda: inside.get(folder, []))

    def files(self, folder: str) -> list[str]:
        wanted = folder.rpartition("/")[2]
        names = [entry.name for entry in self.core.files().values() if entry.folder == wanted]
        return self._do("list", f"listing {folder}", lambda: names)

    def _handle(self, folder: str, name: str, doing: str) -> int:
        wanted = folder.rpartition("/")[2]
        for handle, entry in self.core.files().items():
            if (entry.folder, entry.name) == (wanted, name):
                return handle
        raise LinkFault(-108, doing)

    def info(self, folder: str, name: str) -> FileInfo:
        doing = f"asking about {name}"
        handle = self._handle(folder, name, doing)
        made = int(self.core.taken(handle).replace(tzinfo=UTC).timestamp())
        return self._do("info", doing, lambda: FileInfo(self.core.files()[handle].size, made))

    def download(self, folder: str, name: str, into: Path) -> int:
        doing = f"fetching {name}"
        handle = self._handle(folder, name, doing)
        content = self._do("object", doing, lambda: self.core.read(handle))
        frame = self.core.frame_of(handle) or -1
        if (line := self.core.faults.for_frame("drop", frame, "download")) is not None:
            self._hear("drop", round(line.get("away_s", 0.0) * 1000))
            raise LinkFault(-1, doing)
        if (line := self.core.faults.for_frame("truncate", frame)) is not None:
            content = content[: int(len(content) * line.get("keep", 0.5))]
        return _write(content, into)

    def preview(self, into: Path) -> int:
        def look() -> bytes:
            self.core.look(True)
            return self.core.live_picture()

        return _write(self._do("preview", "looking through the camera", look), into)

    def free_bytes(self) -> int | None:
        self._there("asking for room on the card")
        return self.core.card.free_bytes()


def _write(content: bytes, into: Path) -> int:
    with open(into, "xb") as sink:
        sink.write(content)
    return len(content)


class DialectCamera:
    """Implements `daemon.camera.verbs.Camera`: the daemon's session over a `DialectLink`.

    ``dialect`` is a name in `hardware_mocks.dialects.DIALECTS`. A link that broke is taken up again by the next verb,
    as the supervisor does. ``core`` is made in the dialect's step where none is given.
    """

    def __init__(
        self,
        dialect: str,
        core: GardenCamera | None = None,
        *,
        renderer: Renderer | None = None,
        size: tuple[int, int] = (300, 200),
        faults: list[dict[str, Any]] | None = None,
        seed: int = 0,
        pace: Pace = QUICK,
    ):
        self.dialect = DIALECTS[dialect]
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        if core is None:
            self._folder = tempfile.TemporaryDirectory(prefix="garden-card-", ignore_cleanup_errors=True)
            core = GardenCamera(
                Card(Path(self._folder.name)),
                renderer or GardenRenderer(),
                seed=seed,
                optics=Optics(size=size),
                faults=Faults(faults, seed),
                step=self.dialect.step,
            )
        self.core, self._pace = core, pace
        self._link: DialectLink | None = None
        self._session: Session | None = None

    def _ask(self, act: Callable[[Session], _Answer]) -> _Answer:
        try:
            if self._session is None:
                self._link = DialectLink(self.core, self.dialect)
                self._session = Session(self._link, lambda: None, pace=self._pace)
            return act(self._session)
        except LinkFault as fault:
            self._break()
            raise as_ours(fault) from None
        except CameraSilent:
            self._break()
            raise

    def _break(self) -> None:
        if self._link is not None:
            self._link.close()
        self._link = self._session = None

    def state(self) -> CameraState:
        """Everything the camera tells of itself, read afresh."""
        return CameraState.model_validate(self._ask(lambda session: session.state()))

    def apply(self, labels: Mapping[str, str]) -> dict[str, str]:
        """Set each named setting to one of the camera's own labels and read all of them back."""
        return dict(self._ask(lambda session: session.apply(labels)))

    def expose(self, exposure_s: float) -> list[CardFile]:
        """Take one frame; the files it made. [s]"""
        limit, busy = 2 * exposure_s + 2.0, self._pace.busy_s
        return [CardFile.model_validate(file) for file in self._ask(lambda one: one.expose(exposure_s, limit, busy))]

    def bulb(self, seconds: float) -> BulbExposure:
        """Take one frame with the shutter held open for so long. [s]"""
        limit, busy = seconds + 2.0, self._pace.busy_s
        return BulbExposure.model_validate(self._ask(lambda session: session.bulb(seconds, limit, busy)))

    def preview(self, into: Path) -> int:
        """Write one live picture to ``into``; its size. [bytes]"""
        return self._ask(lambda session: session.preview(into))

    def fetch(self, file: CardFile, into: Path) -> int:
        """Copy one file from the card; its size. [bytes]"""
        return self._ask(lambda session: session.fetch(file.folder, file.name, into))

    def card(self, fresh: bool = False) -> list[CardFile]:
        """Every picture on the card. The link remembers nothing, so that every list is ``fresh``."""
        return [CardFile.model_validate(file) for file in self._ask(lambda session: session.card())]

    def hands(self, request: Any) -> dict[str, Any]:
        """Work the hands: one request as in `hardware_mocks.hands`."""
        return obey(self.core, request)

    def close(self) -> None:
        """Let the camera go. Idempotent."""
        self._break()
        if self._folder is not None:
            self.core.switch_off()
            self._folder.cleanup()
            self._folder = None
