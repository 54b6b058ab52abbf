"""A bounded run of the fuzzer: no brief, right or wrong, does more than give complaints or a plan."""

from __future__ import annotations

from dataclasses import replace

import fuzz_briefs
import pytest
import support_briefs
from fuzz_briefs import crash_of, cut_down, examine, make_case, run, spoil
from support_briefs import CAMERA, FILTERS, GOAL_WORDS, GRAMMAR, Draw, brief, goal, written

from plans.brief_forms import TitleForm
from plans.errors import BriefError
from plans.goal_forms import GOAL_FORMS
from plans.reading import brief_from_tree, demo_brief_text, read_brief


@pytest.mark.timeout(240)  # of computing there is a limit of its own
@pytest.mark.parametrize("seed", ["fountain", "heron"])
def test_hundreds_of_briefs_do_no_more_than_give_complaints_or_a_plan(seed):
    report = run(150, seed, limit_s=5, small=True)
    assert report.crashes == {}, "\n".join(report.lines())
    # It would mean little if hardly a brief were read, or if every goal were out of reach.
    counts = report.counts
    assert sum(counts.values()) == 150
    assert counts["reachable"] + counts["unreachable"] > 60, counts
    assert min(counts["refused"], counts["reachable"], counts["unreachable"]) > 12, counts


def test_a_seed_makes_the_same_brief_again():
    assert make_case("heron/7") == make_case("heron/7")
    assert make_case("heron/7") != make_case("heron/8")


def test_most_briefs_of_the_grammar_alone_read_and_every_goal_and_filter_comes_up():
    seen, texts = set(), []
    for n in range(120):
        d = Draw(f"grammar/{n}")
        tree = brief(d)
        texts.append(written(tree, d))
        seen |= {word for one in tree["goals"] for word in one} | {
            one["name"] for one in tree["kit"].get("filters", [])
        }
    assert seen >= {*GOAL_FORMS, *FILTERS, "compare"}
    outcomes = [examine_reading(text) for text in texts]
    assert outcomes.count(True) > 90  # time-lapses by the sun want a place, which few briefs have


def examine_reading(text):
    try:
        return bool(read_brief(text, "brief.yaml", camera_scales=CAMERA))
    except BriefError:
        return False


def test_every_row_of_the_grammar_is_a_word_that_may_be_written():
    for form, table in GRAMMAR.items():
        assert set(table) <= set(form.words()), form.__name__
    assert set(support_briefs.GOALS) | set(GOAL_WORDS) <= set(GOAL_FORMS)


def test_a_tree_comes_back_from_the_text_it_is_written_as():
    for n in range(60):
        d = Draw(f"writing/{n}")
        tree = brief(d)
        try:
            read = read_brief(written(tree, d), "brief.yaml", camera_scales=CAMERA)
        except BriefError:
            continue
        assert read.source == tree
        assert brief_from_tree(tree, camera_scales=CAMERA) == read


def test_a_spoilt_tree_is_another_tree():
    differing = 0
    for n in range(50):
        d = Draw(f"spoilt/{n}")
        tree = brief(d)
        before = repr(tree)
        spoil(d, tree)
        differing += repr(tree) != before
    assert differing > 45


def test_words_without_a_row_are_made_from_their_form(monkeypatch):
    # So that a word that comes in later is not left out: with no rows for it, the kit is made of the forms' examples.
    monkeypatch.setattr(support_briefs, "GOALS", {})
    monkeypatch.setattr(support_briefs, "GRAMMAR", {TitleForm: GRAMMAR[TitleForm]})
    d = Draw("examples")
    d.subjects = {"spout": 3.0}
    made = [goal(d) for _ in range(200)]
    assert {"freeze": {"subject": "spout"}} in made
    assert {"bracket": {"change": "aperture", "by": "1", "focus": "spout", "count": "5"}} in made


# Negative controls: what the fuzzer must call a crash, and how it is shown.


def test_a_defect_put_in_is_found_and_cut_down_to_the_lines_that_matter(monkeypatch):
    compile_brief = fuzz_briefs.compile_brief

    def broken(read, *more):
        if any(subject.speed_m_s > 0 for subject in read.scene.subjects.values()):
            raise ZeroDivisionError
        return compile_brief(read, *more)

    monkeypatch.setattr(fuzz_briefs, "compile_brief", broken)
    case = fuzz_briefs.Case("demo", demo_brief_text())
    what, crash = crash_of(case, again=False)
    assert what == "crashed" and crash is not None and crash.where.startswith("ZeroDivisionError")
    short = cut_down(crash, again=False).case.text
    assert "speed" in short and "depth" not in short and "heron" not in short and "limits" not in short
    assert len(short.splitlines()) < len(demo_brief_text().splitlines()) * 2 / 3
    report = run(40, "fountain", small=True)
    (where,) = report.crashes
    assert report.times[where] == report.counts["crashed"] > 2
    assert report.crashes[where].case.seed in "\n".join(report.lines())


@pytest.mark.parametrize(
    ("name", "text", "what"),
    [("summary", "x" * 81, "wider than"), ("plan_json", '{"ev": NaN}', "NaN in JSON"), ("explain", "x" * 99, "wider")],
)
def test_what_must_hold_of_every_plan_is_watched(monkeypatch, name, text, what):
    monkeypatch.setattr(fuzz_briefs, name, lambda plan: text)
    with pytest.raises(fuzz_briefs.Wrong, match=what):
        examine(fuzz_briefs.Case("demo", demo_brief_text()))


def test_another_plan_the_second_time_is_a_crash(monkeypatch):
    again = fuzz_briefs.recompile
    monkeypatch.setattr(
        fuzz_briefs, "recompile", lambda plan, light, rig: again(plan, replace_light(light, light.ev100 + 1), rig)
    )
    case = fuzz_briefs.Case("demo", demo_brief_text())
    assert examine(case) == "reachable"
    with pytest.raises(fuzz_briefs.Wrong, match="another"):
        examine(case, again=True)


def replace_light(light, ev100):
    return light.model_copy(update={"ev100": ev100})


def test_a_brief_that_takes_too_long_is_a_crash(monkeypatch):
    def endless(*_):
        while True:
            pass

    monkeypatch.setattr(fuzz_briefs, "compile_brief", endless)
    what, crash = crash_of(fuzz_briefs.Case("demo", demo_brief_text()), again=False, limit_s=0.05)
    assert what == "crashed" and crash is not None and crash.where.startswith("TimeoutError")


def test_a_kit_file_that_is_not_there_is_refused_and_no_crash():
    text = demo_brief_text()
    kit = text[text.index("kit:\n") : text.index("scene:\n")]
    case = fuzz_briefs.Case("demo", text.replace(kit, "kit: garden-kit.yaml\n"))
    assert examine(case) == "refused"
    given = replace(
        case, kit="stopwright-kit: 1\n" + kit.removeprefix("kit:\n").replace("\n  ", "\n").removeprefix("  ")
    )
    assert examine(given) == "reachable"
