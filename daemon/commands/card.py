"""The pocket card of ``explain --card``: on the terminal, or drawn into files."""

from __future__ import annotations

import json
from pathlib import Path

from daemon.commands.common import note, print_json, say
from daemon.errors import UsageError
from plans.plan import Plan, plan_json

ENDINGS = (".pdf", ".png")


def check_out(out: Path | None, path: Path, card: bool) -> None:
    """Refuse a file to draw into before any work is done.

    Raises
    ------
    UsageError
        If there is no card to draw, the ending is none that is drawn, or the file is the plan itself.
    """
    if out is None:
        return
    asked = f"--out {str(out)!r}"
    if not card:
        raise UsageError(f"{asked}: it is for the pocket card, and --card is not there. Add --card, or leave it out")
    if out.suffix.lower() not in ENDINGS:
        ending = repr(out.suffix) if out.suffix else "no ending"
        raise UsageError(f"{asked}: found {ending}; allowed: {' and '.join(ENDINGS)}. Name it card.pdf, to print it")
    if out.exists() and path.exists() and out.samefile(path):
        raise UsageError(f"{asked}: that is the plan itself; name another file for the card")


def show_card(plan: Plan, out: Path | None, as_json: bool) -> None:
    """Print the card of a plan, or draw it into ``out`` and say which files were made.

    Raises
    ------
    UsageError
        If a file cannot be written.
    """
    from plans.explain import brief_of
    from plans.pocket_card import card, card_text

    made = card(plan, brief_of(plan))
    files: tuple[Path, ...] = ()
    if out is not None:
        from daemon.pictures.card import make_card

        try:
            files = make_card(made, out)
        except OSError as error:
            raise UsageError(
                f"--out {str(out)!r}: cannot be written ({error.strerror or error}). Name a file in a folder that is "
                "there and can be written to"
            ) from None
        older = out.with_stem(f"{out.stem}-{len(files) + 1}")
        if out.suffix.lower() == ".png" and older.exists():
            note(f"stopwright: {older} is there still, from an earlier and longer card")
    if as_json:
        text = card_text(made)
        tree = {"title": plan.title, "text": text, "files": [str(file) for file in files]}
        print_json(tree | {"plan": json.loads(plan_json(plan))})
    elif files:
        for file in files:
            say(f"Drawn: {file}")
    else:
        say(card_text(made).rstrip("\n"))
