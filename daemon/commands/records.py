"""``runs`` and ``sheet``: what the logbook holds, and the comparison sheet."""

from __future__ import annotations

from pathlib import Path

import click

from daemon.commands.common import ends_well, json_option, print_json, say, store_option


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
        if run is not None:
            found = report(store, run)
            if as_json:
                print_json(found.as_json())
            else:
                say(f"Run {found.run.id}: {found.run.title} ({found.run.state})\n")
                say(frame_table(found))
                say(f"\n{found.folder}")
            return
        listed = store.logbook.list_runs()
        if as_json:
            print_json({"runs": [run_json(row) | {"counts": store.logbook.counts(row.id)} for row in listed]})
            return
        if not listed:
            say("No runs yet. Make one with: stopwright shoot BRIEF")
        for row in listed:
            counts = store.logbook.counts(row.id)
            pictures = counts["frames"].get("picture", 0)
            day = row.created.astimezone().strftime("%Y-%m-%d %H:%M")
            plural = "s" if pictures != 1 else ""
            line = f"{row.id:>4}  {day}  {row.state:<9} {pictures:>4} picture{plural:<1}  {row.title}"
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
