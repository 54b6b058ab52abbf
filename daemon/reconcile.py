"""After a death: what became of the frame in flight, told from the intent, the files on disk and the card.

A frame that the camera finished is taken up, not shot again; one that it never took is shot again; a picture that
nobody asked for is brought in and listed as such. Nothing is deleted.

A picture is the attempt's when it is not in the record of any run, was not on the card when the run began, was taken
when the attempt was (by the camera's own clock, whose offset the run's earlier frames show) and its Exif has the
step's marks. What a camera does not tell is no objection.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime, timedelta
from pathlib import PurePosixPath

from daemon import clock
from daemon.camera.verbs import CardFile
from daemon.errors import CameraBusy, StoreError
from daemon.feed import Event, Listener
from daemon.files import StoredFile, attempt_stem, unasked_stem
from daemon.frames import FOLDERS, Exposing, Fetched, FrameTaker, LapseFrame, Taken, role_of
from daemon.logbook import Attempt, FileRow, StepRow
from daemon.pictures.exif import ExifFacts, read_exif
from daemon.pictures.opening import PictureUnreadable
from plans.plan import ControlStep, ExposeStep, Settings, Step, TimelapseStep

AFTER_EXPOSURE_S = 2.0  # readout and writing to the card, beyond the exposure itself [s]
PAIR_S = 2.5  # the second file of a pair comes within this time after the first [s]
CLOCK_SLACK_S = 3.0  # card clocks count in steps of 2 s, and a link takes its time [s]
LISTINGS = 3  # a card's list that lacks what is known to be on it is asked for so often before it is believed
_POLL_S = 0.25


class Reconciler:
    """Settles the open attempts of one run. ``step_of`` gives the plan's step behind a row."""

    def __init__(self, taker: FrameTaker, tell: Listener, step_of: Callable[[StepRow], Step]):
        self._taker, self._tell, self._step_of = taker, tell, step_of
        self._store, self._camera, self._run = taker.store, taker.camera, taker.run
        self._logbook = taker.store.logbook

    def settle(self) -> None:
        """Give every open attempt its end; a recovered frame also gives its step the outcome."""
        self._look_at_card(self._camera.card())
        for attempt in self._logbook.open_attempts(self._run.id):
            row = self._logbook.step(attempt.step_row)
            step = self._exposing_step(row, attempt)
            self._set_aside_partials(row, attempt)
            if not (self._recover_from_disk(attempt, row, step) or self._recover_from_card(attempt, row, step)):
                why = "no picture of it was found on the card after the link or the daemon died"
                self._logbook.end_attempt(attempt.id, "abandoned", why)
                self._tell(Event("attempt-failed", f"{row.step_id}: {why}", {"step": row.step_id}))

    def sweep(self) -> None:
        """Bring in every picture on the card that was made during the run, and list every file that is not."""
        on_card = self._whole_card()
        self._look_at_card(on_card)
        for exposure in exposures(self._new_among(on_card)):
            self._list_unasked(exposure, self._taker.fetch("unasked", exposure))
        known = {file.path for file in self._logbook.files(self._run.id)}
        for path in self._store.files.strays(self._run.folder, known):
            stray = self._store.files.find_stored(path)
            if stray is not None:
                self._record_unasked(stray.path, [stray])

    def _exposing_step(self, row: StepRow, attempt: Attempt) -> Exposing:
        step: Step | LapseFrame = self._step_of(row)
        if isinstance(step, TimelapseStep):
            frame = self._logbook.lapse_frame_of(attempt.id)
            if frame is None:  # a frame from before its start, which told the light
                return ControlStep(
                    id=step.id, purpose="meter", settings=step.settings, predicted_ev100=0.0, text="The light."
                )
            return LapseFrame(step.id, Settings.model_validate(frame.settings))
        if not isinstance(step, ExposeStep | ControlStep | LapseFrame):
            raise StoreError(f"step {row.step_id} takes no frame, but an attempt at it is in the logbook")
        return step

    # -- taking up what is there ----------------------------------------------------------------------------------

    def _recover_from_disk(self, attempt: Attempt, row: StepRow, step: Exposing) -> bool:
        """A file that was made durable, when death came before its row: it is whole, and the card may be gone."""
        stem = attempt_stem(row.step_id, attempt.number)
        known = {file.path for file in self._logbook.files(self._run.id)}
        found = []
        for path in self._store.files.strays(self._run.folder, known):
            place = PurePosixPath(path)
            ours = place.parent.name == FOLDERS[role_of(step)] and place.name.startswith((f"{stem}.", f"{stem}-"))
            stored = self._store.files.find_stored(path) if ours else None
            if stored is not None:
                found.append(self._with_card_names(stored))
        # Of a pair only the first may have come through; the rest is then still on the card.
        if not found or self._expects_pairs():
            return False
        facts, checks = self._taker.examine_paths([self._taker.path(file) for file in found], step.settings)
        self._take_up(Taken(attempt, tuple(found), facts, tuple(checks)), row, step, "found on disk")
        return True

    def _recover_from_card(self, attempt: Attempt, row: StepRow, step: Exposing) -> bool:
        stem = attempt_stem(row.step_id, attempt.number)
        exposure = self._wait_for_frame(attempt)
        if exposure is None:
            return False
        fetched = self._taker.fetch(stem, exposure)
        if not self._fits(fetched, step):
            self._list_unasked(exposure, fetched)
            return False
        taken = self._taker.complete(attempt, stem, role_of(step), fetched, step.settings)
        self._take_up(taken, row, step, "found on the card")
        return True

    def _take_up(self, taken: Taken, row: StepRow, step: Exposing, where: str) -> None:
        why = f"{where} after an interruption"
        # A metering frame must be read before it settles anything, so its step stays to do.
        whole = isinstance(step, ExposeStep) and not taken.fault
        frame = self._taker.keep(taken, step, whole=whole, recovered=True, why=taken.fault or why)
        data = {"step": row.step_id, "frame": frame.id, "files": [file.path for file in taken.files]}
        self._tell(Event("frame-recovered", f"{row.step_id}: {why}", data))

    def _wait_for_frame(self, attempt: Attempt) -> list[CardFile] | None:
        """The exposure on the card that may be the attempt's, waited for as long as it may still last.

        The wall clock may have been set since the intent, so that the wait is always one whole exposure. The last look
        is at the whole card: the frame's announcement may have been lost.
        """
        end = clock.monotonic() + attempt.exposure_s + AFTER_EXPOSURE_S
        while True:
            last = clock.monotonic() >= end
            look = self._whole_card if last else self._camera.card
            try:
                found = self._candidate(attempt, look())
                if found is not None and self._expects_pairs() and len(found) < 2:
                    clock.sleep(PAIR_S)
                    found = self._candidate(attempt, self._whole_card())
            except CameraBusy:
                found = None
            if found is not None or last:
                return found
            clock.sleep(_POLL_S)

    def _candidate(self, attempt: Attempt, on_card: Iterable[CardFile]) -> list[CardFile] | None:
        window = self._capture_window(attempt)
        for exposure in exposures(self._new_among(on_card)):
            taken = _when(exposure[0].taken)
            if window is None or taken is None or window[0] <= taken <= window[1]:
                return exposure
        return None

    def _capture_window(self, attempt: Attempt) -> tuple[datetime, datetime] | None:
        """Between which times, by the camera's clock, the attempt's picture was taken; None when nothing tells."""
        intents = {other.id: other for other in self._logbook.attempts(self._run.id)}
        frames = {frame.id: frame.attempt_id for frame in self._logbook.frames(self._run.id)}
        for file in reversed(self._logbook.files(self._run.id)):
            earlier = intents.get(frames.get(file.frame_id) or -1)
            taken = _when(file.card_taken)
            if earlier is None or taken is None or earlier.state == "recovered":
                continue
            due = taken + (attempt.intent_at - earlier.intent_at)
            slack = timedelta(seconds=CLOCK_SLACK_S)
            return (
                due - slack - timedelta(seconds=earlier.exposure_s),
                due + slack + timedelta(seconds=attempt.exposure_s + AFTER_EXPOSURE_S),
            )
        return None

    def _fits(self, fetched: Sequence[Fetched], step: Exposing) -> bool:
        """Whether a picture's Exif can be the step's; no Exif is no objection, nor is a moved metering frame's."""
        if isinstance(step, ControlStep):
            return True
        _, checks = self._taker.examine(fetched, step.settings)
        return not any(check.agrees is False for check in checks)

    # -- what nobody asked for ------------------------------------------------------------------------------------

    def _list_unasked(self, exposure: Sequence[CardFile], fetched: Sequence[Fetched]) -> None:
        first = exposure[0]
        stem = unasked_stem(first.folder, first.name, first.size, first.taken)
        self._record_unasked(f"{first.folder}/{first.name}", self._taker.adopt(stem, "unasked", fetched))

    def _record_unasked(self, name: str, files: Sequence[StoredFile]) -> None:
        try:
            facts = read_exif(self._taker.path(files[0]))
        except PictureUnreadable:
            facts = ExifFacts()
        frame = self._logbook.store_frame(
            None, self._run.id, "unasked", files, exif=facts, taken_camera_clock=facts.taken
        )
        text = f"{name}: a picture that no step asked for was brought in"
        self._tell(Event("unasked-frame", text, {"frame": frame.id, "files": [file.path for file in files]}))

    # -- the card -------------------------------------------------------------------------------------------------

    def _whole_card(self) -> list[CardFile]:
        """Every picture on the card, whatever was announced of it.

        A camera that is busy may leave pictures out without a word, so that a list that lacks some that were there
        counts only when the next ones lack them too: then the card was changed.
        """
        known = {(file.folder, file.name) for file in self._camera.card()}
        known |= {(file.card_folder or "", file.card_name or "") for file in self._of_run()}
        for _ in range(LISTINGS):
            on_card = self._camera.card(fresh=True)
            if known <= {(file.folder, file.name) for file in on_card}:
                break
        return on_card

    def _of_run(self) -> list[FileRow]:
        return [file for file in self._logbook.files(self._run.id) if file.card_name is not None]

    def _look_at_card(self, on_card: Sequence[CardFile]) -> None:
        """A card that holds none of the run's pictures was put in meanwhile: what is on it is not the run's."""
        ours = self._of_run()
        if not ours or not on_card:
            return
        names = {(file.folder, file.name, file.taken or "") for file in on_card}
        if any((file.card_folder, file.card_name, file.card_taken or "") in names for file in ours):
            return
        seen = {(item.folder, item.name, item.taken) for item in self._logbook.card_seen(self._run.id)}
        last = max((when for file in ours if (when := _when(file.card_taken))), default=None)
        older = [file for file in on_card if last is None or (_when(file.taken) or last) <= last]
        if any((file.folder, file.name, file.taken or "") not in seen for file in older):
            self._logbook.remember_card(self._run.id, older)
            text = "Another card is in the camera; the pictures that were on it before are left alone"
            self._tell(Event("note", text, {"pictures": len(older)}))

    def _new_among(self, on_card: Iterable[CardFile]) -> list[CardFile]:
        """Of what is on the card, what is neither in the record of any run nor there from before; no empty files."""
        known: dict[tuple[str | None, str | None], list[tuple[int | None, str | None]]] = {}
        for seen in self._logbook.card_seen(self._run.id):
            known.setdefault((seen.folder, seen.name), []).append((seen.size, seen.taken or None))
        for file in self._logbook.card_files():
            known.setdefault((file.card_folder, file.card_name), []).append((file.size, file.card_taken))
        for row in self._logbook.lapse_put_off(self._run.id):  # these are known, and brought home when there is time
            for late in row.card or []:
                known.setdefault((late["folder"], late["name"]), []).append((late["size"], late["taken"]))
        return [
            file
            for file in on_card
            if file.size != 0
            and not any(_same(file, size, taken) for size, taken in known.get((file.folder, file.name), []))
        ]

    def _with_card_names(self, stored: StoredFile) -> StoredFile:
        """A stored file with the camera's names for it, where exactly one picture on the card has its size."""
        alike = [file for file in self._new_among(self._camera.card()) if file.size == stored.size]
        if len(alike) != 1:
            return stored
        return StoredFile(
            stored.path, stored.size, stored.sha256, stored.kind, alike[0].folder, alike[0].name, alike[0].taken
        )

    def _expects_pairs(self) -> bool:
        """Whether an exposure makes two files: by the run's frames so far, or by the camera's word for its format."""
        counts: dict[int, int] = {}
        for file in self._logbook.files(self._run.id):
            counts[file.frame_id] = counts.get(file.frame_id, 0) + 1
        if counts:
            return max(counts.values()) > 1
        form = self._camera.state().settings.get("image_format")
        return form is not None and "+" in form.current

    def _set_aside_partials(self, row: StepRow, attempt: Attempt) -> None:
        """Half a download is kept under another name; the whole picture is still on the card."""
        prefix = f"run-{self._run.id}-{attempt_stem(row.step_id, attempt.number)}."
        for leftover in self._store.files.leftovers():
            if leftover.path.name.startswith(prefix) and not leftover.set_aside:
                self._store.files.set_aside(leftover.path)


def _same(file: CardFile, size: int | None, taken: str | None) -> bool:
    """Whether a file on the card is one of that size and time; what is not told on either side is no difference."""
    return (file.size is None or size is None or file.size == size) and (
        file.taken is None or taken is None or file.taken == taken
    )


def _when(text: str | None) -> datetime | None:
    """A camera's unlabelled time."""
    try:
        return datetime.fromisoformat(text).replace(tzinfo=None) if text else None
    except ValueError:
        return None


def exposures(files: Iterable[CardFile]) -> list[list[CardFile]]:
    """Card files grouped into exposures (RAW and JPEG of one frame share folder and stem), in the camera's order."""
    groups: dict[tuple[str, str], list[CardFile]] = {}
    for file in files:
        groups.setdefault((file.folder, PurePosixPath(file.name).stem), []).append(file)
    return list(groups.values())
