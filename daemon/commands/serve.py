"""``serve``: the service, until it is told to end."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from daemon.commands.common import camera_option, ends_well, place, say, store_option, word


@click.command()
@store_option
@camera_option
@click.option("--operator", type=word, metavar="NAME", help="page, nobody, or simulated[:HOST:PORT].")
@click.option("--host", type=word, help="Address to listen on; left out: this computer alone.")
@click.option("--port", type=click.IntRange(0, 65535), help="Port to listen on; 0: any free one.")
@click.option(
    "--lan", is_flag=True, default=None, help="Listen beyond this computer, for paired devices. Not encrypted."
)
@click.option("--unit", is_flag=True, help="Print a systemd unit for this service, and do nothing else.")
@click.option(
    "--config", "config_file", type=place, help="Configuration file; left out: $STOPWRIGHT_CONFIG, else ~/.config."
)
@ends_well
def serve(
    store_dir: Path | None, camera_port: str | None, unit: bool, config_file: Path | None, **options: Any
) -> None:
    """Run the service: one process that shoots for the page, the schedule and other commands.

    SIGTERM or Ctrl-C end it: the frame in flight is finished, the camera's settings are put back.
    """
    import os

    from daemon import log
    from daemon.config import load

    if unit:
        from daemon.packaging.unit import unit_text

        say(unit_text().rstrip("\n"))
        return
    environ = dict(os.environ) | ({"STOPWRIGHT_CONFIG": str(config_file)} if config_file else {})
    loaded = load(environ, options | {"store": str(store_dir) if store_dir else None, "camera": camera_port})
    config = loaded.config
    log.set_up(config.log_level, form=config.log_form)

    from daemon.service import Service
    from daemon.store import open_store
    from daemon.web.server import serve as run_server

    with open_store(Path(config.store)) as store, store.lock("stopwright serve"):
        store.note_run(0)
        run_server(loaded, Service(store, config))
