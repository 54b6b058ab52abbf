"""A freeze and a silk with nothing beside them: the frames that metered and checked tell how fast the water runs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from support_run import rig, small_plan
from support_simulator import simulated_camera

from daemon.judging import Judge
from daemon.report import RunReport

GOALS = """goals:
  - compare: [{freeze: spout}, {silk: spout}]
    hold: [aperture, focus]
limits: {iso_at_most: 6400, spread: 1/6}
"""


def told(found: RunReport) -> dict[str, str]:
    return {one.kind: one.answer for one in Judge(found).verdicts() if one.kind in ("frozen", "silky")}


def test_a_pair_alone_is_told_by_the_control_frames_taken_for_it(tmp_path: Path) -> None:
    with simulated_camera(render="scene", size=(1200, 800)) as simulator, rig(tmp_path, simulator) as one:
        found = one.shoot(small_plan(GOALS))
    assert len(found.frames) == 2 and found.controls
    assert told(found) == {"frozen": "shown", "silky": "shown"}
    # Control: from the two pictures alone a speed would be made up.
    assert told(replace(found, controls=())) == {"frozen": "can't tell", "silky": "can't tell"}
    # A control frame that cannot be read tells nothing, and is no reason to stop.
    (tmp_path / "torn.jpg").write_bytes(b"no picture")
    torn = tuple(replace(one, path=tmp_path / "torn.jpg") for one in found.controls)
    assert told(replace(found, controls=torn)) == {"frozen": "can't tell", "silky": "can't tell"}
