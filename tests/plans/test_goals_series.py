"""Ladders that two settings balance, noise, brackets of exposure: held against exposure reckoned here."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from support_goals import level, planned, reached, refused, told
from support_plans import marks

from plans.goals import noise

LADDER = {"change": "aperture", "by": "1", "focus": "heron"}
SHORT = {"from": "1/500 s", "to": "1/60 s", "step": "1/3"}


# Ladders balanced by two settings


def test_the_second_setting_takes_over_where_the_first_comes_to_its_end():
    steps = reached({"ladder": LADDER | {"balance": ["time", "iso"]}}, kit__body__time=SHORT, kit__filters=[])
    by_aperture = sorted(steps, key=lambda step: step.settings.aperture.exact)
    assert [marks(step)[:3] for step in by_aperture] == [
        ("f/4", "1/500", "100"), ("f/5.6", "1/250", "100"), ("f/8", "1/125", "100"), ("f/11", "1/60", "100"),
        ("f/16", "1/60", "200"), ("f/22", "1/60", "400"),
    ]  # fmt: skip
    for step in steps:
        assert abs(level(step, 13)) <= 1 / 6 and step.offset == pytest.approx(level(step, 13), abs=2e-4)
    # Negative control: one setting alone reaches less.
    alone = reached({"ladder": LADDER | {"balance": "time", "from": "f/4", "to": "f/11"}}, kit__body__time=SHORT)
    assert len(alone) == 4
    fixed = {"from": "f/4", "to": "f/22"}
    assert refused({"ladder": LADDER | fixed | {"balance": "time"}}, kit__body__time=SHORT, kit__filters=[])
    assert reached({"ladder": LADDER | fixed | {"balance": ["time", "iso"]}}, kit__body__time=SHORT, kit__filters=[])


def test_a_rung_that_neither_can_balance_is_told_by_what_the_second_would_need():
    ladder = LADDER | {"balance": ["time", "iso"]}
    (note,) = planned({"ladder": ladder}, kit__body__time=SHORT, kit__filters=[], limits__iso_at_most="200").groups
    texts = note.left_out
    assert any(text.startswith("f/22 is left out: with 1/60 s held it would need ISO 4") for text in texts), texts
    # ISO 2720: EV 13 is N^2 / t at ISO 100, and 2 log2(1 + 1/39) is lost to magnification.
    needed = 100 * 2**9 * 64 / 2**13 * (1 + 1 / 39) ** 2
    assert f"ISO {round(needed)}" in " ".join(texts)
    assert (
        "exposure time keeps the brightness, and ISO takes over" in planned({"ladder": ladder}).exposing[0].criteria[0]
    )


# Noise


def test_noise_is_a_ladder_of_iso_in_which_time_alone_balances():
    steps = sorted(reached({"noise": "heron"}), key=lambda step: step.settings.iso.exact)
    assert [step.settings.iso.mark for step in steps] == ["100", "200", "400", "800", "1600", "3200", "6400"]
    assert len({(step.settings.aperture.mark, step.settings.filters) for step in steps}) == 1
    for a, b in pairwise(steps):
        assert b.settings.time.exact / a.settings.time.exact == pytest.approx(1 / 2)
    assert steps[0].reference == steps[0].id and "least noise" in steps[0].caption


def test_captions_of_noise_tell_the_light_and_what_photons_make_of_it():
    steps = {
        step.settings.iso.mark: step for step in reached({"noise": {"focus": "heron", "from": "100", "to": "800"}})
    }
    assert "3 stops above the lowest native ISO, from 1/8 of the light" in steps["800"].caption
    assert "2.8 times as strong, 9 dB" in steps["800"].caption


def test_photon_noise_falls_as_counted_photons_do():
    # Poisson statistics, by counting: half the light lowers the signal-to-noise ratio by the square root of two, 3 dB.
    rng = np.random.default_rng(7)
    ratios = {stops: [] for stops in (1, 2, 3)}
    for stops in ratios:
        bright, dark = (rng.poisson(20_000 / 2**down, 400_000) for down in (0, stops))
        ratios[stops] = (bright.mean() / bright.std()) / (dark.mean() / dark.std())
        assert noise.snr_factor(stops) == pytest.approx(ratios[stops], rel=0.01)
        assert noise.snr_factor(stops) != pytest.approx(2.0**stops, rel=0.2)  # not as the light itself
    assert noise.decibels(1) == pytest.approx(20 * math.log10(ratios[1]), abs=0.05)
    assert noise.decibels(1) == pytest.approx(3.01, abs=0.005)


def test_isos_below_the_native_ones_are_told_apart():
    isos = {"from": "50", "to": "6400", "step": "1/3", "native": {"from": "100", "to": "6400"}}
    goal = {"noise": {"focus": "heron", "from": "50", "to": "200"}}
    steps = {step.settings.iso.mark: step for step in reached(goal, kit__body__iso=isos)}
    assert "below the lowest native ISO, on the extended range, from 2 times the light" in steps["50"].caption


def test_noise_beyond_the_limit_names_the_limit_and_every_remedy_works():
    goal = {"noise": {"focus": "heron", "from": "100", "to": "12800"}}
    item = refused(goal)
    assert "12800 is not on the ISO scale, ISO 100 to ISO 6400 (your limit)" in item.reasons[0]
    raised = told(r"iso_at_most from 6400 to (\d+)", item.remedies)
    assert reached(goal, limits__iso_at_most=raised)
    assert any("leave from and to out" in remedy for remedy in item.remedies) and reached({"noise": "heron"})


def test_noise_whose_times_end_says_how_far_it_could_go():
    goal = {"noise": {"focus": "heron", "from": "100", "to": "6400"}}
    times = {"from": "1/500 s", "to": "1/60 s", "step": "1/3"}
    item = refused(goal, kit__body__time=times)
    assert "of 7 rungs 4 can be had together" in item.reasons[0]
    first, last = (
        told(rf"run from ISO {a} to ISO {b}", item.remedies) for a, b in ((r"(\d+)", r"\d+"), (r"\d+", r"(\d+)"))
    )
    assert reached({"noise": {"focus": "heron", "from": first, "to": last}}, kit__body__time=times)


# Brackets of exposure


@pytest.mark.parametrize(("by", "count"), [("1/3", 3), ("2/3", 7), ("2", 5), ("1", 9)])
def test_a_bracket_of_exposure_is_one_of_exposure_time_by_any_step_and_count(by, count):
    goal = {"bracket": {"change": "exposure", "by": by, "count": str(count), "focus": "heron"}}
    steps = sorted(reached(goal), key=lambda step: step.intended_offset)
    over, under = (float(by.split("/")[0]), float(by.split("/")[1])) if "/" in by else (float(by), 1.0)
    assert len({marks(step)[0::2] for step in steps}) == 1
    for n, step in enumerate(steps):
        meant = (n - count // 2) * over / under
        assert step.intended_offset == pytest.approx(meant)
        assert level(step, 13) == pytest.approx(meant, abs=1 / 6)
        assert level(step, 13) - step.offset == pytest.approx(meant, abs=2e-4)
