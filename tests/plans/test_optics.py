"""Depth of field, discs and diffraction against worked examples of handbooks, and against rays."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plans import optics

INCH, FOOT = 25.4, 0.3048  # [mm], [m]


def feet(metres):
    return metres / FOOT


def test_the_us_army_example_of_a_two_inch_lens_at_f8():
    # US Army correspondence course SS0507: 2 in, f/8, c 0.002 in: hyperfocal 20.8 ft, sharp from 10.4 ft. The course
    # leaves one focal length (2 in) out of the hyperfocal distance, and with it half of one out of the near limit.
    hyperfocal = optics.hyperfocal_m(2 * INCH, 8, 0.002 * INCH)
    assert feet(hyperfocal) - 2 / 12 == pytest.approx(20.8, abs=0.05)
    near = optics.near_limit_m(2 * INCH, 8, 0.002 * INCH, hyperfocal)
    assert feet(near) - 1 / 12 == pytest.approx(10.4, abs=0.05)
    assert optics.far_limit_m(2 * INCH, 8, 0.002 * INCH, hyperfocal * 1.0001) == math.inf
    # Negative control: 1 % nearer than the hyperfocal distance infinity is no longer sharp.
    assert optics.far_limit_m(2 * INCH, 8, 0.002 * INCH, hyperfocal * 0.99) < math.inf


def test_the_us_navy_examples_of_a_six_inch_lens():
    # US Navy NAVEDTRA 14209: 6.1 in, f/2.8, c 0.002 in: hyperfocal 554 ft; at 10 ft sharp from 9.8 to 10.2 ft;
    # for 9.8 to 10.2 ft focus at 10 ft.
    lens = (6.1 * INCH, 2.8, 0.002 * INCH)
    assert feet(optics.hyperfocal_m(*lens)) == pytest.approx(554, abs=0.6)
    assert feet(optics.near_limit_m(*lens, 10 * FOOT)) == pytest.approx(9.8, abs=0.05)
    assert feet(optics.far_limit_m(*lens, 10 * FOOT)) == pytest.approx(10.2, abs=0.05)
    assert feet(optics.two_point_focus_m(9.8 * FOOT, 10.2 * FOOT)) == pytest.approx(10, abs=0.05)


def test_wrights_example_needs_the_exact_f_number():
    # E. Wright, posting of 1996: 50 mm at f/2.8, c 0.025 mm, 30 ft: 23'10" to 40'5".
    published = (23 + 10 / 12, 40 + 5 / 12)
    tolerance = 0.5 / 12  # it is printed to the inch

    def limits(n):
        return feet(optics.near_limit_m(50, n, 0.025, 30 * FOOT)), feet(optics.far_limit_m(50, n, 0.025, 30 * FOOT))

    assert limits(2 * math.sqrt(2)) == pytest.approx(published, abs=tolerance)
    # Negative control: the nominal f-number misses both printed ends.
    nominal = limits(2.8)
    assert all(abs(found - printed) > tolerance for found, printed in zip(nominal, published, strict=True))


def test_at_an_eighth_of_the_hyperfocal_distance_the_ends_are_eight_ninths_and_eight_sevenths():
    # rec.photo Lens FAQ, with s - f = h / 8.
    f, n, c = 50.0, 8.0, 0.03
    s = (f * f / (n * c) / 8 + f) / 1000
    assert optics.near_limit_m(f, n, c, s) == pytest.approx(s * 8 / 9, rel=1e-12)
    assert optics.far_limit_m(f, n, c, s) == pytest.approx(s * 8 / 7, rel=1e-12)


def test_hyperfocal_of_a_20_mm_lens_at_f11():
    # Published: 1212.12 mm for c 0.03 mm, without the focal length added.
    assert optics.hyperfocal_m(20, 11, 0.03) * 1000 - 20 == pytest.approx(1212.12, abs=0.005)


@pytest.mark.parametrize("k", [1, 2, 3])
def test_fields_follow_each_other_at_the_hyperfocal_distance_over_k(k):
    # Handbooks' rule of consecutive fields: focus H/k is sharp from H/(k+1) to H/(k-1); exact for f far below H.
    f, n, c = 5.0, 8.0, 0.003
    hyperfocal = optics.hyperfocal_m(f, n, c)
    assert optics.near_limit_m(f, n, c, hyperfocal / k) == pytest.approx(hyperfocal / (k + 1), rel=5e-3)
    far = optics.far_limit_m(f, n, c, hyperfocal / k * (1 - 1e-9))
    assert far > 1e6 if k == 1 else far == pytest.approx(hyperfocal / (k - 1), rel=5e-3)


def test_the_ratio_behind_to_in_front_is_far_to_near_and_not_two_to_one():
    near, far = (limit(50, 8, 0.03, 3) for limit in (optics.near_limit_m, optics.far_limit_m))
    assert (near, far) == pytest.approx((2.338, 4.185), abs=5e-4)  # derived
    assert (far - 3) / (3 - near) == pytest.approx(far / near, rel=1e-12)
    assert (far - 3) / (3 - near) == pytest.approx(1.790, abs=5e-4)


@pytest.mark.parametrize(
    ("aperture", "wavelength_nm", "microns"),
    [
        (8, 500, 9.76),  # Wikipedia, "Airy disk"
        (2.8, 535, 3.65),  # published for green light
        (8, 550, 10.74),  # derived
    ],
)
def test_diffraction_discs_have_the_published_size(aperture, wavelength_nm, microns):
    assert optics.airy_mm(aperture, wavelength_nm * 1e-6) * 1000 == pytest.approx(microns, abs=0.01)


focal = st.floats(10, 200)
number = st.floats(1.0, 32.0)
near = st.floats(0.5, 20)


@given(focal, number, near, st.floats(1.02, 50))
def test_a_background_disc_is_what_two_rays_through_the_pupils_rim_make(f, n, s, times):
    behind = s * times
    focused, crossing = 1 / (1 / f - 1 / (s * 1000)), 1 / (1 / f - 1 / (behind * 1000))  # image distances [mm]
    rays = f / n * (focused - crossing) / crossing
    assert optics.background_disc_mm(f, n, s, behind) == pytest.approx(rays, rel=1e-6)


@given(focal, number, near)
def test_at_the_ends_of_the_sharp_range_the_disc_is_the_circle_of_confusion(f, n, s):
    for limit in (optics.near_limit_m(f, n, 0.03, s), optics.far_limit_m(f, n, 0.03, s)):
        if limit < 1e5:
            assert optics.background_disc_mm(f, n, s, limit) == pytest.approx(0.03, rel=1e-6)


@given(focal, near, st.floats(0.01, 0.9), st.floats(1.01, 100))
def test_the_f_number_for_a_span_is_the_widest_that_holds_it(f, s, front, back):
    a, b = s * front, s * back
    wide = optics.aperture_for_span(f, 0.03, s, a, b)
    held = optics.near_limit_m(f, wide * 1.001, 0.03, s) <= a and optics.far_limit_m(f, wide * 1.001, 0.03, s) >= b
    wider = optics.near_limit_m(f, wide * 0.999, 0.03, s) <= a and optics.far_limit_m(f, wide * 0.999, 0.03, s) >= b
    assert held and not wider


@given(focal, near, st.floats(1.05, 100))
def test_the_two_point_distance_needs_the_widest_f_number_of_all(f, a, times):
    b = a * times
    best = optics.two_point_focus_m(a, b)
    at_best = optics.aperture_for_span(f, 0.03, best, a, b)
    for other in (best * 0.99, best * 1.01):
        if a <= other <= b:
            assert optics.aperture_for_span(f, 0.03, other, a, b) > at_best


def test_a_focus_series_holds_its_span_without_a_gap_and_with_no_picture_too_many():
    foci = optics.focus_series_m(50, 8, 0.03, 1.0, 12.0)
    limits = [(optics.near_limit_m(50, 8, 0.03, s), optics.far_limit_m(50, 8, 0.03, s)) for s in foci]
    assert limits[0][0] <= 1.0 and limits[-1][1] >= 12.0
    assert all(far >= following[0] for (_, far), following in itertools.pairwise(limits))
    # Derived: ceil((1/near - 1/far) H / 2) pictures, for distances far beyond the focal length.
    hyperfocal = optics.hyperfocal_m(50, 8, 0.03)
    assert len(foci) == math.ceil((1 / 1.0 - 1 / 12.0) * hyperfocal / 2) == 5
    # Derived in the same form for that H, 1/s = 1/near - (2k + 1)/H: 1.106, 1.402, 1.915, 3.019 m. Ours comes to it
    # where the focal length is short beside every distance.
    tiny = 0.5
    series = optics.focus_series_m(tiny, 8, tiny**2 / (8 * hyperfocal * 1000), 1.0, hyperfocal)
    assert series[:4] == pytest.approx((1.106, 1.402, 1.915, 3.019), rel=2e-3)


def test_nothing_is_imaged_from_within_the_focal_length():
    with pytest.raises(ValueError, match="50 mm lens forms no image"):
        optics.magnification(50, 0.05)
    with pytest.raises(ValueError, match="above zero"):
        optics.image_scale(50, 2, 0)
