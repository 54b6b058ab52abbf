"""``shoot`` and ``resume``: from a plan to pictures and a record."""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from daemon.advice import command_line
from daemon.commands.common import (
    camera_option,
    end_stopped,
    ends_well,
    given_options,
    is_plan,
    json_option,
    note,
    operator_option,
    place,
    plan_from,
    print_json,
    reachable_option,
    say,
    store_option,
)
from daemon.errors import CameraError, PlanUnreachable, RunPaused, StopwrightError
from daemon.streams import output_trouble
from daemon.texts import as_composed, demand_reachable, stand_in_scales
from plans.drift import GRADES
from plans.plan import Plan

if TYPE_CHECKING:
    from daemon.camera.verbs import CameraState
    from daemon.report import RunReport


class _Seconds(click.FloatRange):
    """A number of seconds; a number that is none would be waited for for ever."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        found = super().convert(value, param, ctx)
        if math.isnan(found):
            self.fail(f"{value!r} is no number of seconds.", param, ctx)
        return found


patience_option = click.option(
    "--patience",
    type=_Seconds(0, 86400),
    default=60.0,
    show_default=True,
    metavar="SECONDS",
    help="How long a lost camera is waited for.",
)


light_option = click.option(
    "--light",
    type=click.Choice(GRADES),
    default="ends",
    show_default=True,
    help="How closely the light is watched over each group: a reading before and after every frame, clouds waited for "
    "and frames taken again; two readings a group; or none.",
)

rig_option = click.option(
    "--rig-check/--no-rig-check",
    default=True,
    show_default=True,
    help="Look at the rig first: set what can be set, ask for the rest.",
)
verdicts_option = click.option(
    "--verdicts/--no-verdicts",
    default=True,
    show_default=True,
    envvar="STOPWRIGHT_VERDICTS",
    help="Judge each group as soon as its frames are kept, beside the shooting.",
)
cue_option = click.option(
    "--cue/--no-cue", default=False, help="Each picture waits for your cue: Enter, at this terminal."
)
hands_timeout_option = click.option(
    "--hands-timeout",
    "hands_timeout_s",
    type=_Seconds(1, 86400),
    metavar="SECONDS",
    help="How long hands are waited for; left out: as long as it takes.",
)
hands_late_option = click.option(
    "--hands-late",
    type=click.Choice(["pause", "skip"]),
    default="pause",
    show_default=True,
    help="What then: pause the run, or skip what needs them.",
)


@click.command()
@click.argument("path", metavar="BRIEF|PLAN", type=place)
@camera_option
@operator_option
@store_option
@reachable_option
@click.option("--composed", is_flag=True, help="The rig stands framed, focused on the first subject, no filter on.")
@patience_option
@light_option
@rig_option
@verdicts_option
@cue_option
@hands_timeout_option
@hands_late_option
@json_option
@ends_well
def shoot(path: Path, composed: bool, patience: float, **options: Any) -> None:
    """Shoot BRIEF or PLAN: hands where needed, one metering frame, every picture, a record of all."""
    from daemon import assembly
    from daemon.client import running_service
    from daemon.runner import refuse_past

    if (service := running_service(options["store_dir"])) is not None:
        from daemon.commands import handover

        handover.shoot(service, path, composed, patience, options)
        return

    port, reachable = options["camera_port"], options["reachable"]
    # Read once before the camera is touched, so that a mistake in the file is told first.
    plan = as_composed(plan_from(path, stand_in_scales()), composed)
    demand_reachable(plan, reachable)
    refuse_past(plan)
    operator = assembly.choose_operator(options["operator_name"], port)
    assembly.refuse_without_hands(plan, operator, composed)
    lecturer = assembly.choose_lecturer(operator, bool(options["cue"]))

    from daemon.store import open_store

    with (
        open_store(options["store_dir"]) as store,
        store.lock(f"stopwright shoot {path.name}"),
        assembly.open_camera(port, assembly.library_folder(store)) as camera,
    ):
        plan, differences = plan_for_camera(path, camera.state(), composed)
        if differences:
            note("This camera's marks differ from the brief's kit; the plan was compiled for the camera's own:")
            for difference in differences:
                note(f"  {difference}")
        demand_reachable(plan, reachable)
        run_it(store, camera, operator, plan, None, patience, options, lecturer)


@click.command()
@click.argument("run", metavar="RUN")
@camera_option
@operator_option
@store_option
@reachable_option
@patience_option
@light_option
@rig_option
@verdicts_option
@cue_option
@hands_timeout_option
@hands_late_option
@json_option
@ends_well
def resume(run: str, patience: float, **options: Any) -> None:
    """Go on with RUN (a number, or last) where it stopped; a frame the camera finished meanwhile is taken up.

    It goes on in the manner in which it was begun: what is not asked for here stays as it was.
    """
    from daemon import assembly
    from daemon.client import running_service
    from daemon.store import open_store

    if (service := running_service(options["store_dir"])) is not None:
        from daemon.commands import handover

        handover.resume(service, run, patience, options)
        return
    with open_store(options["store_dir"], create=False) as store, store.lock(f"stopwright resume {run}"):
        found = store.logbook.run(run)
        options = _as_before(store, found.id, options)
        patience = options.pop("patience_s", patience) if "patience" not in given_options() else patience
        # The port as it was: a camera behind an address stays there, a USB one may sit at another socket now.
        port = options["camera_port"] or (found.camera_port if found.camera_port.startswith("ptpip:") else None)
        operator = assembly.choose_operator(options["operator_name"], port)
        lecturer = assembly.choose_lecturer(operator, bool(options["cue"]))
        with assembly.open_camera(port, assembly.library_folder(store)) as camera:
            run_it(store, camera, operator, None, run, patience, options, lecturer)


def _as_before(store: Any, run_id: int, options: Mapping[str, Any]) -> dict[str, Any]:
    """The options of the command, with the run's own manners for those that were not given."""
    from daemon.manners import resumed

    given = {name: value for name, value in options.items() if name in given_options()}
    return resumed(store.logbook, run_id, given, options)


def run_it(
    store: Any,
    camera: Any,
    operator: Any,
    plan: Plan | None,
    which: str | None,
    patience: float,
    options: Mapping[str, Any],
    lecturer: Any = None,
) -> int:
    """Start ``plan`` or resume ``which``, showing progress; the run's number. ``options``: the command's own."""
    from daemon import assembly
    from daemon.feed import CommandQueue
    from daemon.operator import ConsoleOperator
    from daemon.progress import Progress
    from daemon.report import report
    from daemon.runner import Manners, Runner

    commands = CommandQueue()
    as_json = bool(options["as_json"])
    progress = Progress(
        sys.stderr if as_json else sys.stdout,
        asks=isinstance(operator, ConsoleOperator),
        store=options.get("store_dir"),
    )
    manners = Manners(
        patience,
        bool(options["reachable"]),
        light=options["light"],
        rig_check=bool(options["rig_check"]),
        cue=bool(options.get("cue")),
        verdicts=bool(options.get("verdicts")),
        hands_timeout_s=options.get("hands_timeout_s"),
        hands_late=options.get("hands_late", "pause"),
    )
    runner = Runner(store, camera, operator, progress, commands, manners, lecturer=lecturer)
    asked: list[int] = []
    try:
        with assembly.stopping_by_signal(runner, commands) as asked:
            number = runner.start(plan) if plan is not None else runner.resume(which or "last")
    except (KeyboardInterrupt, StopwrightError) as stopped:
        if isinstance(stopped, StopwrightError):
            stopped.run = runner.run_id
            if not (asked and isinstance(stopped, RunPaused)):
                raise
        end_stopped("stopped by hand. Nothing is lost", runner.run_id, options)
    show_end(report(store, number), options)
    return number


def show_end(found: RunReport, options: Mapping[str, Any]) -> None:
    """The frames of a run that went to its end. One without a picture ends as a goal that was not reached does."""
    from daemon.report import frame_table

    number, store_dir = str(found.run.id), options["store_dir"]
    taken = [frame for frame in found.frames if frame.frame is not None]
    if options["as_json"]:
        print_json(found.as_json())
    else:
        say()
        say(frame_table(found))
    if not taken and not any(lapse["outcome"] == "kept" for lapse in found.lapses):
        given_up = any(frame.outcome == "abandoned" for frame in found.frames)
        why = "the camera failed at them" if given_up else "they need what was skipped"
        note(
            f"stopwright: run {number} has ended without a picture: {len(found.frames)} of {len(found.frames)} frames "
            f"were left out, because {why}. It cannot be resumed; shoot anew"
        )
        sys.exit(CameraError.exit_code if given_up else PlanUnreachable.exit_code)
    if not options["as_json"]:
        say(f"\nPictures: {found.folder / 'pictures'}")
        if taken:
            say(f"Comparison sheet: {command_line('sheet', number, store=store_dir)}")
        if any(lapse["outcome"] == "kept" for lapse in found.lapses):
            say(f"Film: {command_line('film', number, store=store_dir)}")
    if output_trouble() is not None:
        note(f"stopwright: run {number} is done and kept: {command_line('runs', number, store=store_dir)}")


def plan_for_camera(path: Path, state: CameraState, composed: bool = False) -> tuple[Plan, list[str]]:
    """The plan that is shot with the camera as connected, and how its marks differ from those of the brief's kit.

    Raises
    ------
    BriefError
        If the brief leaves a scale to the camera that this one does not tell.
    BindingRefused
        If the camera lacks marks of a plan file, or those that the brief needs.
    """
    from daemon import assembly
    from daemon.camera.dialects import camera_scales

    is_brief = not is_plan(path)
    plan = as_composed(plan_from(path, camera_scales(state) if is_brief else None), composed)
    return assembly.fit_to_camera(plan, state, may_recompile=is_brief)
