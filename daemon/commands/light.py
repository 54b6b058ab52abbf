"""``light``: the light over a day at the brief's place, and when each goal can be shot in it."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from daemon.commands.common import (
    brief_from,
    ends_well,
    json_option,
    needs_camera,
    place,
    print_json,
    say,
)
from daemon.errors import UsageError
from daemon.texts import day_of, stand_in_scales
from plans.brief import Brief
from plans.light_brief import BriefLight, brief_light, goal_ranges


@click.command()
@click.argument("brief_path", metavar="BRIEF", type=place)
@click.option("--date", "on", metavar="YYYY-MM-DD", help="The day; left out: that of the brief's when.")
@click.option("--out", type=place, help="Draw the page into this file, .png or .pdf.")
@json_option
@ends_well
def light(brief_path: Path, on: str | None, out: Path | None, as_json: bool) -> None:
    """Show the light over a day at the place of BRIEF: EV, sun, shadows, and when each goal can be shot.

    A forecast from sun and moon, to be corrected by measurement. Sky and facing are taken from the scene.
    """
    _check_out(out, brief_path)
    brief = brief_from(brief_path, stand_in_scales() if needs_camera(brief_path) else None)
    page = _page(brief, brief_path, None if on is None else day_of(on, "--date"))
    if out is not None:
        _draw(page, out)
    if as_json:
        print_json(page.as_json())
    else:
        say("\n".join(page.lines()))
        if out is not None:
            say(f"\nDrawn: {out}")


def _page(brief: Brief, path: Path, on: date | None) -> BriefLight:
    if brief.place is None:
        raise UsageError(
            f"light {str(path)!r}: found no place in the brief; the sky is another one everywhere. Add to the brief, "
            "with your own figures: place: {latitude: 52.0, longitude: 0.0, timezone: Europe/London}"
        )
    if brief.when is None and on is None:
        raise UsageError(
            f"light {str(path)!r}: found no when in the brief, and no --date. Add to the brief, with your own "
            "time: when: 2026-10-20 15:30; or give a day: --date 2026-10-20"
        )
    try:
        return brief_light(brief, on, goal_ranges(brief))
    except ValueError as error:
        raise UsageError(f"light {str(path)!r}: {error}. Give another --date") from None


def _check_out(out: Path | None, brief_path: Path) -> None:
    from daemon.pictures.light_sheet import ENDINGS

    if out is None:
        return
    if out.suffix.lower() not in ENDINGS:
        raise UsageError(f"--out {str(out)!r}: allowed are names that end in {' or '.join(ENDINGS)}")
    if out.exists() and brief_path.exists() and out.samefile(brief_path):
        raise UsageError(f"--out {str(out)!r}: that is the brief itself; name another file for the page")


def _draw(page: BriefLight, out: Path) -> None:
    from daemon.pictures.light_sheet import make_light_sheet

    try:
        make_light_sheet(page, out)
    except OSError as error:
        raise UsageError(f"--out {str(out)!r}: cannot be written ({error.strerror})") from None
