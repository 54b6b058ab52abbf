"""Exposure held against the colour-hdri and colour-science libraries: their listed outputs, and grids of settings.

The listed outputs stand in the libraries' own documentation. They check that we call the libraries as meant; the grids
check our arithmetic. `test_exposure.py` has three of the listed values without the library.
"""

from __future__ import annotations

import random
import warnings
from types import SimpleNamespace

import numpy as np
import pytest

from daemon.pictures.reading import MID_GREY, srgb_to_linear
from daemon.pictures.tones import RGB
from plans.exposure import INCIDENT_C, REFLECTED_K, brightness, ev100, illuminance, luminance, magnification_loss
from plans.optics import magnification
from plans.stops import label_value, scale_between

EVS = np.arange(-10, 22.01, 0.25)
EXACT = 1e-9  # [stops]


@pytest.fixture(scope="module")
def hdri():
    """The library's functions. Importing it takes three seconds and warns of plotting parts that are not installed."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour.models
        import colour_hdri.exposure.dsc
    dsc = colour_hdri.exposure.dsc
    names = [*colour_hdri.exposure.__all__, "eotf_inverse_sRGB", "eotf_sRGB", "q_factor"]
    places = (colour_hdri.exposure, colour.models, dsc)
    return SimpleNamespace(
        **{name: next(getattr(place, name) for place in places if hasattr(place, name)) for name in names}
    )


def all_marks():
    ends = {"aperture": ("f/1", "f/32"), "time": ("1/8000", "30"), "iso": ("50", "25600")}
    return {kind: scale_between(kind, *between, "thirds").marks for kind, between in ends.items()}


@pytest.fixture(scope="module")
def grid():
    """Three thousand settings drawn from all marks in thirds of a stop, always the same ones."""
    draw, scales = random.Random(20261020), all_marks()
    return [tuple(draw.choice(scales[kind]) for kind in ("aperture", "time", "iso")) for _ in range(3000)]


def exact_columns(settings):
    return (np.array([one[n].exact for one in settings]) for n in range(3))


def printed_columns(settings):
    return (np.array([label_value(one[n].kind, one[n].label) for one in settings]) for n in range(3))


def listed(hdri):
    """Calls of the libraries with the value that their documentation lists."""
    return [
        (hdri.average_luminance(8, 1, 100), 8.0),
        (hdri.average_illuminance(8, 1, 100), 160.0),
        (hdri.luminance_to_exposure_value(4096, 100), 15.0),
        (hdri.illuminance_to_exposure_value(81920, 100), 15.0),
        (hdri.exposure_value_100(8, 1 / 250, 400), 11.9657843),
        (hdri.arithmetic_mean_focal_plane_exposure(4000, 8, 1 / 250), 0.1628937),
        (
            hdri.saturation_based_speed_focal_plane_exposure(4000, 8, 1 / 250, 400, 50 / 1000, 50 / 1000, 0.0015),
            0.8430447,
        ),
        (hdri.exposure_index_values(0.1628937086212269), 61.38973),
        (hdri.q_factor(), 0.6515748),
        (hdri.adjust_exposure(0.25, 1), 0.5),
        (hdri.eotf_inverse_sRGB(0.18), 0.4613561),
    ]


def test_the_libraries_give_what_their_documentation_lists(hdri):
    for found, published in listed(hdri):
        assert float(found) == pytest.approx(published, rel=1e-6)


# Every value in that list that a function of ours gives too, through ours.


def test_our_own_functions_give_the_listed_values_as_well(hdri):
    assert luminance(ev100(8, 1, 100)) == pytest.approx(8.0)
    assert illuminance(ev100(8, 1, 100)) == pytest.approx(160.0)
    assert ev100(8, 1 / 250, 400) == pytest.approx(11.9657843, abs=5e-8)
    assert (luminance(15), illuminance(15)) == pytest.approx((4096, 81920))


def test_ev100_is_the_librarys_at_every_setting(hdri, grid):
    n, t, s = exact_columns(grid)
    theirs = hdri.exposure_value_100(n, t, s)
    ours = np.array([ev100(*(mark.exact for mark in one)) for one in grid])
    assert np.abs(ours - theirs).max() < EXACT
    # The exact fractions of marks come to the same.
    fractions = np.array([float(-(one[0].light + one[1].light + one[2].light)) for one in grid])
    assert np.abs(fractions - theirs).max() < EXACT
    # Negative controls: what is printed, and the f-number unsquared.
    printed = hdri.exposure_value_100(*printed_columns(grid))
    assert np.abs(fractions - printed).max() > 0.1
    assert np.abs(fractions - (theirs - np.log2(n))).max() > 1


def test_ev100_is_the_librarys_off_every_scale(hdri):
    draw = random.Random(8)
    drawn = [(draw.uniform(0.7, 64), 2 ** draw.uniform(-15, 12), 2 ** draw.uniform(1, 19)) for _ in range(2000)]
    ours = np.array([ev100(*one) for one in drawn])
    assert np.abs(ours - hdri.exposure_value_100(*np.array(drawn).T)).max() < EXACT


def test_luminance_and_illuminance_are_the_librarys_at_every_setting(hdri, grid):
    n, t, s = exact_columns(grid)
    evs = np.array([ev100(*(mark.exact for mark in one)) for one in grid])
    ours = np.array([(luminance(ev), illuminance(ev)) for ev in evs])
    np.testing.assert_allclose(ours[:, 0], hdri.average_luminance(n, t, s, REFLECTED_K), rtol=1e-12)
    np.testing.assert_allclose(ours[:, 1], hdri.average_illuminance(n, t, s, INCIDENT_C), rtol=1e-12)
    # Negative control: printed values miss by up to a fifth.
    printed = hdri.average_luminance(*printed_columns(grid), REFLECTED_K)
    assert np.abs(ours[:, 0] / printed - 1).max() > 0.1


@pytest.mark.parametrize("constant", [10.6, 12.5, 13.4, 14.0])
def test_luminance_and_illuminance_lead_back_to_the_ev_by_the_library(hdri, constant):
    for ev in EVS:
        seen = luminance(ev, constant)
        assert float(hdri.luminance_to_exposure_value(seen, 100, constant)) == pytest.approx(ev, abs=EXACT)
        lit = illuminance(ev, 20 * constant)
        assert float(hdri.illuminance_to_exposure_value(lit, 100, 20 * constant)) == pytest.approx(ev, abs=EXACT)
        # At another ISO the library's EV is that for the ISO: two stops more at 400.
        assert float(hdri.luminance_to_exposure_value(seen, 400, constant)) == pytest.approx(ev + 2, abs=EXACT)
        # Negative control: read with another constant it does not lead back.
        assert abs(float(hdri.luminance_to_exposure_value(seen, 100, 11.5)) - ev) > 0.05


def test_brightness_is_the_stops_by_which_the_librarys_focal_plane_exposure_exceeds_the_metered_one(hdri, grid):
    # ISO 12232:2006 by way of the library: H = q L t / N^2. Metered, with ISO 2720, it is q K / S (published: 8 / S);
    # so at the ISO set, log2 of H over that is how far the picture lies off.
    draw = random.Random(15)
    for one in grid[:600]:
        ev = draw.choice(EVS)
        n, t, s = (mark.exact for mark in one)
        exposure = hdri.arithmetic_mean_focal_plane_exposure(luminance(ev), n, t)
        metered = hdri.q_factor() * REFLECTED_K / s
        assert metered * s == pytest.approx(8, abs=0.15)
        assert float(brightness(ev, *one)) == pytest.approx(float(np.log2(exposure / metered)), abs=EXACT)
        assert float(hdri.adjust_exposure(metered, float(brightness(ev, *one)))) == pytest.approx(exposure, rel=1e-12)
        # Negative control: with the light one stop off, or the ISO left out.
        assert float(brightness(ev + 1, *one)) != pytest.approx(float(np.log2(exposure / metered)), abs=0.5)
        assert s == 100 or float(brightness(ev, *one)) != pytest.approx(
            float(np.log2(exposure * 100 / hdri.q_factor() / REFLECTED_K)), abs=0.1
        )


def test_a_metered_picture_lies_the_published_stops_below_saturation(hdri, grid):
    # ISO 12232:2006 by way of the library: saturation at 78 / S, exposure index at 10 / S. Derived: 3.26 stops from the
    # metered mean and 2.96 from 10 / S; the two middles 0.30 apart; saturation at a luminance of 1.2 x 2^EV100.
    for n, t, s in ([mark.exact for mark in one] for one in grid[:200]):
        ev = ev100(n, t, s)
        metered = float(hdri.arithmetic_mean_focal_plane_exposure(luminance(ev), n, t))
        assert np.log2(78 / s / metered) == pytest.approx(3.26, abs=5e-3)
        index = float(hdri.exposure_index_values(metered))
        assert np.log2(78 / 10) == pytest.approx(2.96, abs=5e-3)
        assert np.log2(index / s) == pytest.approx(0.30, abs=5e-3)
        clip = 1 / float(hdri.photometric_exposure_scale_factor_Lagarde2014(ev))
        assert clip / 2**ev == pytest.approx(1.2, abs=5e-3)
        assert clip / luminance(ev) == pytest.approx(78 / s / metered)
        # Negative control: the mean exposure is not q itself.
        assert metered * s != pytest.approx(float(hdri.q_factor()), rel=0.5)


@pytest.mark.parametrize("focal_mm", [24, 50, 135])
@pytest.mark.parametrize("distance_m", [0.2, 0.45, 2.0, 30.0])
def test_the_light_lost_to_a_near_focus_is_the_librarys(hdri, focal_mm, distance_m):
    # The library takes focal length and image distance; by the thin lens that is F / (1 / (1/F - 1/s)).
    image_mm = 1 / (1 / focal_mm - 1 / (distance_m * 1000))
    far = hdri.focal_plane_exposure(4000, 8, 1 / 250, 1, 1, 0)
    near = hdri.focal_plane_exposure(4000, 8, 1 / 250, focal_mm, image_mm, 0)
    loss = magnification_loss(magnification(focal_mm, distance_m))
    assert loss == pytest.approx(float(np.log2(far / near)), abs=EXACT)
    # Negative control: half of it, the f-number's share unsquared.
    assert loss / 2 != pytest.approx(float(np.log2(far / near)), abs=EXACT)


# Middle grey. Common practice, no source: it is placed at about 18 %, which is sRGB 118.


def test_middle_grey_is_18_per_cent_and_srgb_118(hdri):
    code = float(hdri.eotf_inverse_sRGB(MID_GREY)) * 255
    assert code == pytest.approx(117.65, abs=5e-3)
    assert RGB["mat"] == (round(code),) * 3 == (118,) * 3
    assert float(srgb_to_linear(np.array(118 / 255))) == pytest.approx(MID_GREY, abs=0.0013)
    # Negative controls: half of the codes, and a plain power of 2.2.
    assert float(srgb_to_linear(np.array(128 / 255))) != pytest.approx(MID_GREY, abs=0.0013)
    assert round(255 * MID_GREY ** (1 / 2.2)) != 118


def test_the_srgb_curve_is_the_librarys_at_every_code(hdri):
    # IEC 61966-2-1.
    codes = np.arange(256) / 255
    np.testing.assert_allclose(srgb_to_linear(codes), hdri.eotf_sRGB(codes), atol=1e-12)
    # Negative control: a plain power of 2.2.
    assert np.abs(codes**2.2 - hdri.eotf_sRGB(codes)).max() > 0.005
