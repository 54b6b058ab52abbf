"""Where things go on a sheet: nothing overlaps, nothing leaves the page, whatever the groups are."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import ImageFont
from support_pictures import ND_64, frame, group, step

from daemon.pictures.geometry import Block, Box, Page, Place, Text, cut, fit, wrap
from daemon.pictures.layout import MOST_ON_A_PAGE, even_parts, lay_out
from daemon.pictures.shapes import SheetGroup
from daemon.pictures.typeface import FACES, Cleaner, font_file, text_width
from daemon.pictures.words import group_text

SLACK = 0.02  # strokes and rounding [mm]


def pages_of(groups: Sequence[SheetGroup], aspects: float | None = 1.5, title: str = "Fountain") -> list[Page]:
    clean = Cleaner()
    texts = [group_text(g, [aspects] * len(g.frames), clean=clean) for g in groups]
    return lay_out(texts, clean(title), "Tuesday class", "", text_width)


def complaints(page: Page) -> list[str]:
    """What is wrong with a page: blocks that overlap or leave the page, items that leave their block."""
    found = []
    paper = Box(0, 0, page.width, page.height)
    for number, block in enumerate(page.blocks):
        if not paper.holds(block.box):
            found.append(f"{block.role} leaves the page: {block.box}")
        for item in block.items:
            if not block.box.holds(item.box, SLACK):
                found.append(f"{item} leaves its {block.role}: {block.box}")
        found += [
            f"{block.role} and {other.role} overlap: {block.box} {other.box}"
            for other in page.blocks[number + 1 :]
            if block.box.overlaps(other.box, SLACK)
        ]
    return found


def series(count: int, **more: object) -> SheetGroup:
    frames = [frame(step(str(n), reference="0", **more)) for n in range(count)]  # type: ignore[arg-type]
    return group(*frames, title=f"A group of {count}")


def words_of(blocks: Sequence[Block]) -> list[str]:
    return [item.text for block in blocks for item in block.items if isinstance(item, Text)]


LETTERS = st.text(st.sampled_from("aWi .,–é鷺\N{NO-BREAK SPACE}\u202e\n"), max_size=120)
FRAMES = st.builds(
    lambda caption, filters, note, number: frame(
        step(str(number), reference="0", caption=caption, filters=(ND_64,) * filters), exif_note=note
    ),
    LETTERS,
    st.integers(0, 3),
    st.none() | LETTERS,
    st.integers(0, 9),
)
GROUPS = st.builds(
    lambda frames, title, notes: group(*frames, title=title, notes=tuple(notes)),
    st.lists(FRAMES, max_size=15),
    LETTERS,
    st.lists(LETTERS, max_size=4),
)


@settings(max_examples=25, deadline=None)
@given(groups=st.lists(GROUPS, max_size=4), aspect=st.sampled_from([None, 0.2, 0.667, 1.5, 5.0]), title=LETTERS)
def test_no_two_boxes_overlap_and_none_leaves_the_page(
    groups: list[SheetGroup], aspect: float | None, title: str
) -> None:
    pages = pages_of(groups, aspect, title * 3)
    assert [fault for page in pages for fault in complaints(page)] == []
    places = [i for page in pages for block in page.blocks for i in block.items if isinstance(i, Place)]
    shown = Counter((place.group, place.frame) for place in places)
    wanted = {(g, f) for g, each in enumerate(groups) for f in range(len(each.frames))} if aspect else set()
    assert shown == Counter(wanted), "every picture has one place"
    for place in places:
        assert place.box.w / place.box.h == pytest.approx(aspect)


def test_the_check_sees_a_box_that_was_pushed_onto_another_or_off_the_page() -> None:
    page = pages_of([series(2)])[0]
    assert complaints(page) == []
    for dx, word in ((40.0, "overlap"), (400.0, "leaves the page")):
        block = page.blocks[2]
        pushed = replace(block, box=replace(block.box, x=block.box.x + dx), items=())
        blocks = (*page.blocks[:2], pushed, *page.blocks[3:])
        assert any(word in fault for fault in complaints(replace(page, blocks=blocks)))


@pytest.mark.parametrize(("count", "pages"), [(1, 1), (2, 1), (5, 1), (8, 1), (9, 2), (15, 2)])
def test_a_group_has_as_few_pages_as_it_needs_and_a_ladder_of_eight_has_one(count: int, pages: int) -> None:
    made = pages_of([series(count)])
    assert len(made) == pages
    shown = [sum(block.role == "picture" for block in page.blocks) for page in made]
    assert sum(shown) == count
    assert max(shown) - min(shown) <= 1


def test_a_pair_is_side_by_side_on_one_page_even_after_other_groups() -> None:
    made = pages_of([series(1), series(15), series(2), series(1), series(1)])
    pairs = [
        page
        for page in made
        if any("A group of 2" in word for word in words_of([b for b in page.blocks if b.role == "group head"]))
    ]
    assert len(pairs) == 1
    first, second = (block.box for block in pairs[0].blocks if block.role == "picture")
    assert first.y == second.y
    assert first.right < second.x


def test_pictures_of_a_ladder_are_large_enough_to_show() -> None:
    boxes = [block.box for block in pages_of([series(8)])[0].blocks if block.role == "picture"]
    assert len(boxes) == 8
    assert min(box.h for box in boxes) > 28
    assert len({(round(box.w, 6), round(box.h, 6)) for box in boxes}) == 1


@pytest.mark.parametrize("count", range(1, 40))
def test_frames_are_spread_evenly_over_parts(count: int) -> None:
    parts = even_parts(count, MOST_ON_A_PAGE)
    assert sum(parts) == count
    assert max(parts) <= MOST_ON_A_PAGE
    assert max(parts) - min(parts) <= 1


def test_a_long_caption_is_set_smaller_then_cut_and_a_short_one_left_alone() -> None:
    short, long = "The water stands still.", "The water stands still and the heron waits. " * 30
    page = pages_of([series(8, caption=short)])[0]
    texts = words_of([block for block in page.blocks if block.role == "text"])
    assert any(short in text for text in texts)
    assert not any("…" in text for text in texts)
    blocks = [block for block in pages_of([series(8, caption=long)])[0].blocks if block.role == "text"]
    for block in blocks:
        italic = [item for item in block.items if isinstance(item, Text) and item.face == "italic"]
        assert italic[-1].text.endswith("…")
        joined = " ".join(words_of([block]))
        assert "Depth of field" in joined, "the figures are kept"
        assert "Brightness" in joined


def test_lines_are_as_wide_as_told_and_lose_no_word() -> None:
    text = "The heron before the hedge, unmoved by a verylongwordthatmustbebroken."
    lines = wrap(text, 22.0, "plain", 8, text_width)
    assert len(lines) > 3
    assert all(text_width(line, "plain", 8) <= 22.0 for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")


def test_tied_words_stay_on_one_line() -> None:
    tied = "Smear of spout: 0.025\N{NO-BREAK SPACE}mm"
    lines = wrap(tied, text_width("Smear of spout: 0.025", "plain", 8) + 0.1, "plain", 8, text_width)
    assert lines == ["Smear of spout:", "0.025 mm"]


def test_cut_text_ends_in_an_ellipsis_within_its_width() -> None:
    lines = wrap("heron " * 40, 30, "plain", 8, text_width)
    kept = cut(lines, 2, 30, "plain", 8, text_width)
    assert len(kept) == 2
    assert kept[-1].endswith("…")
    assert text_width(kept[-1], "plain", 8) <= 30
    assert cut(lines, 99, 30, "plain", 8, text_width) == lines
    assert fit("heron", 30, 0.1, "plain", (8,), text_width)[0] == []


@pytest.mark.parametrize("face", FACES)
def test_letters_are_as_wide_in_the_png_as_in_the_pdf(face: str) -> None:
    text = "Smear of spout: 0.025 mm = 4.1 px; f/5.6 at 1/2000 s, ISO 800, ND 64"
    pixels = ImageFont.truetype(str(font_file(face)), 200, layout_engine=ImageFont.Layout.BASIC)  # type: ignore[arg-type]
    points = text_width(text, face, 10) * 72 / 25.4 / 10  # type: ignore[arg-type]
    assert pixels.getlength(text) / 200 == pytest.approx(points, rel=0.01)


def test_letters_that_the_typeface_lacks_are_replaced_visibly_and_counted() -> None:
    clean = Cleaner()
    assert clean("Springbrunnen mit Reiher, 1/4 s · e\u0301 ∞ −") == "Springbrunnen mit Reiher, 1/4 s · é ∞ −"
    assert clean.replaced == 0
    assert clean("鷺 и \x00\u202e\ud800heron\n\t!") == "◊ ◊ ◊heron !"
    assert clean.replaced == 3
