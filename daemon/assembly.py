"""Putting a run together: camera, store, operator, plan; used by the commands."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType

from daemon import log
from daemon.bulb import bind_to
from daemon.camera.dialects import camera_scales
from daemon.camera.supervisor import CameraProcess
from daemon.camera.verbs import CameraState
from daemon.errors import BindingRefused, UsageError
from daemon.feed import Command, CommandQueue
from daemon.operator import ConsoleOperator, Operator, named_operator
from daemon.runner import Runner
from daemon.store import Store
from daemon.streams import is_terminal
from plans.plan import OperatorStep, Plan


@contextmanager
def open_camera(port: str | None, work: Path) -> Iterator[CameraProcess]:
    """The camera at ``port``, or the only one there; let go at the end. ``work``: for the library's own settings."""
    camera = CameraProcess(port, work, log.get(part="camera"))
    try:
        yield camera
    finally:
        camera.close()


def choose_operator(name: str | None, camera_port: str | None) -> Operator | None:
    """The operator a user asked for; by default the console, or nobody where there is no terminal."""
    if name is None:
        name = "console" if is_terminal(sys.stdin) and is_terminal(sys.stderr) else "nobody"
    if name == "nobody":
        return None
    if name == "console":
        return ConsoleOperator(sys.stdin, sys.stderr)
    return named_operator(name, camera_port)


def choose_lecturer(operator: Operator | None, cue: bool) -> ConsoleOperator | None:
    """Who gives the cues of a run at this terminal; None when pictures wait for none.

    Raises
    ------
    UsageError
        If they do, and nobody could give any.
    """
    if not cue:
        return None
    if isinstance(operator, ConsoleOperator):
        return operator
    if is_terminal(sys.stdin) and is_terminal(sys.stderr):
        return ConsoleOperator(sys.stdin, sys.stderr)
    raise UsageError("--cue: each picture would wait for Enter; found no terminal. Run it in one, or with --no-cue")


def refuse_without_hands(plan: Plan, operator: Operator | None, composed: bool = False) -> None:
    """Refuse a plan that needs hands when nobody is there. ``composed``: the user said that the rig stands.

    Raises
    ------
    UsageError
        With what hands would have to do.
    """
    needed = [step.text for step in plan.steps if isinstance(step, OperatorStep)]
    if needed and operator is None:
        times = "once" if len(needed) == 1 else f"{len(needed)} times, first"
        rest = "" if composed else "; a rig that stands framed and focused needs no first step with --composed"
        raise UsageError(
            f"This plan needs hands {times}: {needed[0]} Found no terminal to ask on. "
            f"Run it in a terminal, or name an operator with --operator{rest}"
        )


def fit_to_camera(
    plan: Plan, state: CameraState, may_recompile: bool, camera: object = CameraProcess
) -> tuple[Plan, list[str]]:
    """The plan for the connected camera, and how its marks differed from the kit's. ``camera``: what reaches it.

    Raises
    ------
    BindingRefused
        If the camera lacks marks of the plan, and it may not be, or cannot be, compiled again.
    """
    from plans.brief import Brief
    from plans.compiler import compile_brief
    from plans.reading import brief_from_tree

    try:
        bind_to(camera, plan, state)
    except BindingRefused as refused:
        scales = camera_scales(state)
        if not may_recompile or not all(scales.get(kind) and scales[kind].marks for kind in plan.inputs.scales):
            raise
        brief: Brief = brief_from_tree(plan.inputs.brief, camera_scales=scales)
        newer = compile_brief(brief, light=plan.inputs.light, rig=plan.inputs.rig, scales=scales)
        bind_to(camera, newer, state)
        return newer, refused.differences
    return plan, []


@contextmanager
def stopping_by_signal(runner: Runner, commands: CommandQueue) -> Iterator[list[int]]:
    """Ctrl-C, SIGTERM and a terminal that closes stop the run after the frame in flight, at once while it waits.

    A second signal stops at once, whatever the camera is at.

    Gives the list of signals that came.
    """
    asked: list[int] = []
    signals = [signal.SIGINT, signal.SIGTERM]
    if signal.getsignal(signal.SIGHUP) != signal.SIG_IGN:  # as `nohup` has it, so that a run outlives its terminal
        signals.append(signal.SIGHUP)

    def stop(number: int, frame: FrameType | None) -> None:
        asked.append(number)
        if runner.waiting_for_hands:
            raise KeyboardInterrupt
        if len(asked) == 1:
            with suppress(OSError):  # not by print, which may be at work when the signal comes
                os.write(2, b"\nStopping after the frame in flight; once more stops now.\n")
        commands.send(Command.new("stop" if len(asked) == 1 else "stop-now"))

    before = {number: signal.signal(number, stop) for number in signals}
    try:
        yield asked
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def library_folder(store: Store) -> Path:
    """Where the camera library keeps its own settings, apart from the user's."""
    return store.path / ".camera"
