"""``compile`` and ``explain``: from a brief to a plan, and a plan in plain words."""

from __future__ import annotations

import json
from pathlib import Path

import click

from daemon.commands.common import (
    camera_option,
    ends_well,
    json_option,
    not_written,
    note,
    place,
    plan_with_camera,
    print_json,
    reachable_option,
    say,
)
from daemon.errors import PlanUnreachable, UsageError
from plans.plan import plan_json


@click.command("compile")
@click.argument("brief_path", metavar="BRIEF", type=place)
@click.option("--out", type=place, help="Write the plan to this file, for shoot or explain.")
@camera_option
@reachable_option
@json_option
@ends_well
def compile_command(
    brief_path: Path, out: Path | None, camera_port: str | None, reachable: bool, as_json: bool
) -> None:
    """Compile BRIEF to a plan and show it; exit 3 when a goal cannot be reached.

    A camera is asked only when the brief leaves a scale to it (the word camera).
    """
    from plans.rehearsal import summary

    plan = plan_with_camera(brief_path, camera_port)
    if out is not None:
        if out.exists() and out.samefile(brief_path):
            raise UsageError(f"--out {str(out)!r}: that is the brief itself; name another file for the plan")
        try:
            out.write_text(plan_json(plan), encoding="utf-8")
        except OSError as error:
            raise not_written(out, error) from None
    if as_json:
        print_json(json.loads(plan_json(plan)))
    else:
        say(summary(plan).rstrip("\n"))
    if plan.unreachable and not (reachable and plan.exposing):
        if as_json:  # on standard output there is the plan alone
            note(f"stopwright: {PlanUnreachable(list(plan.unreachable))}")
        raise SystemExit(PlanUnreachable.exit_code)


@click.command()
@click.argument("path", metavar="PLAN", type=place)
@click.option("--card", is_flag=True, help="A pocket card instead: the plan for doing it by hand.")
@click.option("--out", type=place, help="Draw the card into this file, .pdf or .png.")
@json_option
@ends_well
def explain(path: Path, card: bool, out: Path | None, as_json: bool) -> None:
    """Say in plain words what each step of PLAN (or of a brief) does to the picture, in numbers."""
    from daemon.commands.card import check_out, show_card
    from plans.explain import explain as explain_plan

    check_out(out, path, card)
    plan = plan_with_camera(path, None)
    if card:
        show_card(plan, out, as_json)
        return
    text = explain_plan(plan)
    if as_json:
        print_json({"title": plan.title, "text": text, "plan": json.loads(plan_json(plan))})
    else:
        say(text)
