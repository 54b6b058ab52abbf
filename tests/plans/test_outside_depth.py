"""Depth of field, circles of confusion and diffraction against published numbers that `test_optics.py` does not hold.

There: the worked examples of the US Army and Navy courses, E. Wright's posting, the rec.photo FAQ, consecutive fields,
the focus series, and Airy discs at three wavelengths.
"""

from __future__ import annotations

import itertools
import math

import pytest
from scipy import special
from support_plans import demo

from plans import optics
from plans.compiler import compile_brief
from plans.kit import FULL_FRAME_DIAGONAL_MM, Sensor

LENSES = list(itertools.product((24, 50, 135), (1.8, 5.657, 16.0), (0.03, 0.02)))  # [mm], exact f-number, [mm]
DISTANCES_M = (0.5, 1.0, 3.0, 8.0)


def depth(f, n, c, s):
    """Sharp range in front of and behind the focus, both in metres."""
    return s - optics.near_limit_m(f, n, c, s), optics.far_limit_m(f, n, c, s) - s


FINITE = [
    (f, n, c, s) for (f, n, c), s in itertools.product(LENSES, DISTANCES_M) if math.isfinite(depth(f, n, c, s)[1])
]


def test_our_own_derived_row_of_a_50_mm_lens_at_f8_and_3_m():
    # Derived for c 0.03 mm; the limits and their ratio are in test_optics.py.
    assert optics.hyperfocal_m(50, 8, 0.03) == pytest.approx(10.467, abs=5e-4)
    assert optics.magnification(50, 3) == pytest.approx(0.01695, abs=5e-6)
    # Negative controls: the focal length left out of the one, f/s for the other.
    without, ratio = 50**2 / (8 * 0.03) / 1000, 50 / 3000
    assert without != pytest.approx(10.467, abs=5e-4)
    assert ratio != pytest.approx(0.01695, abs=5e-6)


def test_the_hyperfocal_distance_is_focal_length_times_entrance_pupil_over_blur():
    # W. J. Smith, Modern Optical Engineering, eqs 9.7 to 9.11, entrance-pupil form: D = f A / B, counted without the
    # focal length.
    for f, n, c in LENSES:
        pupil = f / n
        assert optics.hyperfocal_m(f, n, c) * 1000 - f == pytest.approx(f * pupil / c, rel=1e-12)
        # Negative control: the pupil's radius in place of its diameter.
        assert optics.hyperfocal_m(f, n, c) * 1000 - f != pytest.approx(f * pupil / 2 / c, rel=0.1)


def test_the_whole_depth_of_field_follows_from_f_number_and_magnification():
    # Published closed form: 2 N c (m + 1) / (m^2 - (N c / f)^2).
    assert len(FINITE) > 30
    for f, n, c, s in FINITE:
        m = optics.magnification(f, s)
        whole = 2 * n * c * (m + 1) / (m**2 - (n * c / f) ** 2)
        assert sum(depth(f, n, c, s)) * 1000 == pytest.approx(whole, rel=1e-6)
    # Negative controls: each term is needed somewhere.
    f, n, c = 50, 8, 0.03
    for s, m in ((s, optics.magnification(f, s)) for s in (3.0, 8.0)):
        assert 2 * n * c * (m + 1) / m**2 != pytest.approx(sum(depth(f, n, c, s)) * 1000, rel=0.01)
    near = optics.magnification(f, 0.2)
    assert 2 * n * c / near**2 != pytest.approx(sum(depth(f, n, c, 0.2)) * 1000, rel=0.01)


def test_close_up_the_focal_length_no_longer_matters_for_the_depth_of_field():
    # Published: close up it is 2 N c (m + 1) / m^2, by magnification alone.
    n, c, m = 8, 0.03, 0.5
    for f in (50, 100, 200):
        s = f * (1 + 1 / m) / 1000
        assert sum(depth(f, n, c, s)) * 1000 == pytest.approx(2 * n * c * (m + 1) / m**2, rel=2e-4)
        # Negative control: at a fiftieth of life size it does matter.
        far = f * 51 / 1000
        assert sum(depth(f, n, c, far)) * 1000 != pytest.approx(2 * n * c * 1.02 * 2500, rel=2e-4)


def test_there_is_more_depth_of_field_behind_than_in_front():
    # Common practice, no source; how much more is far over near, which is published for the thin lens.
    for f, n, c, s in FINITE:
        front, behind = depth(f, n, c, s)
        assert behind > front > 0
        assert behind / front == pytest.approx(
            optics.far_limit_m(f, n, c, s) / optics.near_limit_m(f, n, c, s), rel=1e-9
        )
        # Negative control: the common shortcut, N c s^2 / f^2 to either side, is not in that ratio.
        shortcut = n * c * (s * 1000) ** 2 / f**2 / 1000
        assert shortcut / shortcut != pytest.approx((s + shortcut) / (s - shortcut), rel=1e-9)
    # "Two to one" is no law either.
    ratios = [behind / front for front, behind in (depth(*one) for one in FINITE)]
    assert min(ratios) < 1.1 and max(ratios) > 3


def test_the_plans_frames_have_more_behind_than_in_front_too():
    ladder = {"change": "aperture", "by": "1", "balance": "time", "focus": "hedge"}
    frames = compile_brief(demo(goals=[{"ladder": ladder}, {"isolate": "heron"}])).exposing
    seen = [(step.settings.focus.distance_m, step.predicted) for step in frames]
    assert {one.far_m is None for _, one in seen} == {True, False}
    for s, one in seen:
        assert one.far_m is None or one.far_m - s > s - one.near_m > 0


# Circle of confusion.


@pytest.mark.parametrize(
    ("width", "height", "crop", "modern_mm"),
    # d/1500, the modern figure of lens makers (Wikipedia, "Circle of confusion"), and the crop factor; derived.
    [(36, 24, 1.0, 0.0288), (23.5, 15.6, 1.534, 0.0188), (22.3, 14.9, 1.613, 0.0179), (17.3, 13, 1.999, 0.0144)],
)
def test_the_circle_of_confusion_lies_between_the_traditional_and_the_modern_figure(width, height, crop, modern_mm):
    # d/1000 is the traditional figure, from the same source.
    coc = Sensor(width_mm=width, height_mm=height, pixels=(6000, 4000)).coc_mm
    diagonal = math.hypot(width, height)
    assert diagonal / 1500 == pytest.approx(modern_mm, abs=5e-5)
    assert diagonal / 1500 < coc < diagonal / 1000
    assert coc == pytest.approx(0.03 / crop, rel=5e-4)
    # Negative control: the full-frame circle unscaled fails on every smaller sensor.
    assert crop == 1 or diagonal / 1000 < 0.03


def test_ours_is_not_the_apocryphal_d_1730():
    # Wikipedia, "Circle of confusion": the "Zeiss formula" d/1730 goes back to c = 0.025 mm on full frame.
    assert pytest.approx(0.025, abs=5e-5) == FULL_FRAME_DIAGONAL_MM / 1730
    assert Sensor(width_mm=36, height_mm=24, pixels=(6000, 4000)).coc_mm != pytest.approx(0.025, abs=1e-3)


# Diffraction.


def test_the_first_dark_ring_is_the_first_zero_of_the_bessel_function():
    # SciPy's zeros of J1, over pi.
    assert pytest.approx(special.jn_zeros(1, 1)[0] / math.pi, abs=5e-5) == optics.FIRST_DARK_RING
    # Negative control: that of J0 is another.
    assert pytest.approx(special.jn_zeros(0, 1)[0] / math.pi, abs=5e-5) != optics.FIRST_DARK_RING


def test_the_diffraction_disc_at_520_nm_has_the_size_of_the_makers_formula():
    # Edmund Optics, application note on diffraction: 10.15 microns at f/8 and 520 nm.
    assert optics.airy_mm(8, 520e-6) * 1000 == pytest.approx(10.15, abs=5e-3)
    assert optics.airy_mm(8, 550e-6) * 1000 != pytest.approx(10.15, abs=5e-3)


@pytest.mark.parametrize(
    ("pixel_um", "at_two", "at_two_and_a_half"),
    # Derived at 550 nm; that a disc of two pixels begins to show is common practice, no source.
    [(5.97, 8.9, 11.1), (4.35, 6.5, 8.1), (3.9, 5.8, 7.3)],
)
def test_the_diffraction_disc_covers_two_pixels_from_the_derived_f_number_on(pixel_um, at_two, at_two_and_a_half):
    for n, pixels in ((at_two, 2), (at_two_and_a_half, 2.5)):
        assert optics.airy_mm(n) * 1000 == pytest.approx(pixels * pixel_um, rel=6e-3)  # f-numbers are to one decimal
        # Negative control: the disc's radius would want twice that f-number.
        assert optics.airy_mm(n) / 2 * 1000 != pytest.approx(pixels * pixel_um, rel=6e-3)


def test_diffraction_reaches_the_circle_of_confusion_at_f22():
    # Derived: 0.03 mm at f/22.4.
    assert optics.airy_mm(22.4) == pytest.approx(0.03, abs=1e-4)
    assert optics.airy_mm(16) < 0.022


def test_the_f_number_of_least_blur_follows_from_the_focus_spread():
    # Common practice, no source: blur is the root of the sum of squares of the defocus disc dv / 2N and the Airy disc.
    # Derived: the least is at N = sqrt(372.6 dv) for 550 nm; P. Hansma's published rule, from memory, has 375.
    def is_least(n, spread_mm, part_of_disc):
        blur = [math.hypot(spread_mm / (2 * m), part_of_disc * optics.airy_mm(m)) for m in (n, n * 0.99, n * 1.01)]
        return blur[0] == min(blur)

    for spread in (0.2, 1.0, 3.0):
        best = math.sqrt(372.6 * spread)
        assert is_least(best, spread, 1)
        assert best == pytest.approx(math.sqrt(375 * spread), rel=5e-3)
        # Negative control: with the disc's radius in place of its diameter the least lies elsewhere.
        assert not is_least(best, spread, 0.5)
    assert math.sqrt(372.6) == pytest.approx(19.3, abs=0.05)


def test_the_focus_spread_of_a_scene_is_what_two_image_distances_differ_by():
    # The spread dv of that rule is the difference of two thin-lens image distances; at the f-number that just holds
    # the span, its defocus disc dv / 2N is the circle of confusion.
    f, c, near, far = 50.0, 0.03, 1.3, 12.0
    focus = optics.two_point_focus_m(near, far)
    n = optics.aperture_for_span(f, c, focus, near, far)
    images = [1 / (1 / f - 1 / (d * 1000)) for d in (near, far)]
    assert abs(images[0] - images[1]) / (2 * n) == pytest.approx(c, rel=0.05)
    # Negative control: at the f-number for half the circle it is not.
    narrower = optics.aperture_for_span(f, c / 2, focus, near, far)
    assert abs(images[0] - images[1]) / (2 * narrower) != pytest.approx(c, rel=0.05)
