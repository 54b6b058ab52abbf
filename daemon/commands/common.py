"""What every command shares: reading the user's files, options, and one way of ending badly."""

from __future__ import annotations

import functools
import json
import shutil
import sys
import textwrap
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import click

from daemon.errors import BriefError, PlanUnreachable, StopwrightError, UsageError
from plans.brief import Brief
from plans.plan import Plan, read_plan
from plans.stops import KINDS, Kind, Scale, series_marks

LARGEST_FILE = 8_000_000  # bytes; a brief has its own, smaller limit
Command = TypeVar("Command", bound=Callable[..., Any])

json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON for machines.")
camera_option = click.option(
    "--camera", "camera_port", metavar="PORT", help="usb:… or ptpip:IP[:PORT]; left out: the only camera there."
)
store_option = click.option(
    "--store",
    "store_dir",
    type=click.Path(path_type=Path),
    help="Folder of pictures and logbook; left out: $STOPWRIGHT_STORE, else ~/Stopwright.",
)
operator_option = click.option(
    "--operator",
    "operator_name",
    metavar="NAME",
    help="Whose hands: console, or simulated[:HOST:PORT]; left out: the console when there is one.",
)
reachable_option = click.option(
    "--reachable", is_flag=True, help="Go on with the goals that can be reached; the others are listed."
)


def say(text: str = "") -> None:
    """A line for people on standard output."""
    click.echo(text)


def note(text: str) -> None:
    """A line for people that never mixes with a machine's output."""
    click.echo(text, err=True)


def ends_well(command: Command) -> Command:
    """Turn every error of ours into its message and exit code; with ``--json`` into a JSON object as well."""

    @functools.wraps(command)
    def wrapped(*arguments: Any, **options: Any) -> Any:
        try:
            return command(*arguments, **options)
        except StopwrightError as error:
            end_badly(error, bool(options.get("as_json")))

    return wrapped  # type: ignore[return-value]


def end_badly(error: StopwrightError, as_json: bool) -> NoReturn:
    """Say what went wrong and leave with the error's exit code."""
    if as_json:
        click.echo(json.dumps(error.as_json(), indent=2, ensure_ascii=False))
    for line in f"stopwright: {error}".splitlines():
        note(_wrapped(line))
    sys.exit(error.exit_code)


def _wrapped(line: str) -> str:
    """A line broken between words where a person reads it; whole where a program does."""
    if not sys.stderr.isatty():
        return line
    columns = max(40, shutil.get_terminal_size().columns)
    indent = line[: len(line) - len(line.lstrip())] + "  "
    return textwrap.fill(line, columns, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)


def print_json(tree: Any) -> None:
    """``tree`` as JSON on standard output."""
    click.echo(json.dumps(tree, indent=2, ensure_ascii=False, allow_nan=False))


@functools.cache
def read_text(path: Path, what: str) -> str:
    """The text of one of the user's files, read once: it may be a pipe, and must not change under a command.

    Raises
    ------
    UsageError
        If the file is missing, no file, unreadable, too large or no UTF-8 text.
    """
    asked = f"{what} {str(path)!r}"
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        raise UsageError(
            f"{asked}: found no such file. Check the name; the folder is {path.parent.absolute()}"
        ) from None
    except IsADirectoryError:
        raise UsageError(f"{asked}: found a folder; allowed: a file") from None
    except OSError as error:
        raise UsageError(f"{asked}: cannot be read ({error.strerror}). Check the file's permissions") from None
    if len(raw) > LARGEST_FILE:
        raise UsageError(f"{asked}: found more than {LARGEST_FILE // 1_000_000} MB; allowed: a text of a few kB")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UsageError(
            f"{asked}: found bytes that are no UTF-8 text at byte {error.start}; save the file as UTF-8"
        ) from None


def brief_from(path: Path, scales: Mapping[Kind, Scale] | None = None) -> Brief:
    """The brief in a file; kit files are looked for beside it."""
    from plans.reading import read_brief

    def load_kit(name: str) -> str:
        return read_text(path.parent / name, "kit file")

    return read_brief(read_text(path, "file"), path.name, load_kit, scales)


def is_plan(path: Path) -> bool:
    """Whether a file is meant as a plan (JSON) rather than a brief (YAML), by its ending or its first character."""
    if path.suffix.lower() == ".json":
        return True
    if path.suffix.lower() in (".yaml", ".yml"):
        return False
    return read_text(path, "file").lstrip().startswith("{")


def plan_from(path: Path, scales: Mapping[Kind, Scale] | None = None) -> Plan:
    """The plan in a file, or the plan that the brief in it compiles to."""
    if is_plan(path):
        return read_plan(read_text(path, "file"), path.name)
    from plans.compiler import compile_brief

    return compile_brief(brief_from(path, scales))


def stand_in_scales() -> dict[Kind, Scale]:
    """Scales in thirds for a first look at a brief that leaves its scales to the camera."""
    return {kind: Scale(kind, series_marks(kind, "thirds"), "thirds") for kind in KINDS}


def needs_camera(path: Path) -> bool:
    """Whether a file is a brief that cannot be read without a camera's scales, though nothing else is wrong with it."""
    if is_plan(path):
        return False
    try:
        brief_from(path)
    except BriefError:
        brief_from(path, stand_in_scales())
        return True
    return False


def plan_with_camera(path: Path, port: str | None) -> Plan:
    """The plan in a file, or of the brief in it; the camera at ``port`` is asked only when the brief needs its scales.

    Raises
    ------
    CameraError
        If it is needed and does not answer.
    """
    if not needs_camera(path):
        return plan_from(path)
    import tempfile

    from daemon.assembly import open_camera
    from daemon.camera.dialects import camera_scales

    with tempfile.TemporaryDirectory() as work, open_camera(port, Path(work)) as camera:
        return plan_from(path, camera_scales(camera.state()))


def demand_reachable(plan: Plan, reachable: bool) -> None:
    """Refuse a plan with unreachable goals unless the user goes on with the rest.

    Raises
    ------
    PlanUnreachable
        With every reason and remedy.
    """
    if plan.unreachable and not (reachable and plan.exposing):
        raise PlanUnreachable(list(plan.unreachable))
