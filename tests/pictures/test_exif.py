"""Exif as cameras and hostile files write it. Every block here is built by hand, byte by byte."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from support_pictures import ND_64, SCALES, mark, ratio, raw_exif, save_jpeg, settings, short, words

from daemon.errors import StopwrightError
from daemon.pictures.exif import ExifFacts, against_plan, read_exif
from daemon.pictures.opening import PictureUnreadable
from daemon.pictures.reading import measure_frame
from plans.plan import MarkValue
from plans.stops import KINDS, Kind, label_value, scale_between, series_marks

GREY = np.full((60, 90, 3), 118, np.uint8)
COMPLETE = [
    ratio(33434, 1, 250),
    ratio(33437, 56, 10),
    short(34855, 100),
    words(36867, "2026:10:20 15:30:00"),
    words(37521, "42"),
    words(36881, "+01:00"),
    ratio(37386, 50, 1),
]


def jpeg_with(tmp_path: Path, exif: bytes) -> Path:
    return save_jpeg(tmp_path / "frame.jpg", GREY, exif=exif)


def checks(facts: ExifFacts, **chosen: str) -> dict[str, bool | None]:
    return {check.kind: check.agrees for check in against_plan(facts, settings(**chosen), SCALES)}


def test_every_fact_of_a_well_formed_block_is_read(tmp_path: Path) -> None:
    facts = read_exif(jpeg_with(tmp_path, raw_exif(COMPLETE)))
    assert facts == ExifFacts(
        exposure_s=1 / 250,
        f_number=5.6,
        iso=100,
        taken="2026:10:20 15:30:00",
        subsec="42",
        offset="+01:00",
        focal_length_mm=50,
        width=90,
        height=60,
    )


def test_apex_values_stand_in_for_missing_time_and_f_number(tmp_path: Path) -> None:
    # Published worked values: ShutterSpeedValue 8643856/1000000 is 1/400 s, ApertureValue 1695994/1000000 is f/1.8
    # (an answer on Stack Exchange that explains both tags).
    facts = read_exif(jpeg_with(tmp_path, raw_exif([ratio(37377, 8643856, 1000000), ratio(37378, 1695994, 1000000)])))
    assert facts.exposure_s == pytest.approx(1 / 400, rel=1e-3)
    assert facts.f_number == pytest.approx(1.8, rel=1e-3)


def test_a_sensitivity_beyond_sixteen_bits_is_read_from_the_tag_that_its_type_names(tmp_path: Path) -> None:
    # Exif standard: 65535 means that the value does not fit; SensitivityType 2 names RecommendedExposureIndex.
    block = [short(34855, 65535), short(34864, 2), (34866, 4, 1, (102400).to_bytes(4, "little"))]
    assert read_exif(jpeg_with(tmp_path, raw_exif(block))).iso == 102400
    assert read_exif(jpeg_with(tmp_path, raw_exif(block[:2]))).iso is None


@pytest.mark.parametrize(
    ("entries", "field"),
    [
        ([ratio(33434, 1, 0)], "exposure_s"),
        ([ratio(33434, 0, 0)], "exposure_s"),
        ([ratio(33434, 0, 1)], "exposure_s"),
        ([words(33434, "1/250")], "exposure_s"),
        ([ratio(33437, 0, 1)], "f_number"),
        ([(33437, 10, 1, (-56).to_bytes(4, "little", signed=True) + (10).to_bytes(4, "little"))], "f_number"),
        ([ratio(37377, 0xFFFFFFFF, 1)], "exposure_s"),
        ([short(34855, 0)], "iso"),
        ([words(36867, "    :  :     :  :  ")], "taken"),
        ([words(36867, "\0\0\0")], "taken"),
        ([ratio(37386, 0, 1)], "focal_length_mm"),
        ([(33434, 5, 0xFFFFFFF0, b"12345678")], "exposure_s"),
        ([(33434, 99, 1, b"1234")], "exposure_s"),
    ],
)
def test_a_value_that_makes_no_sense_counts_as_missing(
    tmp_path: Path, entries: list[tuple[int, int, int, bytes]], field: str
) -> None:
    facts = read_exif(jpeg_with(tmp_path, raw_exif(entries)))
    assert getattr(facts, field) is None
    assert (facts.width, facts.height) == (90, 60)


def test_a_date_in_2216_and_control_characters_do_no_harm(tmp_path: Path) -> None:
    # Dates in 2099 and 2216 occur in collections of real photographs.
    facts = read_exif(jpeg_with(tmp_path, raw_exif([words(36867, "2216:01:01 00:00:00\x1b[2J" + "x" * 500)])))
    assert facts.taken is not None
    assert facts.taken.startswith("2216:01:01 00:00:00")
    assert facts.taken.isprintable()
    assert len(facts.taken) <= 64


@pytest.mark.parametrize(
    "block",
    [
        b"",
        b"Exif\0\0",
        b"Exif\0\0XX*\0\x08\0\0\0",
        b"Exif\0\0II*\0\xff\xff\xff\xff",
        b"Exif\0\0II*\0\x08\0\0\0\xff\xff",
        raw_exif(COMPLETE)[:40],
        # The exposure's directory is the main one again: a circle.
        b"Exif\0\0II*\0\x08\0\0\0\x01\0" + b"\x69\x87\x04\0\x01\0\0\0\x08\0\0\0" + bytes(4),
    ],
)
def test_a_broken_block_gives_the_size_alone(tmp_path: Path, block: bytes) -> None:
    facts = read_exif(jpeg_with(tmp_path, block))
    assert facts.model_dump(exclude_none=True) == {"width": 90, "height": 60}


def test_no_flipped_byte_of_a_block_raises_anything(tmp_path: Path) -> None:
    block = raw_exif(COMPLETE)
    whole = jpeg_with(tmp_path, block).read_bytes()
    at = whole.index(block)
    draw = random.Random(7)
    told = 0
    for number in range(250):
        raw = bytearray(whole)
        for _ in range(draw.randint(1, 6)):
            raw[at + draw.randrange(6, len(block))] = draw.randrange(256)
        path = tmp_path / f"{number}.jpg"
        path.write_bytes(raw)
        facts = read_exif(path)
        numbers = [facts.exposure_s, facts.f_number, facts.iso, facts.focal_length_mm]
        assert all(value is None or (math.isfinite(value) and value > 0) for value in numbers)
        told += sum(value is not None for value in numbers)
    assert told > 100, "the flips left nothing to read, so nothing was tested"


def _absent(path: Path) -> None:
    pass


def _truncated_scan(path: Path) -> None:
    noise = np.random.default_rng(1).integers(0, 255, (300, 300, 3)).astype(np.uint8)
    whole = save_jpeg(path, noise).read_bytes()
    path.write_bytes(whole[: len(whole) // 2])


def _no_jpeg(path: Path) -> None:
    Image.fromarray(GREY).save(path, "PNG")


def _bomb(path: Path) -> None:
    raw = bytearray(save_jpeg(path, GREY).read_bytes())
    frame = raw.index(b"\xff\xc0")  # start of frame: length, precision, height, width
    raw[frame + 5 : frame + 9] = b"\xff\xdc\xff\xdc"
    path.write_bytes(raw)


HOSTILE: dict[str, tuple[Callable[[Path], object], str]] = {
    "absent": (_absent, "no file"),
    "a folder": (lambda path: path.mkdir(), "no regular file"),
    "empty": (lambda path: path.write_bytes(b""), "no JPEG"),
    "text": (lambda path: path.write_text("heron"), "no JPEG"),
    "a PNG": (_no_jpeg, "no JPEG"),
    "a start without an end": (lambda path: path.write_bytes(b"\xff\xd8\xff\xe1\xff\xff" + b"x" * 40), "no JPEG"),
    "a picture of 4288 megapixels": (_bomb, "megapixels"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_file_that_is_no_picture_is_refused_in_words_by_both_readers(tmp_path: Path, name: str) -> None:
    make, said = HOSTILE[name]
    path = tmp_path / "frame.jpg"
    make(path)
    for read in (read_exif, measure_frame):
        with pytest.raises(PictureUnreadable, match=said) as caught:
            read(path)
        assert isinstance(caught.value, StopwrightError)
        assert str(path) in str(caught.value)


def test_a_named_pipe_is_refused_and_never_waited_for(tmp_path: Path) -> None:
    import os

    path = tmp_path / "frame.jpg"
    os.mkfifo(path)
    with pytest.raises(PictureUnreadable, match="no regular file"):
        read_exif(path)


def test_a_picture_that_breaks_off_keeps_its_exif_but_cannot_be_measured(tmp_path: Path) -> None:
    path = tmp_path / "frame.jpg"
    _truncated_scan(path)
    assert read_exif(path).width == 300
    with pytest.raises(PictureUnreadable, match="breaks off"):
        measure_frame(path)


@pytest.mark.parametrize("kind", KINDS)
def test_every_printed_mark_agrees_with_itself_and_with_no_other(kind: Kind) -> None:
    field = {"aperture": "f_number", "time": "exposure_s", "iso": "iso"}[kind]
    usual = {"aperture": "f/5.6", "time": "1/250", "iso": "100"}
    for printed in SCALES[kind].marks:
        facts = ExifFacts(**{field: label_value(kind, printed.label)})
        agreeing = [m.label for m in SCALES[kind].marks if checks(facts, **(usual | {kind: m.label}))[kind]]
        assert agreeing == [printed.label]


def test_exact_values_that_real_cameras_store_agree_with_their_printed_marks() -> None:
    # Read from two published camera files: a frame marked 1/60 stores Tv 6.0, one marked 1/750 on a scale in halves
    # stores Tv 9.5.
    assert checks(ExifFacts(exposure_s=2**-6.0), time="1/60")["time"] is True
    halves = scale_between("time", "1/6000", "30", "halves")
    planned = settings().model_copy(update={"time": MarkValue(mark="1/750", exact=2**-9.5)})
    for value in (2**-9.5, 1 / 750):
        found = against_plan(ExifFacts(exposure_s=value), planned, {"time": halves})
        assert [check.agrees for check in found if check.kind == "time"] == [True]


def test_f_13_is_judged_on_the_scale_it_belongs_to() -> None:
    for series, exact in (("thirds", 12.699208), ("halves", 13.454343)):
        scale = scale_between("aperture", "f/2", "f/22", series)  # type: ignore[arg-type]
        planned = settings().model_copy(update={"aperture": MarkValue(mark="f/13", exact=exact)})
        found = against_plan(ExifFacts(f_number=13), planned, {"aperture": scale})
        assert found[0].agrees is True


def test_a_value_far_beyond_the_scale_does_not_agree_with_its_last_mark() -> None:
    assert checks(ExifFacts(exposure_s=30), time="30")["time"] is True
    assert checks(ExifFacts(exposure_s=4e9), time="30")["time"] is False
    assert checks(ExifFacts(exposure_s=60), time="30")["time"] is False


def test_what_exif_lacks_is_unverified_and_hands_are_by_operator() -> None:
    planned = settings(filters=(ND_64,))
    found = {check.kind: check for check in against_plan(ExifFacts(), planned, SCALES)}
    assert [found[kind].found for kind in KINDS] == ["unverified"] * 3
    assert (found["focus"].planned, found["focus"].found) == ("heron at 2 m", "by operator")
    assert (found["filters"].planned, found["filters"].found) == ("ND 64", "by operator")
    assert all(check.agrees is None for check in found.values())


def test_a_mark_that_is_not_on_the_scale_is_neither_agreed_nor_refused() -> None:
    full = scale_between("aperture", "f/2", "f/22", "full")
    found = against_plan(ExifFacts(f_number=6.3), settings(aperture="f/6.3"), {"aperture": full})
    assert found[0].agrees is None
    assert "not on the scale" in found[0].found


def test_a_wrong_frame_is_named_with_what_it_was_shot_at() -> None:
    facts = ExifFacts(f_number=5.6, exposure_s=1 / 125, iso=100)
    found = {check.kind: check for check in against_plan(facts, settings(time="1/250"), SCALES)}
    assert (found["time"].agrees, found["time"].planned, found["time"].found) == (False, "1/250", "1/125")
    assert found["aperture"].agrees is True
    assert mark("time", "1/125") in series_marks("time", "thirds")
