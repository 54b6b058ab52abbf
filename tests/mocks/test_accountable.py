"""Is the simulated picture physically accountable? Pictures are measured here with code of their own.

Every figure wanted is worked out again from the formula and source named beside it; every measurement has a control
that must miss. Sizes are told from second moments: a disc of diameter c has the variance c^2/16 along either axis, a
line of length L has L^2/12 (integration), and blurs add up in variance.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from support_scene import FOCAL_MM, SENSOR_WIDTH_MM, bare, shot

from hardware_mocks.scene import GardenRenderer
from hardware_mocks.script import Glass, Lamps, Light, SceneScript, Sensor, Target
from hardware_mocks.sensor import RAW_BLACK, RAW_WHITE
from hardware_mocks.shot import Optics, Shot

Picture = NDArray[np.floating]
FULL_FRAME = Optics(size=(6000, 4000))


def close(found: float, wanted: float) -> bool:
    """The bar for sizes: 5 % from 10 px on, 0.3 px below. [px]"""
    return abs(found - wanted) <= (0.05 * wanted if wanted >= 10 else 0.3)


def moments(picture: Picture) -> tuple[tuple[float, float], NDArray[np.float64]]:
    """Middle (x, y) and covariance of the light of a picture on black. [px, px2]"""
    light = picture[..., 1].astype(np.float64)
    y, x = (np.arange(n) + 0.5 for n in light.shape)
    total = light.sum()
    mx, my = (light.sum(0) @ x) / total, (light.sum(1) @ y) / total
    dx, dy = x - mx, y - my
    cross = float(dy @ light @ dx) / total
    return (mx, my), np.array([[light.sum(0) @ dx**2 / total, cross], [cross, light.sum(1) @ dy**2 / total]])


# -- discs ------------------------------------------------------------------------------------------------------------


def disc_wanted(f_number: float, focus_m: float, distance_m: float, width_px: int) -> float:
    """c = f^2 / N / (s - f) * |d - s| / d, thin lens, lengths in millimetres. [px]"""
    s, d = focus_m * 1000, distance_m * 1000
    return FOCAL_MM**2 / f_number / (s - FOCAL_MM) * abs(d - s) / d / (SENSOR_WIDTH_MM / width_px)


def disc_found(f_number: float, focus_m: float, distance_m: float, size: tuple[int, int]) -> tuple[float, float]:
    """Diameter of the disc that a lamp becomes: by second moment, and by the area above half its brightness. [px]"""
    lamp = Target("lamp", "dot", size_px=1.5, level=500.0, distance_m=distance_m)
    taken = shot(f_number, focus_m=focus_m, size=size)
    spread = bare(lamp).exact(taken)
    sharp = bare(Target("lamp", "dot", size_px=1.5, level=500.0, distance_m=focus_m)).exact(taken)
    variance = np.trace(moments(spread)[1] - moments(sharp)[1]) / 2
    area = np.count_nonzero(spread[..., 1] > spread[..., 1].max() / 2)
    return 4 * math.sqrt(max(variance, 0.0)), 2 * math.sqrt(area / math.pi)


DISCS = [
    (2 ** (5 / 6), 2.0, 8.0),
    (2 ** (5 / 6), 8.0, 2.0),
    (2 ** (5 / 6), 0.45, 8.0),
    (2.0, 2.0, 3.0),
    (4.0, 2.0, 8.0),
    (4.0, 3.0, 2.0),
    (5.04, 2.0, 8.0),
    (8.0, 2.0, 8.0),
    (8.0, 3.0, 2.0),
    (11.31, 3.0, 3.5),
    (16.0, 3.0, 8.0),
    (22.63, 3.0, 3.1),
]


@pytest.mark.parametrize(("f_number", "focus_m", "distance_m"), DISCS)
@pytest.mark.parametrize("size", [(600, 400), (1500, 1000)])
def test_a_point_out_of_focus_becomes_a_disc_of_the_thin_lens_size(
    f_number: float, focus_m: float, distance_m: float, size: tuple[int, int]
) -> None:
    wanted = disc_wanted(f_number, focus_m, distance_m, size[0])
    by_moment, by_area = disc_found(f_number, focus_m, distance_m, size)
    assert close(by_moment, wanted), (by_moment, wanted)
    if wanted >= 10:
        assert close(by_area, wanted), (by_area, wanted)
        assert not close(by_moment, disc_wanted(f_number * 2 ** (1 / 6), focus_m, distance_m, size[0]))


def test_a_disc_left_out_or_doubled_would_be_seen_below_ten_pixels_too() -> None:
    found, _ = disc_found(8.0, 2.0, 8.0, (600, 400))
    wanted = disc_wanted(8.0, 2.0, 8.0, 600)
    assert close(found, wanted) and not close(0.0, wanted) and not close(found, wanted * 2) and wanted < 10


# -- smears -----------------------------------------------------------------------------------------------------------


def smear_wanted(speed_m_s: float, time_s: float, focus_m: float, distance_m: float, width_px: int) -> float:
    """v t times image distance over object distance, thin lens. [px]"""
    image_mm = FOCAL_MM * focus_m * 1000 / (focus_m * 1000 - FOCAL_MM)
    return speed_m_s * time_s * 1000 * image_mm / (distance_m * 1000) / (SENSOR_WIDTH_MM / width_px)


def smear_found(speed_m_s: float, time_s: float, heading_deg: float, focus_m: float = 3.0) -> tuple[float, float]:
    """Length [px] and direction [degrees] of what a passing lamp in focus draws, by second moments."""
    taken = shot(16.0, time_s, focus_m=focus_m)
    moving = Target("lamp", "dot", 0.4, 0.4, 1.5, 50.0, focus_m, speed_m_s, heading_deg)
    _, spread = moments(bare(moving).exact(taken))
    # The same lamp at rest in the middle of the way.
    half = smear_wanted(speed_m_s, time_s, 1e9, focus_m, 600) / 2
    x = 0.4 + half * math.cos(math.radians(heading_deg)) / 600
    y = 0.4 + half * math.sin(math.radians(heading_deg)) / 400
    _, sharp = moments(bare(Target("lamp", "dot", x, y, 1.5, 50.0, focus_m)).exact(taken))
    covariance = spread - sharp
    values, axes = np.linalg.eigh(covariance)
    return math.sqrt(12 * max(values[1], 0.0)), math.degrees(math.atan2(axes[1, 1], axes[0, 1])) % 180


@pytest.mark.parametrize("heading_deg", [0.0, 90.0, 30.0])
@pytest.mark.parametrize("time_s", [1 / 1024, 1 / 256, 1 / 128, 1 / 64, 1 / 32, 1 / 8, 0.5])
def test_what_moves_is_drawn_out_by_its_speed_and_the_time(time_s: float, heading_deg: float) -> None:
    wanted = smear_wanted(0.9, time_s, 3.0, 3.0, 600)
    found, lean = smear_found(0.9, time_s, heading_deg)
    assert close(found, wanted), (found, wanted)
    if wanted >= 10:
        assert lean == pytest.approx(heading_deg % 180, abs=1.5) or lean == pytest.approx(180, abs=1.5)
        assert not close(found, smear_wanted(0.9, time_s * 2 ** (1 / 3), 3.0, 3.0, 600))


def test_a_drop_in_the_falling_water_is_drawn_out_as_far() -> None:
    from hardware_mocks.lens import length_px
    from hardware_mocks.water import Fall, Tape, exposed_fall

    texture = np.zeros((4000, 4, 2), np.float32)
    texture[100:102] = 1.0
    ones = np.ones((900, 4), np.float32)
    fall = Fall((Tape(texture), Tape(texture)), Tape(np.zeros((40, 2, 2), np.float32)), ones, ones * 0, 1.0, 0, 0)
    speed = length_px(Optics(), 3.0, 3.0)

    def variance(begin_s: float, time_s: float) -> float:
        light = exposed_fall(fall, speed, begin_s, time_s).light[:, 1, 1].astype(np.float64)
        at = np.arange(900)
        mean = light @ at / light.sum()
        return float(light @ (at - mean) ** 2 / light.sum())

    for time_s in (1 / 8192, 1 / 2048, 1 / 1024, 1 / 256, 1 / 64, 1 / 8):
        wanted = 3.0 * time_s * 1000 * FOCAL_MM / 3000 / (SENSOR_WIDTH_MM / 1500)
        # In the mean over where the drop falls between the pixels.
        begins = [0.05 + place / 8 / speed for place in range(8)]
        more = np.mean([variance(begin, time_s) - variance(begin + time_s / 2, 1e-7) for begin in begins])
        found = math.sqrt(12 * max(more, 0.0))
        assert close(found, wanted), (found, wanted)
        assert wanted < 10 or not close(found, wanted * 1.1)


# -- brightness -------------------------------------------------------------------------------------------------------


def raw_level(renderer: GardenRenderer, taken: Shot) -> float:
    """Mean of a raw file between black and saturation, green pixels of the middle. [unitless]"""
    numbers = renderer.raw(taken)
    rows, columns = numbers.shape
    part = numbers[rows // 4 : rows // 4 + 200, columns // 4 : columns // 4 + 300].astype(np.float64)
    return float(np.concatenate([part[0::2, 1::2].ravel(), part[1::2, 0::2].ravel()]).mean() - RAW_BLACK) / (
        RAW_WHITE - RAW_BLACK
    )


def stops_wanted(f_number: float, time_s: float, iso: float, focus_m: float, filters: float, ev100: float) -> float:
    """Meter equation N^2/t = 2^EV S/100 (ISO 2720) and the draw of a thin lens, (1+m)^2, against 0.18. [stops]"""
    m = FOCAL_MM / (focus_m * 1000 - FOCAL_MM)
    return ev100 + math.log2(time_s / f_number**2) + math.log2(iso / 100) - filters - 2 * math.log2(1 + m)


THIRD = 2 ** (1 / 3)
EXPOSURES = [
    (8.0, 2.0**-7, 100.0, 3.0, 0.0, 13.0),
    (2 ** (5 / 6), THIRD**-34, 100.0, 2.0, 0.0, 13.0),
    (2 ** (27 / 6), 2.0**-4, 100.0, 2.0, 0.0, 13.0),
    (5.657, 0.25, 100.0, 3.0, 1.8 / 0.30103, 13.0),
    (8.0, 2.0**-11, 3200.0, 0.45, 0.0, 13.0),
    (4.0, THIRD, 100.0, 3.0, 0.0, 4.0),
    (12.7, 32.0, 100.0, 8.0, 9.966 + 3.0, 13.0),
    (8.0, 2.0**-9, 6400.0, 3.0, 0.0, 8.0),
    (8.0, 2.0**-7, 25600.0, 3.0, 0.0, 4.0),
]


@pytest.mark.parametrize(("f_number", "time_s", "iso", "focus_m", "filters", "ev100"), EXPOSURES)
def test_brightness_of_the_raw_file_follows_the_exact_settings(
    f_number: float, time_s: float, iso: float, focus_m: float, filters: float, ev100: float
) -> None:
    taken = shot(f_number, time_s, iso, focus_m=focus_m, filter_stops=(filters,), ev100=ev100)
    found = math.log2(raw_level(bare(ground=0.18), taken) / 0.18)
    assert found == pytest.approx(stops_wanted(f_number, time_s, iso, focus_m, filters, ev100), abs=0.01)


def test_printed_marks_in_place_of_exact_values_would_be_seen() -> None:
    # f/5.6 for 5.657, 1/60 for 1/64, 1/15 for 1/16, and the draw of the lens left out: each must miss the bar.
    found = math.log2(raw_level(bare(ground=0.18), shot(2**2.5, 2.0**-6, 100.0, focus_m=1.0)) / 0.18)
    for wrong in (
        stops_wanted(5.6, 2.0**-6, 100.0, 1.0, 0, 13.0),
        stops_wanted(2**2.5, 1 / 60, 100.0, 1.0, 0, 13.0),
        stops_wanted(2**2.5, 2.0**-6, 100.0, 1e6, 0, 13.0),
    ):
        assert found != pytest.approx(wrong, abs=0.01)


# -- noise ------------------------------------------------------------------------------------------------------------


def noise_found(iso: float, level: float) -> float:
    """Standard deviation of a raw file's green pixels, from the difference of two frames of an even card."""
    gain_ev = 13.0 + math.log2(level / 0.18) - math.log2(iso / 100)
    frames = [
        bare(ground=0.18).raw(shot(iso=iso, ev100=gain_ev, focus_m=1e6, number=number)).astype(np.float64)
        for number in (1, 2)
    ]
    difference = (frames[0] - frames[1])[0::2, 1::2] / (RAW_WHITE - RAW_BLACK)
    return float(difference.std() / math.sqrt(2))


def noise_wanted(iso: float, level: float, read: bool = True) -> float:
    """Photons come with the square root of their number (Poisson); reading adds its own in squares. [unitless]"""
    well = 40_000 * 100 / iso
    return math.sqrt(level * well + (9 + (12 * 100 / iso) ** 2 if read else 0)) / well


@pytest.mark.parametrize("iso", [100.0, 800.0, 6400.0, 25600.0])
@pytest.mark.parametrize("level", [0.02, 0.18, 0.6])
def test_noise_follows_the_square_root_law(iso: float, level: float) -> None:
    found = noise_found(iso, level)
    assert found == pytest.approx(noise_wanted(iso, level), rel=0.05)
    assert found != pytest.approx(noise_wanted(iso * THIRD, level), rel=0.05)


def test_noise_without_that_of_reading_would_be_seen_in_the_shadows() -> None:
    assert noise_found(100.0, 0.005) == pytest.approx(noise_wanted(100.0, 0.005), rel=0.05)
    assert noise_found(100.0, 0.005) != pytest.approx(noise_wanted(100.0, 0.005, read=False), rel=0.05)


# -- diffraction ------------------------------------------------------------------------------------------------------


def edge_transfer(picture: Picture, fine: int = 4) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequencies [cycles/px] and transfer of a slanted edge, lit to the right.

    The method is that of ISO 12233: the edge's place row by row from the middle of its derivative, a straight line
    through them, all pixels sorted by their distance from it into quarters of a pixel, differentiated, transformed.
    """
    light = picture[..., 1].astype(np.float64)
    rows, columns = light.shape
    steep = np.diff(light, axis=1)
    places = (steep @ (np.arange(columns - 1) + 1.0)) / steep.sum(axis=1)
    slope, start = np.polyfit(np.arange(rows), places, 1)
    distance = (np.arange(columns) + 0.5)[None, :] - (start + slope * np.arange(rows))[:, None]
    distance /= math.hypot(1, slope)
    bins = np.floor(distance * fine).astype(int)
    low = bins.min()
    counts = np.bincount((bins - low).ravel())
    profile = np.bincount((bins - low).ravel(), light.ravel()) / np.maximum(counts, 1)
    middle = -low
    line = np.diff(profile[middle - 40 * fine : middle + 40 * fine + 1]) * np.hanning(80 * fine)
    spectrum = np.abs(np.fft.rfft(line))
    frequency = np.arange(spectrum.size) / line.size * fine
    # Sorting into bins and differencing are themselves filters one bin wide.
    correction = np.sinc(frequency / fine) ** 2
    return frequency, spectrum / spectrum[0] / correction


def half_contrast(frequency: NDArray[np.float64], transfer: NDArray[np.float64]) -> float:
    """The frequency at which the transfer first falls to a half. [cycles/px]"""
    place = int(np.argmax(transfer < 0.5))
    a, b = transfer[place - 1], transfer[place]
    return float(frequency[place - 1] + (a - 0.5) / (a - b) * (frequency[place] - frequency[place - 1]))


def half_contrast_wanted(f_number: float, wavelength_mm: float = 0.00055) -> float:
    """Where a round iris free of aberrations and a square pixel together leave half of the contrast. [cycles/px]

    Transfer of the iris: 2/pi (acos s - s sqrt(1 - s^2)), s the frequency times lambda N (Goodman, Introduction to
    Fourier Optics; from memory); of the pixel: sin(pi f)/(pi f).
    """
    pitch = SENSOR_WIDTH_MM / 6000
    frequency = np.linspace(0.001, 0.9, 20_000)
    s = np.clip(frequency * wavelength_mm * f_number / pitch, 0, 1)
    return half_contrast(frequency, 2 / math.pi * (np.arccos(s) - s * np.sqrt(1 - s * s)) * np.sinc(frequency))


def edge_found(f_number: float, diffraction: bool = True) -> float:
    """Half-contrast frequency of a slanted edge in focus in the middle of a frame of 24 megapixels. [cycles/px]"""
    edge = Target("edge", "edge", size_px=900.0, level=0.6, distance_m=5.0, angle_deg=5.0)
    renderer = bare(edge, diffraction=diffraction, ground=0.05)
    picture = renderer.exact(shot(f_number, focus_m=5.0, optics=FULL_FRAME), (2880, 1880, 3120, 2120))
    return half_contrast(*edge_transfer(picture))


@pytest.mark.parametrize("f_number", [16.0, 2 ** (25 / 6), 2 ** (26 / 6), 2 ** (27 / 6)])
def test_a_small_iris_softens_an_edge_as_diffraction_does(f_number: float) -> None:
    found = edge_found(f_number)
    assert found == pytest.approx(half_contrast_wanted(f_number), rel=0.10)
    assert found != pytest.approx(half_contrast_wanted(f_number * 2**0.5), rel=0.10)


def test_without_diffraction_the_edge_would_be_far_too_sharp() -> None:
    assert edge_found(16.0, diffraction=False) > 1.5 * half_contrast_wanted(16.0)


# -- lamps on the mains -----------------------------------------------------------------------------------------------


def bands(mains_hz: float, time_s: float, readout_s: float = 0.04) -> tuple[float, float]:
    """Period of the bands [rows], by the strongest frequency of the rows' brightness, and their depth [share]."""
    lamps = Light(daylight_stops=-99.0, lamps=(Lamps(stops=0.0, mains_hz=mains_hz),))
    renderer = bare(ground=0.18, light=lamps, sensor=Sensor(readout_s=readout_s))
    ev100 = 13.0 - math.log2(time_s * 128)
    rows = renderer.exact(shot(8.0, time_s, size=(600, 400), ev100=ev100))[..., 1].mean(axis=1).astype(np.float64)
    depth = float((rows.max() - rows.min()) / rows.mean())
    waves = (rows - rows.mean()) * np.hanning(rows.size)
    spectrum = np.abs(np.fft.rfft(waves, 32 * rows.size))
    peak = int(np.argmax(spectrum[32:])) + 32
    return 32 * rows.size / peak, depth


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_lamps_on_the_mains_leave_bands_of_the_right_period(mains_hz: float) -> None:
    # Lamps brighten twice in a period; 400 rows are read in 0.04 s.
    period, depth = bands(mains_hz, 1 / 1024)
    wanted = 400 * (1 / (2 * mains_hz)) / 0.04
    assert period == pytest.approx(wanted, rel=0.05)
    assert period != pytest.approx(400 * (1 / (2 * (110 - mains_hz))) / 0.04, rel=0.05)
    assert depth > 1.0


def test_an_exposure_of_whole_flickers_has_no_bands_and_one_of_a_half_more_has() -> None:
    assert bands(50.0, 0.02)[1] < 0.001 < bands(50.0, 0.025)[1]
    assert bands(60.0, 1 / 60)[1] < 0.001 < bands(60.0, 2.0**-6)[1]


# -- the picture as a whole -------------------------------------------------------------------------------------------


def test_a_frame_worked_out_in_parts_is_the_frame_worked_out_at_once() -> None:
    renderer = GardenRenderer(script=SceneScript(glass=Glass(barrel_stops=1.0)))
    taken = shot(2 ** (5 / 6), 1 / 2580, focus_m=2.0, start_s=1.7)
    whole = renderer.exact(taken)
    for region in ((0, 0, 300, 200), (300, 200, 600, 400), (150, 0, 420, 400)):
        left, top, right, bottom = region
        part = renderer.exact(taken, region)
        assert np.abs(part - whole[top:bottom, left:right]).max() < 0.005
    # A part in the wrong place by one pixel would be seen.
    assert np.abs(whole[201:, 301:] - renderer.exact(taken, (300, 200, 599, 399))).max() > 0.05


def test_stopping_down_cures_what_the_barrel_shades_and_not_the_rest() -> None:
    def corner(f_number: float, **glass: Any) -> float:
        renderer = GardenRenderer(script=SceneScript(stage="bare", glass=Glass(**glass)))
        light = renderer.exact(shot(f_number))[..., 1]
        return math.log2(float(light[0, 0] / light[200, 300]))

    open_, stopped = corner(2 ** (5 / 6), barrel_stops=1.6), corner(5.04, barrel_stops=1.6)
    assert open_ == pytest.approx(-1.6, abs=0.02) and -0.25 < stopped < -0.1
    assert corner(5.04, vignette_stops=0.5) == pytest.approx(-0.5, abs=0.01)
    assert corner(5.04) == 0.0
