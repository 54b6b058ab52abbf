"""The scene script and its answer book: what was asked for is in the picture, as large as the truth says."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from support_scene import FOCAL_MM, SENSOR_WIDTH_MM, bare, shot

from hardware_mocks.daylight import altitude_deg, illuminance_lx
from hardware_mocks.scene import GardenRenderer
from hardware_mocks.script import (
    Bump,
    Clouds,
    Flash,
    Glass,
    Lamps,
    Leaves,
    Light,
    PasserBy,
    Rig,
    SceneError,
    SceneScript,
    Sensor,
    Sun,
    Target,
)
from hardware_mocks.truth import truth

EVERYTHING = SceneScript(
    seed=3,
    light=Light(-0.5, Sun(51.0, 200, 18.5), Clouds(0.7, 40.0), (Lamps(-5.0, 3.0, 60.0),), (Flash(2.0, 0.01),)),
    rig=Rig((0.1, -0.05), 0.02, 5.0, 0.05, bumps=(Bump(9.0, 0.5, 0.2),), fog_from_s=5.0, fog_veil=0.3),
    glass=Glass(barrel_stops=1.5, breathing=-0.5, focus_shift=0.02),
    sensor=Sensor(20_000.0, tone_slope=1.2, readout_s=0.02),
    leaves=Leaves(4.0),
    passer_by=PasserBy(2.0),
    targets=(Target("card", "card", 0.1, 0.9, 40.0, 0.5), Target("edge", "edge", 0.9, 0.9, 30.0, angle_deg=5.0)),
)


def middle(light: NDArray[Any]) -> tuple[float, float]:
    """Where the light of a picture on black has its middle: x, y. [px]"""
    plane = light[..., 1].astype(np.float64)
    y, x = (np.arange(n) + 0.5 for n in plane.shape)
    return float(plane.sum(0) @ x / plane.sum()), float(plane.sum(1) @ y / plane.sum())


def variance(light: NDArray[Any], axis: int) -> float:
    plane = light[..., 1].astype(np.float64).sum(axis=1 - axis)
    at = np.arange(plane.size)
    mean = plane @ at / plane.sum()
    return float(plane @ (at - mean) ** 2 / plane.sum())


def test_a_script_goes_to_json_and_back_unchanged_and_asks_for_the_same_picture() -> None:
    again = SceneScript.from_json(EVERYTHING.to_json())
    assert again == EVERYTHING and again.to_json() == EVERYTHING.to_json()
    taken = shot(size=(300, 200), start_s=2.0, time_s=1 / 32)
    first = GardenRenderer(script=EVERYTHING).render(taken)
    assert np.array_equal(first, GardenRenderer(script=again).render(taken))
    # Another seed is another wind and another sky.
    bare_stage = dataclasses.replace(EVERYTHING, stage="bare")
    one, other = (GardenRenderer(script=dataclasses.replace(bare_stage, seed=seed)).exact(taken) for seed in (3, 4))
    assert not np.allclose(one, other, rtol=1e-3)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[1]", "allowed: a JSON object"),
        ("{", "allowed: a JSON object"),
        ('{"fog": 1}', "found fog; allowed: distances, glare, glass"),
        ('{"rig": {"wind_mrad": "much"}}', "rig.wind_mrad: found 'much'; allowed: a number"),
        ('{"rig": {"wind_mrad": true}}', "rig.wind_mrad: found True"),
        ('{"light": {"flashes": [{"at_s": 1}]}}', "flashes[0]: found ['at_s']; needed: at_s, worth_s"),
        ('{"targets": [{"name": "a"}, {"name": "a"}]}', "each needs a name of its own"),
        ('{"targets": [{"name": "a", "kind": "star"}]}', "allowed: dot, edge, card"),
        ('{"stage": "moon"}', "allowed: garden, bare"),
        ('{"distances": {"spout_m": 0}}', "distances.spout_m: found 0; allowed: 0.2 or more"),
        ('{"rig": {"creep_mrad_per_min": [1]}}', "allowed: a list"),
        ('{"ground": NaN}', "ground: found nan; allowed: a finite number"),
        ('{"rig": {"fog_veil": 2}}', "allowed: 0 to 1"),
    ],
)
def test_a_script_that_cannot_be_says_what_was_found_and_what_is_allowed(text: str, said: str) -> None:
    with pytest.raises(SceneError) as told:
        SceneScript.from_json(text)
    assert said in str(told.value)


def test_light_follows_the_sun_down_as_published_and_lamps_hold_it_up() -> None:
    # Sunset 585 to 410 lx, end of civil twilight 3.5 to 2 lx (glossary of the American Meteorological Society). By day
    # the curve of the Explanatory Supplement (2013) has 77.9 klx at 45 degrees and 11.1 klx at 10; curves of clear
    # skies differ among each other by a third of a stop high up and by more when the sun is low.
    lux = illuminance_lx(np.array([-6.0, -0.83, 10.0, 45.0]))
    assert 2 <= lux[0] <= 3.5 and 410 <= lux[1] <= 585
    assert abs(math.log2(lux[2] / 11_120)) < 0.6 and abs(math.log2(lux[3] / 77_850)) < 0.33
    assert np.all(np.diff(illuminance_lx(np.linspace(-18, 80, 400))) > 0)
    # At the equinox the sun is as high at noon as the pole star is low.
    assert altitude_deg(Sun(50.0, 81, 12.0), np.zeros(1))[0] == pytest.approx(40, abs=1)

    dusk = Light(sun=Sun(45.0, 80, 17.7))
    lit = dataclasses.replace(dusk, lamps=(Lamps(stops=-6.0),))

    def stops(light: Light, start_s: float) -> float:
        taken = shot(start_s=start_s, size=(60, 40), focus_m=1e6)
        return math.log2(float(bare(ground=0.18, light=light).exact(taken)[..., 1].mean()) / 0.18)

    assert stops(dusk, 0.0) == pytest.approx(0, abs=0.01)
    half, whole = stops(dusk, 1800), stops(dusk, 3600)
    assert -8 < half < -2 and half - 7 > whole
    assert -7.1 < stops(lit, 3600) < -5.0
    assert stops(Light(lamps=(Lamps(stops=0.0, from_s=5.0, ripple=0.0),)), 9.0) == pytest.approx(1, abs=0.01)


def test_a_flash_is_in_the_exposures_it_falls_into_and_in_no_other() -> None:
    light = Light(flashes=(Flash(10.0, 0.1, 0.001),))

    def level(start_s: float, time_s: float, readout_s: float = 0.0) -> NDArray[Any]:
        renderer = bare(ground=0.18, light=light, sensor=Sensor(readout_s=readout_s))
        return renderer.exact(shot(time_s=time_s, start_s=start_s, size=(60, 40)))[..., 1].mean(axis=1)

    # Worth 0.1 s of daylight in an exposure of 0.1 s: a stop more.
    assert np.log2(level(9.95, 0.1) / level(0.0, 0.1)) == pytest.approx(1.0, abs=0.01)
    assert level(10.2, 0.1) == pytest.approx(level(0.0, 0.1))
    slow = level(9.99, 0.005, readout_s=0.02)
    assert 0 < np.count_nonzero(slow > 2 * slow.min()) < 40  # a band of rows


def test_clouds_take_what_they_may_and_give_it_back() -> None:
    renderer = bare(ground=0.18, light=Light(clouds=Clouds(1.0, 30.0)))
    levels = [renderer.exact(shot(start_s=t, size=(6, 4)))[0, 0, 1] for t in range(0, 300, 3)]
    span = math.log2(max(levels) / min(levels))
    assert 0.5 < span <= 1.0
    assert np.abs(np.diff(np.log2(levels))).max() > 0.02


def test_creep_and_bumps_move_the_picture_as_far_as_the_angle_says() -> None:
    lamp = Target("lamp", "dot", size_px=5.0, distance_m=3.0)
    rig = Rig(creep_mrad_per_min=(1.2, -0.6), bumps=(Bump(100.0, 0.5, 2.0),))
    renderer = bare(lamp, rig=rig)
    start = middle(renderer.exact(shot()))
    for at_s, angle in ((50.0, (1.0, -0.5)), (120.0, (2.9, 0.8))):
        taken = shot(start_s=at_s)
        found = middle(renderer.exact(taken))
        # Image distance f (1 + m), small angles.
        one = FOCAL_MM * (1 + FOCAL_MM / (3000 - FOCAL_MM)) / (SENSOR_WIDTH_MM / 600) / 1000
        for axis in (0, 1):
            assert found[axis] - start[axis] == pytest.approx(angle[axis] * one, abs=0.1)
            assert truth(renderer, taken)["lamp"].shift_px[axis] == pytest.approx(angle[axis] * one, abs=0.02)


def test_wind_and_the_mirror_shake_the_picture_as_much_as_the_truth_says() -> None:
    lamp = Target("lamp", "dot", size_px=3.0, distance_m=3.0)
    windy = bare(lamp, rig=Rig(wind_mrad=0.5, wind_hz=6.0))
    taken = shot(time_s=4.0, ev100=4.0, size=(1500, 1000))
    still = bare(lamp).exact(taken)
    one = FOCAL_MM * (1 + FOCAL_MM / (3000 - FOCAL_MM)) / (SENSOR_WIDTH_MM / 1500) / 1000
    for axis in (0, 1):  # in the long run its standard deviation along either axis
        found = math.sqrt(variance(windy.exact(taken), 1 - axis) - variance(still, 1 - axis))
        assert found == pytest.approx(0.5 * one, rel=0.15)
    slap = bare(lamp, rig=Rig(slap_mrad=5.0, slap_hz=12.0, slap_decay_s=0.08))
    smears = {t: truth(slap, shot(time_s=t, size=(1500, 1000)))["lamp"].smear_px for t in (1 / 2048, 1 / 16, 4.0)}
    assert smears[1 / 2048] < 0.5 and smears[1 / 16] > 2
    # In a long exposure the blow is soon over: most of the light lies in one place.
    peaks = [slap.exact(shot(time_s=t, ev100=13 - math.log2(t * 128), size=(1500, 1000))).max() for t in (1 / 16, 4.0)]
    assert peaks[1] > 2 * peaks[0]


def test_dew_on_the_lens_takes_contrast_and_leaves_the_mean() -> None:
    edge = Target("edge", "edge", size_px=900.0, level=0.6, distance_m=3.0)
    renderer = bare(edge, ground=0.05, rig=Rig(fog_from_s=100.0, fog_full_s=100.0, fog_veil=0.5))
    clear, half, full = (renderer.exact(shot(start_s=t))[..., 1] for t in (0.0, 150.0, 300.0))
    spans = [float(picture.max() - picture.min()) for picture in (clear, half, full)]
    assert spans[1] / spans[0] == pytest.approx(0.75, abs=0.01) and spans[2] / spans[0] == pytest.approx(0.5, abs=0.01)
    assert full.mean() == pytest.approx(clear.mean(), rel=0.02)


def test_breathing_focus_shift_and_transmission_are_as_large_as_asked() -> None:
    lamp = Target("lamp", "dot", 0.9, 0.5, 3.0, 1.0, 0.5)

    def place(breathing: float) -> float:
        return middle(bare(lamp, glass=Glass(breathing=breathing)).exact(shot(focus_m=0.5)))[0] - 300

    m = FOCAL_MM / (500 - FOCAL_MM)
    assert place(0.0) == pytest.approx(240 * (1 + m), abs=0.1)
    assert place(-1.0) == pytest.approx(240, abs=0.1)
    far = Target("far", "dot", distance_m=3.3)
    shifting = bare(far, glass=Glass(focus_shift=0.1 / (1 - (2 ** (5 / 6) / 8) ** 2)))
    assert truth(shifting, shot(8.0, focus_m=3.0))["far"].disc_px == pytest.approx(0, abs=0.01)
    assert truth(bare(far), shot(8.0, focus_m=3.0))["far"].disc_px > 0.1
    dim = bare(ground=0.18, glass=Glass(transmission_stops=0.3)).exact(shot())
    assert math.log2(float(dim.mean() / bare(ground=0.18).exact(shot()).mean())) == pytest.approx(-0.3, abs=0.001)


def test_the_truth_of_a_target_is_what_is_measured_of_it() -> None:
    lamp = Target("lamp", "dot", 0.4, 0.4, 4.0, 0.9, 3.0, 2.0, 0.0)
    card = Target("card", "card", 0.6, 0.75, 60.0, 0.36, 2.0)
    renderer = bare(lamp, card, ground=0.02)
    taken = shot(4.0, 1 / 32, focus_m=3.0, ev100=9.0, size=(1500, 1000))
    told = truth(renderer, taken)
    assert set(told) == {"ground", "lamp", "card"}
    wanted = 2.0 / 32 * 1000 * FOCAL_MM * 3000 / 2950 / 3000 / (SENSOR_WIDTH_MM / 1500)
    assert told["lamp"].smear_px == pytest.approx(wanted, rel=0.01) and told["card"].smear_px == 0
    disc = FOCAL_MM**2 / 4 / 2950 * 1000 / 2000 / (SENSOR_WIDTH_MM / 1500)
    assert told["card"].disc_px == pytest.approx(disc, rel=0.001) and told["lamp"].disc_px == 0
    gain = 9 + math.log2(1 / 32 / 16) - 2 * math.log2(3000 / 2950)
    assert told["card"].gain_stops == pytest.approx(gain, abs=0.001)
    picture = renderer.exact(taken)[..., 1]
    x, y = (round(n / 2 + (s - 0.5) * n * 3000 / 2950) for n, s in ((1500, 0.6), (1000, 0.75)))
    assert math.log2(picture[y - 20 : y + 20, x - 20 : x + 20].mean() / 0.36) == pytest.approx(gain, abs=0.01)
    # The card's edge loses light to the ground, which is far darker.
    assert told["card"].brightness_stops == pytest.approx(gain + 1, abs=0.06)
    assert told["card"].clipped_share == 0
    bright = truth(renderer, dataclasses.replace(taken, ev100=14.0))
    assert bright["card"].clipped_share > 0.85 > 0.5 > bright["ground"].clipped_share


def test_the_truth_names_every_subject_of_the_garden_and_what_it_clips() -> None:
    script = SceneScript(leaves=Leaves(3.0), passer_by=PasserBy(1.0))
    renderer = GardenRenderer(script=script)
    taken = shot(5.657, 1 / 64, focus_m=3.0, ev100=11.0, start_s=1.0, size=(300, 200))
    told = truth(renderer, taken)
    assert set(told) == {"sky", "hedge", "lawn", "passer-by", "leaves", "fountain", "water", "heron"}
    assert sum(one.visible_share for one in told.values()) == pytest.approx(1, abs=0.002)
    pitch = SENSOR_WIDTH_MM / 300
    assert told["water"].smear_px == pytest.approx(3.0 / 64 * 1000 * FOCAL_MM / 2950 / pitch, rel=0.01)
    assert told["passer-by"].smear_px == pytest.approx(
        1.4 / 64 * 1000 * FOCAL_MM * 3000 / 2950 / 6000 / pitch, rel=0.01
    )
    assert 0 < told["leaves"].smear_px < 2 * math.sqrt(2) * 0.3 / 64 * 1000 * FOCAL_MM / 5000 / pitch
    assert told["hedge"].smear_px == told["heron"].smear_px == 0
    levels = [told[name].brightness_stops for name in ("sky", "hedge", "lawn")]
    assert levels[0] is not None and levels[1] is not None and levels[0] - levels[1] > 1
    assert levels[1] == pytest.approx(told["hedge"].gain_stops, abs=0.2)
    over = truth(renderer, dataclasses.replace(taken, ev100=14.5))
    assert over["hedge"].clipped_share > told["hedge"].clipped_share


def test_somebody_walks_through_and_is_gone_again() -> None:
    renderer = GardenRenderer(script=SceneScript(passer_by=PasserBy(10.0)))
    empty, there = (renderer.light(shot(start_s=t)) for t in (0.0, 10.0))
    changed = np.abs(there - empty).max(axis=-1) > 0.05
    columns = np.flatnonzero(changed[100:300, :340].any(axis=0))
    assert columns.size > 10 and np.array_equal(empty[:, :100], renderer.light(shot(start_s=0.001))[:, :100])
    assert truth(renderer, shot(start_s=10.0))["passer-by"].visible_share > 0.005
    assert truth(renderer, shot(start_s=0.0))["passer-by"].brightness_stops is None


def test_water_becomes_other_water_within_its_life_and_not_in_a_moment() -> None:
    renderer = GardenRenderer()

    def fall(start_s: float) -> NDArray[Any]:
        return renderer.light(shot(5.657, 1 / 4096, start_s=start_s))[120:280, 357:383, 1].ravel()

    def likeness(apart_s: float) -> float:
        pairs = [(fall(t), fall(t + apart_s)) for t in (3.05, 5.35, 7.75, 9.15)]
        return float(np.mean([np.corrcoef(a, b)[0, 1] for a, b in pairs]))

    assert likeness(0.0) == pytest.approx(1.0)
    assert likeness(1 / 1000) > 0.9
    assert abs(likeness(1.0)) < 0.2
