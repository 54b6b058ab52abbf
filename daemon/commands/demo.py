"""``demo``: the whole job on the embedded defaults and the simulated camera."""

from __future__ import annotations

import sys
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

import click

from daemon.advice import INDENT, command_line
from daemon.commands.common import end_stopped, ends_well, json_option, place, print_json, say
from daemon.commands.shooting import verdicts_option
from daemon.errors import RunPaused, StoreError, UsageError
from daemon.report import RunReport

DEMO_STORE = Path("stopwright-demo")


@click.command()
@click.option(
    "--into",
    type=place,
    default=DEMO_STORE,
    show_default=True,
    help="Folder for the demo's pictures and logbook.",
)
@click.option("--timing", type=click.Choice(["instant", "typical", "slow"]), default="typical", show_default=True)
@verdicts_option
@json_option
@ends_well
def demo(into: Path, timing: str, verdicts: bool, as_json: bool) -> None:
    """Shoot the demo brief on the simulated camera, through the real camera library, and say where all lies."""
    from daemon import assembly
    from daemon.feed import CommandQueue
    from daemon.operator import named_operator
    from daemon.progress import Progress
    from daemon.report import frame_table, report
    from daemon.runner import Manners, Runner
    from daemon.sheets import make_run_sheet
    from daemon.store import open_store
    from plans.compiler import compile_brief
    from plans.reading import demo_brief_text, read_brief

    sink = sys.stderr if as_json else sys.stdout
    again = command_line("demo", *([] if into == DEMO_STORE else ["--into", str(into)]))
    plan = compile_brief(read_brief(demo_brief_text(), "demo_brief.yaml"))
    print(
        "A garden fountain, a stone heron before it, a yew hedge behind. Camera and hands\n"
        "are simulated; the real libgphoto2 drives them.\n",
        file=sink,
        flush=True,
    )
    with open_store(into) as store, store.lock("stopwright demo"), _simulator(timing=timing) as simulator:
        operator = named_operator(f"simulated:{simulator.hands}", simulator.camera)
        with assembly.open_camera(simulator.camera, assembly.library_folder(store)) as camera:
            commands = CommandQueue()
            progress = Progress(sink, store=into)
            runner = Runner(store, camera, operator, progress, commands, Manners(verdicts=verdicts))
            asked: list[int] = []
            try:
                with assembly.stopping_by_signal(runner, commands) as asked:
                    number = runner.start(plan)
            except (KeyboardInterrupt, RunPaused) as stopped:
                if not asked and isinstance(stopped, RunPaused):
                    raise
                end_stopped(
                    "stopped by hand. The simulated camera ends with the demo, so its run cannot go on; what was shot "
                    f"stays in {store.path}. Begin anew with:\n{INDENT}{again}",
                    None,
                    {"as_json": as_json},
                )
        found = report(store, number)
        sheet = make_run_sheet(found)
        agreement = account(found)
        logbook = store.path / "logbook.db"
    places = {
        "sheet": str(sheet.pdf),
        "sheet_png": [str(path) for path in sheet.png],
        "pictures": str(found.folder / "pictures"),
        "logbook": str(logbook),
    }
    if as_json:
        print_json(found.as_json() | {"agreement": agreement, "places": places})
        return
    say()
    say(frame_table(found))
    say(
        f"\n{agreement['exposing_steps']} exposing steps, {agreement['frame_rows']} rows in the logbook, "
        f"{agreement['files']} files, {agreement['distinct_hashes']} distinct\n"
        f"hashes; {agreement['control_frames']} control frames (metering and checks) kept apart.\n"
    )
    say(f"Comparison sheet  {places['sheet']}")
    for path in places["sheet_png"]:
        say(f"                  {path}")
    say(f"Pictures          {places['pictures']}")
    say(f"Logbook           {places['logbook']}")


def account(found: RunReport) -> dict[str, int]:
    """Exposing steps, rows, files on disk and hashes of a finished run, which must agree in number.

    Raises
    ------
    StoreError
        If they do not.
    """
    rows = [frame for frame in found.frames if frame.frame is not None]
    paths = sorted((found.folder / "pictures").iterdir())
    figures = {
        "exposing_steps": len(found.plan.exposing),
        "frame_rows": len(rows),
        "files": len(paths),
        "distinct_hashes": len({_sha256(path) for path in paths}),
    }
    if len(set(figures.values())) != 1:
        raise StoreError(f"the run does not add up: {figures}")
    return figures | {"control_frames": found.counts["frames"].get("control", 0)}


def _sha256(path: Path) -> str:
    import hashlib

    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _simulator(**options: Any) -> Any:
    found = list(entry_points(group="stopwright.simulators"))
    if not found:
        raise UsageError("demo: no simulated camera is installed; install stopwright with its hardware_mocks package")
    return found[0].load()(**options)
