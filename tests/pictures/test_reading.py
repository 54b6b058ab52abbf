"""Brightness from made-up scenes whose difference is known, each with a plainer method that gets it wrong."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from support_pictures import encode, save_jpeg, scene

from daemon.pictures.reading import (
    MID_GREY,
    Reading,
    compare,
    measure_frame,
    read_frame,
    srgb_to_linear,
)

ROWS, COLUMNS = 18, 24
Light = NDArray[np.float64]


def flat(path: Path, code: int, shape: tuple[int, ...] = (432, 648, 3)) -> Path:
    return save_jpeg(path, np.full(shape, code, np.uint8))


def blocks_of(picture: Light) -> tuple[int, int]:
    return picture.shape[0] // ROWS, picture.shape[1] // COLUMNS


def with_movement(light: Light, share: float, seed: int) -> Light:
    """The scene with another, 1.5 stops brighter one moved into a share of its blocks, in the middle third as well."""
    other = scene(*light.shape[:2], seed=seed + 100, level=0.12 * 2**1.5)
    moved = light.copy()
    high, wide = blocks_of(light)
    middle = [(r, c) for r in range(6, 12) for c in range(8, 16)]
    rest = [(r, c) for r in range(ROWS) for c in range(COLUMNS) if (r, c) not in middle]
    draw = np.random.default_rng(seed)
    for places in (middle, rest):
        for n in draw.permutation(len(places))[: round(share * len(places))]:
            r, c = places[n]
            area = (slice(r * high, (r + 1) * high), slice(c * wide, (c + 1) * wide))
            moved[area] = other[area]
    return moved


def whole_frame_difference(path: Path, reference: Path) -> float:
    """The plain way: log2 of the ratio of the whole frames' mean linear luminance."""
    means = []
    for name in (path, reference):
        with Image.open(name) as picture:
            means.append(srgb_to_linear(np.asarray(picture.convert("RGB")) / 255).mean(axis=(0, 1)))
    weights = np.array([0.2126, 0.7152, 0.0722])
    return float(np.log2((means[0] @ weights) / (means[1] @ weights)))


@pytest.mark.parametrize("stops", [-1.5, -0.5, 0.0, 1 / 3, 0.8])
def test_the_difference_is_found_within_a_fiftieth_of_a_stop_though_a_third_of_the_scene_moves(
    tmp_path: Path, stops: float
) -> None:
    still = scene()
    reference = save_jpeg(tmp_path / "a.jpg", encode(still))
    moved = save_jpeg(tmp_path / "b.jpg", encode(with_movement(still, 0.30, seed=3) * 2**stops))
    reading = read_frame(moved, measure_frame(reference))
    assert reading.against_reference_stops == pytest.approx(stops, abs=0.02)
    # The control: without blocks and median the movement is taken for light.
    assert abs(whole_frame_difference(moved, reference) - stops) > 0.1


def test_half_the_exposure_of_a_mid_grey_reads_one_stop_less_within_one_code(tmp_path: Path) -> None:
    # IEC 61966-2-1: encode(0.18) = 117.65 and encode(0.09) = 84.6, so 118 becomes 85; decoded, that is 0.996 stop.
    bright, dark = flat(tmp_path / "a.jpg", 118), flat(tmp_path / "b.jpg", 85)
    reading = read_frame(dark, measure_frame(bright))
    one_code = float(np.log2(srgb_to_linear(np.array(86 / 255)) / srgb_to_linear(np.array(85 / 255))))
    assert reading.against_reference_stops == pytest.approx(-0.996, abs=0.001)
    assert abs(reading.against_reference_stops + 1) < one_code < 0.04
    assert read_frame(bright).level_stops == pytest.approx(np.log2(0.1812 / MID_GREY), abs=0.001)
    # The control: codes taken for light read less than half a stop.
    assert abs(np.log2(85 / 118) + 1) > 0.5


def test_the_decoding_curve_gives_the_standard_s_numbers() -> None:
    # IEC 61966-2-1, computed from its formula: codes 117, 118, 119, 128.
    decoded = srgb_to_linear(np.array([117, 118, 119, 128]) / 255)
    assert decoded == pytest.approx([0.1779, 0.1812, 0.1845, 0.2159], abs=5e-5)


def test_blown_out_blocks_are_left_out_of_the_comparison(tmp_path: Path) -> None:
    still = scene()
    wide = blocks_of(still)[1]
    # Five of the eight central columns are bright: in the reference just short of clipping, twice as bright blown out.
    still[:, 10 * wide : 15 * wide] = 0.6
    reference = save_jpeg(tmp_path / "a.jpg", encode(still))
    brighter = save_jpeg(tmp_path / "b.jpg", encode(still * 2))
    first, second = measure_frame(reference), measure_frame(brighter)
    reading = compare(second, first)
    assert max(first.clipped_high) < 0.001
    assert reading.against_reference_stops == pytest.approx(1, abs=0.02)
    assert reading.blocks_used < reading.blocks_asked / 2
    assert max(reading.clipped_high.model_dump().values()) > 0.15
    # The control: with those blocks counted, the median is of blocks that could not get brighter.
    counted = np.median(np.log2(second.luminance / first.luminance)[6:12, 8:16])
    assert abs(counted - 1) > 0.1


def test_blur_leaves_the_reading_where_it_was(tmp_path: Path) -> None:
    sharp = scene() * np.exp2(np.random.default_rng(5).normal(0, 0.8, (432, 648)))[..., None]
    frequencies = np.fft.fftfreq(432)[:, None] ** 2 + np.fft.fftfreq(648)[None] ** 2
    kernel = np.exp(-2 * (np.pi * 4) ** 2 * frequencies)[..., None]
    blurred = np.fft.ifft2(np.fft.fft2(np.minimum(sharp, 0.95), axes=(0, 1)) * kernel, axes=(0, 1)).real
    a = save_jpeg(tmp_path / "a.jpg", encode(np.minimum(sharp, 0.95)))
    b = save_jpeg(tmp_path / "b.jpg", encode(blurred))
    reading = read_frame(b, measure_frame(a))
    assert reading.against_reference_stops == pytest.approx(0, abs=0.03)
    # The control: means of codes instead of means of light take blur for brightness.
    codes = [np.asarray(Image.open(path).convert("L"), float).mean() / 255 for path in (a, b)]
    shift = np.log2(srgb_to_linear(np.array(codes[1])) / srgb_to_linear(np.array(codes[0])))
    assert abs(shift) > 0.06


def test_block_means_are_those_of_the_pixels_one_by_one(tmp_path: Path) -> None:
    path = save_jpeg(tmp_path / "a.jpg", encode(scene(203, 301)))
    with Image.open(path) as picture:
        pixels = np.asarray(picture)
    luminance = srgb_to_linear(pixels / 255) @ np.array([0.2126, 0.7152, 0.0722])
    measured = measure_frame(path)
    for row, column in ((0, 0), (7, 11), (17, 23)):
        area = (
            slice(row * 203 // 18, (row + 1) * 203 // 18),
            slice(column * 301 // 24, (column + 1) * 301 // 24),
        )
        assert measured.luminance[row, column] == pytest.approx(luminance[area].mean(), rel=1e-12)
        worst = ((pixels[area] >= 254) | (pixels[area] <= 1)).mean(axis=(0, 1)).max()
        assert measured.clipped[row, column] == pytest.approx(worst, rel=1e-12)


def test_shading_by_the_lens_shows_in_the_corners_and_not_in_the_middle(tmp_path: Path) -> None:
    still = scene()
    shaded = still.copy()
    shaded[:100, :120] *= 2**-0.5
    a, b = save_jpeg(tmp_path / "a.jpg", encode(still)), save_jpeg(tmp_path / "b.jpg", encode(shaded))
    reading = read_frame(b, measure_frame(a))
    assert reading.against_reference_stops == pytest.approx(0, abs=0.005)
    assert reading.corners_stops.top_left == pytest.approx(-0.5, abs=0.02)
    for corner in ("top_right", "bottom_left", "bottom_right"):
        assert getattr(reading.corners_stops, corner) == pytest.approx(0, abs=0.005)


def test_spread_tells_a_still_scene_from_one_that_changed(tmp_path: Path) -> None:
    still = scene()
    a = measure_frame(save_jpeg(tmp_path / "a.jpg", encode(still)))
    same = read_frame(save_jpeg(tmp_path / "b.jpg", encode(still * 0.8)), a)
    other = read_frame(save_jpeg(tmp_path / "c.jpg", encode(scene(seed=9))), a)
    assert same.spread_stops is not None and same.spread_stops < 0.01
    assert other.spread_stops is not None and other.spread_stops > 0.1


def test_a_grey_picture_reads_as_the_same_picture_in_colour(tmp_path: Path) -> None:
    codes = encode(scene())[..., 0]
    grey = measure_frame(save_jpeg(tmp_path / "g.jpg", codes))
    colour = measure_frame(save_jpeg(tmp_path / "c.jpg", np.stack([codes] * 3, axis=-1)))
    assert compare(grey, colour).against_reference_stops == pytest.approx(0, abs=0.001)
    assert compare(grey).level_stops == pytest.approx(compare(colour).level_stops, abs=0.001)


def test_a_portrait_picture_is_cut_the_other_way_and_its_orientation_tag_is_not_regarded(tmp_path: Path) -> None:
    codes = encode(scene(648, 432))
    portrait = measure_frame(save_jpeg(tmp_path / "p.jpg", codes))
    assert portrait.luminance.shape == (24, 18)
    turned = Image.Exif()
    turned[0x0112] = 6
    tagged = measure_frame(save_jpeg(tmp_path / "t.jpg", codes, exif=turned.tobytes()))
    assert compare(tagged, portrait).against_reference_stops == 0


def test_frames_of_different_shape_are_not_compared_and_the_reading_says_why(tmp_path: Path) -> None:
    landscape = measure_frame(flat(tmp_path / "a.jpg", 118))
    for shape in ((648, 432, 3), (400, 400, 3)):
        reading = read_frame(flat(tmp_path / "b.jpg", 118, shape), landscape)
        assert reading.against_reference_stops is None
        assert reading.why_none is not None and "648 x 432" in reading.why_none
    half = read_frame(flat(tmp_path / "c.jpg", 118, (216, 324, 3)), landscape)
    assert half.against_reference_stops == 0, "the same framing at another picture size can be compared"


def test_too_few_blocks_free_of_clipping_give_no_number(tmp_path: Path) -> None:
    grey, white = measure_frame(flat(tmp_path / "a.jpg", 118)), flat(tmp_path / "b.jpg", 255)
    reading = read_frame(white, grey)
    assert reading.against_reference_stops is None
    assert reading.spread_stops is None
    assert reading.corners_stops.top_left is None
    assert reading.why_none == "only 0 of 48 central blocks are free of clipping in both frames"
    assert reading.clipped_high.red == 1


@pytest.mark.parametrize("code", [0, 255])
def test_a_black_or_white_frame_has_finite_numbers_and_passes_through_json(tmp_path: Path, code: int) -> None:
    reading = read_frame(flat(tmp_path / "a.jpg", code))
    text = json.dumps(reading.model_dump(mode="json"), allow_nan=False)
    assert Reading.model_validate_json(text) == reading
    assert reading.method == "block medians"
    assert reading.method_version == 2


def test_a_picture_smaller_than_the_grid_is_still_measured(tmp_path: Path) -> None:
    assert read_frame(flat(tmp_path / "a.jpg", 118, (1, 1, 3))).level_stops == pytest.approx(0.01, abs=0.01)


def test_a_frame_whose_middle_is_burnt_out_is_compared_by_the_rest_and_says_so(tmp_path):
    def picture(name, middle, rest):
        codes = np.full((432, 648, 3), rest, dtype=np.uint8)
        codes[100:332, 150:498] = middle
        Image.fromarray(codes).save(tmp_path / name, quality=95)
        return measure_frame(tmp_path / name)

    dark, bright = picture("dark.jpg", 128, 60), picture("bright.jpg", 255, 118)
    found = compare(bright, dark)
    known = float(np.log2(srgb_to_linear(np.array(118 / 255)) / srgb_to_linear(np.array(60 / 255))))
    assert found.whole_frame and found.against_reference_stops == pytest.approx(known, abs=0.02)
    # Controls: an even frame is compared by its middle; one that is burnt out all over is not compared at all.
    assert not compare(picture("even.jpg", 128, 60), dark).whole_frame
    white = compare(picture("white.jpg", 255, 255), dark)
    assert white.against_reference_stops is None and not white.whole_frame and white.why_none
