"""What every part of a run shares: store, camera, operator, the plan in force, and a voice."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from daemon import clock
from daemon.camera.binding import bind
from daemon.camera.dialects import camera_scales
from daemon.camera.verbs import Camera, CameraState
from daemon.errors import CameraAbsent, CameraBusy, CameraError, CameraHeld, CameraSilent, RunPaused, StoreError
from daemon.feed import CommandQueue, Event, Kind, Listener
from daemon.frames import FrameTaker
from daemon.hands import HandsState, hands_after
from daemon.logbook import RunRow, StepRow
from daemon.operator import Operator
from daemon.reconcile import Reconciler
from daemon.store import Store
from plans.drift import Grade
from plans.plan import Plan, Step, plan_json

LOST = (CameraAbsent, CameraBusy, CameraHeld, CameraSilent)


def may_pass(error: CameraError) -> bool:
    """Whether a frame's trouble may be over when the camera is asked again: a lost link, or a refusal without a why."""
    return isinstance(error, LOST) or type(error) is CameraError


ASK_AGAIN_S = 0.5  # between two looks for a lost camera
_Result = TypeVar("_Result")


@dataclass(frozen=True)
class Manners:
    """How a run behaves where there is a choice.

    ``patience_s``: how long a lost camera is waited for before the run pauses [s]. ``reachable``: when the light as
    metered puts goals out of reach, go on with the others without asking. ``light``: how closely the light is watched
    while a group is shot; see `plans.drift`. ``rig_check``: look at the rig before the first step.
    """

    patience_s: float = 60.0
    reachable: bool = False
    light: Grade = "off"
    rig_check: bool = False


def first_state(camera: Camera, manners: Manners, commands: CommandQueue, listener: Listener) -> CameraState:
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
        if commands.take() is not None:
            raise RunPaused("Stopped as asked, while the camera was waited for. Nothing was begun")
        clock.sleep(ASK_AGAIN_S)


class RunContext:
    """One run with its store, camera and operator."""

    def __init__(
        self,
        store: Store,
        camera: Camera,
        operator: Operator | None,
        listener: Listener,
        manners: Manners,
        run: RunRow,
        commands: CommandQueue,
    ):
        self.store, self.logbook, self.camera = store, store.logbook, camera
        self.operator, self.manners, self.run = operator, manners, run
        self.waiting_for_hands = False
        self._listener, self._commands = listener, commands
        self._hands: HandsState | None = None
        self._left: tuple[int, dict[str, float]] | None = None
        self._plans: dict[int, Plan] = {}
        self._taker: tuple[int, FrameTaker] | None = None

    # -- the plan -------------------------------------------------------------------------------------------------

    @property
    def folder(self) -> Path:
        """Where the run's pictures lie."""
        return self.store.files.path(self.run.folder)

    def revision(self) -> int:
        """The number of the plan revision in force."""
        return self.logbook.run_plans(self.run.id)[-1].revision

    def plan(self, revision: int | None = None) -> Plan:
        """The plan of a revision; None: the one in force."""
        number = revision or self.revision()
        if number not in self._plans:
            self._plans[number] = self.logbook.plan(self.run.id, number)
        return self._plans[number]

    def adopt_plan(self, plan: Plan, why: str, settles: tuple[int, str] | None = None) -> None:
        """Put a plan in force, in the logbook and as a file beside the pictures.

        ``settles``: row and why of the step that led to it, which is ``kept`` in the same transaction.
        """
        revision = self.logbook.add_plan(self.run.id, plan, why, settles=settles)
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

    def step(self, row: StepRow) -> Step:
        """The plan's step behind a row.

        Raises
        ------
        StoreError
            If there is none: a record that Stopwright does not write.
        """
        for step in self.plan(row.revision).steps:
            if step.id == row.step_id:
                return step
        raise StoreError(f"run {self.run.id}: its plan has no step {row.step_id}; the logbook was changed by hand")

    # -- the camera -----------------------------------------------------------------------------------------------

    def taker(self) -> FrameTaker:
        """The frame taker for the plan in force and the camera as connected."""
        revision = self.revision()
        if self._taker is None or self._taker[0] != revision:
            state = self.camera.state()
            binding = bind(self.plan(revision), state)
            taker = FrameTaker(self.store, self.camera, binding, camera_scales(state), self.run)
            self._taker = (revision, taker)
        return self._taker[1]

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
        self.tell("camera-lost", str(error))
        end = clock.monotonic() + self.manners.patience_s
        while True:
            self.obey()
            self._taker = None
            try:
                self.reconciler().settle()
                break
            except CameraError as trouble:
                if not may_pass(trouble) or clock.monotonic() >= end:
                    raise trouble from error
                clock.sleep(ASK_AGAIN_S)
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
        """Stop if a client asked for it.

        Raises
        ------
        RunPaused
            If so.
        """
        if self._commands.take() is not None:
            raise RunPaused("Stopped as asked. Nothing is lost")

    @contextmanager
    def asking(self, what: str) -> Iterator[Operator]:
        """The operator, while the run waits for an answer.

        Raises
        ------
        RunPaused
            If nobody is there.
        """
        if self.operator is None:
            raise RunPaused(
                f"{what}\nNobody is there to answer. Nothing is lost; go on from a terminal, or with --operator"
            )
        self.waiting_for_hands = True
        try:
            yield self.operator
        finally:
            self.waiting_for_hands = False

    # -- the voice ------------------------------------------------------------------------------------------------

    def tell(self, kind: Kind, text: str, **data: Any) -> None:
        """Tell an event to whoever listens, and note it in the logbook."""
        self.tell_event(Event(kind, text, data))

    def tell_event(self, event: Event) -> None:
        """The same for an event that is made already. Whoever listens cannot end a run by failing."""
        try:
            if event.kind not in ("step-started", "frame-kept"):  # these are in the record as steps and frames
                self.logbook.add_event(event.kind, event.text, self.run.id, event.data)
        finally:  # it is heard though the store refuses
            with suppress(Exception):
                self._listener(event)
