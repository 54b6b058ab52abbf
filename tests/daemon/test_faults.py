"""Faults of the camera at phases of a run: some of the campaign of `tests.soak_faults`, and that it can fail."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from support_faults import GOALS, REMEDY, _assert_nothing_lost, every_line, strike, unknown_kinds
from support_run import rig, small_plan
from support_simulator import simulated_camera

from daemon import clock

CHOSEN: list[tuple[dict[str, Any], str, str]] = [
    ({"fault": "drop", "frame": 1, "phase": "during", "away_s": 0.5}, "in the midst", "completed"),
    ({"fault": "drop", "frame": 1, "phase": "download", "away_s": 0.5}, "at the end", "completed"),
    ({"fault": "card_full", "frame": 1}, "metering", "paused, resumed"),
    ({"fault": "refuse", "verb": "set", "reason": "denied", "times": 9}, "in the midst", "paused, resumed"),
    ({"fault": "truncate", "frame": 1}, "at the end", "completed"),
    ({"fault": "spoil", "frame": 1, "how": "empty"}, "in the midst", "completed"),
]


@pytest.mark.parametrize(("line", "moment", "outcome"), CHOSEN)
def test_a_fault_is_overcome_or_told_with_a_remedy_and_loses_nothing(
    tmp_path: Path, line: dict[str, Any], moment: str, outcome: str
) -> None:
    told = strike(tmp_path, line, moment)
    print(told.row())
    assert told.acted
    assert told.outcome == outcome


def test_the_campaign_tries_every_kind_of_fault_with_every_verb_phase_and_announcement() -> None:
    lines = list(every_line(1))
    kinds = {line["fault"] for line in lines}
    known = {"busy", "refuse", "silent", "change", "hang", "drop", "card_full", "event", "truncate", "battery"}
    assert known <= kinds and unknown_kinds() == []
    assert {line["verb"] for line in lines if line["fault"] == "silent"} >= {"capture", "set", "object", "list"}
    assert {line["phase"] for line in lines if line["fault"] == "drop"} == {"before", "during", "after", "download"}
    assert len([line for line in lines if line["fault"] == "event"]) == 6


def test_a_lost_picture_and_a_message_without_a_remedy_would_be_noticed(tmp_path: Path) -> None:
    assert not REMEDY.search("Error -110: I/O in progress")
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        bench.shoot(small_plan(GOALS))
        _assert_nothing_lost(bench)
        bench.hands.press()
        while bench.hands.state()["busy"]:
            clock.sleep(0.02)
        with pytest.raises(AssertionError):
            _assert_nothing_lost(bench)
