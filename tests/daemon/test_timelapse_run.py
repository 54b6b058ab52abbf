"""A time-lapse as it runs: ticks, gaps, what gives way, what is recorded.

Ticks are measured on the real clock, at short intervals; all else runs on a clock that the test turns.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from support_inprocess import SIZE, Bench, bench
from support_lapse import lapse_of, lapse_plan
from support_run import small_plan

from daemon import schedule_clock
from daemon.camera.binding import bind
from daemon.camera.verbs import CardFile
from daemon.errors import BindingRefused, RunPaused, UsageError
from daemon.exporting import run_tree
from daemon.feed import Event
from daemon.filming import film_frames
from daemon.lapse_state import LATE_SHARE
from daemon.lapse_view import lapse_view
from daemon.logbook import Logbook
from daemon.rows import LapseRow
from daemon.runner import refuse_past
from daemon.store import open_store
from daemon.timelapse import ON_TIME_S
from hardware_mocks.body import POWER_OFF_S
from hardware_mocks.flat import FlatRenderer
from hardware_mocks.inprocess import InProcessCamera
from hardware_mocks.scene import GardenRenderer
from hardware_mocks.script import Rig, SceneScript
from plans.plan import MarkValue, Plan, TimelapseStep

INTERVAL_S = 20.0


class Watched(InProcessCamera):
    """A camera that notes when each exposure was asked for, and can be made slow. Times by this computer's clock."""

    def __init__(self, **options: Any):
        super().__init__(**options)
        self.asked: list[float] = []
        self.before_expose: Callable[[int], None] = lambda number: None
        self.before_fetch: Callable[[int], None] = lambda number: None
        self._fetched = 0

    def expose(self, exposure_s: float) -> list[CardFile]:
        self.asked.append(time.monotonic())
        self.before_expose(len(self.asked))
        return super().expose(exposure_s)

    def fetch(self, file: CardFile, into: Path) -> int:
        self._fetched += 1
        self.before_fetch(self._fetched)
        return super().fetch(file, into)


class Lapse:
    """A bench with a watched camera. ``after``: what to do after frames; ``lost``: what, when the camera is lost."""

    def __init__(self, made: Bench, camera: Watched, clock: Path | None):
        self.made, self.camera, self.clock = made, camera, clock
        self.after: dict[int, Callable[[], object]] = {}
        self.lost: Callable[[], object] = lambda: None
        self.first = 0  # how many exposures came before the first frame
        self._over = threading.Event()
        made.on_event = self._heard
        if clock is not None:
            threading.Thread(target=self._turn_during_exposures, daemon=True).start()

    def turn(self, seconds: float) -> None:
        """Let time pass. [s]"""
        assert self.clock is not None
        schedule_clock.turn(self.clock, seconds)

    def end(self) -> None:
        self._over.set()

    def _turn_during_exposures(self) -> None:
        while not self._over.wait(0.005):
            if self.camera.core.busy:
                self.turn(0.25)

    def _heard(self, event: Event) -> None:
        if event.kind == "lapse-started":
            self.first = len(self.camera.asked)
        if event.kind == "lapse-frame" and (act := self.after.pop(event.data["frame"], None)) is not None:
            act()
        if event.kind == "lapse-waiting" and self.clock is not None:
            in_s, wait_s = event.data["in_s"], event.data["wait_s"]
            self.turn(wait_s if wait_s < in_s - 1 else max(0.0, in_s - 0.1))
        if event.kind == "camera-lost":
            self.lost()

    @property
    def logbook(self) -> Logbook:
        return self.made.store.logbook

    def rows(self, run: int) -> list[LapseRow]:
        """The frames of the run's one time-lapse."""
        (step,) = (row for row in self.logbook.steps(run) if row.kind == "timelapse")
        return self.logbook.lapse_frames(step.id)


@contextmanager
def watched(folder: Path, clock: Path | None, **options: Any) -> Iterator[Lapse]:
    """A `Lapse` with its store in a folder."""
    camera = Watched(**({"renderer": FlatRenderer(), "size": SIZE} | options))
    with open_store(folder / "store") as store:
        made = Lapse(Bench(store, camera), camera, clock)
        yield made
        made.end()
    camera.close()


@pytest.fixture
def clock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "clock"
    for name, value in schedule_clock.make(path).items():
        monkeypatch.setenv(name, value)
    return path


@pytest.fixture
def lapse(tmp_path: Path, clock: Path) -> Iterator[Lapse]:
    with watched(tmp_path, clock) as made:
        yield made


def assert_whole(made: Lapse, run: int, plan: Plan) -> list[LapseRow]:
    """Every frame has one row: taken with a frame at home, or missed with a why. The run and its step are done."""
    rows = made.rows(run)
    assert [row.frame for row in rows] == list(range(lapse_of(plan).frames))
    home = {frame.attempt_id for frame in made.logbook.frames(run)}
    for row in rows:
        assert (row.attempt_id in home) or row.why, row
    counts = made.logbook.counts(run)
    assert counts["files"] == counts["distinct_hashes"] == made.made.exposures, counts
    assert made.logbook.run(run).state == "done"
    (step,) = (row for row in made.logbook.steps(run) if row.kind == "timelapse")
    assert step.outcome == "kept"
    return rows


def missed(rows: list[LapseRow]) -> list[int]:
    return [row.frame for row in rows if row.late_s is None]


def asked_at(rows: list[LapseRow]) -> list[float]:
    """When the shutters were asked for, after the start. [s]"""
    return [row.due_s + row.late_s for row in rows if row.late_s is not None]


def assert_no_burst(asked: list[float], interval_s: float) -> None:
    least = (1 - LATE_SHARE) * interval_s - 1e-6
    assert all(after - before > least for before, after in pairwise(asked)), asked


# -- ticks --------------------------------------------------------------------------------------------------------


def test_frames_are_asked_for_at_their_ticks_and_what_is_late_says_so(tmp_path: Path) -> None:
    with watched(tmp_path, None) as lapse:
        plan = lapse_plan(12, 0.5, 0.1)
        rows = assert_whole(lapse, lapse.made.runner.start(plan), plan)
        taken = [row for row in rows if row.late_s is not None]
        late = sorted(row.late_s or 0.0 for row in taken)
        print(f"late by {1000 * late[len(late) // 2]:.2f} ms in the median, {1000 * late[-1]:.2f} ms at worst")
        assert len(taken) >= 4  # an overloaded computer misses some, and says so
        assert all((row.why != "") == ((row.late_s or 0.0) > ON_TIME_S) for row in taken)
        assert late[0] >= 0 and all((row.latency_s or 0.0) > 0 for row in taken)
        assert_no_burst(asked_at(rows), 0.5)
        # The camera's own notes of when it was asked agree with what the record says.
        offsets = sorted(
            seen - told for seen, told in zip(lapse.camera.asked[lapse.first :], asked_at(rows), strict=True)
        )
        assert offsets[len(offsets) // 2] - offsets[0] < 0.02


def test_a_camera_that_is_slow_for_a_while_costs_frames_and_no_burst_follows(lapse: Lapse) -> None:
    plan = lapse_plan(10, INTERVAL_S)

    def slow(number: int) -> None:
        if number == lapse.first + 4:
            lapse.turn(3.4 * INTERVAL_S)

    lapse.camera.before_expose = slow
    rows = assert_whole(lapse, lapse.made.runner.start(plan), plan)
    assert missed(rows) == [4, 5, 6] and all("took" in rows[n].why for n in missed(rows))
    assert rows[3].latency_s == pytest.approx(3.4 * INTERVAL_S, abs=2)
    assert_no_burst(asked_at(rows), INTERVAL_S)
    (gap,) = (event for event in lapse.made.events if event.kind == "lapse-gap")
    assert (gap.data["first"], gap.data["missed"]) == (4, 3)
    # Negative control: catching up would have looked like this.
    with pytest.raises(AssertionError):
        assert_no_burst([0.0, 68.0, 69.0, 70.0, 80.0], INTERVAL_S)


def test_a_start_that_is_planned_is_waited_for_and_the_light_is_found_before_it(lapse: Lapse) -> None:
    plan = lapse_plan(4, INTERVAL_S)
    awake = lapse.camera.core.labels("power_off")[max(POWER_OFF_S)]
    lapse.camera.hands({"do": "menu", "setting": "power_off", "to": awake})
    start = (schedule_clock.utc_now() + timedelta(minutes=20)).replace(microsecond=0)
    step = lapse_of(plan).model_copy(update={"start": start.isoformat()})
    rows = assert_whole(lapse, lapse.made.runner.start(_with(plan, step)), plan)
    assert [row.due_at for row in rows] == [start + timedelta(seconds=INTERVAL_S * n) for n in range(4)]
    assert missed(rows) == [] and not any(row.why for row in rows)
    kinds = lapse.made.kinds()
    assert kinds.index("lapse-started") < kinds.index("lapse-frame")
    (begun,) = (event for event in lapse.made.events if event.kind == "lapse-started")
    assert begun.data["slope"] == pytest.approx(1.0, abs=0.1) and begun.data["start"] == start.isoformat()


def _with(plan: Plan, step: TimelapseStep) -> Plan:
    steps = tuple(step if isinstance(one, TimelapseStep) else one for one in plan.steps)
    return plan.model_copy(update={"steps": steps})


def test_a_frame_that_can_still_be_had_is_taken_late(lapse: Lapse) -> None:
    plan = lapse_plan(6, INTERVAL_S)

    def slow(number: int) -> None:
        if number == lapse.first + 3:
            lapse.turn(1.15 * INTERVAL_S)

    lapse.camera.before_expose = slow
    rows = assert_whole(lapse, lapse.made.runner.start(plan), plan)
    assert missed(rows) == []
    assert 2.5 < (rows[3].late_s or 0.0) < 5 and rows[3].why and not rows[4].why
    assert_no_burst(asked_at(rows), INTERVAL_S)


def test_a_download_that_does_not_fit_is_put_off_and_comes_home_later(lapse: Lapse) -> None:
    plan = lapse_plan(16, INTERVAL_S)

    def slow(number: int) -> None:
        if 0 < lapse.first < number:
            lapse.turn(1.1 * INTERVAL_S)

    lapse.camera.before_fetch = slow
    run = lapse.made.runner.start(plan)
    rows = assert_whole(lapse, run, plan)
    put_off = [e.data["frame"] for e in lapse.made.events if e.kind == "lapse-frame" and not e.data["at_home"]]
    assert len(put_off) >= 8 and not lapse.logbook.lapse_put_off(run)
    assert len(missed(rows)) <= 3  # of those, some paid for news of the light
    home = {frame.attempt_id for frame in lapse.logbook.frames(run)}
    assert all(row.attempt_id in home for row in rows if row.late_s is not None)
    numbers = [frame.number for frame in film_frames(lapse.made.store, lapse.logbook.run(run))]
    assert numbers == [row.frame + 1 for row in rows if row.late_s is not None]


def test_times_are_shortened_where_the_camera_needs_more_between_frames_than_was_thought(lapse: Lapse) -> None:
    plan = lapse_plan(12, 8.0, light=-2.0)
    lapse.camera.hands({"do": "light", "ev100": -2.0})

    def slow(number: int) -> None:
        if lapse.first:
            lapse.turn(3.5)

    lapse.camera.before_expose = slow
    run = lapse.made.runner.start(plan)
    rows = assert_whole(lapse, run, plan)
    (note,) = [text for text in lapse.made.texts("note") if "between frames" in text]
    assert "no time is longer than" in note
    times = [row.settings["time"]["exact"] for row in rows if row.settings]
    isos = [row.settings["iso"]["exact"] for row in rows if row.settings]
    assert times[0] > 4.5 > times[-1] and isos[-1] > isos[0]
    assert any(row.late_s is None or row.late_s > 1 for row in rows[:4])
    assert all(row.late_s is not None and row.late_s < 0.5 for row in rows[-4:])  # at their ticks again


# -- gaps ---------------------------------------------------------------------------------------------------------


def test_a_link_that_breaks_leaves_a_gap_and_the_frame_after_it_is_held_against_the_one_before(
    tmp_path: Path, clock: Path
) -> None:
    with watched(tmp_path, clock, renderer=GardenRenderer(), size=(480, 320)) as lapse:
        plan = lapse_plan(9, INTERVAL_S)

        def unplug() -> None:
            line = {"fault": "drop", "frame": lapse.made.exposures + 1, "phase": "before", "away_s": 65.0}
            lapse.camera.hands({"do": "fault", "line": line})

        def kick() -> None:
            lapse.camera.hands({"do": "kick", "across": 0.03, "down": 0.0})
            lapse.turn(66.0)

        lapse.after[3], lapse.lost = unplug, kick
        rows = assert_whole(lapse, lapse.made.runner.start(plan), plan)
        kinds = lapse.made.kinds()
        assert (
            kinds.index("camera-lost")
            < kinds.index("camera-back")
            < kinds.index("lapse-gap", kinds.index("camera-back"))
        )
        assert missed(rows)[:3] == [4, 5, 6] and missed(rows)[-1] < 8
        assert all(
            "away" in rows[n].why or "link" in rows[n].why or "no picture" in rows[n].why for n in missed(rows)[1:]
        )
        (told,) = [text for text in lapse.made.texts("note") if "first after the gap" in text]
        moved = re.search(r"the picture has moved to the (left|right) by ([0-9.]+) % of its width", told)
        assert moved is not None, told
        assert float(moved[2]) == pytest.approx(3.0, abs=0.2)


def test_another_battery_in_mid_run_leaves_a_gap_and_no_end(lapse: Lapse) -> None:
    plan = lapse_plan(9, INTERVAL_S)

    def fresh() -> None:
        lapse.turn(2.4 * INTERVAL_S)
        lapse.camera.hands({"do": "battery", "percent": 100})

    lapse.after[3] = lambda: lapse.camera.hands({"do": "battery", "percent": 0})
    lapse.lost = fresh
    rows = assert_whole(lapse, lapse.made.runner.start(plan), plan)
    assert missed(rows) and set(missed(rows)) <= {4, 5, 6, 7} and rows[8].late_s is not None
    assert [kind for kind in lapse.made.kinds() if kind.startswith("camera-")] == ["camera-lost", "camera-back"]


def test_a_full_card_costs_frames_and_no_end(lapse: Lapse) -> None:
    plan = lapse_plan(6, INTERVAL_S)

    def full() -> None:
        lapse.camera.hands({"do": "fault", "line": {"fault": "card_full", "frame": lapse.made.exposures + 1}})

    lapse.after[1] = full
    lapse.after[2] = lambda: None
    run_over = threading.Event()

    def heard(text: str) -> bool:
        return "card" in text

    inner = lapse.made.on_event

    def on_event(event: Event) -> None:
        inner(event)
        if event.kind == "lapse-gap":
            run_over.set()
            lapse.camera.hands({"do": "calm"})

    lapse.made.on_event = on_event
    rows = assert_whole(lapse, lapse.made.runner.start(plan), plan)
    assert run_over.is_set() and missed(rows) == [2]
    assert any(heard(text) for text in lapse.made.texts("lapse-gap"))


def test_a_run_that_was_stopped_goes_on_from_the_logbook_with_a_gap(lapse: Lapse) -> None:
    plan = lapse_plan(10, INTERVAL_S)
    lapse.after[4] = lambda: lapse.made.send("stop")
    with pytest.raises(RunPaused):
        lapse.made.runner.start(plan)
    lapse.turn(2.5 * INTERVAL_S)
    lapse.made.new_runner()
    rows = assert_whole(lapse, lapse.made.runner.resume("last"), plan)
    assert missed(rows)[0] == 5 and all(rows[n].why == "nothing ran between" for n in missed(rows))
    after = next(row for row in rows[5:] if row.state is not None)
    before = rows[4]
    assert before.state is not None and after.state is not None
    # The controller goes on where it was: it is surer of the light than at a start, and expects the same light.
    assert after.state["p_level"] < 0.05 and after.state["level"] == pytest.approx(before.state["level"], abs=0.1)
    assert lapse.made.kinds().count("lapse-started") == 1


def test_a_pause_leaves_a_gap_that_says_so(lapse: Lapse) -> None:
    plan = lapse_plan(9, INTERVAL_S)

    def pause() -> None:
        lapse.made.send("pause")
        threading.Timer(0.5, go_on).start()

    def go_on() -> None:
        lapse.turn(2.5 * INTERVAL_S)
        lapse.made.send("go-on")

    lapse.after[3] = pause
    rows = assert_whole(lapse, lapse.made.runner.start(plan), plan)
    assert missed(rows) and all(rows[n].why == "the run was paused" for n in missed(rows))


def test_a_frame_that_there_was_time_for_after_a_pause_is_not_late_because_of_it(lapse: Lapse) -> None:
    plan = lapse_plan(7, INTERVAL_S)

    def pause() -> None:
        lapse.made.send("pause")
        threading.Timer(0.5, lapse.made.send, ("go-on",)).start()  # before the next tick is prepared
        lapse.camera.before_expose = lambda number: None

    lapse.after[3] = pause
    real = lapse.camera.apply
    late: list[int] = []

    def slow(labels: Any) -> dict[str, str]:
        if lapse.made.texts("going-on") and not late:
            late.append(1)
            lapse.turn(3.0)  # the camera takes long to be set
        return real(labels)

    lapse.camera.apply = slow  # type: ignore[method-assign]
    rows = assert_whole(lapse, lapse.made.runner.start(plan), plan)
    assert late
    whys = [row.why for row in rows if row.why]
    assert whys and all("settings" in why for why in whys), whys


# -- commands -----------------------------------------------------------------------------------------------------


def test_another_interval_and_look_hold_from_the_next_frame_on_and_are_kept_for_a_restart(lapse: Lapse) -> None:
    plan = lapse_plan(14, INTERVAL_S)

    def change() -> None:
        lapse.made.send("interval", seconds=2 * INTERVAL_S)
        lapse.made.send("look", darker=3.0)
        for wrong in ({"seconds": 0.01}, {"seconds": "soon"}, {}):
            lapse.made.send("interval", **wrong)

    lapse.after[4] = change
    lapse.after[6] = lambda: lapse.made.send("stop")
    with pytest.raises(RunPaused):
        lapse.made.runner.start(plan)
    refused = lapse.made.texts("command-refused")
    assert len(refused) == 3 and "allowed: 0.5 to 3600 s" in refused[0] and "a number" in refused[1]
    lapse.made.new_runner()
    run = lapse.made.runner.resume("last")
    rows = lapse.rows(run)
    steps = [round(after.due_s - before.due_s, 6) for before, after in pairwise(rows)]
    assert steps[:5] == [INTERVAL_S] * 5 and set(steps[5:]) == {2 * INTERVAL_S}
    assert rows[-1].due_s <= lapse_of(plan).duration_s  # it ends when it was to end
    accepted = [row for row in lapse.logbook.commands(run) if row.refused is None and row.verb in ("interval", "look")]
    assert [(row.verb, row.data["from_frame"]) for row in accepted] == [("interval", 5), ("look", 5)]
    view = lapse_view(lapse.made.store, run)
    assert view["look"]["depth"] == 3.0 and view["interval_s"] == 2 * INTERVAL_S and view["frames"] == len(rows)
    assert view["taken"] == len(rows) - len(missed(rows)) and view["thinks"]["level"] == pytest.approx(13, abs=0.3)


def test_a_look_without_a_time_lapse_is_refused(tmp_path: Path) -> None:
    with bench(tmp_path) as made:
        made.after_frames(1, lambda: made.send("look", darker=1.0) and None)
        made.shoot(small_plan())
        assert any("no time-lapse is running" in text for text in made.texts("command-refused"))


# -- light --------------------------------------------------------------------------------------------------------


def test_light_beyond_the_ladder_is_told_once_and_settings_stay_at_its_end(lapse: Lapse) -> None:
    plan = lapse_plan(18, INTERVAL_S, light=5.0, iso_at_most=100, longest="250 ms")
    lapse.camera.hands({"do": "light", "ev100": 5.0})
    inner, level = lapse.made.on_event, 5.0

    def dusk(event: Event) -> None:
        nonlocal level
        inner(event)
        if event.kind == "lapse-frame":
            level -= 0.2
            lapse.camera.hands({"do": "light", "ev100": level})

    lapse.made.on_event = dusk
    run = lapse.made.runner.start(plan)
    rows = assert_whole(lapse, run, plan)
    assert len([text for text in lapse.made.texts("lapse-light") if "darker than" in text]) == 1
    assert rows[-1].rung == len(lapse_of(plan).parts[0].rungs) - 1
    # Each picture is told with its own settings, also where it leaves the store.
    tree = run_tree(lapse.made.store, lapse.logbook.run(run))
    told = [frame["settings"]["time"] for frame in tree["frames"] if frame["role"] == "picture"]
    assert told == [row.settings["time"] for row in rows if row.settings] and len({one["mark"] for one in told}) > 3
    assert len(tree["lapse_frames"]) == len(rows)


def test_fog_on_the_lens_is_told_and_a_clear_night_falls_without_it(tmp_path: Path, clock: Path) -> None:
    told: dict[str, list[str]] = {}
    for name, veil in (("fog", 0.95), ("clear", 0.0)):
        script = SceneScript(rig=Rig(fog_from_s=240.0, fog_full_s=60.0, fog_veil=veil))
        (tmp_path / name).mkdir()
        with watched(tmp_path / name, clock, renderer=GardenRenderer(script=script), size=(240, 160)) as lapse:
            lapse.made.runner.start(lapse_plan(14, 3 * INTERVAL_S))
            told[name] = [text for text in lapse.made.texts("lapse-light") if "Detail is being lost" in text]
    assert len(told["fog"]) == 1 and told["clear"] == []


# -- before it runs -----------------------------------------------------------------------------------------------


def test_a_ladder_that_the_camera_lacks_is_refused_before_the_first_frame(lapse: Lapse) -> None:
    plan = lapse_plan(4, 10.0)
    step = lapse_of(plan)
    rungs = step.parts[0].rungs
    odd = rungs[-1].model_copy(update={"iso": MarkValue(mark="1234567", exact=1234567.0)})
    part = step.parts[0].model_copy(update={"rungs": (*rungs, odd)})
    other = step.model_copy(update={"parts": (part,)})
    changed = plan.model_copy(update={"steps": tuple(other if one is step else one for one in plan.steps)})
    state = lapse.camera.state()
    bind(plan, state)
    with pytest.raises(BindingRefused, match="1234567"):
        bind(changed, state)


def test_a_time_lapse_whose_time_is_over_is_refused() -> None:
    plan = lapse_plan(4, 10.0)
    step = lapse_of(plan).model_copy(update={"start": "2020-01-01T18:00:00+00:00"})
    past = plan.model_copy(update={"steps": (*plan.steps[:-1], step)})
    with pytest.raises(UsageError, match="which is over"):
        refuse_past(past)
    refuse_past(plan)
