"""The runner: walks a plan's steps, one at a time, and gives each exactly one outcome.

Plain synchronous code. It takes commands from a queue, tells what it does through a listener, and is the only part
that acts on the camera. Whatever ends it, the logbook knows how far it came; `Runner.resume` goes on from there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from typing import Any, Literal

from daemon import schedule_clock
from daemon.bulb import bind_to
from daemon.camera.ahead import AheadCamera
from daemon.camera.dialects import refuses_to_tell
from daemon.camera.verbs import Camera, CameraState
from daemon.checking import Checker
from daemon.context import LOST, RunContext, first_state
from daemon.control import Control, Cued, StoppedNow
from daemon.errors import CameraError, RunPaused, StoreError, UsageError
from daemon.feed import Command, CommandQueue, Listener
from daemon.hands import is_of_use
from daemon.judging_aside import Aside
from daemon.light_watch import LightWatch
from daemon.logbook import StepRow
from daemon.manners import Manners, as_told
from daemon.meter import Meter
from daemon.operator import LOOK_EVERY_S, ConsoleOperator, Operator
from daemon.picturing import Picturing
from daemon.questions import Question, new_question
from daemon.readings import Reader
from daemon.remedies import with_remedy
from daemon.rig.preparing import prepare_rig
from daemon.states import Machine, State
from daemon.store import Store
from daemon.timelapse import Timelapse
from plans.plan import ControlStep, ExposeStep, OperatorStep, Plan, TimelapseStep

__all__ = ["Manners", "Runner"]


def refuse_past(plan: Plan) -> None:
    """Refuse a plan that holds a time-lapse whose time is over.

    Raises
    ------
    UsageError
        With what to do instead.
    """
    for step in plan.steps:
        if not isinstance(step, TimelapseStep) or step.start is None:
            continue
        end = datetime.fromisoformat(step.start) + timedelta(seconds=step.duration_s)
        if end < schedule_clock.utc_now():
            raise UsageError(
                f"shoot: {step.goal} ({step.id}) was to end at {end:%Y-%m-%d %H:%M} UTC, which is over. Give the "
                "scene's when another day, or leave start out of the goal to begin on command"
            )


class Runner:
    """Executes plans with one camera, one store and, where hands are needed, one operator.

    ``lecturer``: who gives the cues at a console, where pictures wait for them; None: the operator, if at the console,
    and the command queue in any case.
    """

    def __init__(
        self,
        store: Store,
        camera: Camera,
        operator: Operator | None,
        listener: Listener,
        commands: CommandQueue | None = None,
        manners: Manners | None = None,
        lecturer: Operator | None = None,
    ):
        self._store, self._camera, self._operator, self._listener = store, AheadCamera(camera), operator, listener
        self._commands = commands or CommandQueue()
        self._manners, self._lecturer = manners or Manners(), lecturer
        self._machine = Machine()
        self._control = Control(self._machine, self._commands, listener)
        self._context: RunContext | None = None
        self._checker: Checker | None = None  # of the check frame that follows what hands do
        self._paused: int | None = None  # the run that waits in a pause and is said to
        self._found: dict[str, str] = {}  # the camera's settings as they were found; at hand though the store refuses

    @property
    def run_id(self) -> int | None:
        """The number of the run begun or resumed."""
        return self._context.run.id if self._context else None

    @property
    def state(self) -> State:
        """Where the run is, by the table of `daemon.states`."""
        return self._machine.state

    @property
    def question(self) -> Question | None:
        """What is waited for from the operator or the lecturer; None when nothing is."""
        return self._context.question if self._context else None

    @property
    def waiting_for_hands(self) -> bool:
        """Whether the run waits for somebody, so that nothing is in flight."""
        return self._machine.state in ("asking", "cueing", "paused")

    def start(self, plan: Plan) -> int:
        """Begin a new run of ``plan`` and walk it to its end; the run's number.

        Raises
        ------
        UsageError
            If the plan holds a time-lapse whose time is over; nothing has been written then.
        BindingRefused
            If the camera lacks marks of the plan; nothing has been written then.
        RunPaused, CameraError, StoreError, PlanUnreachable
            If the run had to stop; it is in the logbook and can be resumed.
        """
        refuse_past(plan)
        self._leave_run()
        state = self._open()
        try:
            bind_to(self._camera, plan, state)
            on_card = self._camera.card()
        except BaseException:
            self._machine.enter("stopped")
            raise
        logbook = self._store.logbook
        try:
            operator = self._operator.name if self._operator else "nobody"
            run = logbook.new_run(plan.title, state.port, state.model, operator)
            logbook.remember_card(run.id, on_card)
            logbook.remember_settings(run.id, _to_put_back(state))
            context = self._begin(run.id)
            context.adopt_plan(plan, "as compiled")
            context.taker(state)
            text = f"Run {run.id}: {plan.title}"
            told = {"run": run.id, "folder": str(context.folder), "manners": as_told(self._manners)}
            context.tell("run-started", text, **told)
            self._caution(context, plan.cautions)
        except BaseException as error:
            self._end_before_walk(error)
            raise
        self._walk(context)
        return run.id

    def resume(self, which: int | str) -> int:
        """Go on with a run that stopped; the run's number.

        Raises
        ------
        UsageError
            If there is no such run, it has ended, or it never got a plan.
        """
        logbook = self._store.logbook
        run = logbook.run(which)
        if run.state in ("done", "abandoned"):
            raise UsageError(
                f"run {run.id}: found it {run.state}; only a run that has not ended can be resumed. "
                "Shoot the brief again for a new run"
            )
        if not logbook.run_plans(run.id):
            logbook.abandon(run.id, "it died before it had a plan")
            raise UsageError(f"run {run.id}: it died before its plan was stored, with no frame taken. Shoot it again")
        # Before the run is called running: the camera may not answer.
        self._leave_run()
        found = _to_put_back(self._open())
        logbook.run_state(run.id, "running")
        logbook.remember_settings(run.id, found)
        context = self._begin(run.id)
        text = f"Run {run.id} goes on: {run.title}"
        told = {"run": run.id, "folder": str(context.folder), "manners": as_told(self._manners)}
        context.tell("run-started", text, **told, resumed=True)
        context.write_plan_files()
        context.tell(
            "note", f"The rig must stand as it did: {context.hands().in_words()}. Look before you leave it alone"
        )
        self._walk(context)
        return run.id

    def _leave_run(self) -> None:
        """Have done with the run before, however it ended."""
        if self._machine.state not in ("idle", "stopped", "done"):
            self._machine.enter("stopped")
        self._context = self._checker = None
        self._paused = None
        self._control.attach(None)

    def _open(self) -> CameraState:
        """The camera's state, waited for."""
        self._machine.enter("opening")
        try:
            return first_state(self._camera, self._manners, self._control, self._listener)
        except BaseException as error:
            with_remedy(error)
            self._machine.enter("stopped")
            raise

    def _begin(self, run_id: int) -> RunContext:
        self._store.note_run(run_id)
        run = self._store.logbook.run(run_id)
        self._found = {item.name: item.label for item in self._store.logbook.settings_found(run_id)}
        self._context = RunContext(
            self._store, self._camera, self._operator, self._listener, self._manners, run, self._control, self._found
        )
        self._control.attach(self._context)
        self._machine.enter("working")
        return self._context

    def _end_before_walk(self, error: BaseException) -> None:
        """Leave no run that is called running: one without a plan is abandoned, one that has its plan pauses."""
        logbook = self._store.logbook
        self._machine.enter("stopped")
        with suppress(StoreError):  # if the store refuses this too, `resume` finds the run without a plan
            newest = logbook.list_runs()[-1:]
            if self._context is not None and logbook.run_plans(self._context.run.id):
                self._pause(self._context, error)
            elif newest and newest[0].state == "running" and not logbook.run_plans(newest[0].id):
                self._context = None
                logbook.abandon(newest[0].id, f"it ended before it had a plan: {type(error).__name__}")

    # -- the walk -------------------------------------------------------------------------------------------------

    def _walk(self, context: RunContext) -> None:
        with Aside(self._store, context.run, context.tell_event) as self._aside:
            self._walk_steps(context)
            # Everything is safe by now; who asks to stop only ends the waiting.
            self._aside.finish(context.manners.verdicts_s, self._control.answer_late)
            self._control.answer_late()

    def _walk_steps(self, context: RunContext) -> None:
        logbook, run = context.logbook, context.run
        with Reader(self._store, run, context.tell_event, context.plan) as reader, self._control.watching():
            self._light = LightWatch(context, reader, context.manners.light)
            try:
                context.with_camera(lambda: context.reconciler().settle())
                if context.manners.rig_check:
                    context.with_camera(lambda: prepare_rig(context, context.plan()))
                self._steps(context, reader)
                context.catch_up()
                self._machine.enter("ending")
                self._light.finish()
                reader.finish(context.plan())  # while the camera is wound up
                context.with_camera(lambda: context.reconciler().sweep())
                context.with_camera(lambda: self._restore(context))
            except BaseException as error:
                self._machine.enter("stopped")
                with_remedy(error)
                self._pause(context, error)
                raise
        logbook.run_state(run.id, "done")
        self._machine.enter("done")
        context.tell("run-done", f"Run {run.id} is done", run=run.id, counts=logbook.counts(run.id))

    def _steps(self, context: RunContext, reader: Reader) -> None:
        """Every step in turn, until none is left and the lecturer, if there is one, wants no more."""
        while True:
            if self._control.pausing:
                self._wait_in_pause(context)
            else:
                context.obey()
            row = context.logbook.next_step(context.run.id)
            if self._control.pausing and not (row is not None and context.is_extra(row)):
                continue
            if row is not None:
                with self._control.working_on(row):
                    self._do(context, row, reader)
            elif self._await_cue(context, "every picture is taken; Enter ends the run.", None) != "look":
                return

    def _wait_in_pause(self, context: RunContext) -> None:
        """Wait until the pause is over, or something is to be done in it."""
        context.catch_up()
        if self._paused != context.run.id:
            self._paused = context.run.id
            context.logbook.run_state(context.run.id, "paused")
            context.tell("waiting", "Paused as asked; everything stays as it is", run=context.run.id)
        with self._machine.during("paused"):
            while self._control.pausing:
                self._control.hear(LOOK_EVERY_S)
                row = context.logbook.next_step(context.run.id)
                if row is not None and context.is_extra(row):
                    return
        self._paused = None
        context.logbook.run_state(context.run.id, "running")
        context.tell("going-on", "Going on", run=context.run.id)

    def _do(self, context: RunContext, row: StepRow, reader: Reader) -> None:
        step = context.step(row)
        if context.manners.cue or isinstance(step, OperatorStep | TimelapseStep):
            context.catch_up()  # the next shutter may be long in coming
        if not isinstance(step, OperatorStep) and (lack := context.hands().lacks(step)):
            context.skip(row, f"{lack}, because that was skipped")
            return
        if isinstance(step, OperatorStep) and not is_of_use(context.hands(), context.plan(row.revision), step):
            context.skip(row, "nothing is left for hands to do here, because of what was skipped")
            return
        if isinstance(step, ExposeStep) and not context.is_extra(row):
            told = self._await_cue(context, step.caption, step)
            if told == "skip":
                context.skip(row, "left out by the lecturer")
            if told != "go":
                return
        self._caution(context, step.cautions)
        if isinstance(step, OperatorStep):
            self._ask_hands(context, row, step, reader)
        elif isinstance(step, ControlStep) and step.purpose == "check":
            checker, self._checker = self._checker or Checker(context, reader), None
            checker.do(row, step)
        elif isinstance(step, ControlStep):
            Meter(context, reader).do(row, step)
        elif isinstance(step, TimelapseStep):
            Timelapse(context, reader, row, step).do()
        else:
            Picturing(context, reader, self._light).do(row, step)
            if context.manners.verdicts:
                self._aside.look(context.plan(), step.group, context.pictures_left(context.revision()))

    def _await_cue(self, context: RunContext, what: str, step: ExposeStep | None) -> Literal["go", "skip", "look"]:
        """Wait for the lecturer's word, if pictures wait for one. ``look``: something else is to be done first."""
        if not context.manners.cue:
            return "go"
        question = new_question("cue", what, ("cue", "skip"), step=step.id if step else None)
        giver = self._lecturer if self._lecturer is not None else self._operator
        console = giver if isinstance(giver, ConsoleOperator) else None
        at_hand, self._control.at_hand = self._control.at_hand, None
        try:
            with self._machine.during("cueing"), context.open_question(question):
                while True:
                    if console is None:
                        self._control.hear(LOOK_EVERY_S)
                        continue
                    console.poll = self._control.hear
                    try:
                        verb, change = console.cue(what)
                    finally:
                        console.poll = None
                    self._commands.send(Command.new(verb, **({"change": change} if change else {})))
                    self._control.hear()
        except Cued as cued:
            return cued.what
        finally:
            self._control.at_hand = at_hand

    @staticmethod
    def _caution(context: RunContext, cautions: Sequence[str]) -> None:
        for caution in cautions:
            if context.operator is not None:
                with context.asking(caution) as operator:
                    operator.acknowledge(caution)
            context.tell("note", f"CAUTION: {caution}", hands=True)

    def _ask_hands(self, context: RunContext, row: StepRow, step: OperatorStep, reader: Reader) -> None:
        context.tell("step-started", f"HANDS: {step.text}", step=step.id, hands=True)
        following = context.after(row)
        if isinstance(following, ControlStep) and following.purpose == "check":
            self._checker = Checker(context, reader)
            self._checker.set_ahead(following)
        with context.asking(step.text) as operator:
            answer = operator.act(step)
        if answer == "stop":
            raise RunPaused("Stopped before the next thing for hands. Nothing is lost")
        if answer == "skip":
            context.skip(row, "skipped by the operator")
            return
        context.logbook.set_outcome(row.id, "kept", f"by {operator.name}")
        context.hands_moved()
        self._light.rig_touched()
        context.tell("hands-done", step.text, step=step.id, operator=operator.name)

    # -- stopping and ending --------------------------------------------------------------------------------------

    def _pause(self, context: RunContext, error: BaseException) -> None:
        """Leave everything so that the run can go on; whatever cannot be done now is done by `resume`.

        Raises
        ------
        StoreError
            If the store refuses what must be written now, unless ``error`` says already that it refuses.
        """
        refusals: list[StoreError] = []

        def attempt(act: Callable[..., None], *arguments: Any, **named: Any) -> None:
            try:
                act(*arguments, **named)
            except StoreError as refusal:
                refusals.append(refusal)

        in_flight = False
        if isinstance(error, StoppedNow):
            with suppress(StoreError):
                in_flight = bool(context.logbook.open_attempts(context.run.id))
        if in_flight:
            text = "The camera is left as it is; resume takes up the frame in flight and puts its settings back"
            attempt(context.tell, "note", text)
        elif not isinstance(error, LOST):
            try:
                if not isinstance(error, StoreError):  # what became of the frame in flight has to be written
                    attempt(lambda: context.reconciler().settle())
                attempt(self._restore, context)
            except CameraError as trouble:
                attempt(context.tell, "note", f"The camera's settings could not be put back now: {trouble}")
        attempt(context.logbook.run_state, context.run.id, "paused")
        text = str(error) or "stopped by hand"
        attempt(context.tell, "paused", text, run=context.run.id, error=type(error).__name__)
        if refusals and not isinstance(error, StoreError):
            raise refusals[0] from error

    def _restore(self, context: RunContext) -> None:
        """Put the camera's settings back as they were found, then note that.

        Raises
        ------
        CameraError
            Among others, if the camera refuses to tell one of them now: the run must not end with it as it is.
        """
        found = self._found
        if self._camera.is_applying(found):
            with suppress(CameraError):  # what stands in the way is told below
                self._camera.apply(found)
                context.logbook.mark_restored(context.run.id, found)
                return
        state = self._camera.state()
        back = {
            name: label
            for name, label in found.items()
            if name in state.settings and state.settings[name].writable and label in state.settings[name].labels
        }
        self._camera.apply(back)
        context.logbook.mark_restored(context.run.id, back)
        left = sorted(set(found) - set(back) - set(state.untold))
        if left:
            context.tell("note", f"Not put back, because the camera does not let them be set now: {', '.join(left)}")
        if untold := [name for name in state.untold if name in found]:
            raise refuses_to_tell(untold)


def _to_put_back(state: CameraState) -> dict[str, str]:
    """The settings that can be set, as found."""
    return {name: found.current for name, found in state.settings.items() if found.writable}
