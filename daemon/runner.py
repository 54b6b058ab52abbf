"""The runner: walks a plan's steps, one at a time, and gives each exactly one outcome.

Plain synchronous code. It takes commands from a queue, tells what it does through a listener, and is the only part
that acts on the camera. Whatever ends it, the logbook knows how far it came; `Runner.resume` goes on from there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any

from daemon import clock
from daemon.camera.binding import bind
from daemon.camera.dialects import refuses_to_tell
from daemon.camera.verbs import Camera, CameraState
from daemon.checking import Checker
from daemon.context import LOST, Manners, RunContext, first_state, may_pass
from daemon.errors import CameraError, RunPaused, StoreError, UsageError
from daemon.feed import CommandQueue, Listener
from daemon.frames import picture_of
from daemon.hands import is_of_use
from daemon.light_watch import LightWatch
from daemon.logbook import StepRow
from daemon.meter import Meter
from daemon.operator import Operator
from daemon.readings import Reader
from daemon.rig.preparing import prepare_rig
from daemon.store import Store
from plans.plan import ControlStep, ExposeStep, OperatorStep, Plan, TimelapseStep

ATTEMPTS = 3  # tries at one step before it is given up

__all__ = ["Manners", "Runner"]


def refuse_timelapses(plan: Plan) -> None:
    """Refuse a plan that holds a time-lapse, which this runner cannot run.

    Raises
    ------
    UsageError
        With what to do instead.
    """
    found = [step for step in plan.steps if isinstance(step, TimelapseStep)]
    if found:
        raise UsageError(
            f"shoot: the plan holds {found[0].goal} ({found[0].id}); shoot takes single pictures and series, and no "
            "time-lapse yet. Take the goal out of the brief, or use the plan for `compile` and `explain` only"
        )


class Runner:
    """Executes plans with one camera, one store and, where hands are needed, one operator."""

    def __init__(
        self,
        store: Store,
        camera: Camera,
        operator: Operator | None,
        listener: Listener,
        commands: CommandQueue | None = None,
        manners: Manners | None = None,
    ):
        self._store, self._camera, self._operator, self._listener = store, camera, operator, listener
        self._commands = commands or CommandQueue()
        self._manners = manners or Manners()
        self._context: RunContext | None = None
        self._found: dict[str, str] = {}  # the camera's settings as they were found; at hand though the store refuses

    @property
    def run_id(self) -> int | None:
        """The number of the run begun or resumed."""
        return self._context.run.id if self._context else None

    @property
    def waiting_for_hands(self) -> bool:
        """Whether the run waits for an answer, so that nothing is in flight."""
        return self._context is not None and self._context.waiting_for_hands

    def start(self, plan: Plan) -> int:
        """Begin a new run of ``plan`` and walk it to its end; the run's number.

        Raises
        ------
        UsageError
            If the plan holds a time-lapse; nothing has been written then.
        BindingRefused
            If the camera lacks marks of the plan; nothing has been written then.
        RunPaused, CameraError, StoreError, PlanUnreachable
            If the run had to stop; it is in the logbook and can be resumed.
        """
        refuse_timelapses(plan)
        state = first_state(self._camera, self._manners, self._commands, self._listener)
        bind(plan, state)
        on_card = self._camera.card()
        logbook = self._store.logbook
        self._context = None
        try:
            operator = self._operator.name if self._operator else "nobody"
            run = logbook.new_run(plan.title, state.port, state.model, operator)
            logbook.remember_card(run.id, on_card)
            logbook.remember_settings(run.id, _to_put_back(state))
            context = self._begin(run.id)
            context.adopt_plan(plan, "as compiled")
            context.tell("run-started", f"Run {run.id}: {plan.title}", run=run.id, folder=str(context.folder))
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
        found = _to_put_back(first_state(self._camera, self._manners, self._commands, self._listener))
        logbook.run_state(run.id, "running")
        logbook.remember_settings(run.id, found)
        context = self._begin(run.id)
        text = f"Run {run.id} goes on: {run.title}"
        context.tell("run-started", text, run=run.id, folder=str(context.folder), resumed=True)
        context.write_plan_files()
        context.tell(
            "note", f"The rig must stand as it did: {context.hands().in_words()}. Look before you leave it alone"
        )
        self._walk(context)
        return run.id

    def _begin(self, run_id: int) -> RunContext:
        self._store.note_run(run_id)
        run = self._store.logbook.run(run_id)
        self._found = {item.name: item.label for item in self._store.logbook.settings_found(run_id)}
        self._context = RunContext(
            self._store, self._camera, self._operator, self._listener, self._manners, run, self._commands
        )
        return self._context

    def _end_before_walk(self, error: BaseException) -> None:
        """Leave no run that is called running: one without a plan is abandoned, one that has its plan pauses."""
        logbook = self._store.logbook
        with suppress(StoreError):  # if the store refuses this too, `resume` finds the run without a plan
            newest = logbook.list_runs()[-1:]
            if self._context is not None and logbook.run_plans(self._context.run.id):
                self._pause(self._context, error)
            elif newest and newest[0].state == "running" and not logbook.run_plans(newest[0].id):
                self._context = None
                logbook.abandon(newest[0].id, f"it ended before it had a plan: {type(error).__name__}")

    # -- the walk -------------------------------------------------------------------------------------------------

    def _walk(self, context: RunContext) -> None:
        logbook, run = context.logbook, context.run
        with Reader(self._store, run, context.tell_event) as reader:
            self._light = LightWatch(context, reader, context.manners.light)
            try:
                context.with_camera(lambda: context.reconciler().settle())
                if context.manners.rig_check:
                    context.with_camera(lambda: prepare_rig(context, context.plan()))
                while (row := logbook.next_step(run.id)) is not None:
                    context.obey()
                    self._do(context, row, reader)
                self._light.finish()
                context.with_camera(lambda: context.reconciler().sweep())
                reader.finish(context.plan())
                context.with_camera(lambda: self._restore(context))
            except BaseException as error:
                self._pause(context, error)
                raise
        logbook.run_state(run.id, "done")
        context.tell("run-done", f"Run {run.id} is done", run=run.id, counts=logbook.counts(run.id))

    def _do(self, context: RunContext, row: StepRow, reader: Reader) -> None:
        step = context.step(row)
        if not isinstance(step, OperatorStep) and (lack := context.hands().lacks(step)):
            self._skip(context, row, f"{lack}, because that was skipped")
            return
        if isinstance(step, OperatorStep) and not is_of_use(context.hands(), context.plan(row.revision), step):
            self._skip(context, row, "nothing is left for hands to do here, because of what was skipped")
            return
        self._caution(context, step.cautions)
        if isinstance(step, OperatorStep):
            self._ask_hands(context, row, step)
        elif isinstance(step, ControlStep) and step.purpose == "check":
            Checker(context, reader).do(row, step)
        elif isinstance(step, ControlStep):
            Meter(context, reader).do(row, step)
        elif isinstance(step, TimelapseStep):
            self._skip(context, row, "time-lapses cannot be run yet")
        else:
            self._picture(context, row, step, reader)

    @staticmethod
    def _caution(context: RunContext, cautions: Sequence[str]) -> None:
        for caution in cautions:
            if context.operator is not None:
                with context.asking(caution) as operator:
                    operator.acknowledge(caution)
            context.tell("note", f"CAUTION: {caution}", hands=True)

    def _ask_hands(self, context: RunContext, row: StepRow, step: OperatorStep) -> None:
        context.tell("step-started", f"HANDS: {step.text}", step=step.id, hands=True)
        with context.asking(step.text) as operator:
            answer = operator.act(step)
        if answer == "stop":
            raise RunPaused("Stopped before the next thing for hands. Nothing is lost")
        if answer == "skip":
            self._skip(context, row, "skipped by the operator")
            return
        context.logbook.set_outcome(row.id, "kept", f"by {operator.name}")
        context.hands_moved()
        self._light.rig_touched()
        context.tell("hands-done", step.text, step=step.id, operator=operator.name)

    def _picture(self, context: RunContext, row: StepRow, step: ExposeStep, reader: Reader) -> None:
        left, total = context.pictures_left(row.revision), len(context.plan(row.revision).exposing)
        done, left_s = total - len(left), sum(left.values())
        left.pop(step.id, None)
        facts = {"step": step.id, "goal": step.goal, "total": total}
        settings = step.settings.model_dump()
        context.tell("step-started", step.caption, **facts, done=done, exposure_left_s=left_s, settings=settings)
        watched = self._light.watches(row, step)
        number = 0
        while number < ATTEMPTS:
            number += 1
            try:
                if not self._light.before(row, step):
                    return
                began = clock.monotonic()
                taker = context.taker()
                taken = taker.take(row, step, step.settings)
            except CameraError as error:
                if not may_pass(error):
                    raise
                context.wait_for_camera(error)
                if context.logbook.step(row.id).outcome is not None:
                    return
                if number == ATTEMPTS:
                    raise
                continue
            why = taken.fault
            whole = not why
            frame = taker.keep(taken, step, whole=whole and not watched, why=why)
            files = [str(taker.path(file)) for file in taken.files]
            if whole:
                reader.begin(frame, taker.path(picture_of(taken.files)))
                if watched and not self._light.after(row, step, frame):
                    number -= 1  # the light's doing: the watch bounds how often
                    continue
                took_s = clock.monotonic() - began
                facts |= {"frame": frame.id, "files": files, "verified": taken.verified, "settings": settings}
                context.tell("frame-kept", step.caption, **facts, done=done + 1, took_s=took_s)
                return
            context.tell("attempt-failed", f"{step.id}: {why}; it is shot again", step=step.id, files=files)
        why = f"given up after {ATTEMPTS} attempts"
        context.logbook.set_outcome(row.id, "abandoned", why)
        context.tell("step-skipped", f"{step.id}: {why}", step=step.id)

    def _skip(self, context: RunContext, row: StepRow, why: str) -> None:
        context.logbook.set_outcome(row.id, "skipped", why)
        if row.kind == "expose":
            context.pictures_left(row.revision).pop(row.step_id, None)
        context.tell("step-skipped", f"{row.step_id}: {why}", step=row.step_id)

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

        if not isinstance(error, LOST):
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
