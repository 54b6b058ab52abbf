"""Verdicts while a run goes on, on a whole small run; marks from the page; captions of a lesson."""

from __future__ import annotations

import json
import threading
import time
from pathlib import Path

import pytest
from support_run import Rig, rig, small_plan
from support_simulator import simulated_camera

from daemon import judging_aside
from daemon.context import Manners
from daemon.judging import Judge, captions_of, few_words
from daemon.judging_aside import in_a_line
from daemon.judging_places import marked_regions
from daemon.pictures.judging import verdicts
from daemon.pictures.judging.verdicts import Estimate
from daemon.report import report
from daemon.store import open_store

GOALS = """goals:
  - isolate: heron
  - ladder: {change: aperture, by: 2, from: f/2.8, to: f/11, balance: time, focus: heron}
  - bracket: {change: time, by: 1, count: 3, focus: spout}
limits: {iso_at_most: 6400, spread: 1/6}
"""
ON = Manners(patience_s=10.0, verdicts=True)


def garden():
    """A simulated camera before the garden, whose pictures can be judged."""
    return simulated_camera(render="scene", size=(1200, 800))


def told(one: Rig) -> list[str]:
    return [event.text for event in one.events if event.kind == "verdict"]


def test_each_group_is_judged_beside_the_shooting_and_the_record_keeps_words_only(tmp_path: Path) -> None:
    with garden() as simulator, rig(tmp_path, simulator, manners=ON) as one:
        found = one.shoot(small_plan(GOALS))
        lines = told(one)
        at = one.kinds().index("verdict")
        events = [event for event in one.store.logbook.events(found.run.id) if event.kind == "verdict"]
    titles = [group.title for group in found.plan.groups]
    assert all(any(line.startswith(title) for line in lines) for title in titles), lines
    # Summed up at the end as the command finds it.
    every = [one.answer for one in Judge(found).verdicts()]
    counted = ", ".join(f"{every.count(answer)} {answer}" for answer in ("shown", "not shown", "can't tell"))
    assert lines[-1] == f"Verdicts: {counted}"
    assert at < len(one.events) - 1
    assert [event.text for event in events] == lines
    assert {name for event in events for name in event.data} <= {"group", "run", "command"}


def test_a_run_does_not_wait_for_a_judge_who_takes_long(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    let_go, begun = threading.Event(), threading.Event()

    def slow(self: object, group: object) -> str:
        begun.set()
        let_go.wait(20)
        return ""

    monkeypatch.setattr(judging_aside.Aside, "_verdicts", slow)
    manners = Manners(patience_s=10.0, verdicts=True, verdicts_s=0.3)
    with simulated_camera() as simulator, rig(tmp_path, simulator, manners=manners) as one:
        done: list[float] = []

        def heard(event) -> None:
            if event.kind == "run-done":
                done.append(time.monotonic())
            elif event.kind == "verdict":
                let_go.set()  # the summary came though no group was judged

        one.on_event = heard
        found = one.shoot(small_plan(GOALS))
        assert begun.is_set()
        assert let_go.is_set()
        assert done
        assert found.run.state == "done"
        assert told(one) == ["Verdicts: 0 shown, 0 not shown, 0 can't tell; 3 groups not judged yet"]


def test_a_line_says_what_is_not_shown_and_what_to_shoot_again() -> None:
    good = verdicts.equivalent("step 4", Estimate(value=0.01, unsure=0.01))
    dark = verdicts.equivalent("step 5", Estimate(value=-1.0, unsure=0.01))
    near = verdicts.frozen("step 6", "spout", Estimate(value=1.5, unsure=0.2), 1.5)
    held = verdicts.light_held("ladder", [Estimate(value=value, unsure=0.01) for value in (0.0, 1.0)])
    assert in_a_line("ladder", [good.model_dump()]) == "ladder: shown"
    line = in_a_line("ladder", [one.model_dump() for one in (good, dark, near)])
    assert line == "ladder: not shown: step 5 equivalent; can't tell: step 6 frozen; shoot step 5 again"
    assert in_a_line("ladder", [held.model_dump()]) == (
        "ladder: not shown: light held; shoot the group again in one go, in steadier light"
    )
    # Captions tell what a picture was shot for, and of what holds it only where it does not.
    assert few_words([good, dark, near, held]) == {"step 5": "equivalent: not shown", "step 6": "frozen: can't tell"}


def test_marks_from_the_page_come_before_what_is_found_and_before_the_brief(tmp_path: Path) -> None:
    with garden() as simulator, rig(tmp_path, simulator) as one:
        run = one.shoot(small_plan(GOALS)).run.id
    with open_store(tmp_path / "store", create=False) as store:
        found = report(store, run)
    found_by_itself = next(one for one in Judge(found).verdicts() if one.kind == "isolated")
    captions = captions_of(found)
    isolated = next(frame.step.id for frame in found.frames if frame.step.group == "g1")
    assert captions == {isolated: f"isolated: {found_by_itself.answer}"}
    # The hedge's own place marked as the heron's: it is not sharp there, which only a judge who looks there tells.
    hedge = {"subject": "heron", "left": 0.78, "top": 0.3, "width": 0.14, "height": 0.2}
    outside = {"subject": "hedge", "left": 0.9, "top": 0.25, "width": 0.25, "height": 0.37}
    assert found_by_itself.answer != "not shown"
    sharp_px = found_by_itself.figures.get("subject_px", 0)
    assert sharp_px < 2 or found_by_itself.answer == "can't tell"  # a place that was found may be another's
    path = found.folder / "regions.json"
    path.write_text(json.dumps({"run": run, "frame": 1, "regions": [hedge, outside]}))
    assert marked_regions(path) == {"heron": (0.78, 0.3, 0.14, 0.2)}
    marked = next(one for one in Judge(found).verdicts() if one.kind == "isolated")
    assert marked.answer == "not shown", marked
    assert marked.figures["subject_px"] > 4
    path.write_text("[")
    assert marked_regions(path) == {}
    assert next(one for one in Judge(found).verdicts() if one.kind == "isolated") == found_by_itself
