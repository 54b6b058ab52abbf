"""Pictures of which the camera library was told nothing, or half: none is left on the card unlisted."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from support_run import Rig, assert_nothing_lost_nothing_twice, rig, small_plan
from support_simulator import simulated_camera

from daemon import clock
from daemon.camera.verbs import CardFile
from daemon.report import report
from hardware_mocks.hands import Hands, SimulatedOperator
from plans.plan import OperatorStep

GOALS = "goals:\n  - bracket: {change: time, by: 1, count: 3, focus: heron}\nlimits: {iso_at_most: 6400}\n"
LOST = {"fault": "event", "which": "ObjectAdded", "how": "lost"}


class Curious(SimulatedOperator):
    """Presses the button once, when first asked for hands."""

    def __init__(self, hands: str):
        super().__init__(hands)
        self._hands_at, self._pressed = hands, False

    def act(self, step: OperatorStep) -> Any:
        if not self._pressed:
            self._pressed = True
            press_and_wait(Hands(self._hands_at))
        return super().act(step)


def press_and_wait(hands: Hands) -> None:
    hands.press()
    while hands.state()["busy"]:
        clock.sleep(0.01)


@contextmanager
def curious_rig(folder: Path) -> Iterator[Rig]:
    """A picture by hand at the first question, of which the camera says nothing."""
    with (
        simulated_camera(faults=[LOST | {"frame": 1}]) as simulator,
        rig(folder, simulator, Curious(simulator.hands)) as bench,
    ):
        yield bench


def remembers_only(bench: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    """The negative control: no list is asked for fresh."""
    listing = bench.camera.card
    monkeypatch.setattr(bench.camera, "card", lambda fresh=False: listing())


@pytest.mark.parametrize("fresh", [True, False])
def test_a_picture_whose_announcement_was_lost_is_listed_at_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fresh: bool
) -> None:
    with curious_rig(tmp_path) as bench:
        if not fresh:
            remembers_only(bench, monkeypatch)
        found = bench.shoot(small_plan(GOALS))
        assert bench.hands.faults()["unused"] == []
        if not fresh:
            assert found.counts["files"] == bench.hands.state()["exposures"] - 1, "the picture stays unlisted"
            return
        assert found.counts["frames"]["unasked"] == 1
        assert_nothing_lost_nothing_twice(found, bench.hands)


class Die(BaseException):
    """Stands for SIGKILL at a chosen line."""


@pytest.mark.parametrize("fresh", [True, False])
def test_a_frame_that_ends_unannounced_after_a_death_is_taken_up_and_not_shot_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fresh: bool
) -> None:
    # The run goes on while the shutter is open: the card is listed before the frame is on it, and nothing tells of it.
    with simulated_camera() as simulator:
        with rig(tmp_path, simulator) as bench:
            real, calls = bench.camera.expose, []

            def deadly(exposure_s: float) -> list[CardFile]:
                calls.append(exposure_s)
                if len(calls) == 4:
                    raise Die
                return real(exposure_s)

            monkeypatch.setattr(bench.camera, "expose", deadly)
            monkeypatch.setattr(bench.runner, "_pause", lambda context, error: None)
            with pytest.raises(Die):
                bench.runner.start(small_plan(GOALS))
            assert len(bench.store.logbook.open_attempts(1)) == 1
        with rig(tmp_path, simulator) as bench:
            before = bench.hands.state()["exposures"]
            bench.hands.fault(**LOST, frame=before + 1)
            listing, looks = bench.camera.card, []

            def card(fresh_asked: bool = False) -> list[CardFile]:
                files = listing(fresh_asked and fresh)
                if not looks:
                    press_and_wait(bench.hands)  # the trigger's own frame, as it were
                looks.append(len(files))
                return files

            monkeypatch.setattr(bench.camera, "card", lambda fresh=False: card(fresh))
            found = report(bench.store, bench.runner.resume("last"))
            assert bench.hands.faults()["unused"] == []
            assert looks[0] == before
            assert found.counts["attempts"].get("abandoned", 0) == (0 if fresh else 1)
            assert [frame.recovered for frame in found.frames].count(True) == (1 if fresh else 0)
            if fresh:
                assert_nothing_lost_nothing_twice(found, bench.hands)


def test_a_list_that_leaves_known_pictures_out_is_not_believed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # A folder whose description the camera refuses is missing from the library's list, with all in it, without a word.
    with curious_rig(tmp_path) as bench:
        real, lengths = bench.camera.card, []

        def listing(fresh: bool = False) -> list[CardFile]:
            if fresh and not lengths:
                bench.hands.fault(fault="refuse", verb="info", after=1)
            files = real(fresh)
            if fresh:
                lengths.append(len(files))
            return files

        monkeypatch.setattr(bench.camera, "card", listing)
        found = bench.shoot(small_plan(GOALS))
        assert lengths == [0, bench.hands.state()["exposures"]]
        assert found.counts["frames"]["unasked"] == 1
        assert_nothing_lost_nothing_twice(found, bench.hands)


def test_a_camera_too_busy_to_list_its_card_is_not_taken_for_one_with_an_empty_card(tmp_path: Path) -> None:
    # What lay there before would all be brought in at the end, as if it had been taken during the run.
    card = tmp_path / "card"
    card.mkdir()
    with simulated_camera(card=card) as simulator:
        for _ in range(3):
            press_and_wait(Hands(simulator.hands))
    faults = [{"fault": "busy", "verb": "list", "after": 1}]
    with simulated_camera(card=card, faults=faults) as simulator, rig(tmp_path, simulator) as bench:
        bench.shoot(small_plan(GOALS))
        assert bench.hands.faults()["unused"] == []
        assert len(bench.store.logbook.card_seen(1)) == 3
        assert "unasked-frame" not in bench.kinds()
