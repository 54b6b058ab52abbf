"""What every command shares: reading the user's files, options, and one way of ending badly."""

from __future__ import annotations

import functools
import json
import os
import sys
import textwrap
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import click
from click.core import ParameterSource

from daemon.advice import INDENT, resume_line
from daemon.errors import BriefError, PlanUnreachable, StopwrightError, UsageError
from daemon.streams import columns, encodes_all, is_terminal
from daemon.texts import stand_in_scales
from plans.brief import Brief
from plans.plan import Plan
from plans.stops import Kind, Scale

STOPPED = 130  # exit code after Ctrl-C, as shells have it for a command that a signal ended
LARGEST_FILE = 8_000_000  # bytes; a brief has its own, smaller limit
Command = TypeVar("Command", bound=Callable[..., Any])


class _Place(click.Path):
    """A path. An empty one is a variable of the shell that was never set, and would mean the current folder."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if value == "":
            self.fail("found an empty name; allowed: the name of a file or folder", param, ctx)
        found = super().convert(value, param, ctx)
        try:
            Path(os.fsdecode(found)).absolute()
        except FileNotFoundError:
            self.fail(f"{str(found)!r}: the current folder is gone; change to another, or name it in full", param, ctx)
        return found


class _Word(click.ParamType[str]):
    """A text that is not empty; an empty one would silently mean that nothing was asked for."""

    name = "text"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        if value == "":
            self.fail("found nothing; allowed: a word, or leave the option out", param, ctx)
        return str(value)


place, word = _Place(path_type=Path), _Word()
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON for machines.")
camera_option = click.option(
    "--camera",
    "camera_port",
    type=word,
    metavar="PORT",
    help="usb:… or ptpip:IP[:PORT]; left out: the only camera there.",
)
store_option = click.option(
    "--store",
    "store_dir",
    type=place,
    help="Folder of pictures and logbook; left out: $STOPWRIGHT_STORE, else ~/Stopwright.",
)
operator_option = click.option(
    "--operator",
    "operator_name",
    type=word,
    metavar="NAME",
    help="Whose hands: console, or simulated[:HOST:PORT]; left out: the console when there is one.",
)
reachable_option = click.option(
    "--reachable", is_flag=True, help="Go on with the goals that can be reached; the others are listed."
)


def given_options() -> frozenset[str]:
    """Names of the parameters that the user gave to the command that runs, by word or by variable."""
    context = click.get_current_context()
    return frozenset(
        name
        for name in context.params
        if context.get_parameter_source(name) not in (ParameterSource.DEFAULT, ParameterSource.DEFAULT_MAP)
    )


def say(text: str = "") -> None:
    """A line for people on standard output."""
    print(text, file=sys.stdout, flush=True)


def note(text: str) -> None:
    """A statement for people that never mixes with a machine's output.

    On a terminal its lines are broken between words at the terminal's width. In a pipe or a file each statement, reason
    and remedy stays one line, so that it can be searched; so do commands to be copied, everywhere.
    """
    for line in text.splitlines() or [""]:
        print(_wrapped(line), file=sys.stderr, flush=True)


def ends_well(command: Command) -> Command:
    """Turn every error of ours, and Ctrl-C, into a message and an exit code; with ``--json`` into an object as well."""

    @functools.wraps(command)
    def wrapped(*arguments: Any, **options: Any) -> Any:
        try:
            return command(*arguments, **options)
        except StopwrightError as error:
            end_badly(error, options)
        except KeyboardInterrupt:
            end_stopped("stopped by hand", None, options)

    return wrapped  # type: ignore[return-value]


def end_badly(error: StopwrightError, options: Mapping[str, Any]) -> NoReturn:
    """Say what went wrong and how to go on, and leave with the error's exit code. ``options``: the command's own."""
    go_on = None
    if error.run is not None:
        go_on = resume_line(error.run, options, reachable=isinstance(error, PlanUnreachable))
    _end(str(error), error.as_json(), go_on, options, error.exit_code)


def end_stopped(told: str, run: int | None, options: Mapping[str, Any]) -> NoReturn:
    """The same after Ctrl-C. ``run``: the one that was stopped, if it had begun."""
    if is_terminal(sys.stderr):
        note("")  # the terminal shows ^C on the line
    tree = {"error": "Stopped", "message": told, "run": run}
    _end(told, tree, None if run is None else resume_line(run, options), options, STOPPED)


def _end(told: str, tree: dict[str, Any], go_on: str | None, options: Mapping[str, Any], code: int) -> NoReturn:
    if options.get("as_json"):
        print_json(tree if go_on is None else tree | {"go_on": go_on})
    if go_on is not None:
        told += f"\nGo on with:\n{INDENT}{go_on}"
    note(f"stopwright: {told}")
    sys.exit(code)


def _wrapped(line: str) -> str:
    """A line broken between words where a person reads it; whole where a program does, and where it is a command."""
    if line.startswith(INDENT) or not is_terminal(sys.stderr):
        return line
    indent = line[: len(line) - len(line.lstrip())] + "  "
    return textwrap.fill(
        line, columns(sys.stderr), subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )


def print_json(tree: Any) -> None:
    """``tree`` as JSON on standard output, of ASCII alone where other characters cannot be written."""
    say(json.dumps(tree, indent=2, ensure_ascii=not encodes_all(sys.stdout), allow_nan=False))


def not_written(out: Path, error: OSError) -> UsageError:
    """The error for a file of the user's that could not be written, with what to do."""
    if isinstance(error, FileNotFoundError):
        return UsageError(f"--out {str(out)!r}: found no folder {str(out.parent.absolute())!r}. Make it first")
    if isinstance(error, IsADirectoryError):
        return UsageError(f"--out {str(out)!r}: found a folder; allowed: the name of a file")
    return UsageError(f"--out {str(out)!r}: cannot be written ({error.strerror}). Name another file")


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


@functools.cache
def _given_plan(path: Path) -> Plan:
    from plans.plan_reading import read_given_plan
    from plans.yaml_tree import shorten

    return read_given_plan(read_text(path, "file"), shorten(path.name, 255))


def plan_from(path: Path, scales: Mapping[Kind, Scale] | None = None) -> Plan:
    """The plan in a file, or the plan that the brief in it compiles to."""
    if is_plan(path):
        return _given_plan(path)
    from plans.compiler import compile_brief

    return compile_brief(brief_from(path, scales))


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
