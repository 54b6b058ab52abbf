"""The command light and the page it draws: what is said, what is refused, and that nothing lies upon anything."""

from __future__ import annotations

import io
import itertools
import json
import math
from dataclasses import replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pypdf
import pytest
from click.testing import CliRunner
from PIL import Image

from daemon.commands.light import light
from daemon.pictures.geometry import Block, Box, Text
from daemon.pictures.light_layout import lay_out_light
from daemon.pictures.light_sheet import light_page, make_light_sheet
from daemon.pictures.typeface import Cleaner, text_width
from plans.brief import Place
from plans.light_brief import brief_light
from plans.reading import demo_brief_text, read_brief

PLACE = "place: {latitude: 52.0, longitude: 0.0, timezone: Europe/London}\n"
WHEN = "when: 2026-10-20 15:30\n"
GOALS = (
    ("1 compare freeze spout and silk spout", [(11.2, math.inf)]),
    ("2 isolate heron", [(5.0, 9.0), (12.5, 14.0)]),
    ("3 deep from heron to hedge", [(15.9, math.inf)]),
    ("4 aperture ladder", [(-math.inf, math.inf)]),
    ("5 a goal whose name goes on and on, until no line of the page can hold it any more", []),
)


@pytest.fixture
def brief_file(tmp_path):
    """Writes a brief, the demo's unless told otherwise."""

    def write(text=None):
        path = tmp_path / "brief.yaml"
        path.write_text(demo_brief_text() if text is None else text, encoding="utf-8")
        return path

    return write


def run(*arguments):
    return CliRunner().invoke(light, [str(argument) for argument in arguments])


def demo(sky="clear", facing=200.0, place=None, on=None, goals=GOALS):
    brief = read_brief(demo_brief_text(), "brief.yaml")
    scene = brief.scene
    told = scene.model_copy(update={"light": scene.light.model_copy(update={"sky": sky}), "facing_deg": facing})
    update = {"scene": told} | ({"place": place} if place else {})
    return brief_light(brief.model_copy(update=update), on, goals)


def test_the_demo_briefs_day_is_printed_on_eighty_columns(brief_file):
    done = run(brief_file())
    assert done.exit_code == 0, done.output
    lines = done.output.splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[0] == "Fountain, Tuesday class"
    assert "Tuesday 20 October 2026" in lines[1]
    assert any(line.split()[:2] == ["17:55", "7.5"] and "sunset" in line for line in lines)
    assert any("the brief's time" in line for line in lines)
    assert any("The sky is not known" in line for line in lines)


def test_another_date_gives_another_day(brief_file):
    done = run(brief_file(), "--date", "2026-06-20")
    assert "Saturday 20 June 2026" in done.output
    assert "no full night" in " ".join(done.output.split()).lower()
    assert "the brief's time" not in done.output


def test_the_machines_output_says_the_same(brief_file):
    done = run(brief_file(), "--json")
    told = json.loads(done.output)
    assert told["date"] == "2026-10-20"
    assert len(told["samples"]) == 289
    assert {event["event"] for event in told["events"]} >= {"sunrise", "solar noon", "sunset", "moonrise"}
    first, last = (datetime.fromisoformat(told["samples"][n]["when"]) for n in (0, -1))
    assert (last - first).total_seconds() == 86400
    assert told["samples"][0]["shadow_m"] is None
    with_goals = demo().as_json()
    assert json.loads(json.dumps(with_goals, allow_nan=False))["goals"][0]["ev100"] == [[11.2, None]]


def test_every_goal_of_the_brief_has_its_windows(brief_file):
    told = json.loads(run(brief_file(), "--json").output)
    assert [one["goal"].split()[0] for one in told["goals"]] == ["1", "2", "3", "4", "5", "6"]
    samples = [(datetime.fromisoformat(one["when"]), one) for one in told["samples"]]
    for one in told["goals"]:
        (low, high), *_ = one["ev100"]
        start, end = (datetime.fromisoformat(text) for text in one["expected"][0])
        for when, sample in samples:
            assert (start <= when <= end) == (low <= sample["ev100"] <= high) or abs(sample["ev100"] - low) < 0.01
        page = run(brief_file()).output
        assert one["goal"] in page


def test_sky_and_facing_are_the_scenes(brief_file):
    text = demo_brief_text().replace("light: {ev100: 13}", "light: {sky: clear}\n  facing: 200 deg")
    done = run(brief_file(text))
    assert done.exit_code == 0, done.output
    said = " ".join(done.output.split())
    assert "upright subjects, camera facing south (200\N{DEGREE SIGN}), clear sky" in said
    assert "The sun gives side light from the left 07:35 to" in said
    assert "optical finder" in said


@pytest.mark.parametrize(
    ("change", "options", "said"),
    [
        ((PLACE + WHEN, ""), (), "found no place"),
        ((PLACE + WHEN, ""), ("--date", "2026-10-20"), "place: {latitude: 52.0"),
        ((WHEN, ""), (), "--date 2026-10-20"),
        (("", ""), ("--date", "2026-02-30"), "a day that exists"),
        (("", ""), ("--date", "20 October"), "year-month-day"),
        (("", ""), ("--date", "2200-01-01"), "1970 to 2199"),
        (("", ""), ("--out", "page.jpeg"), ".png or .pdf"),
        (("", ""), ("--out", "no/such/folder/page.png"), "cannot be written"),
        (("Europe/London", "Pacific/Apia"), ("--date", "2011-12-30"), "date line"),
    ],
)
def test_what_cannot_be_done_is_refused_with_what_to_do(brief_file, change, options, said, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    path = brief_file(demo_brief_text().replace(*change))
    done = run(path, *options)
    assert done.exit_code == 2
    assert said in done.output
    assert "Traceback" not in done.output
    assert list(tmp_path.iterdir()) == [path]


def test_the_page_never_replaces_the_brief(tmp_path):
    path = tmp_path / "brief.png"
    path.write_text(demo_brief_text(), encoding="utf-8")
    done = run(path, "--out", path)
    assert done.exit_code == 2
    assert path.read_text(encoding="utf-8") == demo_brief_text()


def test_a_brief_that_leaves_its_scales_to_the_camera_needs_none_here(brief_file):
    text = demo_brief_text().replace("iso: {from: 100, to: 25600, step: 1/3}", "iso: camera")
    assert "iso: camera" in text
    assert run(brief_file(text)).exit_code == 0


def test_the_page_is_drawn_as_a_picture_and_as_a_pdf_whose_text_can_be_copied(brief_file, tmp_path):
    for name in ("page.png", "page.pdf"):
        done = run(brief_file(), "--out", tmp_path / name)
        assert done.exit_code == 0, done.output
        assert f"Drawn: {tmp_path / name}" in done.output
    with Image.open(tmp_path / "page.png") as picture:
        assert picture.width == 1240  # A4 at 150 dots an inch
        assert len(set(picture.convert("L").tobytes())) > 20
    text = pypdf.PdfReader(tmp_path / "page.pdf").pages[0].extract_text()
    for said in ("Fountain, Tuesday class", "sunset 17:55", "15:30: EV", "Sun and shadows"):
        assert said in text
    assert not list(tmp_path.glob("*.part"))


def test_the_same_day_gives_the_same_bytes(tmp_path):
    for name in ("a.pdf", "b.pdf", "a.png", "b.png"):
        make_light_sheet(demo(), tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    with pytest.raises(ValueError, match=r"\.png or \.pdf"):
        make_light_sheet(demo(), tmp_path / "a.gif")


def test_a_camera_that_faces_the_sun_gets_the_caution_on_every_output():
    page = demo(facing=200.0)
    assert "optical finder" in page.cautions[0]
    assert any("optical finder" in line for line in page.lines())
    drawn = " ".join(item.text for block in light_page(page).blocks for item in block.items if isinstance(item, Text))
    assert "optical finder" in drawn
    # Negative controls: facing away from the autumn sun, and no facing.
    assert demo(facing=0.0).cautions == demo(facing=None).cautions == ()


# Where things lie.


def faults(page) -> list[str]:
    """Blocks that overlap or leave the page, things that leave their block, words that lie upon words."""
    found = []
    paper = Box(0, 0, page.width, page.height)
    for block in page.blocks:
        if not paper.holds(block.box):
            found.append(f"{block.role} leaves the page")
        found += [f"{item} leaves its block" for item in block.items if not block.box.holds(item.box, 1.5)]
        words = [item for item in block.items if isinstance(item, Text)]
        for one, other in itertools.combinations(words, 2):
            if tight(one).overlaps(tight(other), 0.1):
                found.append(f"{one.text!r} lies upon {other.text!r}")
    for one, other in itertools.combinations(page.blocks, 2):
        if one.box.overlaps(other.box, 0.02):
            found.append(f"{one.role} and {other.role} overlap")
    return found


def tight(text: Text) -> Box:
    """From the top of the capitals to the baseline."""
    height = text.size * 25.4 / 72 * 0.72
    return Box(text.x, text.y - height, text.w, height)


def inked(page) -> float:
    """The least type. [pt]"""
    return min(item.size for block in page.blocks for item in block.items if isinstance(item, Text))


FAR_NORTH = Place(latitude=69.6, longitude=18.9, timezone="Europe/Oslo")
SOUTH = Place(latitude=-33.9, longitude=151.2, timezone="Australia/Sydney")
EQUATOR = Place(latitude=0.0, longitude=100.0, timezone="Asia/Bangkok")


@pytest.mark.parametrize(
    ("place", "on"),
    [
        (None, date(2026, 10, 20)),
        (None, date(2026, 10, 25)),  # 25 hours
        (None, date(2026, 3, 29)),  # 23 hours
        (FAR_NORTH, date(2026, 6, 20)),
        (FAR_NORTH, date(2026, 12, 20)),
        (SOUTH, date(2026, 12, 21)),
        (EQUATOR, date(2026, 3, 20)),
    ],
)
@pytest.mark.parametrize(("sky", "facing"), [(None, None), ("clear", 135.0)])
def test_nothing_on_the_page_lies_upon_anything_else(place, on, sky, facing):
    page = light_page(demo(sky, facing, place, on))
    assert faults(page) == []
    # On a page as wide as a phone, 400 dots, letters are 8 dots high and more.
    assert inked(page) * 25.4 / 72 * 400 / page.width >= 8


def test_the_check_sees_what_was_pushed_onto_another():
    page = light_page(demo())
    chart = page.blocks[1]
    word = next(item for item in chart.items if isinstance(item, Text))
    pushed = (*chart.items, replace(word, x=word.x + 1.0))
    assert any("lies upon" in fault for fault in faults(replace(page, blocks=(replace(chart, items=pushed),))))
    low = replace(chart, box=replace(chart.box, y=chart.box.y + 20))
    assert any("overlap" in fault for fault in faults(replace(page, blocks=(*page.blocks, low))))


def test_the_curve_stands_over_the_hours_it_is_drawn_for():
    # The marked disc is where the brief's time and its EV are, by the plot's own scales read off its labels.
    page = demo()
    drawn = light_page(page)
    texts = {item.text: item for item in drawn.blocks[1].items if isinstance(item, Text)}

    def middle(text):
        return texts[text].x + texts[text].w / 2

    an_hour = (middle("21") - middle("03")) / 18
    a_stop = (texts["0"].y - texts["8"].y) / 8
    disc = max((i for i in drawn.blocks[1].items if type(i).__name__ == "Dot"), key=lambda dot: dot.radius)
    assert disc.x == pytest.approx(middle("03") + 12.5 * an_hour, abs=0.1)
    ev = page.day.nearest(page.mark).ev100
    assert disc.y == pytest.approx(texts["0"].y - 1.6 - ev * a_stop, abs=0.1)


def test_letters_that_the_typeface_lacks_are_shown_as_missing():
    page = demo(goals=(("1 鷺", [(5.0, 9.0)]),))
    laid = lay_out_light("鷺\u202e", page.day, page.goals, text_width, clean=Cleaner())
    words = [item.text for block in laid.blocks for item in block.items if isinstance(item, Text)]
    assert words[0] == "\N{LOZENGE}"
    assert not any("鷺" in word for word in words)


def test_a_marked_time_on_another_day_is_left_out():
    page = demo(on=date(2026, 10, 21))
    assert page.mark is None
    later = datetime(2026, 10, 22, 12, tzinfo=ZoneInfo("Europe/London"))
    assert not any("the brief's time" in line for line in page.lines())
    blocks: tuple[Block, ...] = lay_out_light("a", page.day, (), text_width, later).blocks
    assert not any(": EV" in item.text for block in blocks for item in block.items if isinstance(item, Text))


def test_a_picture_fits_in_memory_and_mail():
    out = io.BytesIO()
    from daemon.pictures.draw_png import draw_page

    draw_page(light_page(demo()), {}).save(out, "PNG")
    assert len(out.getvalue()) < 500_000
