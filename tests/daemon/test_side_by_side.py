"""What goes on side by side in a run: the camera is set while a frame is stored, work is done while a shutter is open.

None of it may bend the promise: one verb at a time, intent before the trigger, a durable file before its row.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from support_inprocess import SIZE, Bench, assert_adds_up
from support_run import small_plan

from daemon.camera import ahead
from daemon.camera.ahead import AheadCamera
from daemon.camera.verbs import CardFile
from daemon.context import Manners
from daemon.errors import CameraError, StoreError
from daemon.logbook import FrameRow
from daemon.readings import Reader
from daemon.store import open_store
from hardware_mocks.flat import FlatRenderer
from hardware_mocks.inprocess import InProcessCamera
from plans.plan import ExposeStep


class Told(InProcessCamera):
    """A camera that notes its verbs as they begin, and whether two of them ever overlapped."""

    def __init__(self) -> None:
        super().__init__(renderer=FlatRenderer(), size=SIZE)
        self.acts: list[str] = []
        self.overlapped = False
        self.verb = ""  # the one that is under way
        self.refuses: Callable[[Mapping[str, str]], bool] = lambda labels: False
        self._busy = threading.Lock()

    def _alone(self, what: str, act: Callable[[], Any]) -> Any:
        self.acts.append(what)
        if not self._busy.acquire(blocking=False):
            self.overlapped = True
            return act()
        try:
            self.verb = what
            time.sleep(0.01)  # long enough for another thread to come in between
            return act()
        finally:
            self.verb = ""
            self._busy.release()

    def apply(self, labels: Mapping[str, str]) -> dict[str, str]:
        def act() -> dict[str, str]:
            if self.refuses(labels):
                raise CameraError("The camera would not.")
            return super(Told, self).apply(labels)

        found: dict[str, str] = self._alone(f"apply {labels.get('time')} {labels.get('aperture')}", act)
        return found

    def expose(self, exposure_s: float) -> list[CardFile]:
        found: list[CardFile] = self._alone("expose", lambda: super(Told, self).expose(exposure_s))
        return found

    def fetch(self, file: CardFile, into: Path) -> int:
        return int(self._alone("fetch", lambda: super(Told, self).fetch(file, into)))


@pytest.fixture
def camera() -> Iterator[Told]:
    made = Told()
    yield made
    made.close()


@pytest.fixture
def made(tmp_path: Path, camera: Told) -> Iterator[Bench]:
    with open_store(tmp_path / "store", trace=lambda act, of: camera.acts.append(f"{act} {of}")) as store:
        yield Bench(store, camera)


@pytest.mark.parametrize("light", ["off", "ends"])
def test_the_next_frame_is_set_before_the_row_of_this_one_is_written_and_no_two_verbs_overlap(
    made: Bench, camera: Told, light: Any
) -> None:
    made.new_runner(manners=Manners(light=light))
    assert_adds_up(made.shoot(small_plan()), made)
    assert not camera.overlapped
    acts = camera.acts
    exposures = [place for place, act in enumerate(acts) if act == "expose"]
    early = 0
    for here, after in pairwise(exposures):
        between = acts[here:after]
        keeps = [place for place, act in enumerate(between) if act == "commit keep"]
        sets = [place for place, act in enumerate(between) if act.startswith("apply")]
        # The promise in order: files on the disk, then their row; an intent, then the shutter.
        stored = next(place for place, act in enumerate(between) if act.startswith("fsync file"))
        assert stored < keeps[0]
        assert "commit begin_attempt" in between
        early += bool(sets) and sets[0] < keeps[0]
    assert early >= 4  # of five pictures that follow another one of their group


def test_verbs_of_two_threads_overlap_where_nothing_keeps_them_apart(camera: Told) -> None:
    # The negative control of the test above.
    threads = [threading.Thread(target=camera.apply, args=({"iso": "100"},)) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert camera.overlapped


def test_a_setting_that_is_refused_ahead_ends_the_attempt_without_a_frame_and_is_tried_again(
    made: Bench, camera: Told
) -> None:
    seen: dict[str, int] = {}

    def refuses(labels: Mapping[str, str]) -> bool:
        name = str(labels.get("aperture"))
        seen[name] = seen.get(name, 0) + 1
        return name == "f/8" and seen[name] == 2  # the first is the metering frame's

    camera.refuses = refuses
    found = made.shoot(small_plan())
    assert_adds_up(found, made)
    attempts = made.store.logbook.attempts(found.run.id)
    (given_up,) = [one for one in attempts if one.state == "abandoned"]
    assert "nothing was exposed" in (given_up.why or "")
    assert len(attempts) == made.exposures + 1


def test_labels_that_were_set_too_long_ago_are_read_back_again(camera: Told, monkeypatch: pytest.MonkeyPatch) -> None:
    by_hand = AheadCamera(camera)
    wanted = {"iso": "200"}
    by_hand.apply_soon(wanted)
    assert by_hand.apply(wanted) == wanted and len(camera.acts) == 1
    monkeypatch.setattr(ahead, "FRESH_S", 0.02)
    by_hand.apply_soon(wanted)
    time.sleep(0.1)
    camera.core.set("iso", next(raw for raw, label in camera.core.labels("iso").items() if label == "800"))
    assert by_hand.apply(wanted) == wanted
    assert camera.state().settings["iso"].current == "200" and len(camera.acts) == 3


def test_a_card_that_was_listed_too_long_ago_is_listed_again(camera: Told, monkeypatch: pytest.MonkeyPatch) -> None:
    both = AheadCamera(camera)
    both.expose(1 / 500)
    both.list_soon()
    assert len(both.card()) == len(both.card(fresh=True)) == 1
    both.list_soon()
    assert both.card() == both.card(fresh=True)
    both.list_soon()
    both.expose(1 / 500)  # a verb between: what was listed before it is of no use
    assert len(both.card(fresh=True)) == 2
    monkeypatch.setattr(ahead, "FRESH_S", 0.02)
    both.list_soon()
    time.sleep(0.1)
    camera.expose(1 / 500)  # by hand, as far as the run knows
    assert len(both.card(fresh=True)) == 3


def test_a_list_that_failed_beside_is_asked_for_again(camera: Told, monkeypatch: pytest.MonkeyPatch) -> None:
    both, real, asked = AheadCamera(camera), camera.card, []

    def fails_once(fresh: bool = False) -> list[CardFile]:
        asked.append(fresh)
        if len(asked) <= 2:
            raise CameraError("The camera would not.")
        return real(fresh)

    monkeypatch.setattr(camera, "card", fails_once)
    both.expose(1 / 500)
    both.list_soon()
    assert len(both.card(fresh=True)) == 1
    assert asked == [False, True, True]


def test_the_camera_is_put_back_while_the_last_picture_is_stored(made: Bench, camera: Told) -> None:
    camera.hands({"do": "dial", "to": "M"})
    before = {name: camera.state().settings[name].current for name in ("aperture", "time", "iso")}
    found = made.shoot(small_plan())
    assert_adds_up(found, made)
    last = max(place for place, act in enumerate(camera.acts) if act == "expose")
    tail = camera.acts[last:]
    sets = [place for place, act in enumerate(tail) if act.startswith("apply")]
    assert len(sets) == 1 and sets[0] < tail.index("commit keep") < tail.index("commit mark_restored")
    assert {name: camera.state().settings[name].current for name in before} == before
    assert not camera.overlapped


def test_a_picture_by_hand_after_the_last_one_is_brought_in(made: Bench, camera: Told) -> None:
    pressed = []

    def on_event(event: Any) -> None:
        if event.kind == "frame-kept" and event.data["done"] == event.data["total"]:
            pressed.append(camera.core.trigger(pressed=True))
            camera.core.wait_idle(5.0)
            time.sleep(ahead.FRESH_S + 0.1)  # the run is held up meanwhile, as by a slow disk

    made.on_event = on_event
    found = made.shoot(small_plan())
    assert len(pressed) == 1 and "unasked-frame" in made.kinds()
    assert_adds_up(found, made)


def test_a_dial_that_is_turned_in_a_pause_is_noticed(made: Bench, camera: Told) -> None:
    def pause() -> None:
        made.send("pause")
        threading.Timer(1.3, turn).start()

    def turn() -> None:
        camera.core.set("iso", next(raw for raw, label in camera.core.labels("iso").items() if label == "1600"))
        made.send("go-on")

    made.after_frames(3, pause)
    found = made.shoot(small_plan())
    assert_adds_up(found, made)
    assert [frame.checked for frame in found.frames] == ["as planned"] * 7
    assert "attempt-failed" not in made.kinds()


def test_what_fails_beside_an_exposure_is_told_when_the_frame_is_on_the_card(camera: Told) -> None:
    def fail() -> None:
        raise StoreError("the disk is full")

    both = AheadCamera(camera)
    before = len(camera.card())
    with pytest.raises(StoreError, match="disk is full"):
        both.expose_beside(0.05, fail)
    assert len(both.card()) == before + 1 and not camera.core.busy


def test_pictures_are_measured_while_the_next_shutter_is_open(
    made: Bench, camera: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[bool] = []
    real = Reader.begin

    def begin(self: Reader, frame: FrameRow, path: Path, step: ExposeStep | None = None) -> None:
        if step is not None:
            begun.append(camera.verb == "expose")
        real(self, frame, path, step)

    monkeypatch.setattr(Reader, "begin", begin)
    found = made.shoot(small_plan())
    assert_adds_up(found, made)
    assert begun.count(True) >= 4 and len(begun) == 7
    assert len({row.frame_id for row in made.store.logbook.readings(found.run.id)}) >= 8  # none is left out for that


def test_with_cues_nothing_is_set_before_the_lecturer_says_so(made: Bench, camera: Told) -> None:
    runner = made.new_runner(manners=Manners(cue=True))

    def on_event(event: Any) -> None:
        if event.kind == "question" and event.data["kind"] == "cue":
            made.send("cue" if event.data["step"] else "stop")

    made.on_event = on_event
    with pytest.raises(Exception, match="Stopped as asked"):
        runner.start(small_plan())
    acts = [act for act in camera.acts if act.startswith(("apply", "commit keep"))]
    for place, act in enumerate(acts):
        if act == "commit keep" and place + 1 < len(acts):
            assert acts[place - 1].startswith("apply")  # its own, not the next one's
