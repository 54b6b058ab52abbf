"""The sheet as files: what can be read, seen and copied from them."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from pypdf import PdfReader
from support_pictures import ND_64, encode, frame, group, save_jpeg, scene, step

from daemon.errors import StoreError
from daemon.pictures.barpanel import filled
from daemon.pictures.draw_png import DPI, draw_page
from daemon.pictures.geometry import Block, Box, Page
from daemon.pictures.sheet import SheetFiles, SheetGroup, make_sheet
from daemon.pictures.stopbar import BAR_KINDS, BarKind

FROZEN = step(
    "g1-1",
    time="1/2000",
    iso="800",
    focus=("spout", 3.0),
    disc=False,
    caption="Frozen: the water of the spout stands still.",
)
SILK = step(
    "g1-2",
    reference="g1-1",
    time="1/4",
    filters=(ND_64,),
    focus=("spout", 3.0),
    disc=False,
    caption="Silk: the drops are gone, the way of the water stays.",
)
HERON = step("g2-1", aperture="f/1.8", time="1/2500", caption="The heron alone is sharp.")
HEDGE = step("g3-1", aperture="f/16", time="1/30", focus=("hedge", 8.0), caption="Everything is sharp.")


@pytest.fixture
def picture(tmp_path: Path) -> Path:
    return save_jpeg(tmp_path / "picture.jpg", encode(scene(200, 300)))


def groups(picture: Path | None) -> list[SheetGroup]:
    pair = group(
        frame(FROZEN, picture, exif_note="Exif: as planned"),
        frame(SILK, picture, against_reference_stops=-0.034, exif_note="Exif: time unverified"),
        title="Frozen or silk",
        criteria=("freeze: smear at most 0.03 mm",),
        left_out=("1 s: no filter is strong enough",),
        notes=("The wind rose.",),
    )
    return [pair, group(frame(HERON, picture), title="Thin focus"), group(frame(HEDGE, picture), title="Deep focus")]


def text_of(files: SheetFiles) -> str:
    """All words of the PDF on one line, as a reader would copy them."""
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in PdfReader(files.pdf).pages))


def test_the_pdf_can_be_searched_for_everything_that_the_sheet_says(tmp_path: Path, picture: Path) -> None:
    files = make_sheet(groups(picture), "Fountain, Tuesday class", "Run 3", tmp_path / "sheet")
    text = text_of(files)
    for words in (
        "Fountain, Tuesday class",
        "Run 3",
        "Frozen or silk",
        "Held: aperture, focus · Changed: time, ISO, filters · Spread of brightness by exact values: 0.02 stop",
        "Criteria: freeze: smear at most 0.03 mm",
        "Left out: 1 s: no filter is strong enough",
        "The wind rose.",
        "f/5.6 · 1/2000 s · ISO 800 · no filter",
        "f/5.6 · 1/4 s · ISO 100 · ND 64",
        FROZEN.caption,
        SILK.caption,
        HERON.caption,
        "Focus: spout, 3 m",
        "Depth of field: 2.50–3.75 m",
        "Depth of field: 3.17 m to ∞",
        "Smear of spout: 0.025 mm = 4.1 px = 0.1 % of frame height",
        "Smear of spout: 13 mm = 2125 px = 53 % of frame height",
        "Disc of a background point: 0.54 mm = 1.5 % of frame width",
        "Brightness: reference of this group",
        "Brightness: \N{MINUS SIGN}0.03 stop against No. 1",
        "Exif: as planned",
        "Exif: time unverified",
        "A aperture, wider is longer",
        "page 1 of 2",
    ):
        assert words in text, words
    assert "lacks" not in text


def test_there_is_one_png_a_page_and_the_first_page_twice(tmp_path: Path, picture: Path) -> None:
    files = make_sheet(groups(picture), "Fountain", "", tmp_path / "sheet")
    assert [path.name for path in files.png] == ["sheet-1.png", "sheet-2.png"]
    assert len(PdfReader(files.pdf).pages) == len(files.png) == 2
    assert files.first.read_bytes() == files.png[0].read_bytes()
    assert sorted(path.name for path in (tmp_path / "sheet").iterdir()) == [
        "sheet-1.png",
        "sheet-2.png",
        "sheet.pdf",
        "sheet.png",
    ]
    with Image.open(files.first) as page:
        assert page.size == (round(297 * DPI / 25.4), round(210 * DPI / 25.4))
    for page in PdfReader(files.pdf).pages:
        assert [float(side) * 25.4 / 72 for side in page.mediabox[2:]] == pytest.approx([297, 210], abs=0.01)


def test_the_same_sheet_is_the_same_bytes(tmp_path: Path, picture: Path) -> None:
    first = make_sheet(groups(picture)[:1], "Fountain", "", tmp_path / "a")
    second = make_sheet(groups(picture)[:1], "Fountain", "", tmp_path / "b")
    assert first.pdf.read_bytes() == second.pdf.read_bytes()
    assert first.first.read_bytes() == second.first.read_bytes()


def test_missing_and_unreadable_pictures_leave_a_place_that_says_so(tmp_path: Path, picture: Path) -> None:
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(picture.read_bytes()[: picture.stat().st_size // 2])
    frames = [
        frame(step("0"), picture),
        frame(step("1", reference="0"), None, outcome="skipped"),
        frame(step("2", reference="0"), broken),
        frame(step("3", reference="0"), tmp_path / "absent.jpg"),
    ]
    files = make_sheet([group(*frames)], "Fountain", "", tmp_path / "sheet")
    text = text_of(files)
    assert text.count("not taken") == 1
    assert text.count("not readable") == 2
    assert "Outcome: skipped" in text
    assert "Brightness against No. 1: not measured" in text
    assert len(PdfReader(files.pdf).pages[0].images) == 1


def test_a_frame_meant_to_be_off_shows_what_was_meant_beside_what_was_measured(tmp_path: Path, picture: Path) -> None:
    times = {-1.0: "1/500", 0.0: "1/250", 1.0: "1/125"}
    frames = [
        frame(step(str(off), reference="0.0", intended=off, time=time), picture, against_reference_stops=off * 0.98)
        for off, time in times.items()
    ]
    text = text_of(make_sheet([group(*frames)], "Bracket", "", tmp_path / "sheet"))
    assert "Brightness: +0.98 stop against No. 2, meant +1.00" in text
    assert "Brightness: \N{MINUS SIGN}0.98 stop against No. 2, meant \N{MINUS SIGN}1.00" in text
    # The ends of the bars, in the order of the frames.
    ends = re.findall(r"I 100 \d ([+\N{MINUS SIGN}]?\d\.\d\d)", text)
    assert ends == ["\N{MINUS SIGN}1.00", "0.00", "+1.00"]


def test_a_missing_reading_is_explained_and_a_smear_beyond_the_frame_has_no_pixels(
    tmp_path: Path, picture: Path
) -> None:
    long = frame(step("1", reference="0", time="2"), picture, why_not_measured="too much is clipped")
    shown = group(frame(step("0"), picture), long, left_out=("f/2 is left out: it would need ISO 52",))
    text = text_of(make_sheet([shown], "Fountain", "", tmp_path / "sheet"))
    assert "Brightness against No. 1: not measured (too much is clipped)" in text
    assert "Smear of spout: 102 mm = 424 % of frame height" in text
    assert "stop f/2 is left out: it would need ISO 52" in text


def test_letters_the_typeface_lacks_are_shown_as_such_and_the_foot_says_so(tmp_path: Path, picture: Path) -> None:
    japanese = step("0", caption="鷺 (sagi): the heron")
    files = make_sheet([group(frame(japanese, picture), title="Цапля")], "Fountain", "", tmp_path / "sheet")
    text = text_of(files)
    assert "◊ (sagi): the heron" in text
    assert "◊ stands for a letter that this typeface lacks." in text


def test_a_portrait_picture_is_shown_upright_as_its_exif_says(tmp_path: Path) -> None:
    turned = Image.Exif()
    turned[0x0112] = 6  # turn right by a quarter to see it upright
    lying = save_jpeg(tmp_path / "lying.jpg", encode(scene(200, 300)), exif=turned.tobytes())
    plain = save_jpeg(tmp_path / "plain.jpg", encode(scene(200, 300)))
    shapes = []
    for name in (lying, plain):
        files = make_sheet([group(frame(step("0"), name))], "Heron", "", tmp_path / "sheet")
        image = PdfReader(files.pdf).pages[0].images[0].image
        assert image is not None
        shapes.append(image.width / image.height)
    assert shapes == pytest.approx([2 / 3, 3 / 2], abs=0.01)


@pytest.mark.parametrize("count", [0, 1, 7, 15])
def test_a_sheet_is_made_of_any_number_of_frames(tmp_path: Path, picture: Path, count: int) -> None:
    frames = [frame(step(str(n), reference="0"), picture) for n in range(count)]
    files = make_sheet([group(*frames, title="A ladder")], "Fountain", "", tmp_path / "sheet")
    text = text_of(files)
    assert text.count("Depth of field") == count
    assert ("No frames in this group." in text) == (count == 0)


def test_no_groups_make_a_sheet_that_says_so(tmp_path: Path) -> None:
    assert "nothing to show" in text_of(make_sheet([], "Fountain", "", tmp_path / "sheet"))


def test_a_shorter_sheet_leaves_no_pages_of_the_longer_one_and_other_files_alone(tmp_path: Path, picture: Path) -> None:
    folder = tmp_path / "sheet"
    make_sheet(groups(picture), "Fountain", "", folder)
    (folder / "sheet-of-mine.png").write_bytes(b"mine")
    make_sheet(groups(picture)[:1], "Fountain", "", folder)
    assert sorted(path.name for path in folder.iterdir()) == [
        "sheet-1.png",
        "sheet-of-mine.png",
        "sheet.pdf",
        "sheet.png",
    ]


def test_a_folder_that_cannot_be_made_is_a_store_error_in_words(tmp_path: Path, picture: Path) -> None:
    with pytest.raises(StoreError, match="The sheet could not be written"):
        make_sheet(groups(picture), "Fountain", "", picture / "below-a-file")


def test_a_file_that_cannot_be_put_in_place_leaves_no_part_behind(tmp_path: Path, picture: Path) -> None:
    folder = tmp_path / "sheet"
    (folder / "sheet.pdf").mkdir(parents=True)  # a folder in the way: the file cannot be put there
    with pytest.raises(StoreError, match="the pictures are untouched"):
        make_sheet(groups(picture)[:1], "Fountain", "", folder)
    assert not [path for path in folder.iterdir() if path.suffix == ".part"]


def in_grey(kind: BarKind) -> NDArray[np.float64]:
    """The inside of a segment's filling, as a grey copy of the PNG shows it, without its outline."""
    box = Box(10, 10, 20, 6)
    page = Page(40, 26, (Block("bars", box, tuple(filled(kind, box))),))
    pixels = np.asarray(draw_page(page, {}).convert("L"), float)
    dots = DPI / 25.4
    return pixels[round(10.5 * dots) : round(15.5 * dots), round(10.5 * dots) : round(29.5 * dots)]


def test_the_four_fillings_are_told_apart_in_a_grey_copy() -> None:
    def seen(pixels: NDArray[np.float64]) -> str:
        along_rows, along_columns = pixels.mean(axis=1).std(), pixels.mean(axis=0).std()
        if pixels.std() < 1:
            return "plain"
        if along_columns < 1:
            return "level lines"
        if along_rows > 5 and along_columns > 5:
            return "dots"
        shifted = np.roll(pixels, (-1, 1), axis=(0, 1))[1:-1, 1:-1]
        same = np.abs(shifted - pixels[1:-1, 1:-1]).mean()
        across = np.abs(np.roll(pixels, (1, 1), axis=(0, 1))[1:-1, 1:-1] - pixels[1:-1, 1:-1]).mean()
        return "slanting lines" if across > 1.5 * same else "nothing known"

    assert [seen(in_grey(kind)) for kind in BAR_KINDS] == ["plain", "slanting lines", "dots", "level lines"]
    # Not by tone alone either: the solid one is dark, and lines and dots leave the paper showing through.
    assert in_grey("aperture").max() < 130
    assert all(in_grey(kind).max() > 240 for kind in BAR_KINDS[1:])
    # The control: one filling under two names is seen as one.
    assert seen(in_grey("time")) == seen(in_grey("time")[::-1, ::-1])
    assert seen(np.full((30, 100), 200.0)) == "plain"
