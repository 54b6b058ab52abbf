"""One frame, from intent to record: the only way in which Stopwright takes a picture.

The order is the promise: settings read back and intent committed, trigger, files fetched and made durable, then one
transaction that says frame, files, attempt and outcome. Whatever dies in between, `daemon.reconcile` can tell from the
intent, the files and the card what became of the frame.

What the promise does not order goes on side by side: the next frame's settings are put on the camera while this one is
made durable, and work that can wait is done while a shutter is open.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Literal, Protocol, TypeVar

from daemon.bulb import Bulb, held_check
from daemon.camera.ahead import AheadCamera
from daemon.camera.binding import Binding
from daemon.camera.verbs import BulbExposure, Camera, CardFile, SettingName
from daemon.errors import CameraError
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
    held: BulbExposure | None = None

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
    known = {check.kind: check.agrees for check in checks if check.kind in ("aperture", "time", "iso", "held")}
    if known.get("time") is None and "held" in known:
        known["time"] = known["held"]  # no Exif tells it, but the computer held the shutter
    told = [agrees for kind, agrees in known.items() if kind != "held"]
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
    ``beside`` does what can be done while a shutter is open.
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
        beside: Callable[[], object] = lambda: None,
    ):
        self.store, self.camera, self.binding, self.scales, self.run = store, camera, binding, scales, run
        self._flight, self._bulb, self._beside = flight, bulb, beside

    def take(
        self,
        row: StepRow,
        step: Exposing,
        settings: Settings,
        following: Settings | None = None,
        then: Callable[[], object] | None = None,
    ) -> Taken:
        """Set the camera, commit the intent, expose, bring the files home; the frame is not in the record yet.

        ``settings`` are the step's own, but for a metering frame that had to be moved. ``following``: what the next
        frame is likely to be taken at. The camera is set to it as soon as the files are home. ``then``: what else is to
        be begun at that moment.

        Raises
        ------
        CameraError
            Among others, if the camera wrote an empty file; the attempt has its end then.
        """
        exposure_s = settings.time.exact
        bulb, labels = self._labels(settings)
        held: BulbExposure | None = None
        with self._flight(bulb is not None):
            attempt = self._intend(row, exposure_s, labels)
            if bulb is not None:
                held = bulb.camera.bulb(exposure_s)
                on_card = list(held.files)
            elif isinstance(self.camera, AheadCamera):
                on_card = self.camera.expose_beside(exposure_s, self._beside)
            else:
                on_card = self.camera.expose(exposure_s)
            stem = attempt_stem(row.step_id, attempt.number)
            fetched = self.fetch(stem, on_card)
            if empty := [file.card.name for file in fetched if file.size == 0]:
                why = f"{', '.join(empty)}: the camera wrote an empty file"
                self.store.logbook.end_attempt(attempt.id, "abandoned", why)
                raise CameraError(f"{why}; nothing of this picture can be kept. Look at its card, or put in another.")
            if following is not None:
                self.set_ahead(following)
            if then is not None:
                then()
            return self.complete(attempt, stem, role_of(step), fetched, settings, held)

    def set_ahead(self, settings: Settings) -> None:
        """Begin to set the camera to what the next frame is likely to be taken at, and return."""
        if isinstance(self.camera, AheadCamera):
            self.camera.apply_soon(self._labels(settings)[1])

    def _labels(self, settings: Settings) -> tuple[Bulb | None, dict[str, str]]:
        """Whether the shutter is held open from here for these settings, and the camera's labels for them."""
        bulb = self._bulb if self._bulb is not None and self._bulb.takes(settings.time.exact) else None
        labels: dict[SettingName, str]
        labels = self.binding.labels(settings) if bulb is None else bulb.labels(self.binding, settings)
        return bulb, {str(name): label for name, label in labels.items()}

    def _intend(self, row: StepRow, exposure_s: float, labels: dict[str, str]) -> Attempt:
        """Read the settings back and commit the intent; the latter first where the camera is being set by now."""
        if not (isinstance(self.camera, AheadCamera) and self.camera.is_applying(labels)):
            self.camera.apply(labels)
            return self.store.logbook.begin_attempt(row.id, exposure_s)
        attempt = self.store.logbook.begin_attempt(row.id, exposure_s)
        try:
            self.camera.apply(labels)
        except CameraError:
            why = "the camera could not be set for it; nothing was exposed"
            self.store.logbook.end_attempt(attempt.id, "abandoned", why)
            raise
        return attempt

    def complete(
        self,
        attempt: Attempt,
        stem: str,
        role: Role,
        fetched: Sequence[Fetched],
        settings: Settings,
        held: BulbExposure | None = None,
    ) -> Taken:
        """Make fetched files durable as an attempt's, with what their Exif says. ``held``: how the frame was held."""
        facts, checks = self.examine(fetched, settings)
        if held is not None:
            checks.append(held_check(held, settings.time))
        files = tuple(self.adopt(stem, role, fetched))
        unreadable = facts.width is None and all(file.kind == "jpeg" for file in files)
        return Taken(attempt, files, facts, tuple(checks), unreadable, held)

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
