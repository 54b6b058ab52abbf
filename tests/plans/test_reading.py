"""A brief's text becomes the typed brief, with every value in the model's unit."""

import json
import re
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from textwrap import dedent, indent
from typing import get_args

import pytest

from plans.brief import Bracket, Compare, Deep, Freeze, Held, Isolate, Ladder, Silk
from plans.brief_forms import LimitsForm, PlaceForm, TitleForm
from plans.errors import BriefError
from plans.goal_forms import GOAL_FORMS, CompareForm
from plans.kit_forms import BodyForm, FilterForm, KitForm, LensForm, SensorForm
from plans.reading import KIT_VERSION_KEY, brief_from_tree, demo_brief_text, read_brief
from plans.scale_forms import IsoForm, RangeForm
from plans.scene_forms import LightForm, SceneForm, SubjectForm
from plans.stops import Scale, read_scale
from plans.units import UNITS, Word

UNREACHABLE = Path(__file__).parent.parent / "briefs" / "unreachable.yaml"
DEMO = demo_brief_text()
KIT = DEMO[DEMO.index("kit:\n") : DEMO.index("scene:\n")]
KIT_FILE = "stopwright-kit: 1\n" + dedent(KIT.removeprefix("kit:\n"))
WITH_KIT_FILE = DEMO.replace(KIT, "kit: garden-kit.yaml\n")
ISO, TIME = "{from: 100, to: 25600, step: 1/3}", "{from: 1/8000 s, to: 30 s, step: 1/3}"


def read(*changes: tuple[str, str], **more):
    text = DEMO
    for old, new in changes:
        assert text.count(old) >= 1, old
        text = text.replace(old, new, 1)
    return read_brief(text, "fountain.yaml", **more)


def labels(scale: Scale) -> list[str]:
    return [mark.label for mark in scale.marks]


def test_the_demo_brief_is_read_whole():
    brief = read()
    assert brief.title == "Fountain, Tuesday class"
    assert (brief.place.latitude, brief.place.longitude, brief.place.timezone) == (52.0, 0.0, "Europe/London")
    assert brief.when == datetime(2026, 10, 20, 14, 30, tzinfo=UTC)  # summer time: one hour before Greenwich
    body, lens = brief.kit.body, brief.kit.lens
    assert (body.name, body.sensor.width_mm, body.sensor.height_mm) == ("demo body", 35.9, 24.0)
    assert body.sensor.pixels == (6000, 4000)
    assert (labels(body.iso)[0], labels(body.iso)[-1], len(body.iso.marks), body.iso.series) == (
        "100",
        "25600",
        25,
        "thirds",
    )
    assert body.iso_native == body.iso
    assert (labels(body.time)[0], labels(body.time)[-1], len(body.time.marks)) == ("1/8000", "30", 55)
    assert (labels(lens.aperture)[0], labels(lens.aperture)[-1], len(lens.aperture.marks)) == ("f/1.8", "f/22", 23)
    assert (lens.focal_length_mm, lens.nearest_focus_m, lens.focus_by) == (50.0, 0.45, "hand")
    assert [one.name for one in brief.kit.filters] == ["ND 8", "ND 64"]
    assert brief.kit.filters[0].stops == 3.0
    assert brief.kit.support == "tripod"
    assert brief.scene.light.ev100 == 13.0
    subjects = {one.name: (one.distance_m, one.depth_m, one.speed_m_s) for one in brief.scene.subjects.values()}
    assert subjects == {"spout": (3.0, 0.0, 3.0), "heron": (2.0, 0.2, 0.0), "hedge": (8.0, 0.0, 0.0)}
    assert list(brief.goals) == [
        Compare(goals=(Freeze(subject="spout"), Silk(subject="spout")), hold=("aperture", "focus")),
        Isolate(subject="heron"),
        Deep(from_subject="heron", to_subject="hedge"),
        Ladder(change="aperture", by=Fraction(1), balance="time", focus="heron"),
        Ladder(change="aperture", by=Fraction(1), balance="iso", hold=("time",), focus="heron"),
        Bracket(change="time", by=Fraction(1), count=5, focus="heron"),
    ]
    assert (brief.limits.iso_at_most, brief.limits.spread) == ("6400", Fraction(1, 6))


def test_the_unreachable_brief_differs_from_the_demo_only_in_two_distances():
    text = UNREACHABLE.read_text(encoding="utf-8")
    different = [pair for pair in zip(DEMO.splitlines(), text.splitlines(), strict=True) if pair[0] != pair[1]]
    assert len(different) == 2
    subjects = read_brief(text, "unreachable.yaml").scene.subjects
    assert (subjects["heron"].distance_m, subjects["hedge"].distance_m) == (1.4, 12.0)


@pytest.mark.parametrize("text", [DEMO, UNREACHABLE.read_text(encoding="utf-8")])
def test_the_source_gives_the_same_brief_again_even_through_json(text):
    brief = read_brief(text, "fountain.yaml")
    again = brief_from_tree(json.loads(json.dumps(brief.source)))
    assert again == brief
    assert again.source == brief.source


def test_the_source_keeps_every_value_as_it_was_written():
    source = read(("spread: 1/6", "spread: 0.10")).source
    assert source["limits"] == {"iso_at_most": "6400", "spread": "0.10"}
    assert source["scene"]["subjects"]["heron"] == {"distance": "2 m", "depth": "0.2 m"}
    assert source["kit"]["body"]["iso"] == {"from": "100", "to": "25600", "step": "1/3"}


def test_words_that_older_yaml_takes_for_other_types_stay_words():
    """Under YAML 1.1 (yaml.org, types bool, int with base 60 or 8), off is false, 1:30 is 90, 0100 is 64."""
    brief = read(
        ("title: Fountain, Tuesday class", "title: 1:30"), ("spout: {", "off: {"), ("freeze: spout", "freeze: off"),
        ("silk: spout", "silk: off"), ("from: 100, to: 25600", "from: 0100, to: 25600"),
    )  # fmt: skip
    assert brief.title == "1:30"
    assert "off" in brief.scene.subjects
    assert brief.kit.body.iso.marks[0].exact == 100


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("focal_length: 50 mm", "focal_length: 5 cm"),
        ("distance: 8 m}", "distance: 0.008 km}"),
        ("freeze: spout", "freeze: {subject: spout}"),
        ("hold: time", "hold: [time]"),
        ("spread: 1/6}", "spread: 1/6 stops}"),
        ("longitude: 0.0", "longitude: 0 deg"),
        ("by: 1, balance: time", "by: 1.0 stops, balance: time"),
        ("from: f/1.8, to: f/22", "from: f1.8, to: 22"),
        ("from: 1/8000 s", "from: 1/8000"),
        ("focus_by: hand", 'focus_by: "hand"'),
        ("support: tripod", "support:   'tripod'   # the heavy one"),
        (", focus_by: hand", ""),
        ("  support: tripod\n", ""),
        ("limits: {iso_at_most: 6400, spread: 1/6}", "limits: {iso_at_most: 6400}"),
    ],
)
def test_another_way_to_write_the_same_gives_the_same_brief(old, new):
    plain, other = read(), read((old, new))
    assert other.model_copy(update={"source": {}}) == plain.model_copy(update={"source": {}})


def test_a_different_value_gives_a_different_brief():
    assert read(("50 mm", "51 mm")).kit != read().kit


def test_lines_that_end_as_other_systems_end_them_are_read():
    assert read_brief("\ufeff" + DEMO.replace("\n", "\r\n"), "fountain.yaml") == read()


@pytest.mark.parametrize(("density", "stops"), [("0.3", 1), ("0.9", 3), ("1.8", 6), ("3.0", 10)])
def test_a_density_is_its_stops_within_the_tolerance_of_marketed_filters(density, stops):
    """Densities and stops of neutral-density filters as sold; 0.035 stop is the slack between the two tables."""
    filters = read(("name: ND 64, density: 1.8", f"name: dark, density: {density}")).kit.filters
    assert filters[1].stops == pytest.approx(stops, abs=0.035)
    assert 2 ** filters[1].stops == pytest.approx(10 ** float(density), rel=1e-12)


@pytest.mark.parametrize(
    "written",
    ["ND 0.9, density: 0.9", "ND 0.9, stops: 3", "ND 3.0, stops: 10", "ND1000, stops: 10", "ND 64 screw-in, stops: 6",
     "ND 64 - screw-in, stops: 6", "ND 2-400, stops: 5", "ND 10 stops, stops: 10", "ND 77 mm, stops: 3",
     "ND 8 + ND 64, stops: 9", "ND 1, stops: 3", "ND 8, stops: 3.4", "second 8, stops: 6", "grey, stops: 8"],
)  # fmt: skip
def test_a_filter_may_be_named_by_its_factor_its_density_or_anything_that_names_no_other_strength(written):
    assert read(("ND 8, stops: 3", written)).kit.filters[0].name == written.split(",")[0]


def test_a_filter_may_have_fractions_of_a_stop():
    assert read(("ND 8, stops: 3", "ND 100, stops: 6 2/3")).kit.filters[0].stops == pytest.approx(20 / 3, rel=1e-12)


def test_the_native_part_of_the_iso_scale_is_kept_apart():
    brief = read((ISO, "{from: 50, to: 102400, step: 1/3, native: {from: 100, to: 25600}}"))
    assert labels(brief.kit.body.iso)[0] == "50"
    assert (labels(brief.kit.body.iso_native)[0], labels(brief.kit.body.iso_native)[-1]) == ("100", "25600")
    assert labels(
        read((ISO, "{from: 50, to: 800, step: 1, native: {from: 100}}"), ("6400", "800")).kit.body.iso_native
    )[0] == ("100")


def test_a_scale_may_list_every_mark_as_the_camera_shows_it():
    brief = read((TIME, "{marks: [30, 1/4, 0.5, 1, 1/2000]}"), ("by: 1, count", "by: 2, count"))
    assert labels(brief.kit.body.time) == ["1/2000", "1/4", "0.5", "1", "30"]
    assert brief.kit.body.time.marks[0].exact == 1 / 2048


@pytest.mark.parametrize(("step", "series", "second"), [("1", "full", "200"), ("1/2", "halves", "140")])
def test_the_step_decides_the_series(step, series, second):
    scale = read((ISO, f"{{from: ISO 100, to: 6400, step: {step}}}")).kit.body.iso
    assert (scale.series, labels(scale)[1]) == (series, second)


def test_scales_come_from_the_camera_when_the_kit_says_so():
    offered = {
        "iso": read_scale("iso", ["auto", "100", "200", "400", "800", "1600", "3200", "6400"]),
        "time": read_scale("time", ["1/4000", "1/2000", "1/1000", "1/500", "1/250"]),
        "aperture": read_scale("aperture", ["f/2.8", "f/4", "f/5.6", "f/8"]),
    }
    changes = [(ISO, "camera"), (TIME, "camera"), ("aperture: {from: f/1.8, to: f/22, step: 1/3}", "aperture: camera")]
    brief = read(*changes, camera_scales=offered)
    assert (brief.kit.body.iso, brief.kit.body.iso_native, brief.kit.body.time) == (
        offered["iso"],
        offered["iso"],
        offered["time"],
    )
    assert brief.kit.lens.aperture == offered["aperture"]
    assert brief_from_tree(brief.source, camera_scales=offered) == brief
    with pytest.raises(BriefError, match="takes its iso scale from the camera: connect one"):
        brief_from_tree(brief.source)


def test_a_kit_file_gives_the_same_kit_and_is_spliced_into_the_source():
    asked = []
    brief = read_brief(WITH_KIT_FILE, "fountain.yaml", load_kit=lambda name: asked.append(name) or KIT_FILE)
    assert asked == ["garden-kit.yaml"]
    assert brief == read()
    assert brief_from_tree(brief.source) == brief


def test_the_only_subject_is_what_ladders_and_brackets_focus_on():
    subjects = DEMO[DEMO.index("    spout:") : DEMO.index("goals:\n")]
    goals = DEMO[DEMO.index("goals:\n") : DEMO.index("limits:")]
    brief = read(
        (subjects, "    heron: {distance: 2 m}\n"),
        (
            goals,
            "goals:\n  - ladder: {change: time, by: 1/3, balance: iso}\n  - bracket: {change: iso, by: 1, count: 3}\n",
        ),
    )
    assert [goal.focus for goal in brief.goals] == ["heron", "heron"]


def test_a_ladder_keeps_its_ends_as_marks():
    brief = read(("by: 1, balance: time", "by: 2/3, balance: time, from: f/2, to: f/16"))
    assert (brief.goals[3].first, brief.goals[3].last, brief.goals[3].by) == ("f/2", "f/16", Fraction(2, 3))


def test_silk_may_be_given_the_length_of_the_water():
    goal = read(("silk: spout", "silk: {subject: spout, length: 120 cm}")).goals[0].goals[1]
    assert goal == Silk(subject="spout", length_m=1.2)


def test_place_when_limits_and_filters_may_be_left_out():
    place = DEMO[DEMO.index("place:") : DEMO.index("kit:\n")]
    filters = DEMO[DEMO.index("  filters:\n") : DEMO.index("  support:")]
    brief = read((place, ""), (filters, ""), (DEMO[DEMO.index("limits:") :], ""))
    assert (brief.place, brief.when, brief.kit.filters) == (None, None, ())
    assert (brief.limits.iso_at_most, brief.limits.spread) == (None, Fraction(1, 6))


def test_an_hour_that_comes_twice_means_its_first_time():
    """United Kingdom: back at 01:00 UTC on the last Sunday of October (Summer Time Order 2002, from memory)."""
    when = read(("2026-10-20 15:30", "2026-10-25 01:30")).when
    assert when.utcoffset() == timedelta(hours=1)
    assert when.astimezone(UTC) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)


def test_a_brief_in_block_style_reads_like_one_in_flow_style():
    block = "  lens:\n" + indent(
        "focal_length: 50 mm\naperture:\n  from: f/1.8\n  to: f/22\n  step: 1/3\n"
        "nearest_focus: 0.45 m\nfocus_by: hand\n",
        "    ",
    )
    line = next(line for line in DEMO.splitlines(keepends=True) if line.startswith("  lens:"))
    assert read((line, block)) == read()


# The guide says that it holds every word that can be written.

GUIDE = (Path(__file__).parents[2] / "daemon" / "guide" / "brief.md").read_text(encoding="utf-8")
FORMS = [
    TitleForm, PlaceForm, LimitsForm, CompareForm, KitForm, BodyForm, SensorForm, LensForm, FilterForm, IsoForm,
    RangeForm, SceneForm, LightForm, SubjectForm, *GOAL_FORMS.values(),
]  # fmt: skip
WORDS = sorted({word for form in FORMS for word in form.words()} | set(GOAL_FORMS))
CHOICES = sorted(
    {
        word
        for form in FORMS
        for field in form.model_fields.values()
        for text in field.metadata
        if isinstance(text, Word)
        for word in text.words
    }
    | set(get_args(Held))
    | {"camera", KIT_VERSION_KEY}
)


@pytest.mark.parametrize("word", [*WORDS, *CHOICES])
def test_the_guide_holds_every_word_outside_its_example(word):
    code = re.findall(r"`([^`\n]+)`", GUIDE.replace(DEMO, ""))
    assert any(word in re.split(r"[^A-Za-z0-9_/-]+", text.replace(".", " ")) for text in code)
    assert not any("shutter_speed" in re.split(r"[^A-Za-z0-9_/-]+", text) for text in code)  # a word that is none


@pytest.mark.parametrize("dimension", ["length", "speed"])
def test_the_guide_lists_exactly_the_units_that_are_read(dimension):
    (row,) = re.findall(rf"^\| {dimension} \| (.*?) \|", GUIDE, re.MULTILINE)
    assert re.findall(r"`([^`]+)`", row) == list(UNITS[dimension])


OPTIONAL = ["place", "when", "filters", "support", "focus_by", "depth", "speed", "iso_at_most", "spread"]


def test_the_guide_says_must_be_there_of_what_may_not_be_left_out_and_of_nothing_else():
    rows = re.findall(r"^\| (`.+?) \| .* \| (.+?) \|$", GUIDE, re.MULTILINE)
    named = {re.split(r"[.:]", word)[-1] if "." in word else word.split(":")[0]: left for words, left in rows
             for word in re.findall(r"`([^`]+)`", words)}  # fmt: skip
    for word in OPTIONAL:
        assert named[word] != "must be there", word
    tree = read().source
    must = [
        ("stopwright", ()), ("title", ()), ("kit", ()), ("scene", ()), ("goals", ()), ("name", ("kit", "body")),
        ("sensor", ("kit", "body")), ("iso", ("kit", "body")), ("time", ("kit", "body")),
        ("focal_length", ("kit", "lens")), ("aperture", ("kit", "lens")), ("nearest_focus", ("kit", "lens")),
        ("ev100", ("scene", "light")), ("subjects", ("scene",)), ("distance", ("scene", "subjects", "spout")),
        ("change", ("goals", 3, "ladder")), ("by", ("goals", 3, "ladder")), ("balance", ("goals", 3, "ladder")),
        ("count", ("goals", 5, "bracket")), ("focus", ("goals", 5, "bracket")),
    ]  # fmt: skip
    for word, path in must:
        changed = json.loads(json.dumps(tree))
        part = changed
        for step in path:
            part = part[step]
        del part[word]
        with pytest.raises(BriefError):
            brief_from_tree(changed)
        assert named[word].endswith("must be there"), word
