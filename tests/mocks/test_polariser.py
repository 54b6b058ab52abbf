"""A polariser before the garden: what it takes of glare, sky and gloss, held against optics reckoned here anew.

Sources: Fresnel's equations in the form of sines and tangents, Malus's law, Brewster's angle (Hecht, Optics; from
memory); Rayleigh's scattering, sin^2 g / (1 + cos^2 g) (Bohren and Huffman; from memory); water n = 1.333 (common
value).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from support_scene import shot
from support_simulator import simulated_camera

from hardware_mocks.hands import SimulatedOperator
from hardware_mocks.scene import GardenRenderer
from hardware_mocks.script import Glare, SceneScript
from plans.plan import FilterValue, Focus, OperatorStep

SIZE = (600, 400)
POOL = slice(284, 308), slice(402, 470)  # water of the bowl, beside foam and fall. rows, columns [px]
SKY = slice(4, 50), slice(20, 280)
HEDGE = slice(120, 260), slice(440, 590)
HERON = slice(208, 228), slice(156, 174)
BREWSTER_DEG = math.degrees(math.atan(1.333))
GARDEN = GardenRenderer()
GARDEN.garden(shot(size=SIZE).optics)


def light(polariser_deg: float | None, glare: Glare | None = None, **more: Any) -> NDArray[np.float64]:
    """Linear light of a frame in focus everywhere, without noise. height x width x 3"""
    renderer = GardenRenderer(script=SceneScript(glare=glare or Glare()))
    renderer._lock, renderer._gardens = GARDEN._lock, GARDEN._gardens  # one drawing for all
    taken = shot(22.0, focus_m=3.0, size=SIZE, polariser_deg=polariser_deg, **more)
    return np.asarray(renderer.exact(taken), np.float64)


def swing(place: tuple[slice, slice], glare: Glare) -> float:
    """Half of how much the light of a place changes between axis level and axis upright."""
    return float((light(0.0, glare)[place] - light(90.0, glare)[place]).mean()) / 2


def crossed_to_open_wanted(from_upright_deg: float, index: float = 1.333) -> float:
    """Glare with the axis upright to that with the axis level: tan^2 / sin^2 forms of Fresnel's equations."""
    i = math.radians(from_upright_deg)
    t = math.asin(math.sin(i) / index)
    level = (math.sin(i - t) / math.sin(i + t)) ** 2
    upright = (math.tan(i - t) / math.tan(i + t)) ** 2
    return upright / level


@pytest.mark.parametrize("from_upright_deg", [20.0, 40.0, 60.0, 75.0, 83.0])
def test_glare_on_the_water_falls_as_fresnel_says_for_the_angle(from_upright_deg: float) -> None:
    # At Brewster's angle all of the glare is polarised, so that its swing there is the glare itself.
    whole = swing(POOL, Glare(water_from_upright_deg=BREWSTER_DEG))
    part = swing(POOL, Glare(water_from_upright_deg=from_upright_deg))
    found = (whole - part) / (whole + part)
    assert found == pytest.approx(crossed_to_open_wanted(from_upright_deg), abs=0.01)
    # The control: glass in place of water would be seen, wherever the two differ by more than the bar.
    if abs(crossed_to_open_wanted(from_upright_deg, 1.6) - crossed_to_open_wanted(from_upright_deg)) > 0.02:
        assert found != pytest.approx(crossed_to_open_wanted(from_upright_deg, 1.6), abs=0.01)


def test_near_brewster_s_angle_the_water_goes_dark_and_shows_its_bowl_and_seen_flat_it_does_not() -> None:
    def left(glare: Glare) -> float:
        return float(light(90.0, glare)[POOL].mean() / light(0.0, glare)[POOL].mean())

    assert left(Glare(water_from_upright_deg=BREWSTER_DEG)) < 0.3
    assert left(Glare(water_from_upright_deg=0.0)) == pytest.approx(1.0, abs=0.001)
    assert left(Glare(water_from_upright_deg=88.0)) > 0.7


def test_between_level_and_upright_the_glare_follows_malus() -> None:
    glare = Glare(water_from_upright_deg=BREWSTER_DEG)
    low, high = (light(deg, glare)[POOL].mean() for deg in (90.0, 0.0))
    for degrees in (20.0, 45.0, 70.0, 135.0):
        wanted = low + (high - low) * math.cos(math.radians(degrees)) ** 2
        assert light(degrees, glare)[POOL].mean() == pytest.approx(wanted, rel=1e-3)
    assert light(45.0, glare)[POOL].mean() != pytest.approx(low + (high - low) * 0.6, rel=1e-3)
    assert light(45.0, glare)[POOL].mean() == pytest.approx(light(None, glare)[POOL].mean(), rel=1e-3)


@pytest.mark.parametrize(("aside_deg", "above_deg"), [(160.0, 50.0), (90.0, 10.0), (0.0, 60.0), (180.0, 5.0)])
def test_the_sky_darkens_by_its_angle_from_the_sun(aside_deg: float, above_deg: float) -> None:
    aside, above = math.radians(aside_deg), math.radians(above_deg)
    # To the right, up, ahead. What is scattered swings across both the line of sight and the way to the sun.
    sun = np.array([math.sin(aside) * math.cos(above), math.sin(above), math.cos(aside) * math.cos(above)])
    across = np.cross([0.0, 0.0, 1.0], sun)
    gamma = math.acos(sun[2])
    degree = 0.6 * math.sin(gamma) ** 2 / (1 + math.cos(gamma) ** 2)
    level_share = across[0] ** 2 / (across[0] ** 2 + across[1] ** 2)
    glare = Glare(sun_aside_deg=aside_deg, sun_above_deg=above_deg)
    level, upright = light(0.0, glare)[SKY].mean(), light(90.0, glare)[SKY].mean()
    found = (level - upright) / (level + upright)
    assert found == pytest.approx(degree * (2 * level_share - 1), abs=0.005)


def test_leaves_lose_their_gloss_and_turn_greener_and_stone_stays_as_it_is() -> None:
    bare, level, upright = light(None), light(0.0), light(90.0)

    def green(picture: NDArray[np.float64]) -> float:
        red, middle, blue = picture[HEDGE].mean(axis=(0, 1))
        return float(middle / (red + blue))

    assert green(level) < 0.97 * green(bare) and green(upright) > 1.05 * green(bare)
    assert light(90.0, Glare(sheen=0.0))[HEDGE] == pytest.approx(bare[HEDGE], rel=1e-3)
    for picture in (level, upright):
        assert picture[HERON] == pytest.approx(bare[HERON], rel=1e-3)


def test_the_filter_s_own_loss_is_that_of_the_kit_whichever_way_it_is_turned() -> None:
    for degrees in (0.0, 90.0):
        lost = light(degrees, filter_stops=(1.3,))[HERON].mean() / light(None)[HERON].mean()
        assert math.log2(lost) == pytest.approx(-1.3, abs=0.001)


def test_without_a_polariser_the_angle_of_its_axis_changes_nothing_and_each_turn_gives_one_picture() -> None:
    assert np.array_equal(light(None), GARDEN.exact(shot(22.0, focus_m=3.0, size=SIZE)))
    renderer = GardenRenderer()
    renderer._lock, renderer._gardens = GARDEN._lock, GARDEN._gardens
    turns = [renderer.render(shot(size=SIZE, polariser_deg=degrees)) for degrees in (0.0, 90.0, None, 0.0)]
    assert np.array_equal(turns[0], turns[3]) and not np.array_equal(turns[0], turns[1])
    assert not np.array_equal(turns[1], turns[2])


def test_hands_that_turn_the_polariser_take_the_glare_away_and_hands_that_forget_do_not() -> None:
    def step(action: str, turned: str | None) -> OperatorStep:
        ring = (FilterValue(name="ring", stops=1.3, turned=turned),)  # type: ignore[arg-type]
        at = Focus(subject="spout", distance_m=3.0)
        return OperatorStep(id=f"{action}-{turned}", action=action, text="", why="", focus=at, filters=ring)  # type: ignore[arg-type]

    with simulated_camera() as simulator:
        hands = simulator.worked()
        operator = SimulatedOperator(simulator.hands, forgets={"turn-least"})
        assert operator.act(step("filters", "least")) == "done"
        state = hands.state()
        assert (state["polariser_on"], state["polariser_deg"]) == (True, 0.0)
        operator.act(step("turn", "most"))
        assert hands.state()["polariser_deg"] == 90.0
        operator.act(step("turn", "least"))
        assert hands.state()["polariser_deg"] == 90.0 and operator.forgot == ["turn-least"]
        hands.filters([6.0], ["ND 64"])
        assert not hands.state()["polariser_on"]
        hands.filters([1.3], ["round polariser"])
        assert hands.state()["polariser_on"]
