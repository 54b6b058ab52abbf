"""The pocket card as a user gets it: on the terminal, as a PDF to print, as pictures for a phone."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image, ImageFont
from pypdf import PdfReader
from support_plans import demo
from support_run import command

from daemon.cli import stopwright
from daemon.pictures.card import make_card
from daemon.pictures.card_layout import FRAME_SIZES, HEIGHT, WIDTH, lay_out_card
from daemon.pictures.geometry import Block, Box, Page, Text
from daemon.pictures.tones import PLAIN, RGB
from daemon.pictures.typeface import Cleaner, font_file, text_width
from plans.compiler import compile_brief
from plans.plan import Plan, plan_json
from plans.pocket_card import Card, CardBlock, CardLine, card, card_text

SLACK = 0.02  # strokes and rounding [mm]
REACH_MM = 600.0  # an arm's length
LINE = CardLine("frame", cells=("7", "f/5.6", "1/250 s", "ISO 100", ""))


@pytest.fixture(scope="module")
def plan() -> Plan:
    return compile_brief(demo())


@pytest.fixture(scope="module")
def made(plan: Plan) -> Card:
    return card(plan, demo())


@pytest.fixture
def plan_file(plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.chdir(tmp_path)
    Path("plan.json").write_text(plan_json(plan), encoding="utf-8")
    return "plan.json"


def explain(*words: str) -> Result:
    return CliRunner().invoke(stopwright, ["explain", *words])


def complaints(page: Page) -> list[str]:
    """What is wrong with a page: blocks that overlap or leave it, things that leave their block, words on words."""
    found, paper = [], Box(0, 0, page.width, page.height)
    for number, block in enumerate(page.blocks):
        found += [] if paper.holds(block.box) else [f"{block.role} leaves the page"]
        found += [f"{item} leaves its block" for item in block.items if not block.box.holds(item.box, SLACK)]
        found += [
            f"{block.role} overlaps" for other in page.blocks[number + 1 :] if block.box.overlaps(other.box, SLACK)
        ]
    for block in page.blocks:
        texts = [item for item in block.items if isinstance(item, Text)]
        for number, one in enumerate(texts):
            beside = [other for other in texts[number + 1 :] if other.y == one.y]
            found += [f"{one.text} on {other.text}" for other in beside if one.box.overlaps(other.box, SLACK)]
    return found


def flat(text: str) -> str:
    return re.sub(r"\s+", " ", text)


# On the terminal


def test_the_card_is_printed_in_forty_columns(tmp_path: Path, plan: Plan, made: Card) -> None:
    (tmp_path / "plan.json").write_text(plan_json(plan), encoding="utf-8")
    done = command("explain", "plan.json", "--card", home=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout == card_text(made)
    assert max(map(len, done.stdout.splitlines())) <= 40


def test_the_card_of_a_brief_is_that_of_its_plan(plan_file: str, made: Card) -> None:
    from plans.reading import demo_brief_text

    Path("brief.yaml").write_text(demo_brief_text(), encoding="utf-8")
    assert explain("brief.yaml", "--card").stdout == explain(plan_file, "--card").stdout == card_text(made)


def test_without_card_the_plan_is_explained_as_ever(plan_file: str) -> None:
    text = explain(plan_file).stdout
    assert "To take along" in text and "== METER" not in text


def test_json_holds_the_card_s_text_its_files_and_the_plan(plan_file: str, plan: Plan, made: Card) -> None:
    tree = json.loads(explain(plan_file, "--card", "--out", "card.pdf", "--json").stdout)
    assert tree["text"] == card_text(made) and tree["files"] == ["card.pdf"]
    assert tree["plan"] == json.loads(plan_json(plan)) and tree["title"] == plan.title
    assert json.loads(explain(plan_file, "--card", "--json").stdout)["files"] == []


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--out", "card.pdf"], "--card"),
        (["--card", "--out", "card.txt"], ".pdf and .png"),
        (["--card", "--out", "card"], "no ending"),
        (["--card", "--out", "nowhere/card.pdf"], "cannot be written"),
        (["--card", "--out", "folder.pdf"], "cannot be written"),
    ],
)
def test_a_card_that_cannot_be_drawn_is_refused_with_what_to_do(plan_file: str, words: list[str], told: str) -> None:
    Path("folder.pdf").mkdir()
    done = explain(plan_file, *words)
    assert done.exit_code == 2 and told in done.stderr and "Traceback" not in done.output
    assert sorted(path.name for path in Path().iterdir()) == ["folder.pdf", "plan.json"]


def test_the_plan_itself_is_never_drawn_over(plan_file: str) -> None:
    before = Path(plan_file).read_bytes()
    Path("plan.pdf").symlink_to("plan.json")
    done = explain(plan_file, "--card", "--out", "plan.pdf")
    assert done.exit_code == 2 and "the plan itself" in done.stderr
    assert Path(plan_file).read_bytes() == before


# Drawn


def test_the_pdf_has_a6_pages_with_text_that_can_be_searched(plan_file: str, plan: Plan, made: Card) -> None:
    done = explain(plan_file, "--card", "--out", "card.pdf")
    assert done.exit_code == 0 and done.stdout == "Drawn: card.pdf\n"
    pages = PdfReader("card.pdf").pages
    for page in pages:
        # ISO 216: A6 is 105 mm x 148 mm.
        assert [float(side) * 25.4 / 72 for side in page.mediabox[2:]] == pytest.approx([105, 148], abs=0.01)
    text = flat(" ".join(page.extract_text() for page in pages))
    for block in made.blocks:
        for line in block.lines:
            for words in (line.text, *line.cells):
                assert all(word in text for word in words.split()), words
    for number in range(1, len(pages) + 1):
        assert f"{number} of {len(pages)}" in text


def test_a_png_page_is_drawn_for_each_page_of_the_pdf_black_on_white(plan_file: str) -> None:
    done = explain(plan_file, "--card", "--out", "card.png")
    explain(plan_file, "--card", "--out", "card.pdf")
    names = re.findall(r"^Drawn: (\S+)$", done.stdout, re.MULTILINE)
    assert names == [f"card-{n}.png" for n in range(1, len(PdfReader("card.pdf").pages) + 1)]
    for name in names:
        with Image.open(name) as picture:
            assert picture.size == (round(105 / 25.4 * 150), round(148 / 25.4 * 150))
            pixels = np.asarray(picture.convert("RGB"))
        colours = pixels.reshape(-1, 3)
        assert (colours.max(axis=1) - colours.min(axis=1)).max() == 0  # no tint
        assert (pixels == 255).all(axis=2).mean() > 0.7 and (pixels == 0).all(axis=2).mean() > 0.005
    assert PLAIN["paper"] == (255, 255, 255) != RGB["paper"]  # the sheet's paper is warm: the check can fail


def test_an_older_and_longer_card_of_pictures_is_pointed_out_and_left_alone(plan_file: str) -> None:
    pages = explain(plan_file, "--card", "--out", "card.png").stdout.count("Drawn")
    Path(f"card-{pages + 1}.png").write_bytes(b"older")
    done = explain(plan_file, "--card", "--out", "card.png")
    assert f"card-{pages + 1}.png is there still" in done.stderr
    assert Path(f"card-{pages + 1}.png").read_bytes() == b"older"


def test_the_same_card_is_the_same_bytes(tmp_path: Path, made: Card) -> None:
    first, second = (make_card(made, tmp_path / name)[0].read_bytes() for name in ("a.pdf", "b.pdf"))
    assert first == second
    assert make_card(made, tmp_path / "A.PNG")[0].name == "A-1.PNG"


def test_the_letters_of_a_picture_s_line_are_read_at_arm_s_length(made: Card) -> None:
    # Height of letters over distance of 1/200: common practice, no source.
    pages = lay_out_card(made, text_width, Cleaner())
    lines = [item for page in pages for block in page.blocks for item in block.items if isinstance(item, Text)]
    marks = [item for item in lines if re.fullmatch(r"f/[\d.]+|1/\d+ s|ISO \d+", item.text)]
    assert len(marks) == 3 * sum(line.kind == "frame" for block in made.blocks for line in block.lines)
    for item in {item.size for item in marks}:
        box = ImageFont.truetype(str(font_file("bold")), 1000).getbbox("H")
        assert (box[3] - box[1]) / 1000 * item * 25.4 / 72 >= REACH_MM / 200
    assert {item.size for item in marks} == {FRAME_SIZES[0]}


def test_nothing_overlaps_and_nothing_leaves_the_page(made: Card) -> None:
    pages = lay_out_card(made, text_width, Cleaner())
    assert [complaint for page in pages for complaint in complaints(page)] == []
    assert len(pages) <= 8  # a card that fits a pocket
    squeezed = Page(WIDTH, HEIGHT / 2, pages[0].blocks)
    assert complaints(squeezed) != []


@pytest.mark.parametrize(
    "block",
    [
        CardBlock((CardLine("do", "word " * 2000),)),
        CardBlock((CardLine("caution", "x" * 3000),)),
        CardBlock((CardLine("head", "A group of many"), *[LINE] * 60)),
        CardBlock((CardLine("frame", cells=("1", "f/5.6", "1/250 s", "ISO 100", "filter " * 40)),)),
        CardBlock((CardLine("frame", cells=("1000", "f/" + "9" * 40, "1/8000 s", "ISO 102400", "")),)),
        CardBlock((CardLine("frame", cells=("1", "f/5.655555555555", "1/250 s", "ISO 100", "")),)),
        CardBlock((CardLine("title", "Fountain " * 60), CardLine("note", "鷺 \u202e and a heron"))),
    ],
)
def test_a_card_with_more_than_a_page_can_hold_goes_on_on_the_next(block: CardBlock) -> None:
    odd = Card("Fountain " * 20, "leave by 15:50", (CardBlock((LINE,)), block, CardBlock((LINE,))))
    pages = lay_out_card(odd, text_width, Cleaner())
    assert [complaint for page in pages for complaint in complaints(page)] == []
    # Not a letter is cut: all of it stands on the pages, in order.
    shown = "".join(text for page in pages for part in page.blocks if part.role == "text" for text in words_of(part))
    clean = Cleaner()
    wanted = "".join(clean(part) for line in block.lines for part in (line.text, *line.cells))
    assert wanted.replace(" ", "") in shown.replace(" ", "")
    assert len(pages) > 1 or len(wanted) < 600


def test_a_group_that_fits_a_page_is_not_parted() -> None:
    full = CardBlock(tuple([LINE] * 12))
    pages = lay_out_card(Card("Fountain", "", (full, full)), text_width, Cleaner())
    counts = [sum(isinstance(i, Text) and i.text == "f/5.6" for b in page.blocks for i in b.items) for page in pages]
    assert counts == [12, 12]


def test_the_time_to_leave_stands_at_the_foot_of_every_page(made: Card) -> None:
    coast = Card(made.title, "leave by 15:50", made.blocks)
    for pages, text in (
        (lay_out_card(coast, text_width), "LEAVE BY 15:50"),
        (lay_out_card(made, text_width), made.title),
    ):
        for page in pages:
            foot = next(block for block in page.blocks if block.role == "foot")
            assert text in words_of(foot)


def words_of(block: Block) -> list[str]:
    return [item.text for item in block.items if isinstance(item, Text)]


def test_a_letter_that_the_typeface_lacks_is_replaced_visibly_and_said(tmp_path: Path) -> None:
    odd = Card("Fountain", "", (CardBlock((CardLine("do", "focus on the 鷺"),)),))
    (out,) = make_card(odd, tmp_path / "card.pdf")
    text = flat(PdfReader(out).pages[0].extract_text())
    assert "stands for a letter that this typeface lacks" in text and "鷺" not in text
