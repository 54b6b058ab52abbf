"""The service: one process that shoots when clients ask it to, and tells all of them what happens.

It holds the store as its only shooter for as long as it lives. A run goes on in a thread of its own, one at a time;
commands reach it through its queue, its events wake whoever listens, and what is durable is read from the logbook. This
module knows nothing of HTTP.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, fields, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Literal

from pydantic import TypeAdapter, ValidationError

from daemon import clock, log
from daemon.errors import RunPaused, StopwrightError, UsageError
from daemon.feed import Command, CommandQueue, Event
from daemon.questions import Question, QueueOperator
from daemon.states import VERBS, refusal
from daemon.texts import Written, as_composed, demand_reachable, stand_in_scales

if TYPE_CHECKING:
    from daemon.camera.supervisor import CameraProcess
    from daemon.camera.verbs import CameraState
    from daemon.config import Config
    from daemon.operator import Operator
    from daemon.store import Store
    from plans.plan import Plan

_REMEMBERED = 200  # jobs and command ids that are known again when they are sent twice
_ORDERS = ("shoot", "resume")  # what orders are called among the commands of the record
_CAMERA_WAIT_S = 20.0  # one request may wait so long for another's look at the camera [s]


class CameraInUse(UsageError):
    """The camera shoots; whoever wants it for something else has to wait."""


@dataclass(frozen=True)
class Order:
    """What a client asks to be shot. ``which``: a run to resume, instead of ``written``. Times in seconds."""

    id: str
    written: Written | None = None
    which: str | None = None
    camera: str | None = None
    operator: str | None = None
    composed: bool = False
    reachable: bool = False
    patience_s: float | None = None
    manners: Mapping[str, Any] = field(default_factory=dict)


@dataclass
class Job:
    """An order being carried out. ``begun`` is set when the run has its number or has failed, ``ended`` at the end."""

    order: Order
    run: int | None = None
    error: BaseException | None = None
    begun: threading.Event = field(default_factory=threading.Event)
    ended: threading.Event = field(default_factory=threading.Event)
    commands: CommandQueue = field(default_factory=CommandQueue)
    operator: Operator | None = None
    runner: Any = None
    stopping: threading.Event = field(default_factory=threading.Event)
    notes: list[str] = field(default_factory=list)

    @property
    def state(self) -> Literal["opening", "running", "ended"]:
        """Where it stands."""
        return "ended" if self.ended.is_set() else "running" if self.run is not None else "opening"


class Service:
    """One store, at most one run, any number of clients. Safe between threads."""

    def __init__(self, store: Store, config: Config, logger: Any = None):
        self.store, self.config = store, config
        self.log = logger or log.get(part="service")
        self.failures = log.Failures(self.log)
        self.started = clock.utc_now()
        self.ending = threading.Event()
        self._lock = threading.RLock()
        self._camera = threading.Lock()
        self._jobs: OrderedDict[str, Job] = OrderedDict()
        self._sent: OrderedDict[str, dict[str, Any]] = OrderedDict()
        self._current: Job | None = None
        self._progress: dict[str, Any] = {}
        self._listeners: dict[int, Callable[[Event | None], None]] = {}
        self._next_listener = 0
        self.seen: tuple[CameraState, Any] | None = None  # what the camera last told of itself, and when

    # -- listening ------------------------------------------------------------------------------------------------

    def listen(self, heard: Callable[[Event | None], None]) -> Callable[[], None]:
        """Call ``heard`` from the run's thread at each event, with None when only the state changed; gives the end."""
        with self._lock:
            number = self._next_listener
            self._next_listener += 1
            self._listeners[number] = heard

        def leave() -> None:
            with self._lock:
                self._listeners.pop(number, None)

        return leave

    def changed(self, event: Event | None = None) -> None:
        """Wake everybody who listens."""
        with self._lock:
            listeners = list(self._listeners.values())
        for heard in listeners:
            try:
                heard(event)
            except Exception as fault:
                self.log.warning("a listener failed", fault=repr(fault))

    # -- looking --------------------------------------------------------------------------------------------------

    @property
    def job(self) -> Job | None:
        """The order being carried out now."""
        job = self._current
        return job if job is not None and not job.ended.is_set() else None

    def running(self) -> int | None:
        """The number of the run going on."""
        job = self.job
        return job.run if job else None

    def state(self) -> dict[str, Any]:
        """What goes on now, as plain data: ``run``, ``job``, ``asking``, ``progress``, ``verbs``."""
        job = self.job
        if job is None:
            return {"run": None, "job": None, "asking": None, "progress": None, "verbs": verbs()}
        return {
            "run": job.run,
            "job": {"id": job.order.id, "state": job.state, "runner": getattr(job.runner, "state", None)},
            "asking": _open_question(job),
            "progress": dict(self._progress),
            "verbs": verbs(),
        }

    # -- shooting -------------------------------------------------------------------------------------------------

    def order(self, order: Order) -> Job:
        """Begin to carry out an order; the same id again gives the same job. Mistakes in it are told at once.

        Raises
        ------
        UsageError, BriefError, PlanUnreachable
            If it cannot be carried out, or another run goes on.
        """
        known = self.find_job(order.id)
        if known is not None:
            return known
        from daemon.runner import Manners

        _manners(Manners, 0.0, order)
        plan = self._checked(order)
        with self._lock:
            known = self._jobs.get(order.id)
            if known is not None:
                return known
            if self.ending.is_set():
                raise UsageError("shoot: the service is ending. Ask again when it is up")
            if self.job is not None:
                raise UsageError(
                    f"shoot: found run {self.running() or 'another'} going on; one run at a time. Wait for its end, or "
                    "stop it"
                )
            job = Job(order)
            port = self._port(order)
            job.operator = self._operator(order, port)
            if plan is not None:
                from daemon.assembly import refuse_without_hands

                refuse_without_hands(plan, job.operator, order.composed)
            self._current = self._jobs[order.id] = job
            while len(self._jobs) > _REMEMBERED:
                self._jobs.popitem(last=False)
            self._progress = {}
        threading.Thread(target=self._carry_out, args=(job, port), name="run").start()
        return job

    def find_job(self, name: str) -> Job | None:
        """An order by its id: as long as it is remembered, and from the record where it led to a run.

        Of one from before the service was started anew only the run is known; it has ended.
        """
        known = self._jobs.get(name)
        row = None if known is not None else self.store.logbook.command(name)
        if row is None or row.verb not in _ORDERS:
            return known
        found = Job(Order(name, which=str(row.run_id)), run=row.run_id)
        found.begun.set()
        found.ended.set()
        return found

    def command(self, run: int, command: Command, data: Mapping[str, Any] | None = None) -> dict[str, Any]:
        """Send a command to the run going on; the same id again is told and acts no more. ``data``: as the verb needs.

        Raises
        ------
        UsageError
            If that run does not go on, or the verb is none of `verbs`.
        """
        if command.verb not in verbs():
            raise UsageError(f"command: found {command.verb!r}; allowed: {', '.join(verbs())}. Send one of them")
        with self._lock:
            known = self._sent.get(command.id)
            if known is not None:
                return known | {"repeated": True}
            row = self.store.logbook.command(command.id)
            if row is not None:  # given to a run before this service was started
                told = {"id": row.id, "run": row.run_id, "verb": row.verb, "accepted": row.refused is None}
                return told | ({} if row.refused is None else {"refused": row.refused}) | {"repeated": True}
            job = self.job
            if job is None or job.run != run:
                now = f"run {job.run} goes on" if job else "no run goes on"
                raise UsageError(f"command {command.verb} to run {run}: found that {now}. Resume the run first")
            if job.runner is not None and (refused := refusal(command.verb, job.runner.state)):
                raise UsageError(refused)
            if command.verb == "answer":
                _demand_open(job.runner.question if job.runner else None, data or {})
            if command.verb in ("stop", "stop-now"):
                job.stopping.set()
            job.commands.send(command)
            told = {"id": command.id, "run": run, "verb": command.verb, "accepted": True, "repeated": False}
            self._sent[command.id] = told
            while len(self._sent) > _REMEMBERED * 10:
                self._sent.popitem(last=False)
        self.log.info("command", run=run, verb=command.verb, command=command.id)
        return told

    def begin_end(self) -> None:
        """Take no more orders and stop the run after the frame in flight. Idempotent, and returns at once."""
        self.ending.set()
        job = self.job
        if job is not None and not job.stopping.is_set():
            job.stopping.set()
            job.commands.send(Command.new("stop"))

    def wait_for_end(self, seconds: float) -> bool:
        """Wait for the run's end; whether it has ended. [s]"""
        job = self.job
        return job is None or clock.wait(job.ended, seconds)

    @contextmanager
    def camera(self, what: str, port: str | None) -> Iterator[Any]:
        """The camera for a look, as `daemon.assembly.open_camera`; one look at a time, none while a run goes on.

        Raises
        ------
        CameraInUse
            If it is not free.
        """
        from daemon.assembly import library_folder, open_camera

        with self.looking(what), open_camera(port or self.config.camera, library_folder(self.store)) as camera:
            yield camera

    @contextmanager
    def looking(self, what: str) -> Iterator[None]:
        """Keep others from the camera meanwhile; errors as for `camera`."""
        if self.job is not None:
            raise CameraInUse(f"{what}: found the camera at work in run {self.running()}. Wait for its end, or stop it")
        if not self._camera.acquire(timeout=_CAMERA_WAIT_S):
            raise CameraInUse(f"{what}: found the camera busy for {_CAMERA_WAIT_S:g} s with another look. Ask again")
        try:
            yield
        finally:
            self._camera.release()

    def cut_off(self) -> int | None:
        """A run that was cut off so lately that it should go on by itself."""
        minutes = self.config.resume_within_min
        found = [row for row in self.store.logbook.list_runs() if row.state == "running"]
        if not minutes or not found:
            return None
        run = found[-1]
        events = self.store.logbook.events(run.id)
        attempts = self.store.logbook.attempts(run.id)
        last = max([run.created, *(row.at for row in events), *(row.intent_at for row in attempts)])
        return run.id if timedelta() <= clock.utc_now() - last <= timedelta(minutes=minutes) else None

    # -- within ---------------------------------------------------------------------------------------------------

    def _checked(self, order: Order) -> Plan | None:
        """What can be found wrong without a camera, told before one is touched."""
        if order.written is None:
            run = self.store.logbook.run(order.which or "last")
            if run.state in ("done", "abandoned"):
                raise UsageError(f"run {run.id}: found it {run.state}; only a run that has not ended can be resumed")
            return None
        plan = as_composed(order.written.plan(stand_in_scales()), order.composed)
        demand_reachable(plan, order.reachable)
        return plan

    def _port(self, order: Order) -> str | None:
        from daemon.camera.ports import normal_port

        port = order.camera or self.config.camera
        if order.written is None:
            found = self.store.logbook.run(order.which or "last")
            port = order.camera or (found.camera_port if found.camera_port.startswith("ptpip:") else port)
        if port is not None:
            normal_port(port)
        return port

    def _operator(self, order: Order, port: str | None) -> Operator | None:
        from daemon.operator import named_operator

        name = order.operator or self.config.operator
        if name == "nobody":
            return None
        if name != "page":
            return named_operator(name, port)
        return QueueOperator("page")

    def _carry_out(self, job: Job, port: str | None) -> None:
        from daemon.assembly import library_folder, open_camera
        from daemon.runner import Manners, Runner

        order, runner = job.order, None
        patience = self.config.patience_s if order.patience_s is None else order.patience_s
        try:
            with self._camera, open_camera(port, library_folder(self.store)) as camera:
                manners = self._manners_of(Manners, patience, order)
                job.runner = runner = Runner(self.store, camera, job.operator, self._heard, job.commands, manners)
                if order.written is None:
                    runner.resume(order.which or "last")
                else:
                    state = self._first_state(camera, job, patience)
                    plan, job.notes = order.written.plan_for(state, order.composed)
                    demand_reachable(plan, order.reachable)
                    runner.start(plan)
        except StopwrightError as error:
            job.error = error
            error.run = runner.run_id if runner else None
            level = self.log.info if isinstance(error, RunPaused) else self.log.error
            level("run stopped", run=error.run, error=type(error).__name__, message=str(error))
        except BaseException as fault:
            job.error = fault
            self.log.error(
                "run stopped by a fault of its own", run=runner.run_id if runner else None, fault=repr(fault)
            )
        finally:
            self.store.note_run(0)  # no run has this number: none goes on
            job.ended.set()
            job.begun.set()
            self.changed()

    def _manners_of(self, shape: Any, patience_s: float, order: Order) -> Any:
        """How the run is to behave: one that goes on behaves as before where the order says nothing."""
        if order.written is not None:
            return _manners(shape, patience_s, order, self.config.verdicts)
        from daemon.manners import remembered

        before = remembered(self.store.logbook, self.store.logbook.run(order.which or "last").id)
        if order.patience_s is None:
            patience_s = before.get("patience_s", patience_s)
        reachable = order.reachable or bool(before.get("reachable"))
        known = {name: value for name, value in before.items() if name not in ("patience_s", "reachable")}
        as_before = replace(order, reachable=reachable, manners=known | dict(order.manners))
        return _manners(shape, patience_s, as_before, self.config.verdicts)

    def _first_state(self, camera: CameraProcess, job: Job, patience_s: float) -> CameraState:
        """What the camera tells of itself; one that is not there is waited for."""
        from daemon.context import ASK_AGAIN_S, LOST

        end = clock.monotonic() + patience_s
        while True:
            try:
                found: CameraState = camera.state()
                self.seen = (found, clock.utc_now())
                return found
            except LOST as trouble:
                self.failures.failed("camera", why=str(trouble))
                if clock.monotonic() >= end:
                    raise
            if clock.wait(job.stopping, ASK_AGAIN_S):
                raise RunPaused("Stopped as asked, while the camera was waited for. Nothing was begun")

    def _heard(self, event: Event) -> None:
        job, data = self._current, event.data
        if job is not None and event.kind == "run-started":
            job.run = data["run"]
            verb = _ORDERS[job.order.written is None]
            self.store.logbook.accept(job.run, job.order.id, verb, {})  # the same order never begins another run
            job.begun.set()
        if event.kind in ("run-started", "run-done", "paused", "lapse-started", "lapse-gap", "lapse-done"):
            self.log.info(event.kind, run=self.running(), text=event.text)
        elif event.kind == "camera-lost":
            self.failures.failed("camera", run=self.running(), why=event.text)
        elif event.kind in ("camera-back", "frame-kept", "lapse-frame"):
            self.failures.works("camera")
        kept = ("step", "goal", "total", "done", "exposure_left_s", "settings")
        if event.kind in ("step-started", "frame-kept"):
            self._progress |= {name: data[name] for name in kept if name in data} | {"text": event.text}
        if event.kind == "lapse-frame":
            told = {"step": data["step"], "total": data["frames"], "done": data["frame"] + 1}
            self._progress |= told | {"settings": data["settings"], "text": event.text}
        if event.kind in ("camera-lost", "camera-back"):
            self._progress["camera"] = event.kind.removeprefix("camera-")
        self.changed(event)


def _open_question(job: Job) -> dict[str, Any] | None:
    """What is asked of the operator now, as plain data."""
    question = getattr(job.runner, "question", None)
    return None if question is None else dict(question.as_json())


def _demand_open(question: Question | None, data: Mapping[str, Any]) -> None:
    """Refuse an answer to a question that is not open, or one that is none of its choices.

    Raises
    ------
    UsageError
        If so.
    """
    asked, answer = data.get("question"), data.get("answer")
    if question is None:
        raise UsageError("answer: found no open question. Look at the run's state")
    if asked != question.id:
        raise UsageError(f"answer to {asked!r}: found another question open: {question.text}. Answer that")
    if answer not in question.choices:
        raise UsageError(f"answer: found {answer!r}; allowed: {', '.join(question.choices)}. Send one of them")


def _manners(shape: Any, patience_s: float, order: Order, verdicts: bool = True) -> Any:
    """How the run is to behave.

    Raises
    ------
    UsageError
        If the order names a manner that there is not, or one of another kind.
    """
    known = {one.name: one for one in fields(shape) if one.name not in ("patience_s", "reachable")}
    for name in order.manners:
        if name not in known:
            raise UsageError(f"manners: found {name[:40]!r}; allowed: {', '.join(known) or 'none'}. Leave it out")
    try:
        told = {"patience_s": patience_s, "reachable": order.reachable, "verdicts": verdicts, **order.manners}
        return TypeAdapter(shape).validate_python(told)
    except ValidationError as error:
        first = error.errors()[0]
        name = ".".join(map(str, first["loc"]))
        raise UsageError(f"manners: found {first['input']!r} for {name}: {first['msg']}. Change it") from None


def verbs() -> dict[str, str]:
    """Every verb that a run takes, with what it does."""
    return {str(verb): does for verb, does in VERBS.items()}
