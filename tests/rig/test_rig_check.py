"""The rig check: what is looked at, what is set, what is asked, what is put back."""

from __future__ import annotations

from pathlib import Path

import pytest
from support_run import rig, small_plan
from support_simulator import simulated_camera

from daemon.camera.verbs import CameraState, SettingState
from daemon.context import Manners
from daemon.errors import RunPaused
from daemon.feed import Command
from daemon.rig import preparing
from daemon.rig.items import rig_items
from daemon.rig.preparing import GO_ON, LOOK_AGAIN, NOT_ALL, STOP
from hardware_mocks.hands import SimulatedOperator

BRACKET = """goals:
  - bracket: {change: time, by: 1, count: 3, focus: heron}
limits: {iso_at_most: 6400, spread: 1/6}
"""
SILK = """goals:
  - silk: spout
limits: {iso_at_most: 6400, spread: 1/6}
"""
# Every item that the check is to cover, by our names.
EVERYTHING = {
    "exposure mode", "focus", "stabiliser", "automatic ISO", "white balance", "picture aids that change brightness",
    "several exposures in one", "noise reduction at high ISO", "lens corrections", "image format", "shutter shock",
    "strap and hood", "battery", "card", "disk", "camera clock", "power-off timer",
}  # fmt: skip


def setting(name, current, labels=("On", "Off"), writable=True, widget=""):
    return SettingState(name=name, widget=widget or name, current=current, labels=tuple(labels), writable=writable)


def state(*settings, **more):
    facts = {"model": "demo body", "port": "usb:001,002", "battery": 80, "free_bytes": 32_000_000_000} | more
    return CameraState(settings={one.name: one for one in settings}, **facts)


GOOD = (
    setting("mode", "M", ("M", "P", "A", "S")),
    setting("focus_mode", "Manual", ("Manual", "Automatic")),
    setting("stabiliser", "Off"),
    setting("iso", "100", ("100", "200", "Auto")),
    setting("exposure_bias", "0", ("-1", "0", "1")),
    setting("white_balance", "Daylight", ("Automatic", "Daylight")),
    setting("brightness_aid", "Off", ("Auto", "Off")),
    setting("wide_range", "Off"),
    setting("noise_reduction", "Low", ("Off", "Low", "Auto")),
    setting("long_exposure_reduction", "Off"),
    setting("lens_correction", "Off"),
    setting("image_format", "JPEG Fine", ("JPEG Fine", "RAW", "RAW + JPEG Fine")),
    setting("shutter_delay", "On"),
    setting("power_off", "0", ("30", "60", "0")),
)


def found(name, *changed, plan=None, **more):
    """The item of a name, on a good camera with some settings changed."""
    settings = {one.name: one for one in GOOD} | {one.name: one for one in changed}
    (item,) = [one for one in rig_items(state(*settings.values(), **more), plan, 10**12) if one.item == name]
    return item


def test_every_item_is_looked_at_each_with_why_and_a_good_camera_leaves_two_to_ask_for() -> None:
    items = rig_items(state(*GOOD), small_plan(BRACKET), 10**12)
    assert {item.item for item in items} >= EVERYTHING
    assert all(item.why and item.wanted for item in items)
    assert all(item.todo for item in items if item.how in ("asked", "wrong"))
    assert {item.item for item in items if item.how == "asked"} == {"strap and hood", "camera clock"}
    assert {item.how for item in items} == {"asked", "verified"}


def test_a_camera_that_tells_nothing_is_asked_for_and_never_called_verified() -> None:
    items = rig_items(state(battery=None, free_bytes=None), small_plan(BRACKET), None)
    assert {item.how for item in items} == {"asked"}
    assert {item.item for item in items} >= EVERYTHING - {"disk"}


@pytest.mark.parametrize(
    ("item", "changed", "label"),
    [
        ("focus", setting("focus_mode", "Automatic", ("Manual", "Automatic")), "Manual"),
        ("stabiliser", setting("stabiliser", "On"), "Off"),
        ("automatic ISO", setting("iso_auto", "On"), "Off"),
        ("white balance", setting("white_balance", "Automatic", ("Automatic", "Daylight")), "Daylight"),
        ("exposure bias", setting("exposure_bias", "1", ("-1", "0", "1")), "0"),
        ("picture aids that change brightness", setting("brightness_aid", "Auto", ("Auto", "Off")), "Off"),
        ("several exposures in one", setting("wide_range", "On"), "Off"),
        ("lens corrections", setting("lens_correction", "On"), "Off"),
        ("noise reduction at high ISO", setting("noise_reduction", "Auto", ("Auto", "Off")), "Off"),
        ("image format", setting("image_format", "RAW", ("RAW", "RAW + JPEG Fine")), "RAW + JPEG Fine"),
        ("power-off timer", setting("power_off", "30", ("30", "0")), "0"),
    ],
)
def test_what_the_camera_offers_is_set_and_where_it_is_locked_hands_are_told(item, changed, label) -> None:
    one = found(item, changed)
    assert (one.how, one.setting, one.label) == ("set", changed.name, label)
    assert one.todo == ""
    locked = found(item, changed.model_copy(update={"writable": False}))
    assert (locked.how, locked.label) == ("wrong", "")
    assert locked.todo


def test_only_what_a_run_cannot_do_without_may_not_be_skipped() -> None:
    dial = setting("mode", "P", ("M", "P"), writable=False)
    assert not found("exposure mode", dial).skippable
    assert found("focus", setting("focus_mode", "Automatic", ("Automatic",), writable=False)).skippable
    assert found("battery", battery=20).skippable and not found("battery", battery=4).skippable
    tiny = found("card", free_bytes=20_000_000, plan=small_plan(BRACKET))
    assert tiny.how == "wrong" and tiny.skippable
    assert not found("card", free_bytes=1_000_000, plan=small_plan(BRACKET)).skippable


def test_long_and_fast_frames_bring_items_of_their_own() -> None:
    names = {item.item for item in rig_items(state(*GOOD), small_plan(SILK, light=9.0), None)}
    plan = small_plan(SILK, light=9.0)
    longest = max(step.settings.time.exact for step in plan.exposing)
    assert ("eyepiece" in names) == (longest > 1)
    fast = small_plan("goals:\n  - isolate: heron\nlimits: {iso_at_most: 6400}\n", light=15.0)
    assert max(1 / step.settings.time.exact for step in fast.exposing) > 1000
    shock = next(item for item in rig_items(state(), fast) if item.item == "shutter shock")
    assert "electronic" not in shock.wanted and "shade" in shock.why


class Asked(SimulatedOperator):
    """Keeps what it was asked."""

    def __init__(self, address, answers=None, mend=None):
        super().__init__(address, answers=answers)
        self.questions, self.mend = [], mend or (lambda: None)

    def choose(self, question, choices):
        self.questions.append((question, list(choices)))
        self.mend()
        return super().choose(question, choices)


MANNERS = Manners(patience_s=10.0, rig_check=True)


def test_a_run_sets_what_it_can_tells_why_and_puts_all_of_it_back(tmp_path: Path) -> None:
    with simulated_camera() as simulator:
        operator = Asked(simulator.hands)
        with rig(tmp_path, simulator, operator, MANNERS) as bench:
            bench.camera.apply({"white_balance": "Automatic", "exposure_bias": "-1"})
            bench.hands.menu("stabiliser", "On")
            before = bench.hands.state()["settings"]
            during = []

            def on_event(event):
                if event.kind == "step-started" and "settings" in event.data:  # a picture is taken next
                    during.append(bench.hands.state()["settings"])

            bench.on_event = on_event
            shot = bench.shoot(small_plan(BRACKET))
            assert len(during) == len(shot.frames)
            assert all(one["white_balance"] != 2 and one["bias"] == 0 for one in during) and during
            assert all(one["stabiliser"] == 0 for one in during)
            assert bench.hands.state()["settings"] == before
            ((question, _),) = operator.questions
            assert "strap" in question and "stabiliser" not in question  # the cable tells it
            (told,) = [event.data["rig"] for event in bench.events if "rig" in event.data]
            ways = {item["item"]: item["how"] for item in told["items"]}
            assert ways["white balance"] == ways["exposure bias"] == ways["stabiliser"] == "set"
            assert ways["exposure mode"] == "verified"
            assert shot.run.state == "done"


def test_without_the_check_the_wrong_settings_stay_in_the_pictures(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        bench.camera.apply({"white_balance": "Automatic"})
        seen = []
        bench.on_event = lambda event: (
            seen.append(bench.hands.state()["settings"]["white_balance"]) if event.kind == "frame-kept" else None
        )
        bench.shoot(small_plan(BRACKET))
        assert set(seen) == {2}


def test_answers_are_remembered_for_the_run_and_stopping_loses_nothing(tmp_path: Path) -> None:
    with simulated_camera() as simulator:
        operator = Asked(simulator.hands, answers={"look round": STOP})
        with rig(tmp_path, simulator, operator, MANNERS) as bench:
            with pytest.raises(RunPaused, match="rig check"):
                bench.shoot(small_plan(BRACKET))
            assert bench.hands.state()["exposures"] == 0
            operator._answers = {"look round": NOT_ALL}
            bench.on_event = lambda event: (
                bench.commands.send(Command("once", "stop")) if event.kind == "frame-kept" else None
            )
            with pytest.raises(RunPaused, match="as asked"):
                bench.runner.resume("last")
            bench.on_event = lambda event: None
            bench.runner.resume("last")
            assert [question for question, _ in operator.questions].count(operator.questions[0][0]) == 2


def test_what_hands_must_put_right_is_looked_at_again_until_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, wrong = preparing.rig_items, [True]

    def items(*facts):
        one = next(item for item in real(*facts) if item.item == "focus")
        return [one.model_copy(update={"how": "wrong", "todo": "Switch it"})] if wrong else [one]

    monkeypatch.setattr(preparing, "rig_items", items)
    with simulated_camera() as simulator:
        operator = Asked(simulator.hands, mend=wrong.clear)
        with rig(tmp_path, simulator, operator, MANNERS) as bench:
            assert bench.shoot(small_plan(BRACKET)).run.state == "done"
            ((question, choices),) = operator.questions
            assert question.startswith("focus") and choices == [LOOK_AGAIN, GO_ON, STOP]
