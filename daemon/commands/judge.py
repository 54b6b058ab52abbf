"""``judge``: whether a run's pictures show what they were shot to show."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import click

from daemon.commands.common import ends_well, json_option, print_json, say, store_option

if TYPE_CHECKING:
    from daemon.pictures.judging.verdicts import Verdict
    from daemon.report import RunReport
    from daemon.short_of_time import Errand

WIDTH = 80


@click.command()
@click.argument("run", metavar="RUN")
@click.option("--minutes", type=click.FloatRange(0, 1440), metavar="N", help="With so few left: what to shoot first.")
@click.option("--all", "every", is_flag=True, help="Also list what is shown as it should be.")
@store_option
@json_option
@ends_well
def judge(run: str, minutes: float | None, every: bool, store_dir: Path | None, as_json: bool) -> None:
    """Say what RUN (a number, or last) shows, what it does not, and what to shoot again.

    Every answer is shown, not shown, or can't tell, with its figures; the pixels decide, not the settings.
    """
    from daemon.judging import Judge, to_shoot
    from daemon.report import report
    from daemon.short_of_time import errands
    from daemon.store import open_store

    with open_store(store_dir, create=False) as store:
        found = report(store, run)
        told = Judge(found).verdicts()
    first = None if minutes is None else errands(found.plan, to_shoot(found, told), minutes)
    if as_json:
        data = {"run": found.run.id, "verdicts": [one.model_dump(mode="json") for one in told]}
        if first is not None:
            data["first"] = [
                {"group": one.group, "steps": one.steps, "takes_s": one.takes_s, "fits": one.fits} for one in first
            ]
        print_json(data)
        return
    for line in lines(found, told, every):
        say(line)
    if first is not None and minutes is not None:
        for line in _first_lines(first, minutes):
            say(line)


def lines(found: RunReport, told: list[Verdict], every: bool = False) -> list[str]:
    """The verdicts at 80 columns: a count, then what is not shown and what cannot be told, with what to do."""
    counts = {answer: sum(one.answer == answer for one in told) for answer in ("shown", "not shown", "can't tell")}
    text = [f"Run {found.run.id}: {found.run.title}"[:WIDTH]]
    text.append(", ".join(f"{count} {answer}" for answer, count in counts.items()))
    for answer in ("not shown", "can't tell", *(("shown",) if every else ())):
        if counts[answer]:
            text += ["", answer.upper()]
        for one in (verdict for verdict in told if verdict.answer == answer):
            text += _wrapped(f"{one.about}: {one.kind}: {one.words}", "  ")
            if one.again:
                text += _wrapped(f"-> {one.again.removeprefix(f'{one.about}: ')}", "     ")
    if counts["shown"] == len(told):
        text += ["", "Every picture shows what it was shot to show."]
    return text


def _first_lines(first: list[Errand], minutes: float) -> list[str]:
    if not first:
        return ["", "Every group can teach as it is; nothing has to be shot again."]
    text = ["", f"WITH {minutes:g} MINUTES LEFT"]
    for one in first:
        what = f"{', '.join(step.partition('-')[0] for step in one.steps)} of {one.group}, {one.takes_s / 60:.1f} min"
        text += _wrapped(what if one.fits else f"no time for {what}", "  ")
    return text


def _wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ")
