"""``serve``: the service, until it is told to end."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from daemon.commands.common import (
    camera_option,
    ends_well,
    json_option,
    note,
    place,
    print_json,
    say,
    store_option,
    word,
)
from daemon.errors import UsageError


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


@click.command()
@store_option
@click.option("--control", is_flag=True, help="The device may control runs; left out: it may only watch.")
@click.option("--class", "for_class", is_flag=True, help="One code for a whole class, to watch only.")
@click.option("--minutes", type=click.FloatRange(1, 60), help="How long a class may join; left out: 10.")
@click.option("--end-class", is_flag=True, help="Let nobody join any more by the class's code.")
@json_option
@ends_well
def pair(
    store_dir: Path | None, control: bool, for_class: bool, minutes: float | None, end_class: bool, as_json: bool
) -> None:
    """Pair a phone or another computer with the running service: a code and a QR code, for two minutes.

    With --class one code lets every student's phone in to watch, for ten minutes or as long as you say.
    Plain HTTP can be read by others on the same network: use the rig's own encrypted hotspot.
    """
    from daemon.client import running_service

    if control + for_class + end_class > 1:
        raise UsageError("pair: found more than one of --control, --class, --end-class; allowed: one. Give one")
    if minutes is not None and not for_class:
        raise UsageError("pair: found --minutes without --class; allowed: with it. Other codes live two minutes")
    service = running_service(store_dir)
    if service is None:
        raise UsageError("pair: found no service that runs on this store. Start one: stopwright serve --lan")
    if end_class:
        told = service.ask("DELETE", "/api/pairing/class")
        if as_json:
            print_json(told)
        else:
            say(f"Nobody can join any more. Joined by the last code: {told['joined']}.")
        return
    if for_class:
        offer = service.ask("POST", "/api/pairing/class", {} if minutes is None else {"minutes": minutes})
    else:
        offer = service.ask("POST", "/api/pairing", {"role": "control" if control else "watch"})
    if as_json:
        print_json({name: value for name, value in offer.items() if name != "qr_svg"})
        return
    import sys

    import segno

    segno.make(offer["urls"][0], micro=False).terminal(out=sys.stdout, compact=True)
    for url in offer["urls"]:
        say(url)
    whom = f"up to {offer['places']} devices" if for_class else "one device"
    say(f"\nCode {offer['code']}, for {whom}, to {offer['role']}, within {offer['expires_s'] / 60:.0f} minutes.")
    if for_class:
        say("To end it before: stopwright pair --end-class")
    if offer["urls"][0].startswith("http://127."):
        note("stopwright: the service listens on this computer alone; for other devices: stopwright serve --lan")
