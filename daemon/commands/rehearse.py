"""``rehearse``: at home, what a plan's pictures will look like, and whether its steps can be walked."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from daemon.clock import monotonic
from daemon.commands.common import (
    ends_well,
    json_option,
    needs_camera,
    not_written,
    note,
    place,
    plan_from,
    print_json,
    reachable_option,
    say,
)
from daemon.errors import PlanUnreachable, UsageError
from daemon.texts import stand_in_scales
from plans.plan import Plan

if TYPE_CHECKING:
    from daemon.rehearsing import Brightness, Rehearsed, Walked

ENDINGS = (".pdf", ".png")
SHEET = Path("rehearsal.pdf")
STAND_IN = "The brief leaves its scales to the camera: marks in thirds of a stop stand in for them."


@click.command()
@click.argument("path", metavar="BRIEF", type=place)
@click.option(
    "--out", type=place, default=SHEET, show_default=True, help="Draw the sheet into this file, .pdf or .png."
)
@click.option(
    "--size", type=click.IntRange(300, 3000), default=900, show_default=True, help="Width of the pictures in pixels."
)
@reachable_option
@json_option
@ends_well
def rehearse(path: Path, out: Path, size: int, reachable: bool, as_json: bool) -> None:
    """Draw the pictures that BRIEF (or a plan) would give, and walk its steps, without any camera.

    A garden with a fountain stands in for the place; distances, speeds, light and kit are the brief's. Exit 3 when a
    goal cannot be reached: the others are drawn all the same.
    """
    from daemon.rehearsing import find_rehearse

    _check_out(out, path)
    maker = find_rehearse()
    stands_in = needs_camera(path)
    plan = plan_from(path, stand_in_scales() if stands_in else None)
    began = monotonic()
    made = maker(plan, size)
    files, read = _sheet(plan, made, out)
    took_s = monotonic() - began
    if as_json:
        print_json(_tree(plan, made, read, files, stands_in))
    else:
        say(_text(plan, made, files, took_s, stands_in))
    if plan.unreachable and not (reachable and plan.exposing):
        if as_json:
            note(f"stopwright: {PlanUnreachable(list(plan.unreachable))}")
        raise SystemExit(PlanUnreachable.exit_code)


def _check_out(out: Path, path: Path) -> None:
    asked = f"--out {str(out)!r}"
    if out.suffix.lower() not in ENDINGS:
        ending = repr(out.suffix) if out.suffix else "no ending"
        raise UsageError(f"{asked}: found {ending}; allowed: {' and '.join(ENDINGS)}. Name it {SHEET}, to print it")
    if out.exists() and path.exists() and out.samefile(path):
        raise UsageError(f"{asked}: that is the brief itself; name another file for the sheet")
    if out.is_dir():
        raise UsageError(f"{asked}: found a folder; allowed: the name of a file")
    if not out.parent.is_dir():
        raise not_written(out, FileNotFoundError())


def _sheet(plan: Plan, made: Rehearsed, out: Path) -> tuple[list[Path], dict[str, Brightness]]:
    """Draw the sheet; its files, and what was read from the pictures."""
    from daemon.pictures.draw_pdf import draw_pdf
    from daemon.pictures.draw_png import draw_page
    from daemon.pictures.sheet import sheet_pages
    from daemon.pictures.writing import png_bytes, replace_file
    from daemon.rehearsing import groups_of, read_back

    if not made.pictures:
        return [], {}
    with tempfile.TemporaryDirectory(prefix="rehearsal-") as folder:
        pictures = {}
        for number, (step, content) in enumerate(made.pictures.items()):
            pictures[step] = Path(folder) / f"{number}.jpg"
            pictures[step].write_bytes(content)
        read = read_back(plan, pictures)
        groups = groups_of(plan, made, pictures, read)
        ev = plan.inputs.light.ev100
        subtitle = (
            f"Rehearsal in a drawn garden, no photographs; light EV {ev:.1f} at ISO 100. " + made.unknown[0] + "."
        )
        pages, shown, title = sheet_pages(groups, plan.title, subtitle)
    if out.suffix.lower() == ".pdf":
        sheets = [draw_pdf(pages, shown, title, "Rehearsal")]
    else:
        sheets = [png_bytes(draw_page(page, shown)) for page in pages]
    files = [out] if len(sheets) == 1 else [out.with_stem(f"{out.stem}-{n}") for n in range(1, len(sheets) + 1)]
    try:
        for content, file in zip(sheets, files, strict=True):
            replace_file(file, content)
    except OSError as error:
        raise not_written(out, error) from None
    older = out.with_stem(f"{out.stem}-{len(files) + 1}")
    if out.suffix.lower() == ".png" and older.exists():
        note(f"stopwright: {older} is there still, from an earlier and longer rehearsal")
    return files, read


def _clock(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _walk_lines(walked: Walked) -> list[str]:
    from plans.rehearsal import minutes, wrapped

    lines = wrapped(
        f"Walked on the simulated camera with the kit's scales, shutter closed: {walked.steps} steps, "
        f"{walked.settings} settings told and read back; about {minutes(walked.duration_s)}, hands needed "
        f"{len(walked.hands)} time{'' if len(walked.hands) == 1 else 's'}."
    )
    for hand in walked.hands:
        lines += wrapped(f"{_clock(hand.at_s)}  {hand.text}", 2)
    if walked.held:
        lines += wrapped(f"{walked.held} of the pictures need the shutter held open beyond the camera's own times.", 2)
    for wrong in walked.wrong:
        lines += wrapped(f"DOES NOT FIT  {wrong}", 2)
    return lines


def _text(plan: Plan, made: Rehearsed, files: list[Path], took_s: float, stands_in: bool) -> str:
    from plans.rehearsal import NOTHING, wrapped

    lines = wrapped(plan.title)
    count = len(made.pictures)
    if count:
        lines += wrapped(f"Rehearsed: {count} picture{'' if count == 1 else 's'} drawn in {took_s:.1f} s.")
        lines += ["", *wrapped("A garden stands in for the place:")]
        for sentence in made.mapped:
            lines += wrapped(sentence, 2)
    else:
        lines += wrapped(NOTHING if plan.unreachable else "There is no picture to draw: time-lapses are walked only.")
    if stands_in:
        lines += wrapped(STAND_IN)
    if plan.steps:
        lines += ["", *_walk_lines(made.walked)]
    if count:
        lines += ["", *wrapped("What these pictures cannot tell:")]
        for sentence in made.unknown:
            lines += wrapped(f"{sentence}.", 2)
    for item in plan.unreachable:
        lines += ["", *wrapped(f"NOT REACHABLE  {item.goal}")]
        for reason in item.reasons:
            lines += wrapped(f"because {reason}", 4)
        for remedy in item.remedies:
            lines += wrapped(f"what would help: {remedy}", 4)
    lines += [""] if files else []
    lines += [f"Sheet  {file}" for file in files]
    return "\n".join(lines)


def _tree(
    plan: Plan, made: Rehearsed, read: dict[str, Brightness], files: list[Path], stands_in: bool
) -> dict[str, Any]:
    pictures = [
        {
            "step": step.id,
            "group": step.group,
            "settings": json.loads(step.settings.model_dump_json()),
            "brightness_stops": read[step.id].read,
            "meant_stops": read[step.id].meant,
        }
        for step in plan.exposing
        if step.id in made.pictures
    ]
    walked = made.walked
    return {
        "title": plan.title,
        "pictures": pictures,
        "mapped": list(made.mapped),
        "unknown": list(made.unknown),
        "walked": {
            "steps": walked.steps,
            "settings": walked.settings,
            "duration_s": walked.duration_s,
            "held_open": walked.held,
            "hands": [{"step": hand.step, "at_s": hand.at_s, "text": hand.text} for hand in walked.hands],
            "wrong": list(walked.wrong),
        },
        "scales": "stand-in" if stands_in else "kit",
        "unreachable": [json.loads(item.model_dump_json()) for item in plan.unreachable],
        "files": [str(file) for file in files],
    }
