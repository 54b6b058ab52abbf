"""The command ``stopwright``."""

from __future__ import annotations

import importlib
import os
import sys

import click

from daemon import log

_COMMANDS = {
    "demo": ("daemon.commands.demo", "demo"),
    "compile": ("daemon.commands.planning", "compile_command"),
    "explain": ("daemon.commands.planning", "explain"),
    "kit": ("daemon.commands.kit", "kit"),
    "cameras": ("daemon.commands.connected", "cameras"),
    "check": ("daemon.commands.connected", "check"),
    "shoot": ("daemon.commands.shooting", "shoot"),
    "resume": ("daemon.commands.shooting", "resume"),
    "runs": ("daemon.commands.records", "runs"),
    "sheet": ("daemon.commands.records", "sheet"),
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
    log.set_up(level)


def main() -> None:
    """The command's entry. A fault of our own ends in one line; STOPWRIGHT_DEBUG=1 shows where."""
    try:
        stopwright()
    except Exception as fault:
        if os.environ.get("STOPWRIGHT_DEBUG"):
            raise
        click.echo(
            f"stopwright: a fault of its own ({type(fault).__name__}: {fault}). What is in the record stays there; "
            "set STOPWRIGHT_DEBUG=1 and repeat to see where, and please report it",
            err=True,
        )
        sys.exit(1)
