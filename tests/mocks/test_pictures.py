"""Is the simulated picture physically accountable? Every figure is worked out here again, from textbook formulas."""

from __future__ import annotations

import io
import math
from collections.abc import Callable
from datetime import datetime
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from hardware_mocks import jpeg, lens
from hardware_mocks.flat import FlatRenderer
from hardware_mocks.lens import Raster
from hardware_mocks.marks import APERTURES, ISOS, TIMES
from hardware_mocks.scene import GardenRenderer
from hardware_mocks.shot import Optics, Shot
from hardware_mocks.water import Fall, Tape, exposed_fall

SIZE = (600, 400)
FOCAL_MM, SENSOR_WIDTH_MM = 50.0, 35.9
GARDEN = GardenRenderer()

# Exact values behind the marks, in thirds of a stop; common practice, published lists in check-values of APEX tables:
# f/1.8 = 2^(5/6), f/5.6 = 2^(15/6), f/16 = 2^(24/6); 1/2000 = 2^-11, 1/640 = 2^(-28/3), 1/30 = 2^-5, 13/10 = 2^(1/3).
EXACT = {
    "f/1.8": 2 ** (5 / 6),
    "f/2.8": 2 ** (9 / 6),
    "f/4": 4.0,
    "f/5.6": 2 ** (15 / 6),
    "f/8": 8.0,
    "f/13": 2 ** (22 / 6),
    "f/16": 16.0,
    "f/22": 2 ** (27 / 6),
    "1/2500": 2 ** (-34 / 3),
    "1/2000": 2.0**-11,
    "1/640": 2 ** (-28 / 3),
    "1/250": 2.0**-8,
    "1/125": 2.0**-7,
    "1/60": 2.0**-6,
    "1/30": 2.0**-5,
    "1/15": 2.0**-4,
    "1/8": 2.0**-3,
    "1/4": 2.0**-2,
    "13/10": 2 ** (1 / 3),
    "100": 100.0,
    "320": 100 * 2 ** (5 / 3),
    "800": 800.0,
    "3200": 3200.0,
    "6400": 6400.0,
}


def shot(
    aperture: str, time: str, iso: str, *, focus_m: float = 3.0, size: tuple[int, int] = SIZE, **more: Any
) -> Shot:
    """A shot by marks: in a light of EV 13, bare lens, unless ``more`` says other."""
    marks = [
        next(mark for mark in table if mark.label == label)
        for table, label in ((APERTURES, aperture), (TIMES, time), (ISOS, iso))
    ]
    fields: dict[str, Any] = {
        "number": 1,
        "aperture": marks[0],
        "time": marks[1],
        "sensitivity": marks[2],
        "f_number": marks[0].exact,
        "time_s": marks[1].exact,
        "iso": marks[2].exact,
        "focus_m": focus_m,
        "filter_stops": (),
        "ev100": 13.0,
        "start_s": 1.7,
        "taken": datetime(2026, 10, 20, 15, 30),  # noqa: DTZ001
        "optics": Optics(size=size),
    }
    return Shot(**(fields | more))


def linear_luminance(picture: NDArray[np.uint8]) -> NDArray[np.float64]:
    """IEC 61966-2-1 decoded, Rec. 709 weights."""
    value = picture / 255.0
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return np.asarray(light @ np.array([0.2126, 0.7152, 0.0722]))


def middle_block(picture: NDArray[np.uint8], blocks: int = 6) -> float:
    """Median over the blocks of the middle third of their mean linear luminance."""
    light = linear_luminance(picture)
    height, width = light.shape
    part = light[height // 3 : 2 * height // 3, width // 3 : 2 * width // 3]
    means = [cell.mean() for row in np.array_split(part, blocks, 0) for cell in np.array_split(row, blocks, 1)]
    return float(np.median(means))


def as_stored(taken: Shot, renderer: Any = GARDEN) -> NDArray[np.uint8]:
    """The picture as it comes out of the camera's file."""
    with Image.open(io.BytesIO(jpeg.encode(renderer.render(taken), taken))) as image:
        return np.asarray(image.convert("RGB"))


def wanted_stops(aperture: str, time: str, iso: str, focus_m: float, filter_stops: float, ev100: float) -> float:
    """Brightness against 0.18 by the meter equation N^2/t = 2^EV S/100 and the draw of a thin lens, (1+m)^2. [stops]"""
    m = FOCAL_MM / (focus_m * 1000 - FOCAL_MM)
    meter = math.log2(EXACT[time] / EXACT[aperture] ** 2) + math.log2(EXACT[iso] / 100)
    return ev100 + meter - filter_stops - 2 * math.log2(1 + m)


@pytest.mark.parametrize(
    ("aperture", "time", "iso", "focus_m", "filter_stops", "ev100"),
    [
        ("f/8", "1/125", "100", 3.0, 0.0, 13.0),
        ("f/5.6", "1/2000", "800", 3.0, 0.0, 13.0),
        ("f/5.6", "1/4", "100", 3.0, 1.8 / 0.30103, 13.0),
        ("f/1.8", "1/2500", "100", 2.0, 0.0, 13.0),
        ("f/22", "1/15", "100", 2.0, 0.0, 13.0),
        ("f/13", "1/60", "100", 8.0, 0.0, 13.0),
        ("f/8", "1/2000", "3200", 0.45, 0.0, 13.0),
        ("f/8", "1/250", "320", 3.0, 0.0, 13.0),
        ("f/4", "13/10", "100", 3.0, 0.0, 4.0),
        ("f/8", "1/640", "100", 3.0, 0.0, 13.0),
        ("f/8", "1/30", "100", 3.0, 0.0, 13.0),
    ],
)
def test_brightness_follows_the_exact_settings(
    aperture: str, time: str, iso: str, focus_m: float, filter_stops: float, ev100: float
) -> None:
    taken = shot(aperture, time, iso, focus_m=focus_m, filter_stops=(filter_stops,), ev100=ev100)
    found = math.log2(middle_block(as_stored(taken)) / 0.18)
    wanted = wanted_stops(aperture, time, iso, focus_m, filter_stops, ev100)
    assert found == pytest.approx(wanted, abs=0.05)


def test_an_error_of_the_iris_shows_as_large_as_it_is() -> None:
    right = shot("f/8", "1/125", "100")
    wrong = shot("f/8", "1/125", "100", f_number=8.0 * 2**0.25)  # half a stop less light
    found = math.log2(middle_block(as_stored(wrong)) / middle_block(as_stored(right)))
    assert found == pytest.approx(-0.5, abs=0.03)


def test_nominal_marks_in_place_of_exact_values_would_show() -> None:
    # f/22 printed against 22.63 and 1/15 against 1/16: 0.081 and 0.093 stop too bright, which the bar above must catch.
    nominal = 13 + math.log2((1 / 15) / 22**2) - 2 * math.log2(1 + 50 / 1950)
    found = math.log2(middle_block(as_stored(shot("f/22", "1/15", "100", focus_m=2.0))) / 0.18)
    assert abs(found - nominal) > 0.1


def test_neither_blur_nor_drawn_out_water_changes_the_brightness_of_the_middle() -> None:
    blurred = [
        math.log2(middle_block(GARDEN.render(taken)) / taken.gain / 0.18)
        for taken in (
            shot("f/1.8", "1/2500", "100", focus_m=2.0),
            shot("f/1.8", "1/2500", "100", focus_m=8.0),
            shot("f/16", "1/30", "100", focus_m=3.0),
            shot("f/5.6", "1/2000", "800", start_s=5.1),
            shot("f/5.6", "1/4", "100", filter_stops=(6.0,)),
        )
    ]
    assert max(blurred) - min(blurred) < 0.03
    assert max(map(abs, blurred)) < 0.02


def test_the_mean_of_the_middle_third_is_the_reflectance_meters_are_set_to() -> None:
    taken = shot("f/8", "1/125", "100", focus_m=1e5)
    light = GARDEN.light(taken)
    height, width = light.shape[:2]
    part = light[height // 3 : 2 * height // 3, width // 3 : 2 * width // 3]
    assert math.log2(float((part @ np.array([0.2126, 0.7152, 0.0722])).mean()) / 0.18) == pytest.approx(0, abs=0.02)


def disc_formula_px(f_number: float, focus_m: float, distance_m: float, width_px: int) -> float:
    """c = f^2 / N / (s - f) * |d - s| / d, in pixels: the thin lens, lengths in millimetres."""
    s, d = focus_m * 1000, distance_m * 1000
    return FOCAL_MM**2 / f_number / (s - FOCAL_MM) * abs(d - s) / d / (SENSOR_WIDTH_MM / width_px)


@pytest.mark.parametrize(
    ("aperture", "focus_m", "distance_m"),
    [("f/1.8", 2.0, 8.0), ("f/1.8", 8.0, 2.0), ("f/2.8", 2.0, 8.0), ("f/1.8", 2.0, 3.0), ("f/1.8", 0.45, 8.0)],
)
def test_a_point_out_of_focus_becomes_a_disc_of_the_thin_lens_size(
    aperture: str, focus_m: float, distance_m: float
) -> None:
    optics = Optics()
    wanted = disc_formula_px(EXACT[aperture], focus_m, distance_m, optics.size[0])
    assert wanted >= 10
    light = np.zeros((21, 21, 3), np.float32)
    light[8:13, 8:13] = 1.0  # a small lamp of 5 pixels, bright enough to be told from rounding
    raster = Raster(light, light[..., 0].copy(), 740, 490)
    diameter = lens.disc_px(optics, EXACT[aperture], focus_m, distance_m)
    seen = lens.see(raster, optics, lens.draw_out(optics, focus_m), diameter)
    assert seen is not None
    profile = seen.light[..., 1]
    area = np.count_nonzero(profile > profile.max() / 2)
    assert 2 * math.sqrt(area / math.pi) == pytest.approx(wanted, rel=0.10)
    # The same measurement must tell the next third of a stop from this one.
    assert 2 * math.sqrt(area / math.pi) != pytest.approx(wanted * 2 ** (1 / 6), rel=0.05)


def test_an_edge_out_of_focus_is_as_wide_as_its_disc() -> None:
    optics = Optics()
    light = np.zeros((400, 800, 3), np.float32)
    light[:, 400:] = 1.0
    cover = np.ones((400, 800), np.float32)
    seen = lens.see(Raster(light, cover, 350, 300), optics, 1.0, lens.disc_px(optics, EXACT["f/1.8"], 2.0, 8.0))
    assert seen is not None
    row = seen.light[seen.light.shape[0] // 2, 100:-100, 1]
    # A disc of diameter c turns an edge into a ramp with a slope of 4 / (pi c) in its middle.
    wanted = disc_formula_px(EXACT["f/1.8"], 2.0, 8.0, 1500)
    assert 4 / (math.pi * float(np.diff(row).max())) == pytest.approx(wanted, rel=0.10)


def test_focusing_nearer_enlarges_the_picture_as_a_thin_lens_does() -> None:
    optics = Optics()
    light = np.ones((4, 4, 3), np.float32)
    seen = lens.see(Raster(light, light[..., 0].copy(), 1348, 498), optics, lens.draw_out(optics, 0.5), 0.0)
    assert seen is not None
    place = seen.left + float(
        (seen.light[..., 1].sum(0) * (np.arange(seen.light.shape[1]) + 0.5)).sum() / seen.light[..., 1].sum()
    )
    assert place - 750 == pytest.approx((1350 - 750) * (1 + 50 / 450), abs=0.3)  # fmt: skip


def one_drop(rows: int = 900) -> Fall:
    """Water that is one lit line on a dark tape."""
    texture = np.zeros((4000, 20, 2), np.float32)
    texture[100:102, :, 0] = texture[100:102, :, 1] = 1.0
    tape, nothing = Tape(texture), Tape(np.zeros((40, 2, 2), np.float32))
    ones = np.ones((rows, 20), np.float32)
    return Fall((tape, tape), nothing, ones, np.zeros_like(ones), 1.0, 740, 50)


@pytest.mark.parametrize(("time", "focus_m"), [("1/125", 3.0), ("1/30", 3.0), ("1/8", 3.0), ("1/30", 0.5)])
def test_a_drop_is_drawn_out_by_its_speed_and_the_time(time: str, focus_m: float) -> None:
    optics, speed_m_s, distance_m = Optics(), 3.0, 3.0
    # Image distance over object distance; m = f/(s - f) where the drop is in focus.
    image_mm = FOCAL_MM * focus_m * 1000 / (focus_m * 1000 - FOCAL_MM)
    wanted = speed_m_s * EXACT[time] * 1000 * image_mm / (distance_m * 1000) / (SENSOR_WIDTH_MM / 1500)
    assert wanted >= 10
    raster = exposed_fall(one_drop(), lens.length_px(optics, speed_m_s, distance_m), 0.0, EXACT[time])
    seen = lens.see(raster, optics, lens.draw_out(optics, focus_m), 0.0)
    assert seen is not None
    profile = seen.light[:, seen.light.shape[1] // 2, 1]
    found = np.count_nonzero(profile > profile.max() / 2)
    assert found == pytest.approx(wanted, rel=0.10, abs=2)
    assert found != pytest.approx(wanted * 2 ** (1 / 3), rel=0.10)


def test_an_exposure_gathers_the_same_water_however_it_is_cut() -> None:
    fall, speed = one_drop(), 700.0
    whole = exposed_fall(fall, speed, 0.1, 0.4).light
    halves = (exposed_fall(fall, speed, 0.1, 0.2).light + exposed_fall(fall, speed, 0.3, 0.2).light) / 2
    assert np.abs(whole - halves).max() < 1e-4


def test_water_goes_from_structure_to_a_veil_as_the_time_grows() -> None:
    rough = []
    for time_s in (1 / 2048, 1 / 64, 1 / 16, 1 / 4, 2.0):
        light = GARDEN.light(shot("f/8", "1/125", "100", time_s=time_s))[..., 1]
        water = light[120:280, 357:383]  # the fall, inside its edges
        rough.append(float((water - water.mean(axis=0)).std() / water.mean()))
    assert rough == sorted(rough, reverse=True)
    assert rough[0] > 0.2 > 4 * rough[-1]


def test_no_two_exposures_show_the_same_water_but_the_same_moment_does() -> None:
    def fall(start_s: float) -> NDArray[np.float32]:
        return GARDEN.light(shot("f/5.6", "1/2000", "800", start_s=start_s))[120:280, 357:383, 1]

    first, again, later = fall(1.0), fall(1.0), fall(4.0)
    assert np.array_equal(first, again)
    assert abs(np.corrcoef(first.ravel(), later.ravel())[0, 1]) < 0.4


def measured_noise(iso: str) -> float:
    """Standard deviation of a grey patch at a linear value near 0.18, from the difference of two frames."""
    grey = FlatRenderer()
    frames = []
    for number in (1, 2):
        taken = shot("f/8", "1/125", iso, number=number, ev100=13 - math.log2(EXACT[iso] / 100))
        value = grey.render(taken) / 255.0
        frames.append(np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4))
    return float((frames[0] - frames[1])[..., 1].std() / math.sqrt(2))


def test_noise_grows_with_iso_as_photons_do() -> None:
    # Equal brightness at 16 times the ISO means a sixteenth of the photons, hence 4 times the noise (Poisson).
    ratio = measured_noise("6400") / math.sqrt(measured_noise("800") ** 2)
    assert ratio == pytest.approx(math.sqrt(8), rel=0.1)
    well = 40_000 * 100 / 6400
    assert measured_noise("6400") == pytest.approx(math.sqrt(0.18 / well + (9 + (12 / 64) ** 2) / well**2), rel=0.1)


def test_the_same_seed_gives_the_same_frame_and_another_frame_other_noise() -> None:
    grey = FlatRenderer()
    make: Callable[..., NDArray[np.uint8]] = lambda **more: grey.render(shot("f/8", "1/2000", "3200", **more))  # noqa: E731
    assert np.array_equal(make(), make())
    assert not np.array_equal(make(), make(number=2))
    assert not np.array_equal(make(), make(seed=3))


def test_what_is_far_too_bright_is_white_and_not_dark() -> None:
    assert int(FlatRenderer().render(shot("f/8", "1/4", "100")).min()) == 255


def test_dark_corners_are_there_only_when_asked_for() -> None:
    # The card has patches of its own: its corner is held against itself, far from white, in half the light.
    even, half = (linear_luminance(FlatRenderer().render(shot("f/8", time, "100"))) for time in ("1/125", "1/250"))
    corner, middle = (even[at].mean() / half[at].mean() for at in (np.s_[:48, :48], np.s_[176:224, 272:320]))
    assert corner / middle == pytest.approx(1, abs=0.01)
    none = lens.vignette(Optics(size=SIZE, vignette_stops=0.0))
    assert none.min() == pytest.approx(1.0, abs=1e-6) and none.max() == pytest.approx(1.0, abs=1e-6)
    share = lens.vignette(Optics(size=SIZE, vignette_stops=1.0))
    assert share[0, 0] == pytest.approx(0.5, abs=0.01) and share[200, 300] == pytest.approx(1.0, abs=0.01)


def test_automatic_white_balance_wavers_from_frame_to_frame_and_daylight_does_not() -> None:
    def tint(number: int, white_balance: int) -> float:
        picture = GARDEN.render(shot("f/8", "1/125", "100", number=number, white_balance=white_balance))
        return float(picture[..., 0].mean() / picture[..., 2].mean())

    assert tint(1, 4) == pytest.approx(tint(2, 4), rel=0.002)
    assert tint(1, 2) != pytest.approx(tint(2, 2), rel=0.002)
