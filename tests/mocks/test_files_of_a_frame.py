"""The files that the simulated camera writes, read back by other libraries."""

from __future__ import annotations

import io
import math
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import rawpy
import tifffile
from PIL import Image
from support_scene import bare, shot

from daemon.pictures.exif import read_exif
from hardware_mocks import dng, jpeg
from hardware_mocks.scene import GardenRenderer
from hardware_mocks.script import SceneScript, Sensor
from hardware_mocks.sensor import RAW_BLACK, RAW_WHITE, mosaic

GARDEN = GardenRenderer()


def test_a_raw_converter_reads_back_the_very_numbers_of_the_sensor(tmp_path: Path) -> None:
    taken = shot(5.657, 2.0**-11, 800.0, start_s=1.0)
    numbers = GARDEN.raw(taken)
    path = tmp_path / "frame.dng"
    path.write_bytes(dng.encode(numbers, taken))
    with rawpy.imread(str(path)) as raw:
        read = raw.raw_image.copy()
        assert read.dtype == np.uint16 and np.array_equal(read, numbers)
        assert not np.array_equal(read, numbers + (np.indices(numbers.shape).sum(0) == 7))
        assert raw.white_level == RAW_WHITE and set(raw.black_level_per_channel) == {RAW_BLACK}
        assert raw.color_desc == b"RGBG" and raw.raw_pattern.tolist() == [[0, 1], [3, 2]]
        shown = raw.postprocess(gamma=(1, 1), no_auto_bright=True, use_camera_wb=True, output_bps=16, half_size=True)
    assert shown.shape == (200, 300, 3)


def test_a_converted_raw_file_and_the_picture_show_the_same_light(tmp_path: Path) -> None:
    taken = shot(focus_m=1e6)
    renderer = bare(ground=0.18)
    path = tmp_path / "card.dng"
    path.write_bytes(dng.encode(renderer.raw(taken), taken))
    with rawpy.imread(str(path)) as raw:
        linear = raw.postprocess(gamma=(1, 1), no_auto_bright=True, use_camera_wb=True, output_bps=16, user_flip=0)
    assert linear[..., 1].mean() / 65535 == pytest.approx(0.18, rel=0.01)


def test_the_raw_file_carries_the_exif_of_the_picture(tmp_path: Path) -> None:
    taken = shot(5.657, 2.0**-11, 800.0)
    with tifffile.TiffFile(io.BytesIO(dng.encode(np.zeros((40, 60), np.uint16), taken))) as file:
        raw = file.pages[0].tags[34665].value
        assert tuple(file.pages[0].tags["DNGVersion"].value) == (1, 4, 0, 0)
    assert raw["ExposureTime"] == (1, 2000) and raw["FNumber"] == (56, 10) and raw["ISOSpeedRatings"] == 800
    assert raw["DateTimeOriginal"] == "2026:10:20 15:30:00" and raw["FocalLength"] == (500, 10)
    assert raw["ShutterSpeedValue"] == (11_000_000, 1_000_000) and raw["ExposureBiasValue"] == (0, 1000)
    with Image.open(io.BytesIO(jpeg.encode(np.zeros((40, 60, 3), np.uint8), taken))) as image:
        assert len(image.getexif().get_ifd(0x8769)) == len(raw) > 15


@pytest.mark.parametrize(("style", "time_s", "f_number"), [("nominal", 1 / 15, 22.0), ("exact", 1 / 16, 2**4.5)])
def test_exif_holds_marks_as_printed_or_the_values_behind_them(
    tmp_path: Path, style: str, time_s: float, f_number: float
) -> None:
    taken = shot(2**4.5, 1 / 16, exif_style=style)
    path = tmp_path / "frame.jpg"
    path.write_bytes(jpeg.encode(np.zeros((40, 60, 3), np.uint8), taken))
    facts = read_exif(path)
    assert facts.exposure_s == pytest.approx(time_s, rel=1e-4) and facts.f_number == pytest.approx(f_number, rel=1e-4)
    assert facts.iso == 100 and facts.taken == datetime(2026, 10, 20, 15, 30).strftime("%Y:%m:%d %H:%M:%S")  # noqa: DTZ001


def test_the_thumbnail_in_a_picture_is_the_picture_made_small() -> None:
    taken = shot()
    picture = GARDEN.render(taken)
    file = jpeg.encode(picture, taken)
    with Image.open(io.BytesIO(file)) as image:
        block = image.info["exif"][6:]
    found = [n for n in range(len(block) - 1) if block[n : n + 3] == b"\xff\xd8\xff"]
    assert len(found) == 1
    with Image.open(io.BytesIO(block[found[0] :])) as inside:
        assert inside.size == (160, 107)
        shrunk = np.asarray(Image.fromarray(picture).resize(inside.size, Image.Resampling.BOX), float)
        assert np.abs(np.asarray(inside, float) - shrunk).mean() < 6
        assert np.abs(np.asarray(inside, float)[:, ::-1] - shrunk).mean() > 12
    assert len(block) < 65_500


def test_the_mosaic_takes_each_colour_from_its_own_pixels_and_stops_at_saturation() -> None:
    light = np.stack([np.full((4, 6), v, np.float32) for v in (0.1, 0.5, 3.0)], axis=-1)
    numbers = mosaic(light)
    level = RAW_BLACK + np.array([0.1, 0.5, 1.0]) * (RAW_WHITE - RAW_BLACK)
    assert numbers[0, 0] == pytest.approx(level[0], abs=1) and numbers[1, 1] == level[2]
    assert numbers[0, 1] == numbers[1, 0] == pytest.approx(level[1], abs=1)


def test_a_steeper_tone_curve_keeps_mid_grey_and_stretches_what_is_about_it() -> None:
    def codes(slope: float, stops: float) -> float:
        renderer = GardenRenderer(script=SceneScript(stage="bare", sensor=Sensor(tone_slope=slope)))
        value = renderer.render(shot(focus_m=1e6, ev100=13 + stops)).mean() / 255
        linear = ((value + 0.055) / 1.055) ** 2.4  # IEC 61966-2-1
        return math.log2(linear / 0.18)

    for slope in (0.7, 1.0, 1.4):
        assert codes(slope, 0.0) == pytest.approx(0, abs=0.02)
        assert codes(slope, -1.0) == pytest.approx(-slope, abs=0.04)
        assert codes(slope, 1.0) == pytest.approx(slope, abs=0.04)
