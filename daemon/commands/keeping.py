"""``verify``, ``export`` and ``backup``: whether the store is whole, and how it goes elsewhere."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from daemon.advice import command_line
from daemon.commands.common import ends_well, json_option, place, print_json, say, store_option
from daemon.streams import is_terminal

if TYPE_CHECKING:
    from daemon.verifying import Progress

_SHOWN = 20
_KINDS = {
    "damaged": "The logbook is damaged. Copy the whole folder, then put a backup of the logbook in its place",
    "missing": "Missing: listed in the logbook, not on the disk. Fetch them from the card or a backup",
    "changed": "Changed: not the bytes that were stored. Put them back from the card or a backup",
    "unreadable": "Unreadable: the disk does not give them. Check disk and cable",
    "unlisted": "Unlisted: pictures that no run names. Resume the run, or move them elsewhere by hand",
    "leftovers": "Left in incoming/ by a run that was broken off. Resume it, or move them elsewhere by hand",
}


@click.command()
@click.argument("run", metavar="[RUN]", required=False)
@store_option
@json_option
@ends_well
def verify(run: str | None, store_dir: Path | None, as_json: bool) -> int:
    """Hash every stored file again and hold it against the logbook; with RUN (a number, or last) of that run alone.

    Ends with 5 when files are missing, changed, unreadable or unlisted, or downloads were left unfinished.
    """
    from daemon.store import open_store
    from daemon.verifying import verify as look

    with open_store(store_dir, create=False) as store:
        found = look(store, None if run is None else store.logbook.run(run), _progress("files hashed"))
    if as_json:
        print_json(found.as_json())
        return 5 if found.wrong else 0
    say(f"{_files(found.files)} hashed, {_size(found.bytes)}, in {found.store}")
    for kind, paths in found.wrong.items():
        say(f"\n{_KINDS[kind]}:")
        for path in paths[:_SHOWN]:
            say(f"  {path}")
        if len(paths) > _SHOWN:
            say(f"  and {len(paths) - _SHOWN} more; --json lists all")
    if found.in_flight:
        say(f"\n{_files(len(found.in_flight))} in flight: a run goes on at this moment.")
    if not found.wrong:
        say("All are as they were stored; none is missing, none unlisted.")
    return 5 if found.wrong else 0


@click.command()
@click.argument("run", metavar="RUN")
@click.option("--out", type=place, help="Folder to write to; left out: export/ in the run's folder.")
@click.option("--pictures", is_flag=True, help="Copy the pictures as well, each beside its sidecar.")
@store_option
@json_option
@ends_well
def export(run: str, out: Path | None, pictures: bool, store_dir: Path | None, as_json: bool) -> None:
    """Write RUN (a number, or last) for other programs: frames.csv, run.json, and an XMP sidecar for each picture."""
    from daemon.exporting import export as write
    from daemon.store import open_store

    with open_store(store_dir, create=False) as store:
        done = write(store, run, out, pictures)
    if as_json:
        print_json(done.as_json())
        return
    say(f"{_count(done.frames, 'frame')}, {_files(done.files)}: frames.csv, run.json, {done.sidecars} sidecars")
    if pictures:
        say(f"{done.pictures} pictures copied beside them")
    say(f"  {done.folder}")


@click.command()
@click.argument("to", metavar="TO", type=place)
@click.option("--logbook-only", is_flag=True, help="Copy the logbook alone, to the new file TO.")
@store_option
@json_option
@ends_well
def backup(to: Path, logbook_only: bool, store_dir: Path | None, as_json: bool) -> None:
    """Copy the store to the folder TO, also while a run goes on, and verify the copy.

    TO is empty, new, or an earlier backup of this store: then only what is new is copied. The copy is a store of its
    own, to be looked at with --store.
    """
    from daemon.backup import backup_logbook, backup_store
    from daemon.store import open_store

    with open_store(store_dir, create=False) as store:
        done = backup_logbook(store, to) if logbook_only else backup_store(store, to, _progress("files held"))
    if as_json:
        print_json(done.as_json())
        return
    if logbook_only:
        say(f"Logbook of {_count(done.runs, 'run')}, looked through: {done.place}")
        return
    say(f"{_count(done.runs, 'run')}, {_files(done.files)}, every one hashed; {done.copied} new ({_size(done.bytes)})")
    if done.left:
        say(f"Not copied: {_files(done.left)} in incoming/, not yet in the record.")
    if done.not_copied:
        say(f"Not copied: {', '.join(done.not_copied[:3])}, which changed meanwhile or differ from the copy there.")
    say(f"Look at it with:\n  {command_line('runs', store=done.place)}")


def _files(count: int) -> str:
    return _count(count, "file")


def _count(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _size(count: int) -> str:
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{count / 1e6:.1f} MB"


def _progress(what: str) -> Progress | None:
    if not is_terminal(sys.stderr):
        return None

    def tell(done: int, of: int) -> None:
        if done == of or done % 20 == 0:
            print(f"\r{done} of {of} {what}", end="\n" if done == of else "", file=sys.stderr, flush=True)

    return tell
