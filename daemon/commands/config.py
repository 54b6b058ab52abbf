"""``config``: what the service is set to, and where each value came from."""

from __future__ import annotations

import click

from daemon.commands.common import ends_well, json_option, print_json, say


@click.command()
@json_option
@ends_well
def config(as_json: bool) -> None:
    """Print the settings in force and where each came from: built in, file, or environment."""
    from daemon.config import load

    loaded = load()
    if as_json:
        print_json(loaded.as_json())
        return
    there = "" if loaded.file.exists() else " (not there)"
    say(f"File: {loaded.file}{there}\n")
    for name, one in loaded.as_json()["settings"].items():
        value = "–" if one["value"] is None else str(one["value"])
        say(f"{name:<18} {value:<22} {one['from']}")
