"""``lesson``: a run's pictures as teaching material."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from daemon.commands.common import ends_well, json_option, note, place, print_json, read_text, say, store_option
from daemon.streams import is_terminal


class _Names(click.ParamType[tuple[str, ...]]):
    """Names of parts with commas between them."""

    name = "parts"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, ...]:
        from daemon.pictures.teaching.pack import PARTS

        names = tuple(part.strip() for part in str(value).split(",") if part.strip())
        wrong = [name for name in names if name not in PARTS]
        if wrong or not names:
            self.fail(f"{wrong[0] if wrong else value!r}: allowed: {', '.join(PARTS)}, with commas between", param, ctx)
        return names


@click.command()
@click.argument("run", metavar="RUN")
@click.option("--out", type=place, metavar="FOLDER|FILE.zip", help="Where to; left out: lesson/ in the run's folder.")
@click.option("--only", type=_Names(), metavar="PARTS", help="Some parts alone, such as quiz,worksheet.")
@click.option("--student", "students", type=place, multiple=True, metavar="FILE", help="A student's kit file; repeat.")
@click.option("--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True, help="Of class papers.")
@store_option
@json_option
@ends_well
def lesson(
    run: str,
    out: Path | None,
    only: tuple[str, ...] | None,
    students: tuple[Path, ...],
    paper: str,
    store_dir: Path | None,
    as_json: bool,
) -> None:
    """Make teaching material of RUN (a number, or last), all in one folder or zip.

    Sheets for screen and paper, stills with captions, a side-by-side page, quiz, worksheet, assignment, stop card,
    prompts; with --student a card with the marks of that student's camera. Nothing in it tells serial numbers, owners
    or positions.
    """
    from daemon.judging import captions_of
    from daemon.lesson import make_lesson
    from daemon.pictures.teaching.pack import PARTS
    from daemon.report import report
    from daemon.store import open_store

    kits = [(path.stem, read_text(path, "kit file")) for path in students]
    with open_store(store_dir, create=False) as store:
        found = report(store, run)
    shown = is_terminal(sys.stderr)

    def tell(what: str) -> None:
        if shown:
            print(f"\r{what:<40}", end="", file=sys.stderr, flush=True)

    tell("judging the pictures")
    judged = captions_of(found)
    made = make_lesson(found, out, only or (), kits, judged, "Letter" if paper == "Letter" else "A4", tell)
    tell("\r")
    if as_json:
        print_json(made.as_json())
        return
    say(f"Lesson of run {made.run}, {made.frames} picture{'' if made.frames == 1 else 's'}:")
    for part in made.parts:
        say(f"  {PARTS[part]}")
    if made.missing:
        note(f"Not there, shown as empty places: No. {', '.join(map(str, made.missing))}")
    if made.place.is_dir():
        say(f"Begin with  {made.place / 'index.html'}")
    else:
        say(f"All in      {made.place}")
