"""Papers for the class: questions have one true answer, exchanges are exact, students get marks of their cameras."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from fractions import Fraction

import pytest
from pypdf import PdfReader
from support_pictures import SCALES
from support_teaching import KIT, lesson_plan, made_report, picture

from daemon.errors import UsageError
from daemon.lesson import lesson_of
from daemon.pictures.teaching.handouts import assignment_pdf, stop_card_pdf, talk, talk_pdf
from daemon.pictures.teaching.quiz import LETTERS, MISTAKES, differing, key_pdf, questions, quiz_pdf
from daemon.pictures.teaching.shapes import Lesson, value
from daemon.pictures.teaching.students import pocket_pdf, student_pdf, translated
from daemon.pictures.teaching.worksheet import Exercise, answers_pdf, exercises, worksheet_pdf
from plans.stops import KINDS, Kind, Mark, Scale, scale_between

HALVES: dict[Kind, Scale] = {
    "aperture": scale_between("aperture", "f/2", "f/16", "halves"),
    "time": scale_between("time", "1/4000", "30", "halves"),
    "iso": scale_between("iso", "200", "6400", "full"),
}


@pytest.fixture(scope="module")
def lesson(tmp_path_factory: pytest.TempPathFactory) -> Lesson:
    return lesson_of(made_report(tmp_path_factory.mktemp("run")))


def text_of(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(pdf)).pages)


def printed(mark: Mark) -> float:
    """The number that a mark prints, read by hand: f/5.6, 1/250, 0.3, 800."""
    text = mark.label.removeprefix("f/")
    top, _, bottom = text.partition("/")
    return float(top) / float(bottom) if bottom else float(top)


def apex(marks: dict[Kind, Mark]) -> float:
    """Av + Tv - Sv of the numbers as printed. Source: APEX, as in the Exif standard's annex (CIPA DC-008)."""
    n, t, s = (printed(marks[kind]) for kind in KINDS)
    return math.log2(n * n) - math.log2(t) - math.log2(s / 100)


def starts(scales: dict[Kind, Scale], *labels: tuple[str, str, str]) -> list[dict[Kind, Mark]]:
    found = [{kind: scales[kind].find(text) for kind, text in zip(KINDS, one, strict=True)} for one in labels]
    assert all(mark is not None for one in found for mark in one.values())
    return found  # type: ignore[return-value]


@pytest.mark.parametrize("scales", [SCALES, HALVES])
def test_every_answer_of_the_worksheet_keeps_the_brightness_to_the_last_fraction(scales: dict[Kind, Scale]) -> None:
    found = exercises(scales, starts(scales, ("f/8", "1/125", "400"), ("f/4", "1/500", "200"), ("f/11", "1/30", "800")))
    assert len(found) >= 10
    for one in found:
        assert sum(mark.light for mark in one.before.values()) == sum(mark.light for mark in one.after.values())
        assert all(one.after[kind] in scales[kind].marks for kind in KINDS)
        assert [kind for kind in KINDS if one.before[kind] != one.after[kind]] == sorted(
            {one.changed, one.asked}, key=KINDS.index
        )
        # By the printed numbers alone, which are rounded by up to a twelfth of a stop each.
        assert abs(apex(dict(one.before)) - apex(dict(one.after))) < 0.2
    # The control: an answer a third of a stop off is not let through by either look.
    one = found[0]
    wrong = replace(
        one, after={**one.after, one.asked: scales[one.asked].marks[scales[one.asked].index(one.after[one.asked]) + 1]}
    )
    assert sum(mark.light for mark in wrong.after.values()) != sum(mark.light for mark in wrong.before.values())
    assert abs(apex(dict(wrong.before)) - apex(dict(wrong.after))) > 0.2


def test_exchanges_in_thirds_are_asked_only_of_cameras_that_have_them() -> None:
    at = ("f/8", "1/125", "400"), ("f/4", "1/500", "200")
    thirds = exercises(SCALES, starts(SCALES, *at))
    halves = exercises(HALVES, starts(HALVES, *at))
    assert any(one.stops.denominator == 3 for one in thirds)
    assert {one.stops.denominator for one in halves} <= {1, 2}


def test_the_worksheet_shows_no_answer_and_the_answers_show_all() -> None:
    a, b = (starts(SCALES, labels)[0] for labels in (("f/8", "1/125", "100"), ("f/4", "1/500", "100")))
    one = Exercise(a, b, "aperture", "time")
    assert one.stops == Fraction(2)
    sheet, answers = worksheet_pdf("T", "garden 1", [one], SCALES, "A4"), answers_pdf("T", [one], "A4")
    assert "f/4 · … · ISO 100" in text_of(sheet)
    assert "1/500 s" not in text_of(sheet)
    assert "1/500 s (aperture gave 2 stops more)" in text_of(answers)


def test_which_was_shot_so_has_exactly_one_right_answer(lesson: Lesson) -> None:
    asked = [one for one in questions(lesson) if one.kind == "which"]
    assert len(asked) >= 3
    for one in asked:
        wanted = one.text.removeprefix("Which was shot at ").removesuffix("?")
        right = [
            letter
            for letter, frame in zip(LETTERS, one.frames, strict=False)
            if wanted
            in (
                value("aperture", frame.step.settings),
                value("time", frame.step.settings),
                value("iso", frame.step.settings),
            )
        ]
        assert right == [one.answer], one.text


def test_what_was_changed_is_what_differs_in_the_marks(lesson: Lesson) -> None:
    asked = [one for one in questions(lesson) if one.kind == "changed"]
    assert asked
    for one in asked:
        a, b = (frame.step.settings for frame in one.frames)
        by_hand = [
            name
            for name, same in (
                ("aperture", a.aperture.mark == b.aperture.mark),
                ("time", a.time.mark == b.time.mark),
                ("ISO", a.iso.mark == b.iso.mark),
                ("focus", a.focus.distance_m == b.focus.distance_m),
                ("filter", [item.name for item in a.filters] == [item.name for item in b.filters]),
            )
            if not same
        ]
        assert one.answer.split(", ") == by_hand
        assert set(by_hand) <= set(one.choices)


def test_what_went_wrong_names_the_mistake_that_was_planned(lesson: Lesson) -> None:
    asked = [one for one in questions(lesson) if one.kind == "wrong"]
    assert {one.answer for one in asked} == {MISTAKES["underexposed"], MISTAKES["misfocused"]}
    for one in asked:
        letter = one.text.removeprefix("What went wrong in ").removesuffix("?")
        frame = one.frames[LETTERS.index(letter)]
        assert MISTAKES[frame.step.goal.removeprefix("heron ")] == one.answer
        right = next(other for other in one.frames if other is not frame)
        assert right.step.reference == right.step.id
        assert differing(right.step.settings, frame.step.settings)


def test_the_quiz_gives_nothing_away_and_the_key_everything(lesson: Lesson) -> None:
    asked = questions(lesson)
    shown = {frame.number: picture(frame.step, 240, 160) for frame in lesson.frames}
    sheet, key = text_of(quiz_pdf(lesson, asked, shown, "A4")), text_of(key_pdf(lesson, asked, "A4"))
    for one in asked:
        assert one.text in sheet and one.text in key
        assert one.because not in sheet
        assert f"{one.text} {one.answer[:1].upper()}{one.answer[1:]}." in key
    assert "No." not in sheet and "expose" not in sheet and " f/" not in sheet.replace("shot at f/", "")
    assert [one.answer for one in questions(lesson)] == [one.answer for one in asked]
    assert len({one.answer for one in asked if one.kind == "which"}) > 1  # not always the same letter


def test_a_student_s_card_has_marks_of_that_camera_alone_and_says_what_it_cannot(lesson: Lesson) -> None:
    student = translated(lesson_plan(), "Pupil", KIT)
    kit = student.brief.kit
    times, apertures = ({mark.label for mark in scale.marks} for scale in (kit.body.time, kit.lens.aperture))
    assert student.plan.exposing
    for step in student.plan.exposing:
        assert step.settings.time.mark in times and step.settings.aperture.mark in apertures
        assert int(step.settings.iso.mark) in (200, 400, 800, 1600, 3200, 6400)
    text = text_of(student_pdf(lesson, student, "A4"))
    assert all(step.settings.aperture.mark in text for step in student.plan.exposing)
    # Without any filter the silk of the lesson cannot be had in this light, and the card says why.
    assert any("silk spout" in told for told in student.lost)
    assert "What this kit cannot show here" in text
    assert text_of(pocket_pdf(student))


def test_a_goal_with_a_mark_that_a_camera_lacks_is_left_out_and_told() -> None:
    goals = """goals:
  - ladder: {change: aperture, by: 1, from: f/2.2, to: f/14, balance: time, focus: heron}
  - bracket: {change: time, by: 1, count: 3, focus: heron}
"""
    student = translated(lesson_plan(goals), "Pupil", KIT)
    assert any("goal 1" in told and "f/2.2" in told for told in student.lost)
    assert len(student.plan.exposing) == 3
    assert all(step.goal.startswith("bracket") for step in student.plan.exposing)


@pytest.mark.parametrize("kit", ["", "stopwright-kit: 1\nbody: nothing\n", KIT.replace("f/16", "f/17"), "{" * 200])
def test_a_kit_file_that_is_none_is_refused_with_every_complaint(kit: str) -> None:
    with pytest.raises(UsageError, match=r"--student 'Pupil'.*\n.*Pupil\.yaml"):
        translated(lesson_plan(), "Pupil", kit)


def test_handouts_hold_what_they_promise(lesson: Lesson) -> None:
    prompts = talk(lesson)
    assert len(prompts) == 5
    assert all(prompt in text_of(talk_pdf(lesson, "A4")) for prompt, _ in prompts)
    sheet = text_of(assignment_pdf(lesson, ("Wet stone is slippery.",), "Letter"))
    assert "prediction" in sheet and "result" in sheet and "Wet stone is slippery." in sheet
    card = PdfReader(io.BytesIO(stop_card_pdf(SCALES, "garden 1")))
    # A6, ISO 216: 105 x 148 mm.
    assert (float(card.pages[0].mediabox.width), float(card.pages[0].mediabox.height)) == pytest.approx(
        (419.53, 297.64), abs=0.1
    )
    text = text_of(stop_card_pdf(SCALES, "garden 1")).split()
    for kind in KINDS:
        assert [mark.label for mark in SCALES[kind].marks if mark.label.removeprefix("f/") not in " ".join(text)] == []
