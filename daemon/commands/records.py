"""``runs`` and ``sheet``: what the logbook holds, and the comparison sheet."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from daemon.advice import command_line
from daemon.commands.common import ends_well, json_option, print_json, say, store_option

if TYPE_CHECKING:
    from daemon.logbook import RunRow
    from daemon.store import Store


def interrupted(store: Store) -> set[int]:
    """Runs that the logbook calls running, whose process is gone."""

    def running() -> set[int]:
        return {row.id for row in store.logbook.list_runs() if row.state == "running"}

    # Looked at on both sides: a run may begin or end at this very moment.
    before, alive, after = running(), store.run_in_progress(), running()
    return (before & after) - {alive}


def state_now(run: RunRow, gone: set[int]) -> str:
    """Where a run stands: as the logbook has it, but ``interrupted`` when its process is ``gone``."""
    return "interrupted" if run.state == "running" and run.id in gone else run.state


@click.command()
@click.argument("run", metavar="[RUN]", required=False)
@store_option
@json_option
@ends_well
def runs(run: str | None, store_dir: Path | None, as_json: bool) -> None:
    """List the runs in the logbook; with RUN (a number, or last) show its frames."""
    from daemon.report import frame_table, report, run_json
    from daemon.store import open_store

    with open_store(store_dir, create=False) as store:
        gone = interrupted(store)
        if run is not None:
            found = report(store, run)
            state = state_now(found.run, gone)
            if as_json:
                print_json(found.as_json() | {"state": state})
            else:
                say(f"Run {found.run.id}: {found.run.title} ({state})\n")
                say(frame_table(found))
                say(f"\n{found.folder}")
                if state == "interrupted":
                    say("\nThe process that shot it is gone. Go on with:")
                    say(f"  {command_line('resume', str(found.run.id), store=store_dir)}")
            return
        listed = store.logbook.list_runs()
        if as_json:
            told = [
                run_json(row) | {"state": state_now(row, gone), "counts": store.logbook.counts(row.id)}
                for row in listed
            ]
            print_json({"runs": told})
            return
        if not listed:
            say(f"No runs yet. Make one with: {command_line('shoot', 'BRIEF', store=store_dir)}")
        for row in listed:
            counts = store.logbook.counts(row.id)
            pictures = counts["frames"].get("picture", 0)
            day = row.created.astimezone().strftime("%Y-%m-%d %H:%M")
            plural = "s" if pictures != 1 else ""
            line = f"{row.id:>4}  {day}  {state_now(row, gone):<11} {pictures:>4} picture{plural:<1}  {row.title}"
            say(line if len(line) <= 80 else line[:79] + "…")


@click.command()
@click.argument("run", metavar="RUN")
@store_option
@json_option
@ends_well
def sheet(run: str, store_dir: Path | None, as_json: bool) -> None:
    """Draw the comparison sheet of RUN (a number, or last) as PNG and PDF into its folder."""
    from daemon.report import report
    from daemon.sheets import make_run_sheet
    from daemon.store import open_store

    with open_store(store_dir, create=False) as store:
        found = report(store, run)
        files = make_run_sheet(found)
    if as_json:
        print_json({"run": found.run.id, "png": [str(path) for path in files.png], "pdf": str(files.pdf)})
        return
    say(f"Comparison sheet of run {found.run.id}:")
    for path in [*files.png, files.pdf]:
        say(f"  {path}")
