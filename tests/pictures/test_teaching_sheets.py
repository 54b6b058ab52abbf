"""Sheets for the screen and for paper, and stills: sizes, order, patches, what happens when something is missing."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageFilter
from pypdf import PdfReader
from support_pictures import ND_64, encode, scene, step
from support_teaching import made_report, picture

from daemon.lesson import lesson_of
from daemon.pictures.teaching.canvas import SAFE, Canvas
from daemon.pictures.teaching.paper import paper_sheets, print_pair
from daemon.pictures.teaching.patches import cut_patch, telling_point, whole_times
from daemon.pictures.teaching.screen import draw_screen_sheet, screen_sheets
from daemon.pictures.teaching.shapes import Lesson, LessonFrame, class_order, told_apart_by, whole_line
from daemon.pictures.teaching.still import draw_caption, draw_still
from plans.plan import ExposeStep

LONG = "The heron stands before the hedge and nothing of it moves. " * 30


@pytest.fixture(scope="module")
def lesson(tmp_path_factory: pytest.TempPathFactory) -> Lesson:
    return lesson_of(made_report(tmp_path_factory.mktemp("run")))


def pictures(frames: tuple[LessonFrame, ...]) -> list[Image.Image]:
    return [picture(frame.step) for frame in frames]


def written(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, float]]:
    """Every text that is written on a canvas from now on, with its size as a share of 1080."""
    texts: list[tuple[str, float]] = []
    real = Canvas.write

    def write(self: Canvas, text: str, x: float, top: float, face: object, size: float, *tone: object) -> float:
        texts.append((text, size / 1080))
        assert x >= 0 and top >= 0 and x + self.width(text, face, size) <= 1920 and top + size <= 1080, text  # type: ignore[arg-type]
        return real(self, text, x, top, face, size, *tone)  # type: ignore[arg-type]

    monkeypatch.setattr(Canvas, "write", write)
    return texts


def marks(steps: list[ExposeStep]) -> list[tuple[str, str]]:
    return [(one.settings.aperture.mark, one.settings.time.mark) for one in steps]


def test_the_class_sees_wide_to_narrow_and_fast_to_slow() -> None:
    wide, middle, narrow = (
        step(name, aperture=aperture, time=time)
        for name, aperture, time in (("a", "f/2", "1/2000"), ("b", "f/5.6", "1/250"), ("c", "f/16", "1/30"))
    )
    assert marks(class_order([narrow, wide, middle])) == [("f/2", "1/2000"), ("f/5.6", "1/250"), ("f/16", "1/30")]
    # Frozen or silk: the silk one has the wider aperture here, and time still leads, since time tells them apart.
    frozen, silk = step("f", aperture="f/8", time="1/2000"), step("s", aperture="f/5.6", time="1/4", filters=(ND_64,))
    assert told_apart_by([silk, frozen]) == "time"
    assert marks(class_order([silk, frozen])) == [("f/8", "1/2000"), ("f/5.6", "1/4")]


def test_every_group_of_a_run_is_shown_in_that_order(lesson: Lesson) -> None:
    for group in lesson.groups:
        if group.faults:
            continue
        along = [getattr(frame.step.settings, group.told).exact for frame in group.frames]
        assert along == sorted(along), group.title
        assert len({round(frame.bar.line, 6) for frame in group.frames}) == 1  # one common end line


def test_a_screen_sheet_shows_two_pictures_or_three_at_the_sizes_promised(
    lesson: Lesson, monkeypatch: pytest.MonkeyPatch
) -> None:
    texts = written(monkeypatch)
    counts = set()
    for group in lesson.groups:
        for sheet in screen_sheets(group):
            texts.clear()
            image = draw_screen_sheet(sheet, pictures(sheet.frames))
            assert image.size == (1920, 1080)
            assert image.getpixel((1912, 500)) == (118, 118, 118)
            counts.add(len(sheet.frames))
            sizes = [size for _, size in texts]
            assert min(sizes) >= 0.033
            big = [text for text, size in texts if size == pytest.approx(0.08)]
            assert len(big) == len(sheet.frames), texts
            assert [size for text, size in texts if " · " in text and size < 0.05 and text != sheet.title] == []
    assert counts == {2, 3}


def test_faults_stand_each_beside_the_right_picture(lesson: Lesson) -> None:
    group = next(group for group in lesson.groups if group.faults)
    sheets = screen_sheets(group)
    assert len(sheets) == len(group.frames) - 1
    for sheet in sheets:
        assert sheet.frames[0].step.reference == sheet.frames[0].step.id
        assert sheet.frames[1].step.goal.capitalize() == sheet.title


def test_the_telling_patch_is_where_the_pictures_differ_and_not_where_light_does() -> None:
    light = scene(400, 600)
    sharp = Image.fromarray(encode(light))
    for centre in ((150, 100), (430, 300)):
        other = Image.fromarray(encode(light * 2.0))  # a stop brighter all over, which must not draw the eye
        box = (centre[0] - 60, centre[1] - 45, centre[0] + 60, centre[1] + 45)
        other.paste(other.crop(box).filter(ImageFilter.GaussianBlur(4)), box[:2])
        x, y = telling_point([sharp, other], (0.2, 0.2))
        assert abs(x * 600 - centre[0]) < 45 and abs(y * 400 - centre[1]) < 45


def test_where_depth_is_shown_the_patch_lies_off_what_moves() -> None:
    light = scene(400, 600)
    near = Image.fromarray(encode(light))
    far = near.copy()
    # On the right the water is another at each moment; on the left the aperture softened what stands still.
    far.paste(far.crop((0, 0, 250, 400)).filter(ImageFilter.GaussianBlur(3)), (0, 0))
    far.paste(Image.fromarray(encode(scene(400, 600, seed=7) * 1.5)).crop((450, 100, 550, 300)), (450, 100))
    near.paste(near.crop((450, 100, 550, 300)).filter(ImageFilter.GaussianBlur(6)), (450, 100))
    x, _ = telling_point([near, far], (0.15, 0.3), still=True)
    assert x < 0.42
    # Control: whatever differs most draws the patch onto the water.
    assert telling_point([near, far], (0.15, 0.3))[0] > 0.7


def test_a_patch_is_made_of_the_pictures_own_pixels_at_a_whole_number() -> None:
    image = Image.fromarray(encode(scene(300, 450)))
    own = np.asarray(image)
    for times in (1, 2, 3):
        cut = np.asarray(cut_patch(image, (0.5, 0.5), (180, 120), times))
        assert cut.shape == (120, 180, 3)
        small = cut[::times, ::times]
        assert np.array_equal(np.kron(small, np.ones((times, times, 1), np.uint8)), cut)
        top, left = 150 - small.shape[0] // 2, 225 - small.shape[1] // 2
        assert np.array_equal(small, own[top : top + small.shape[0], left : left + small.shape[1]])
    assert whole_times(Image.new("RGB", (6000, 4000)), (900, 200)) == 1
    assert whole_times(Image.new("RGB", (1500, 1000)), (900, 200)) == 2


@pytest.mark.parametrize("scale", [1, 2])
def test_a_still_has_its_caption_inside_the_safe_area_and_the_caption_alone_falls_on_it(
    lesson: Lesson, scale: int
) -> None:
    frame = replace(lesson.frames[0], caption=LONG, verdict="Shown")
    size = (1920 * scale, 1080 * scale)
    still, alone = draw_still(frame, picture(frame.step), scale), draw_caption(frame, scale)
    assert still.size == alone.size == size
    assert alone.mode == "RGBA"
    left, top, right, bottom = alone.getchannel("A").getbbox()
    assert left >= SAFE * size[0] and right <= (1 - SAFE) * size[0]
    assert top >= SAFE * size[1] and bottom <= (1 - SAFE) * size[1]
    over = np.asarray(alone)
    opaque = over[..., 3] == 255
    assert 0.05 < opaque.mean() < 0.3
    assert np.array_equal(over[opaque][:, :3], np.asarray(still)[opaque])


def test_caption_letters_are_never_under_the_smallest_size(lesson: Lesson, monkeypatch: pytest.MonkeyPatch) -> None:
    texts = written(monkeypatch)
    draw_caption(replace(lesson.frames[0], caption=LONG))
    assert min(size for _, size in texts) >= 0.033
    assert any(text.endswith("…") for text, _ in texts)


def test_missing_and_portrait_pictures_and_long_words_find_a_place(
    lesson: Lesson, monkeypatch: pytest.MonkeyPatch
) -> None:
    texts = written(monkeypatch)
    group = max(lesson.groups, key=lambda one: len(one.frames))
    frames = tuple(
        replace(frame, caption=LONG, source=None if n == 1 else frame.source) for n, frame in enumerate(group.frames)
    )
    sheet = replace(screen_sheets(replace(group, frames=frames))[-1], title=LONG, frames=frames[:3])
    tall = [picture(frame.step, 320, 480) for frame in sheet.frames]
    image = draw_screen_sheet(sheet, [tall[0], None, tall[2]])
    assert image.size == (1920, 1080)
    assert "not taken" in [text for text, _ in texts]
    draw_still(frames[1], None)
    draw_still(frames[0], tall[0])


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_paper_sheets_hold_eight_a_page_with_all_settings_and_no_colour_of_their_own(
    lesson: Lesson, paper: str
) -> None:
    shown = {frame.number: picture(frame.step) for frame in lesson.frames[:-1]}
    reader = PdfReader(io.BytesIO(paper_sheets(lesson, shown, paper)))  # type: ignore[arg-type]
    width, height = float(reader.pages[0].mediabox.width), float(reader.pages[0].mediabox.height)
    # ISO 216: 210 x 297 mm; ANSI/ASME Y14.1: 8.5 x 11 in.
    assert (width, height) == pytest.approx((595.28, 841.89) if paper == "A4" else (612, 792), abs=0.1)
    text = " ".join(" ".join(page.extract_text().split()) for page in reader.pages)
    for frame in lesson.frames:
        assert whole_line(frame.step.settings) in text
    assert "not readable" in text
    assert len(reader.pages) == len(lesson.groups)


def test_eight_pictures_fill_a_page_two_by_four_and_a_ninth_begins_another(lesson: Lesson) -> None:
    frame = lesson.frames[0]
    for count, pages in ((8, 1), (9, 2)):
        frames = tuple(replace(frame, number=n, caption=LONG) for n in range(1, count + 1))
        group = replace(lesson.groups[0], frames=frames)
        data = paper_sheets(replace(lesson, groups=(group,)), {1: picture(frame.step)}, "A4")
        assert len(PdfReader(io.BytesIO(data)).pages) == pages


def test_the_print_pair_is_two_pages_of_a3_alike_laid(lesson: Lesson) -> None:
    frames = (lesson.frames[0], lesson.frames[1])
    shown = {frame.number: picture(frame.step) for frame in frames}
    reader = PdfReader(io.BytesIO(print_pair(frames, "Frozen or silk", shown)))
    assert len(reader.pages) == 2
    for page, frame in zip(reader.pages, frames, strict=True):
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx((1190.55, 841.89), abs=0.1)
        assert whole_line(frame.step.settings) in " ".join(page.extract_text().split())


def test_a_broken_file_is_a_missing_picture_and_no_error(tmp_path: Path) -> None:
    from daemon.pictures.teaching.clean import upright

    (tmp_path / "a.jpg").write_bytes(b"\xff\xd8\xff no picture")
    assert upright(tmp_path / "a.jpg") is None
    assert upright(tmp_path / "none.jpg") is None
    assert upright(None) is None
