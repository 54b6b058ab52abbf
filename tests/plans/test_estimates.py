"""What a plan costs, recomputed; what the estimate warns of."""

from __future__ import annotations

import pytest
from support_plans import demo

from plans.bag import bag_list
from plans.compiler import compile_brief
from plans.plan import Estimate, MarkValue, OperatorStep
from plans.rehearsal import (
    COPY_MB_S,
    FRAME_S,
    HANDS_S,
    RATED_PACE_S,
    estimate,
    estimate_notes,
    frame_mb,
    megabytes,
    minutes,
    summary,
)
from plans.scene import Site

JPEG_MB = 6000 * 4000 * 0.274 / 1e6


@pytest.fixture(scope="module")
def brief():
    return demo()


@pytest.fixture(scope="module")
def plan(brief):
    return compile_brief(brief)


def with_body(brief, **body):
    kit = brief.kit.model_copy(update={"body": brief.kit.body.model_copy(update=body)})
    return brief.model_copy(update={"kit": kit})


def frozen(brief):
    """The same in the cold."""
    return brief.scene.model_copy(update={"site": Site(cold=True)})


def lasting(step, seconds):
    time = MarkValue(mark=f"{seconds:g}", exact=seconds)
    return step.model_copy(update={"settings": step.settings.model_copy(update={"time": time})})


def test_steps_alone_give_counts_and_open_shutter_and_nothing_that_a_kit_must_tell(plan):
    counted = estimate(plan.steps)
    assert counted.frames == len(plan.exposing) == 24
    assert counted.control_frames == sum(step.kind == "control" for step in plan.steps)
    assert counted.operator_actions == sum(step.kind == "operator" for step in plan.steps)
    opened = sum(step.settings.time.exact for step in plan.steps if step.kind != "operator")
    assert counted.exposure_s == pytest.approx(opened)
    assert (counted.duration_s, counted.card_mb, counted.battery_share) == (None, None, None)


def test_duration_is_exposures_readout_copying_and_hands(brief, plan):
    found = estimate(plan.steps, brief.kit, brief.scene)
    shot = [step for step in plan.steps if step.kind != "operator"]
    opened = sum(step.settings.time.exact for step in shot)
    hands = {"compose": 300, "focus": 45, "filters": 60}
    handled = sum(hands[step.action] for step in plan.steps if isinstance(step, OperatorStep))
    assert found.duration_s == pytest.approx(opened + len(shot) * (2 + JPEG_MB / 10) + handled)
    assert (FRAME_S, COPY_MB_S) == (2, 10) and all(HANDS_S[action] == value for action, value in hands.items())
    # Negative control: a second of exposure more is a second more, a hand less is its time less.
    longer = [lasting(step, step.settings.time.exact + 1) if step is shot[0] else step for step in plan.steps]
    assert estimate(longer, brief.kit, brief.scene).duration_s == pytest.approx(found.duration_s + 1)
    assert estimate(plan.steps[1:], brief.kit, brief.scene).duration_s == pytest.approx(found.duration_s - 300)


def test_every_action_of_hands_has_its_assumed_time():
    actions = OperatorStep.model_fields["action"].annotation.__args__
    assert set(HANDS_S) == set(actions) and all(seconds > 0 for seconds in HANDS_S.values())


def test_the_card_holds_every_frame_at_the_kit_s_size_or_that_of_a_jpeg(brief, plan):
    shot = sum(step.kind != "operator" for step in plan.steps)
    assert estimate(plan.steps, brief.kit).card_mb == pytest.approx(shot * JPEG_MB)
    # The published picture that the figure is from: 6000 x 4000, 6.6 MB (npm exif 0.6.0, test/sony-alpha-6000.jpg).
    assert frame_mb(brief.kit.body) == pytest.approx(6.6, abs=0.05)
    raw = with_body(brief, frame_mb=48.6)
    assert estimate(plan.steps, raw.kit).card_mb == pytest.approx(shot * 48.6)


def test_the_battery_s_share_is_pictures_over_its_rating_and_double_in_the_cold(brief, plan):
    rated = with_body(brief, battery_frames=40)
    few = [step for step in plan.steps if step.kind != "operator"]
    share = estimate(few, rated.kit, brief.scene).battery_share
    assert share == pytest.approx(len(few) / 40)
    assert estimate(few, rated.kit, frozen(brief)).battery_share == pytest.approx(2 * share)
    assert estimate(few, brief.kit, brief.scene).battery_share is None


def test_a_long_exposure_drains_the_battery_by_time_and_not_as_one_shot(brief, plan):
    rated = with_body(brief, battery_frames=400)
    long = [lasting(plan.exposing[0], 3600.0)]
    share = estimate(long, rated.kit, brief.scene).battery_share
    # CIPA DC-002, as summarised: 400 pictures at one every 30 s are 3.3 h, so an hour is 3 tenths of a battery.
    assert pytest.approx(3.3, abs=0.05) == 400 * RATED_PACE_S / 3600
    assert share == pytest.approx(1 / 3.33, rel=0.01) and share > 100 * (1 / 400)
    notes = " ".join(estimate_notes(long, estimate(long, rated.kit, brief.scene), rated.kit, brief.scene))
    assert "by time and not by the number of pictures" in notes
    assert "dark frame, 1 h of waiting" in notes


def test_a_card_too_small_and_a_battery_too_weak_are_told_with_numbers(brief, plan):
    small = with_body(brief, card_mb=100.0, battery_frames=15)
    cost = estimate(plan.steps, small.kit, frozen(brief))
    card, battery, *more = estimate_notes(plan.steps, cost, small.kit, frozen(brief))
    assert f"The pictures take {round(cost.card_mb)} MB and the card holds 100 MB" in card
    assert "double in the cold" in battery and more == []
    share = cost.battery_share
    spare = int(battery.split("take ")[-1].split()[0])
    assert 0.8 * spare < share <= 0.8 * (spare + 1)  # a fifth of each is kept back
    plenty = with_body(brief, card_mb=64000.0, battery_frames=1000)
    assert estimate_notes(plan.steps, estimate(plan.steps, plenty.kit), plenty.kit, brief.scene) == ()


def test_the_summary_shows_time_card_and_battery_only_when_they_are_known(brief, plan):
    bare = plan.model_copy(update={"estimate": estimate(plan.steps)})
    for word in ("Time:", "Card:", "Battery:"):
        assert word not in summary(bare)
    rated = with_body(brief, battery_frames=400)
    known = plan.model_copy(update={"estimate": estimate(plan.steps, rated.kit, brief.scene)})
    text = " ".join(summary(known).split())
    assert f"Time: about {minutes(known.estimate.duration_s)}. This assumes 5 min for setting up" in text
    assert f"Card: about {megabytes(known.estimate.card_mb)}." in text
    assert "Battery: about " in text
    assert max(map(len, summary(known).splitlines())) <= 80


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.2, "1 s"), (40, "40 s"), (620, "10 min"), (3540, "59 min"), (3600, "1 h"), (7200, "2 h"), (7260, "2 h 1 min")],
)
def test_durations_are_told_as_people_say_them(seconds, text):
    assert minutes(seconds) == text


@pytest.mark.parametrize(("value", "text"), [(0.4, "1 MB"), (164.6, "165 MB"), (1210, "1.2 GB"), (64000, "64 GB")])
def test_room_is_told_in_megabytes_and_gigabytes(value, text):
    assert megabytes(value) == text


def test_long_exposures_and_moves_put_their_things_into_the_bag(brief, plan):
    def take(*steps, cost=None):
        return bag_list(steps, brief.kit, brief.scene, cost or estimate(steps), wet=False, dark=False).take

    picture = plan.exposing[0]
    move = next(step for step in plan.steps if isinstance(step, OperatorStep)).model_copy(update={"action": "move"})
    assert any("eyepiece" in item for item in take(lasting(picture, 2.0)))
    assert not any("eyepiece" in item for item in take(lasting(picture, 1.0)))
    assert any("tape measure" in item for item in take(picture, move)) and not any("tape" in i for i in take(picture))
    drained = Estimate(frames=1, control_frames=0, operator_actions=0, exposure_s=1, battery_share=0.6)
    assert "a spare battery" in take(picture, cost=drained)
    assert "3 spare batteries" in take(picture, cost=drained.model_copy(update={"battery_share": 3.14}))
    assert not any("spare" in item for item in take(picture, cost=drained.model_copy(update={"battery_share": 0.4})))
    assert "165 MB free" in take(picture, cost=drained.model_copy(update={"card_mb": 164.6}))[0]


def test_without_a_tripod_none_is_packed(brief, plan):
    hand = brief.kit.model_copy(update={"support": "hand"})
    cost = estimate(plan.steps)
    assert "tripod" not in bag_list(plan.steps, hand, brief.scene, cost, wet=False, dark=False).take
    assert "tripod" in bag_list(plan.steps, brief.kit, brief.scene, cost, wet=False, dark=False).take
