"""What every part of a run shares: store, camera, operator, the plan in force, and a voice."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from daemon import clock
from daemon.bulb import bind_to
from daemon.camera.ahead import AheadCamera
from daemon.camera.dialects import camera_scales
from daemon.camera.verbs import Camera, CameraState
from daemon.control import Control
from daemon.errors import (
    CameraAbsent,
    CameraBusy,
    CameraError,
    CameraHeld,
    CameraSilent,
    RunPaused,
    StoreError,
)
from daemon.feed import Event, Kind, Listener
from daemon.frames import FrameTaker, Taken
from daemon.hands import HandsState, hands_after
from daemon.logbook import RunRow, StepRow
from daemon.manners import Manners
from daemon.operator import Operator
from daemon.questions import Asked, Question
from daemon.reconcile import Reconciler
from daemon.store import Store
from plans.compiler import kit_of
from plans.kit import Kit
from plans.plan import ExposeStep, Plan, Settings, Step, plan_json

__all__ = ["LOST", "Manners", "RunContext", "first_state", "may_pass"]

if TYPE_CHECKING:
    from daemon.timelapse import Timelapse

LOST = (CameraAbsent, CameraBusy, CameraHeld, CameraSilent)


def may_pass(error: CameraError) -> bool:
    """Whether a frame's trouble may be over when the camera is asked again: a lost link, or a refusal without a why."""
    return isinstance(error, LOST) or type(error) is CameraError


IN_THE_RECORD = ("step-started", "frame-kept", "lapse-waiting", "lapse-frame")  # as steps and frames
ASK_AGAIN_S = 0.5  # between two looks for a lost camera
_Result = TypeVar("_Result")


def first_state(camera: Camera, manners: Manners, control: Control, listener: Listener) -> CameraState:
    """Everything the camera tells of itself before a run goes on; one that is not there is waited for as a lost one is.

    Raises
    ------
    CameraError
        The latest trouble, when patience is over.
    RunPaused
        If a client asks to stop meanwhile.
    """

    def tell(kind: Kind, text: str) -> None:
        with suppress(Exception):
            listener(Event(kind, text))

    end, waiting = clock.monotonic() + manners.patience_s, False
    while True:
        try:
            state = camera.state()
        except LOST as trouble:
            if clock.monotonic() >= end:
                raise
            if not waiting:
                tell("camera-lost", str(trouble))
            waiting = True
        else:
            if waiting:
                tell("camera-back", "The camera is there")
            return state
        control.hear(ASK_AGAIN_S)


class RunContext:
    """One run with its store, camera and operator. ``found``: the camera's settings as the run found them."""

    def __init__(
        self,
        store: Store,
        camera: AheadCamera,
        operator: Operator | None,
        listener: Listener,
        manners: Manners,
        run: RunRow,
        control: Control,
        found: Mapping[str, str] | None = None,
    ):
        self.store, self.logbook, self.camera = store, store.logbook, camera
        self.operator, self.manners, self.run = operator, manners, run
        self.control, self.machine = control, control.machine
        self.question: Question | None = None
        self.in_bulb = False
        self.lapse: Timelapse | None = None  # the one that is running
        self._listener, self._found = listener, dict(found or {})
        self._steps: dict[int, dict[str, Step]] = {}
        self._hands: HandsState | None = None
        self._left: tuple[int, dict[str, float]] | None = None
        self._plans: dict[int, Plan] = {}
        self._taker: tuple[int, FrameTaker] | None = None
        self._revision: int | None = None
        self._kits: dict[int, Kit] = {}
        self._later: list[Callable[[], object]] = []

    # -- the plan -------------------------------------------------------------------------------------------------

    @property
    def folder(self) -> Path:
        """Where the run's pictures lie."""
        return self.store.files.path(self.run.folder)

    def revision(self) -> int:
        """The number of the plan revision in force."""
        if self._revision is None:
            self._revision = self.logbook.run_plans(self.run.id)[-1].revision
        return self._revision

    def plan(self, revision: int | None = None) -> Plan:
        """The plan of a revision; None: the one in force."""
        number = revision or self.revision()
        if number not in self._plans:
            self._plans[number] = self.logbook.plan(self.run.id, number)
        return self._plans[number]

    def kit(self, revision: int | None = None) -> Kit:
        """The kit of a revision's plan; None: of the one in force."""
        number = revision or self.revision()
        if number not in self._kits:
            self._kits[number] = kit_of(self.plan(number))
        return self._kits[number]

    def adopt_plan(self, plan: Plan, why: str, settles: tuple[int, str] | None = None) -> None:
        """Put a plan in force, in the logbook and as a file beside the pictures.

        ``settles``: row and why of the step that led to it, which is ``kept`` in the same transaction.
        """
        revision = self._revision = self.logbook.add_plan(self.run.id, plan, why, settles=settles)
        self._plans[revision] = plan
        self.write_plan_files()

    def write_plan_files(self) -> None:
        """Every revision as a file beside the pictures, where it is missing."""
        for item in self.logbook.run_plans(self.run.id):
            path = self.folder / ("plan.json" if item.revision == 1 else f"plan-{item.revision}.json")
            if not path.exists():
                self.store.files.write_text_atomically(path, plan_json(self.plan(item.revision)))

    def pictures_left(self, revision: int) -> dict[str, float]:
        """Exposing steps of a revision that have no outcome yet, with their exposure times. [s]

        Read once; the runner takes out what is done, so that a long run does not read all of it for each frame.
        """
        if self._left is None or self._left[0] != revision:
            open_steps = {row.step_id for row in self.logbook.steps(self.run.id, revision) if row.outcome is None}
            times = {step.id: step.settings.time.exact for step in self.plan(revision).exposing}
            self._left = (revision, {name: time_s for name, time_s in times.items() if name in open_steps})
        return self._left[1]

    def skip(self, row: StepRow, why: str) -> None:
        """Give a step the outcome ``skipped``, and tell it."""
        self.logbook.set_outcome(row.id, "skipped", why)
        if row.kind == "expose":
            self.pictures_left(row.revision).pop(row.step_id, None)
        self.tell("step-skipped", f"{row.step_id}: {why}", step=row.step_id)

    def step(self, row: StepRow) -> Step:
        """The plan's step behind a row.

        Raises
        ------
        StoreError
            If there is none: a record that Stopwright does not write.
        """
        if (step := self._planned(row.revision).get(row.step_id)) is not None:
            return step
        if (extra := self.logbook.extra(row.id)) is not None:
            return ExposeStep.model_validate(extra.step)
        raise StoreError(f"run {self.run.id}: its plan has no step {row.step_id}; the logbook was changed by hand")

    def is_extra(self, row: StepRow) -> bool:
        """Whether a row is none of the plan's: an improvised picture, or a retake."""
        return row.step_id not in self._planned(row.revision)

    def _planned(self, revision: int) -> dict[str, Step]:
        """The steps of a revision's plan by their ids."""
        if revision not in self._steps:
            self._steps[revision] = {step.id: step for step in self.plan(revision).steps}
        return self._steps[revision]

    def open_row(self, step_id: str | None = None) -> StepRow | None:
        """A step that is still to do, by its id, or the next one; None when there is none."""
        if step_id is None:
            return self.logbook.next_step(self.run.id)
        rows = self.logbook.steps(self.run.id, self.revision())
        return next((row for row in rows if row.step_id == step_id and row.outcome is None), None)

    def standing(self, step_id: str | None = None) -> StepRow | None:
        """The row of the kept picture that stands for a step, a retake where there is one; None: the last one kept."""
        extras = self.logbook.extras(self.run.id)
        kept = [row for row in self.logbook.steps(self.run.id) if row.kind == "expose" and row.outcome == "kept"]
        if step_id is None:
            return max(kept, key=lambda row: (row.outcome_at, row.id), default=None)
        for row in reversed(kept):
            extra = extras.get(row.id)
            if step_id == row.step_id or (extra and extra.what == "retake" and extra.of_step == step_id):
                return row
        return None

    # -- the camera -----------------------------------------------------------------------------------------------

    def taker(self, state: CameraState | None = None) -> FrameTaker:
        """The frame taker for the plan in force and the camera as connected. ``state``: what it has just told."""
        revision = self.revision()
        if self._taker is None or self._taker[0] != revision:
            state = state or self.camera.state()
            plan = self.plan(revision)
            scales = camera_scales(state)
            binding, bulb = bind_to(self.camera, plan, state)
            if bulb is not None and "time" in scales:
                scales["time"] = bulb.carried_on(scales["time"])
            taker = FrameTaker(self.store, self.camera, binding, scales, self.run, self._flight, bulb, self.catch_up)
            self._taker = (revision, taker)
        return self._taker[1]

    def forget_taker(self) -> None:
        """The camera may be another one now: match the plan's marks to its own again."""
        self._taker = None

    @contextmanager
    def _flight(self, bulb: bool) -> Iterator[None]:
        """A frame is in flight; ``bulb``: the computer holds the shutter open, which nobody may interrupt."""
        with self.machine.during("exposing"):
            self.in_bulb = bulb
            try:
                yield
            finally:
                self.in_bulb = False

    def after(self, row: StepRow) -> Step | None:
        """The step of the plan after a row's; None after the last one."""
        steps = self.plan(row.revision).steps
        place = next(place for place, step in enumerate(steps) if step.id == row.step_id) + 1
        return steps[place] if place < len(steps) else None

    def following(self, row: StepRow, group: str | None = None) -> Settings | None:
        """What the frame after a step's is likely to be taken at; None where something comes between, or may.

        ``group``: something comes between the frames of this one and others.
        """
        if self.manners.cue or self.control.pausing or self.is_extra(row):
            return None
        after = self.after(row)
        if not isinstance(after, ExposeStep) or after.id not in self.pictures_left(row.revision):
            return None
        if (group is not None and after.group != group) or self.hands().lacks(after):
            return None
        return after.settings

    def following_control(self, row: StepRow) -> Settings | None:
        """`following` after a control frame: where the light is watched, a reading of it comes between."""
        return self.following(row) if self.manners.light == "off" else None

    def wind_up(self) -> None:
        """Begin with what the end of a run asks of the camera: its settings as found, and fresh lists of its card."""
        if not (self.manners.cue or self.control.pausing):
            self.camera.apply_soon(self._found)
            self.camera.list_soon()

    def later(self, act: Callable[[], object]) -> None:
        """Do something while the next shutter is open, or sooner where the run waits. It may be left undone."""
        self._later.append(act)

    def catch_up(self) -> None:
        """Do now what was put off."""
        while self._later:
            self._later.pop(0)()

    def reconciler(self) -> Reconciler:
        """Finds out what became of frames in flight."""
        return Reconciler(self.taker(), self.tell_event, self.step)

    def wait_for_camera(self, error: CameraError) -> None:
        """Wait for a lost camera, then settle the frame in flight.

        Raises
        ------
        CameraError
            The latest trouble, when patience is over.
        """
        self.obey()  # a stop may be why the camera went
        self.tell("camera-lost", str(error))
        end = clock.monotonic() + self.manners.patience_s
        with self.machine.during("seeking"):
            while True:
                self.obey()
                self._taker = None
                try:
                    self.reconciler().settle()
                    break
                except CameraError as trouble:
                    if not may_pass(trouble) or clock.monotonic() >= end:
                        raise trouble from error
                    self.control.hear(ASK_AGAIN_S)
        self.tell("camera-back", "The camera is back")

    def with_camera(self, act: Callable[[], _Result]) -> _Result:
        """Do something that leaves no frame in flight; once more after the camera was lost and came back."""
        try:
            return act()
        except LOST as error:
            self.wait_for_camera(error)
            return act()

    # -- hands ----------------------------------------------------------------------------------------------------

    def hands(self) -> HandsState:
        """Focus and filters as hands left them."""
        if self._hands is None:
            done: dict[int, set[str]] = {}
            for row in self.logbook.steps(self.run.id):
                if row.kind == "operator" and row.outcome == "kept":
                    done.setdefault(row.revision, set()).add(row.step_id)
            revisions = [item.revision for item in self.logbook.run_plans(self.run.id)]
            self._hands = hands_after({revision: self.plan(revision) for revision in revisions}, done)
        return self._hands

    def hands_moved(self) -> None:
        """Hands did something: look afresh."""
        self._hands = None

    def obey(self) -> None:
        """Hear what clients ask.

        Raises
        ------
        RunPaused
            If one asked to stop.
        """
        self.control.hear()

    @contextmanager
    def asking(self, what: str) -> Iterator[Asked]:
        """The operator, to be asked something that the run waits for.

        Raises
        ------
        RunPaused
            If nobody is there.
        """
        if self.operator is None:
            raise RunPaused(
                f"{what}\nNobody is there to answer. Nothing is lost; go on from a terminal, or with --operator"
            )
        yield Asked(self, self.operator)

    @contextmanager
    def open_question(self, question: Question) -> Iterator[None]:
        """Have a question stand open for whoever looks; it is told as it opens."""
        self.question = question
        try:
            self.tell_event(Event("question", question.text, question.as_json()))
            yield
        finally:
            self.question = None

    # -- the voice ------------------------------------------------------------------------------------------------

    def tell(self, kind: Kind, text: str, **data: Any) -> None:
        """Tell an event to whoever listens, and note it in the logbook."""
        self.tell_event(Event(kind, text, data))

    def tell_held(self, step_id: str, taken: Taken) -> None:
        """Tell how long a shutter was open that was held from here."""
        held = taken.held
        if held is None:
            return
        text = f"{step_id}: the shutter was held open {held.held_s:.3f} s, within {held.within_s:.3f} s either way"
        if held.ended_early:
            text = f"{step_id}: the camera ended the exposure by itself, after {held.held_s:.3f} s at most"
        data = {"held_s": held.held_s, "within_s": held.within_s, "ended_early": held.ended_early}
        self.tell("shutter-held", text, step=step_id, attempt=taken.attempt.id, **data)

    def tell_event(self, event: Event) -> None:
        """The same for an event that is made already. Whoever listens cannot end a run by failing."""
        try:
            if event.kind not in IN_THE_RECORD:
                self.logbook.add_event(event.kind, event.text, self.run.id, event.data)
        finally:  # it is heard though the store refuses
            with suppress(Exception):
                self._listener(event)
