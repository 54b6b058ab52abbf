"""``shoot`` and ``resume``: from a plan to pictures and a record."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from daemon.commands.common import (
    camera_option,
    demand_reachable,
    ends_well,
    is_plan,
    json_option,
    note,
    operator_option,
    plan_from,
    print_json,
    reachable_option,
    say,
    stand_in_scales,
    store_option,
)
from daemon.errors import RunPaused, StopwrightError, UsageError
from plans.plan import OperatorStep, Plan, Rig

patience_option = click.option(
    "--patience",
    type=click.FloatRange(0, 86400),
    default=60.0,
    show_default=True,
    metavar="SECONDS",
    help="How long a lost camera is waited for.",
)


@click.command()
@click.argument("path", metavar="BRIEF|PLAN", type=click.Path(path_type=Path))
@camera_option
@operator_option
@store_option
@reachable_option
@click.option("--composed", is_flag=True, help="The rig stands framed, focused on the first subject, no filter on.")
@patience_option
@json_option
@ends_well
def shoot(
    path: Path,
    camera_port: str | None,
    operator_name: str | None,
    store_dir: Path | None,
    reachable: bool,
    composed: bool,
    patience: float,
    as_json: bool,
) -> None:
    """Shoot BRIEF or PLAN: hands where needed, one metering frame, every picture, a record of all."""
    from daemon import assembly

    # Read once before the camera is touched, so that a mistake in the file is told first.
    plan = _composed(plan_from(path, stand_in_scales()), composed)
    demand_reachable(plan, reachable)
    operator = assembly.choose_operator(operator_name, camera_port)
    assembly.refuse_without_hands(plan, operator)

    from daemon.store import open_store

    with (
        open_store(store_dir) as store,
        store.lock(f"stopwright shoot {path.name}"),
        assembly.open_camera(camera_port, assembly.library_folder(store)) as camera,
    ):
        from daemon.camera.dialects import camera_scales

        state = camera.state()
        if not is_plan(path):
            plan = _composed(plan_from(path, camera_scales(state)), composed)
        plan, differences = assembly.fit_to_camera(plan, state, may_recompile=not is_plan(path))
        if differences:
            note("This camera's marks differ from the brief's kit; the plan was compiled for the camera's own:")
            for difference in differences:
                note(f"  {difference}")
        demand_reachable(plan, reachable)
        run_it(store, camera, operator, plan, None, patience, reachable, as_json)


@click.command()
@click.argument("run", metavar="RUN")
@camera_option
@operator_option
@store_option
@reachable_option
@patience_option
@json_option
@ends_well
def resume(
    run: str,
    camera_port: str | None,
    operator_name: str | None,
    store_dir: Path | None,
    reachable: bool,
    patience: float,
    as_json: bool,
) -> None:
    """Go on with RUN (a number, or last) where it stopped; a frame the camera finished meanwhile is taken up."""
    from daemon import assembly
    from daemon.store import open_store

    with open_store(store_dir, create=False) as store, store.lock(f"stopwright resume {run}"):
        found = store.logbook.run(run)
        # The port as it was: a camera behind an address stays there, a USB one may sit at another socket now.
        port = camera_port or (found.camera_port if found.camera_port.startswith("ptpip:") else None)
        operator = assembly.choose_operator(operator_name, port)
        with assembly.open_camera(port, assembly.library_folder(store)) as camera:
            run_it(store, camera, operator, None, run, patience, reachable, as_json)


def run_it(
    store: Any,
    camera: Any,
    operator: Any,
    plan: Plan | None,
    which: str | None,
    patience: float,
    reachable: bool,
    as_json: bool,
) -> int:
    """Start ``plan`` or resume ``which``, showing progress; the run's number."""
    from daemon import assembly
    from daemon.feed import CommandQueue
    from daemon.operator import ConsoleOperator
    from daemon.progress import Progress
    from daemon.report import frame_table, report
    from daemon.runner import Manners, Runner

    commands = CommandQueue()
    progress = Progress(sys.stderr if as_json else sys.stdout, asks=isinstance(operator, ConsoleOperator))
    runner = Runner(store, camera, operator, progress, commands, Manners(patience, reachable))
    asked: list[int] = []
    try:
        with assembly.stopping_by_signal(runner, commands) as asked:
            number = runner.start(plan) if plan is not None else runner.resume(which or "last")
    except (KeyboardInterrupt, StopwrightError) as stopped:
        if isinstance(stopped, StopwrightError):
            stopped.run = runner.run_id
            if not (asked and isinstance(stopped, RunPaused)):
                raise
        told = "stopped by hand. Nothing is lost; go on with: stopwright resume last"
        if as_json:
            print_json({"error": "Stopped", "message": told, "run": runner.run_id})
        note(f"stopwright: {told}")
        sys.exit(130)
    found = report(store, number)
    if as_json:
        print_json(found.as_json())
    else:
        say()
        say(frame_table(found))
        say(f"\nPictures: {found.folder / 'pictures'}\nComparison sheet: stopwright sheet {number}")
    return number


def _composed(plan: Plan, composed: bool) -> Plan:
    """The plan for a rig that stands composed already; the same plan when ``composed`` is False."""
    if not composed:
        return plan
    from plans.compiler import recompile

    first = plan.steps[0] if plan.steps else None
    if not isinstance(first, OperatorStep) or first.action != "compose":
        raise UsageError("--composed: this plan does not begin with composing; leave the option out")
    return recompile(plan, plan.inputs.light, Rig(focus=first.focus))
