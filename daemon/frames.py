"""One frame, from intent to record: the only way in which Stopwright takes a picture.

The order is the promise: settings read back, intent committed, trigger, files fetched and made durable, then one
transaction that says frame, files, attempt and outcome. Whatever dies in between, `daemon.reconcile` can tell from the
intent, the files and the card what became of the frame.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Literal, Protocol, TypeVar

from daemon.bulb import Bulb
from daemon.camera.binding import Binding
from daemon.camera.verbs import Camera, CardFile
from daemon.files import StoredFile, attempt_stem
from daemon.logbook import Attempt, FrameRow, RunRow, StepRow
from daemon.pictures.exif import ExifCheck, ExifFacts, against_plan, read_exif
from daemon.pictures.opening import PictureUnreadable
from daemon.store import Store
from plans.plan import ControlStep, ExposeStep, Settings
from plans.stops import Kind, Scale


@dataclass(frozen=True)
class LapseFrame:
    """One frame of a time-lapse, as far as taking it goes. ``id`` is the time-lapse's."""

    id: str
    settings: Settings


Exposing = ExposeStep | ControlStep | LapseFrame
Verified = Literal["as planned", "not as planned", "unverified"]
Role = Literal["picture", "control", "unasked"]
FOLDERS: dict[Role, str] = {"picture": "pictures", "control": "control", "unasked": "unasked"}


@dataclass(frozen=True)
class Fetched:
    """A file copied from the card into ``incoming/``; ``size`` in bytes."""

    card: CardFile
    incoming: Path
    size: int


@dataclass(frozen=True)
class Taken:
    """An exposure whose files are durable but not yet in the record."""

    attempt: Attempt
    files: tuple[StoredFile, ...]
    facts: ExifFacts
    checks: tuple[ExifCheck, ...]
    unreadable: bool = False

    @property
    def fault(self) -> str:
        """Why the frame cannot stand as the step's picture; empty when it can."""
        if self.unreadable:
            return "the camera's picture cannot be read"
        return failed_marks(self.checks) if self.verified == "not as planned" else ""

    @property
    def verified(self) -> Verified:
        """Exif against the plan's marks; hands leave no Exif and do not count."""
        return verified(self.checks)


def verified(checks: Sequence[ExifCheck]) -> Verified:
    """One word for a frame's Exif checks."""
    told = [check.agrees for check in checks if check.kind in ("aperture", "time", "iso")]
    if any(agrees is False for agrees in told):
        return "not as planned"
    return "as planned" if told and all(told) else "unverified"


class OfAKind(Protocol):
    """A file, stored or in the record, as far as choosing among a frame's files goes."""

    @property
    def kind(self) -> str:
        """``jpeg``, ``raw`` or ``other``."""
        ...


File = TypeVar("File", bound=OfAKind)


def picture_of(files: Sequence[File]) -> File:
    """The file that shows a frame: its JPEG if it has one."""
    return next((file for file in files if file.kind == "jpeg"), files[0])


def role_of(step: Exposing) -> Role:
    """Where a step's frames belong."""
    return "control" if isinstance(step, ControlStep) else "picture"


def failed_marks(checks: Sequence[ExifCheck]) -> str:
    """The checks that failed, in words."""
    return "; ".join(
        f"{check.kind}: planned {check.planned}, the picture says {check.found}"
        for check in checks
        if check.agrees is False
    )


class FrameTaker:
    """Takes frames for one run with one camera and one store.

    ``flight`` is entered for as long as a frame is in flight, and told whether its shutter is held open from here.
    """

    def __init__(
        self,
        store: Store,
        camera: Camera,
        binding: Binding,
        scales: dict[Kind, Scale],
        run: RunRow,
        flight: Callable[[bool], AbstractContextManager[object]] = nullcontext,
        bulb: Bulb | None = None,
    ):
        self.store, self.camera, self.binding, self.scales, self.run = store, camera, binding, scales, run
        self._flight, self._bulb = flight, bulb

    def take(self, row: StepRow, step: Exposing, settings: Settings) -> Taken:
        """Set the camera, commit the intent, expose, bring the files home; the frame is not in the record yet.

        ``settings`` are the step's own, but for a metering frame that had to be moved.
        """
        exposure_s = settings.time.exact
        bulb = self._bulb if self._bulb is not None and self._bulb.takes(exposure_s) else None
        labels = self.binding.labels(settings) if bulb is None else bulb.labels(self.binding, settings)
        with self._flight(bulb is not None):
            self.camera.apply({str(name): label for name, label in labels.items()})
            attempt = self.store.logbook.begin_attempt(row.id, exposure_s)
            on_card = self.camera.expose(exposure_s) if bulb is None else list(bulb.camera.bulb(exposure_s).files)
            stem = attempt_stem(row.step_id, attempt.number)
            return self.complete(attempt, stem, role_of(step), self.fetch(stem, on_card), settings)

    def complete(
        self, attempt: Attempt, stem: str, role: Role, fetched: Sequence[Fetched], settings: Settings
    ) -> Taken:
        """Make fetched files durable as an attempt's, with what their Exif says."""
        facts, checks = self.examine(fetched, settings)
        files = tuple(self.adopt(stem, role, fetched))
        unreadable = facts.width is None and all(file.kind == "jpeg" for file in files)
        return Taken(attempt, files, facts, tuple(checks), unreadable)

    def keep(self, taken: Taken, step: Exposing, *, whole: bool, recovered: bool = False, why: str = "") -> FrameRow:
        """Commit a taken frame. ``whole``: it gives its step the outcome; else the step is still to do."""
        state: Literal["kept", "recovered", "failed"] = "recovered" if recovered else "kept"
        if taken.fault:
            state = "failed"
        return self.store.logbook.keep(
            taken.attempt.id,
            role_of(step),
            taken.files,
            exif=taken.facts,
            checks=taken.checks,
            verified=taken.verified,
            taken_camera_clock=taken.facts.taken,
            state=state,
            outcome="kept" if whole else None,
            why=why,
        )

    def fetch(self, stem: str, on_card: Sequence[CardFile]) -> list[Fetched]:
        """Copy one exposure's files from the card into ``incoming/``."""
        fetched = []
        for card_file in on_card:
            ending = self.store.files.ending(card_file.name)
            incoming = self.store.files.new_incoming(f"run-{self.run.id}-{stem}{ending}")
            fetched.append(Fetched(card_file, incoming, self.camera.fetch(card_file, incoming)))
        return fetched

    def adopt(self, stem: str, role: Role, fetched: Sequence[Fetched]) -> list[StoredFile]:
        """Make fetched files durable under ``stem`` in the role's folder."""
        stored: list[StoredFile] = []
        endings: list[str] = []
        for file in fetched:
            ending = self.store.files.ending(file.card.name)
            endings.append(ending)
            if endings.count(ending) > 1:  # two files of one kind from one exposure
                ending = f"-{endings.count(ending)}{ending}"
            place = PurePosixPath(self.run.folder) / FOLDERS[role] / f"{stem}{ending}"
            stored.append(
                self.store.files.adopt(
                    file.incoming, place, file.card.folder, file.card.name, file.size, file.card.taken
                )
            )
        return stored

    def examine(self, fetched: Sequence[Fetched], settings: Settings) -> tuple[ExifFacts, list[ExifCheck]]:
        """What the first file that says something says of itself, held against the plan."""
        return self.examine_paths([file.incoming for file in fetched], settings)

    def examine_paths(self, paths: Sequence[Path], settings: Settings) -> tuple[ExifFacts, list[ExifCheck]]:
        """The same for files that lie elsewhere."""
        facts = ExifFacts()
        for path in paths:
            try:
                facts = read_exif(path)
            except PictureUnreadable:
                continue  # a RAW file, or one that the camera wrote badly: it is kept as it is
            if facts.exposure_s or facts.f_number or facts.iso:
                break
        return facts, against_plan(facts, settings, self.scales)

    def path(self, file: StoredFile) -> Path:
        """Where a stored file lies."""
        return self.store.files.path(file.path)
