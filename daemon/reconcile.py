"""After a death: what became of the frame in flight, told from the intent, the files on disk and the card.

A frame that the camera finished is taken up, not shot again; one that it never took is shot again; a picture that
nobody asked for is brought in and listed as such. Nothing is deleted.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import PurePosixPath

from daemon import clock
from daemon.camera.verbs import CardFile
from daemon.errors import CameraBusy
from daemon.feed import Event, Listener
from daemon.files import attempt_stem, unasked_stem
from daemon.frames import Exposing, Fetched, FrameTaker, role_of
from daemon.logbook import Attempt, StepRow
from daemon.pictures.exif import ExifFacts, read_exif
from daemon.pictures.opening import PictureUnreadable
from plans.plan import ControlStep, ExposeStep, Plan

AFTER_EXPOSURE_S = 3.0  # readout and writing to the card, beyond the exposure itself [s]
QUIET_S = 0.3  # a second file of the same exposure comes within this time after the first [s]
_POLL_S = 0.25


class Reconciler:
    """Settles the open attempts of one run."""

    def __init__(self, taker: FrameTaker, tell: Listener):
        self._taker, self._tell = taker, tell
        self._store, self._camera, self._run = taker.store, taker.camera, taker.run

    def settle(self) -> None:
        """Give every open attempt its end; a recovered frame also gives its step the outcome."""
        logbook = self._store.logbook
        for attempt in logbook.open_attempts(self._run.id):
            row = logbook.step(attempt.step_row)
            step = exposing_step(logbook.plan(self._run.id, row.revision), row)
            self._set_aside_partials(row, attempt)
            if not self._recover(attempt, row, step):
                why = "the camera had not taken it when the link or the daemon died"
                logbook.end_attempt(attempt.id, "abandoned", why)
                self._tell(Event("attempt-failed", f"{row.step_id}: {why}; it is shot again", {"step": row.step_id}))

    def sweep(self) -> None:
        """Bring in every picture on the card that was made during the run and is not in the record yet."""
        for exposure in exposures(self._new_on_card()):
            self._list_unasked(exposure, self._taker.fetch("unasked", exposure))

    def _recover(self, attempt: Attempt, row: StepRow, step: Exposing) -> bool:
        stem = attempt_stem(row.step_id, attempt.number)
        recovered = False
        for exposure in self._wait_for_frame(attempt):
            fetched = self._taker.fetch(stem, exposure)
            if recovered or not self._fits(fetched, step):
                self._list_unasked(exposure, fetched)
                continue
            taken = self._taker.complete(attempt, stem, role_of(step), fetched, step.settings)
            why = "found on the card after an interruption"
            # A metering frame must be read before it settles anything, so its step stays to do.
            whole = isinstance(step, ExposeStep)
            frame = self._taker.keep(taken, step, whole=whole, recovered=True, why=why)
            data = {"step": row.step_id, "frame": frame.id, "files": [file.path for file in taken.files]}
            self._tell(Event("frame-recovered", f"{row.step_id}: {why}", data))
            recovered = True
        return recovered

    def _wait_for_frame(self, attempt: Attempt) -> list[list[CardFile]]:
        """What is new on the card, waited for as long as the exposure may still last."""
        still = (attempt.intent_at - clock.utc_now()).total_seconds() + attempt.exposure_s + AFTER_EXPOSURE_S
        # The wall clock may have been set meanwhile: never wait longer than one whole exposure.
        end = clock.monotonic() + max(0.0, min(still, attempt.exposure_s + AFTER_EXPOSURE_S))
        while True:
            try:
                found = self._new_on_card()
            except CameraBusy:
                found = []
            if found:
                clock.sleep(QUIET_S)
                return exposures(self._new_on_card())
            if clock.monotonic() >= end:
                return []
            clock.sleep(_POLL_S)

    def _fits(self, fetched: list[Fetched], step: Exposing) -> bool:
        """Whether a picture from the card can be the attempt's, by its Exif; no Exif is no objection."""
        if isinstance(step, ControlStep):
            return True
        _, checks = self._taker.examine(fetched, step.settings)
        return not any(check.agrees is False for check in checks)

    def _list_unasked(self, exposure: list[CardFile], fetched: list[Fetched]) -> None:
        first = exposure[0]
        try:
            facts = read_exif(fetched[0].incoming)
        except PictureUnreadable:
            facts = ExifFacts()
        stem = unasked_stem(first.folder, first.name, first.size, first.taken)
        files = self._taker.adopt(stem, "unasked", fetched)
        frame = self._store.logbook.store_frame(
            None, self._run.id, "unasked", files, exif=facts, taken_camera_clock=facts.taken
        )
        text = f"{first.folder}/{first.name}: a picture that no step asked for was brought in"
        self._tell(Event("unasked-frame", text, {"frame": frame.id, "files": [file.path for file in files]}))

    def _new_on_card(self) -> list[CardFile]:
        logbook = self._store.logbook
        known: dict[tuple[str, str], set[int | None]] = {}
        for seen in logbook.card_seen(self._run.id):
            known.setdefault((seen.folder, seen.name), set()).add(seen.size)
        for file in logbook.files(self._run.id):
            if file.card_folder is not None and file.card_name is not None:
                known.setdefault((file.card_folder, file.card_name), set()).add(file.size)
        return [file for file in self._camera.card() if not _is_known(file, known)]

    def _set_aside_partials(self, row: StepRow, attempt: Attempt) -> None:
        """Half a download is kept under another name; the whole picture is still on the card."""
        prefix = f"run-{self._run.id}-{attempt_stem(row.step_id, attempt.number)}."
        for leftover in self._store.files.leftovers():
            if leftover.path.name.startswith(prefix) and not leftover.set_aside:
                self._store.files.set_aside(leftover.path)


def _is_known(file: CardFile, known: dict[tuple[str, str], set[int | None]]) -> bool:
    sizes = known.get((file.folder, file.name))
    # A card that was emptied gives old names to new pictures; the size then tells them apart.
    return sizes is not None and (file.size is None or None in sizes or file.size in sizes)


def exposures(files: Iterable[CardFile]) -> list[list[CardFile]]:
    """Card files grouped into exposures (RAW and JPEG of one frame share folder and stem), in the camera's order."""
    groups: dict[tuple[str, str], list[CardFile]] = {}
    for file in files:
        groups.setdefault((file.folder, PurePosixPath(file.name).stem), []).append(file)
    return list(groups.values())


def exposing_step(plan: Plan, row: StepRow) -> Exposing:
    """The plan's step behind a row that exposes.

    Raises
    ------
    LookupError
        If the row's step takes no frame: a record that Stopwright does not write.
    """
    for step in plan.steps:
        if step.id == row.step_id and isinstance(step, ExposeStep | ControlStep):
            return step
    raise LookupError(f"step {row.step_id} takes no frame")
