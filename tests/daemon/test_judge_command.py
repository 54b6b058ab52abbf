"""``stopwright judge`` on a whole small run, marked regions in the brief, and what to shoot with few minutes left."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from support_plans import demo
from support_run import rig, small_plan
from support_simulator import simulated_camera

from daemon.commands.judge import judge
from daemon.short_of_time import errands
from plans.compiler import compile_brief
from plans.errors import BriefError
from plans.reading import demo_brief_text, read_brief

GOALS = """goals:
  - isolate: heron
  - ladder: {change: aperture, by: 2, from: f/2.8, to: f/11, balance: time, focus: heron}
limits: {iso_at_most: 6400, spread: 1/6}
"""


def test_a_run_is_judged_by_its_pixels_and_a_missing_picture_by_its_absence(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as one:
        found = one.shoot(small_plan(GOALS))
        spoilt = found.frames[-1].path
        assert spoilt is not None
    words = ["last", "--store", str(tmp_path / "store"), "--json", "--minutes", "5"]
    done = CliRunner().invoke(judge, words)
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    kinds = {one["kind"]: one["answer"] for one in told["verdicts"]}
    assert {"isolated", "equivalent", "framing held", "ladder even", "light held"} <= set(kinds)
    assert not [one for one in told["verdicts"] if one["answer"] == "not shown"]
    assert told["first"] == []
    spoilt.write_bytes(spoilt.read_bytes()[:20_000])
    worse = CliRunner().invoke(judge, words[:3])
    assert worse.exit_code == 0, worse.output
    assert "CAN'T TELL" in worse.stdout
    assert max(len(line) for line in worse.stdout.splitlines()) <= 80


def test_judging_without_a_run_says_so(tmp_path: Path) -> None:
    done = CliRunner().invoke(judge, ["7", "--store", str(tmp_path / "none")])
    assert done.exit_code != 0
    assert "Traceback" not in done.output


def test_a_region_is_read_from_the_brief_and_a_wrong_one_refused_in_words() -> None:
    place = "region: [0.7, 0.2, 0.25, 0.4]"
    marked = demo_brief_text().replace("hedge: {distance: 8 m}", f"hedge: {{distance: 8 m, {place}}}")
    assert read_brief(marked, "a.yaml").scene.subjects["hedge"].region == (0.7, 0.2, 0.25, 0.4)
    assert demo().scene.subjects["hedge"].region is None
    for wrong in ("[0.7, 0.2, 0.5, 0.4]", "[0.7, 0.2, 0, 0.4]", "[0.7, 0.2]", "[1.2, 0, 0.1, 0.1]"):
        with pytest.raises(BriefError, match="region"):
            read_brief(marked.replace("[0.7, 0.2, 0.25, 0.4]", wrong), "a.yaml")


def test_with_few_minutes_left_the_fewest_frames_that_teach_come_first() -> None:
    plan = compile_brief(demo())
    every = {step.id for step in plan.exposing}
    first = errands(plan, every, 60)
    assert len(first) == len(plan.groups)
    assert [one.takes_s for one in first] == sorted(one.takes_s for one in first)
    assert all(1 <= len(one.steps) <= 2 for one in first)
    ladder = next(group for group in plan.groups if "ladder" in group.title)
    ends = next(one.steps for one in first if one.group == ladder.title)
    assert ends == (ladder.steps[0], ladder.steps[-1])
    assert not any(one.fits for one in errands(plan, every, 0))
    # One good frame beside the reference is enough to teach; a lost reference is asked for alone.
    assert ladder.title not in {one.group for one in errands(plan, {ladder.steps[-1]}, 60)}
    assert [one.steps for one in errands(plan, {ladder.steps[0]}, 60)] == [(ladder.steps[0],)]
