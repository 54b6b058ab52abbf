"""Planning on the command line: which commands end with 3, what is said once, and where lines are broken."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from support_run import command, small_brief
from support_terminal import terminal

# A polariser is asked for and there is none; the bracket can be had.
NONE = "goals:\n  - polariser: spout\n"
SOME = f"{NONE}  - bracket: {{change: time, by: 1, count: 3, focus: heron}}\n"
WHY = "no polariser is in the bag"
# As the guide has it (daemon/guide/brief.md, "When a goal cannot be reached").
ENDS = {
    ("compile",): (3, 3),
    ("compile", "--reachable"): (0, 3),
    ("check",): (3, 3),
    ("check", "--reachable"): (None, 3),  # goes on to look for a camera
    ("shoot", "--operator", "simulated"): (3, 3),
    ("shoot", "--operator", "simulated", "--reachable"): (None, 3),
    ("explain",): (0, 0),
    ("explain", "--card"): (0, 0),
    ("light",): (0, 0),
}


@pytest.fixture
def briefs(tmp_path: Path) -> Path:
    for name, goals in (("some.yaml", SOME), ("none.yaml", NONE)):
        (tmp_path / name).write_text(small_brief(goals))
    return tmp_path


@pytest.mark.parametrize("words", ENDS, ids=" ".join)
def test_commands_end_with_3_for_goals_out_of_reach_as_the_guide_says(briefs: Path, words: tuple[str, ...]) -> None:
    verb, *options = words
    for name, code in zip(("some.yaml", "none.yaml"), ENDS[words], strict=True):
        if code is not None:
            done = command(verb, name, *options, home=briefs)
            assert done.returncode == code, done.stderr


def test_what_cannot_be_reached_is_said_once_on_a_terminal(briefs: Path) -> None:
    for options in ((), ("--reachable",)):
        with terminal("compile", "none.yaml", *options, home=briefs) as shown:
            assert shown.end() == 3
            assert shown.screen.count(WHY) == 1 and "nothing to shoot" in shown.screen


def test_json_of_a_plan_with_nothing_left_is_one_document_and_people_are_told_beside_it(briefs: Path) -> None:
    for options in ((), ("--reachable",)):
        done = command("compile", "none.yaml", "--json", *options, home=briefs)
        assert done.returncode == 3 and json.loads(done.stdout)["steps"] == []
        assert done.stderr.count(WHY) == 1


def test_statements_break_at_the_width_of_a_terminal_and_nowhere_else(briefs: Path) -> None:
    piped = command("compile", "none.yaml", "--json", home=briefs).stderr
    (reason,) = (line for line in piped.splitlines() if WHY in line)
    remedies = [line for line in piped.splitlines() if "what would help" in line]
    assert re.search("it holds ND 8 and ND 64$", reason) and len(max(remedies, key=len)) > 60
    with terminal("compile", "none.yaml", "--json", home=briefs, columns=60) as shown:
        shown.end()
    told = shown.screen[shown.screen.index("stopwright: ") :]
    assert max(map(len, told.splitlines())) <= 60
    assert " ".join(told.split()) == " ".join(piped.split())
