"""A frame after hands touched the rig: a forgotten filter shows before the pictures, not after them."""

from __future__ import annotations

from pathlib import Path

import pytest
from support_run import rig, small_plan
from support_simulator import simulated_camera

from daemon.checking import GO_ON, LOOK_AGAIN, LOOKS, STOP
from daemon.errors import RunPaused
from hardware_mocks.hands import SimulatedOperator
from plans.plan import ControlStep, OperatorStep

SILK = """goals:
  - compare: [{freeze: spout}, {silk: spout}]
    hold: [aperture, focus]
limits: {iso_at_most: 6400, spread: 1/6}
"""


class Attentive(SimulatedOperator):
    """Forgets the filter, and fits it when a check frame says so."""

    def __init__(self, address: str, answer: str = LOOK_AGAIN):
        super().__init__(address, forgets={"filters"})
        self.answer, self.questions = answer, []
        self.mend = lambda: None

    def choose(self, question, choices):
        self.questions.append((question, tuple(choices)))
        self.mend()
        return self.answer if self.answer in choices else choices[0]


def checks(bench, run):
    """Readings of check frames, in order."""
    return [row for row in bench.store.logbook.readings(run) if "checked" in row.data]


def test_a_rig_touched_as_asked_passes_its_checks_without_a_question(tmp_path: Path) -> None:
    plan = small_plan(SILK)
    assert [step.purpose for step in plan.steps if isinstance(step, ControlStep)] == ["meter", "check"]
    with simulated_camera() as simulator:
        operator = Attentive(simulator.hands)
        operator._forgets = set()
        with rig(tmp_path, simulator, operator) as bench:
            found = bench.shoot(plan)
            assert operator.questions == []
            assert [frame.doubt for frame in found.frames] == [None, None]
            (reading,) = checks(bench, found.run.id)
            off = reading.data["measured_stops"] - reading.data["expected_stops"]
            assert abs(off) <= 0.15
            outcomes = {row.step_id: row for row in bench.store.logbook.steps(found.run.id, 1)}
            check = next(s for s in plan.steps if isinstance(s, ControlStep) and s.purpose == "check")
            assert outcomes[check.id].outcome == "kept"


def test_a_forgotten_filter_is_asked_about_before_the_picture_and_mended(tmp_path: Path) -> None:
    plan = small_plan(SILK)
    (fit,) = [step for step in plan.steps if isinstance(step, OperatorStep) and step.action == "filters"]
    with simulated_camera() as simulator:
        operator = Attentive(simulator.hands)
        with rig(tmp_path, simulator, operator) as bench:
            operator.mend = lambda: bench.hands.filters([f.stops for f in fit.filters], [f.name for f in fit.filters])
            found = bench.shoot(plan)
            ((question, choices),) = operator.questions
            assert "brighter" in question and "ND 64" in question
            assert choices == (LOOK_AGAIN, GO_ON, STOP)
            # The picture itself is right, and nothing is doubted.
            assert [frame.doubt for frame in found.frames] == [None, None]
            assert len(checks(bench, found.run.id)) == 2


def test_who_looks_again_for_ever_is_left_with_going_on_or_stopping(tmp_path: Path) -> None:
    with simulated_camera() as simulator:
        operator = Attentive(simulator.hands)
        with rig(tmp_path, simulator, operator) as bench:
            found = bench.shoot(small_plan(SILK))
            assert [choices for _, choices in operator.questions][-1] == (GO_ON, STOP)
            assert len(operator.questions) == LOOKS
            assert found.frames[1].doubt  # it went on without its filter, and that shows


def test_stopping_at_a_check_pauses_the_run_and_resume_checks_again(tmp_path: Path) -> None:
    plan = small_plan(SILK)
    (fit,) = [step for step in plan.steps if isinstance(step, OperatorStep) and step.action == "filters"]
    with simulated_camera() as simulator:
        operator = Attentive(simulator.hands, STOP)
        with rig(tmp_path, simulator, operator) as bench:
            with pytest.raises(RunPaused):
                bench.shoot(plan)
            assert bench.store.logbook.run("last").state == "paused"
            bench.hands.filters([f.stops for f in fit.filters], [f.name for f in fit.filters])
            bench.runner.resume("last")
            assert bench.store.logbook.run("last").state == "done"
            assert len(checks(bench, bench.store.logbook.run("last").id)) == 2
