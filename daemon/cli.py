"""The command ``stopwright``."""

from __future__ import annotations

import importlib
import json
import os
import signal
import sys

from daemon import streams

STOPPED = 130  # as `daemon.commands.common` has it, which is not imported yet when Ctrl-C comes early

try:
    import click
except KeyboardInterrupt:
    os.write(2, b"\nstopwright: stopped by hand\n")
    raise SystemExit(STOPPED) from None

_COMMANDS = {
    "demo": ("daemon.commands.demo", "demo"),
    "compile": ("daemon.commands.planning", "compile_command"),
    "explain": ("daemon.commands.planning", "explain"),
    "rehearse": ("daemon.commands.rehearse", "rehearse"),
    "light": ("daemon.commands.light", "light"),
    "kit": ("daemon.commands.kit", "kit"),
    "cameras": ("daemon.commands.connected", "cameras"),
    "check": ("daemon.commands.connected", "check"),
    "calibrate": ("daemon.commands.calibrate", "calibrate"),
    "shoot": ("daemon.commands.shooting", "shoot"),
    "resume": ("daemon.commands.shooting", "resume"),
    "runs": ("daemon.commands.records", "runs"),
    "judge": ("daemon.commands.judge", "judge"),
    "sheet": ("daemon.commands.records", "sheet"),
    "lesson": ("daemon.commands.lesson", "lesson"),
    "film": ("daemon.commands.film", "film"),
    "verify": ("daemon.commands.keeping", "verify"),
    "export": ("daemon.commands.keeping", "export"),
    "backup": ("daemon.commands.keeping", "backup"),
    "serve": ("daemon.commands.serve", "serve"),
    "pair": ("daemon.commands.serve", "pair"),
    "schedule": ("daemon.commands.schedule", "schedule"),
    "config": ("daemon.commands.config", "config"),
}


class _Lazy(click.Group):
    """Imports a command's module when it is asked for, so that the others cost nothing."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        module, name = _COMMANDS[cmd_name]
        command: click.Command = getattr(importlib.import_module(module), name)
        return command


@click.command(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="stopwright")
@click.option(
    "--log",
    "level",
    type=click.Choice(["debug", "info", "warning", "error"]),
    default="warning",
    show_default=True,
    help="What is logged to standard error.",
)
def stopwright(level: str) -> None:
    """Compile goals to equivalent settings, shoot them tethered, keep a record that can be trusted.

    Exit codes: 0 done, 2 bad input, 3 goal unreachable, 4 camera, 5 store, 6 paused, 130 stopped by Ctrl-C.
    """
    from daemon import log

    log.set_up(level)


def main() -> None:
    """The command's entry. A fault of our own ends in one line; STOPWRIGHT_DEBUG=1 shows where."""
    try:
        streams.prepare()
        code = _run()
    except KeyboardInterrupt:  # before a command could say it better
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        print("\nstopwright: stopped by hand", file=sys.stderr, flush=True)
        code = STOPPED
    trouble = streams.output_trouble()
    if trouble is not None:
        print(
            f"stopwright: standard output: cannot be written ({trouble}). What was to be told there is lost; make room "
            "or send it elsewhere, then repeat what only tells",
            file=sys.stderr,
            flush=True,
        )
    # What was lost weighs more than a goal that cannot be reached.
    sys.exit(2 if trouble is not None and code in (0, 3) else code)


def _run() -> int:
    try:
        told = stopwright.main(prog_name="stopwright", standalone_mode=False)
    except click.Abort:
        raise KeyboardInterrupt from None
    except click.ClickException as error:
        if "--json" in sys.argv:
            print(json.dumps({"error": "UsageError", "message": error.format_message()}, indent=2), flush=True)
        error.show()
        return error.exit_code
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else int(bool(end.code))
    except Exception as fault:
        if os.environ.get("STOPWRIGHT_DEBUG"):
            raise
        print(
            f"stopwright: a fault of its own ({type(fault).__name__}: {fault}). What is in the record stays there; "
            "set STOPWRIGHT_DEBUG=1 and repeat to see where, and please report it",
            file=sys.stderr,
            flush=True,
        )
        return 1
    return told if isinstance(told, int) else 0  # the code of --help and --version
