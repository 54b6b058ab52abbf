"""What clients can ask of a run: by one table, each command once, everything in the record."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from io import StringIO
from pathlib import Path
from typing import get_args

import pytest
from support_inprocess import Bench, assert_adds_up, bench
from support_run import small_plan

from daemon import clock
from daemon.context import Manners
from daemon.errors import RunPaused
from daemon.feed import Command, Event
from daemon.operator import ConsoleOperator
from daemon.questions import QueueOperator
from daemon.report import frame_table, report
from daemon.runner import Runner
from daemon.sheets import sheet_groups
from daemon.states import TABLE, VERBS, Machine, State, Verb, refusal
from plans.improvise import improvised


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Bench]:
    with bench(tmp_path) as one:
        yield one


def wait_until(true: Callable[[], object], seconds: float = 20.0) -> None:
    end = clock.monotonic() + seconds
    while not true():
        assert clock.monotonic() < end, "waited in vain"
        clock.sleep(0.01)


class Walk:
    """A run in a thread of its own, as a service has it."""

    def __init__(self, made: Bench, which: int | None = None):
        self.error: BaseException | None = None

        def walk() -> None:
            try:
                made.runner.start(small_plan()) if which is None else made.runner.resume(which)
            except BaseException as error:
                self.error = error

        self.thread = threading.Thread(target=walk)
        self.thread.start()

    def end(self) -> None:
        self.thread.join(30)
        assert not self.thread.is_alive()


# -- the table ----------------------------------------------------------------------------------------------------


def test_the_table_knows_every_state_and_every_verb_can_be_asked_somewhere() -> None:
    assert set(TABLE) == set(get_args(State))
    assert set(VERBS) == set(get_args(Verb)) == {verb for row in TABLE.values() for verb in row.verbs}
    reached = {"idle"} | {state for row in TABLE.values() for state in row.turns_into}
    assert reached == set(TABLE)


def test_only_moves_of_the_table_are_made() -> None:
    machine = Machine()
    machine.enter("opening")
    machine.enter("working")
    with machine.during("asking"), pytest.raises(RuntimeError, match="asking cannot become exposing"):
        machine.enter("exposing")
    assert machine.state == "working"
    with pytest.raises(RuntimeError):
        machine.enter("done")


@pytest.mark.parametrize("state", TABLE)
def test_what_a_state_does_not_allow_is_refused_with_state_asked_and_allowed(state: State) -> None:
    for verb in VERBS:
        why = refusal(verb, state)
        assert (why is None) == (verb in TABLE[state].verbs)
        if why is not None:
            assert f"asked for {verb}" in why and state in why and all(other in why for other in TABLE[state].verbs)


def test_commands_in_the_wrong_state_or_of_no_meaning_are_told_and_change_nothing(made: Bench) -> None:
    def ask() -> None:
        for verb, data in (
            ("cue", {}),
            ("go-on", {}),
            ("answer", {"question": "x", "answer": "done"}),
            ("self-destruct", {}),
            ("retake", {"step": "99-expose"}),
            ("improvise", {"change": "f/3.7"}),
            ("improvise", {"change": "brighter"}),
            ("skip", {"step": "no-such-step"}),
        ):
            made.send(verb, **data)

    made.after_frames(3, ask)
    found = made.shoot(small_plan())
    refused = made.texts("command-refused")
    assert len(refused) == 8
    assert "asked for cue; the run is" in refused[0] and "allowed now: stop, stop-now" in refused[0]
    assert "which is no command; there are: stop" in refused[3]
    assert "nearest is f/3.5" in refused[5] or "nearest is f/4" in refused[5]
    assert_adds_up(found, made)
    assert len(found.frames) == 7 and found.improvised == ()
    assert [row.refused is None for row in made.store.logbook.commands(found.run.id)] == [False] * 8


# -- each command once --------------------------------------------------------------------------------------------


def test_the_same_command_acts_once_also_when_the_run_was_resumed_in_between(made: Bench) -> None:
    again, stop = Command.new("retake"), Command.new("stop")

    def ask() -> None:
        for command in (again, again, stop):
            made.commands.send(command)

    made.after_frames(2, ask)
    with pytest.raises(RunPaused):
        made.runner.start(small_plan())
    made.new_runner()
    made.after_frames(4, ask)
    found = report(made.store, made.runner.resume("last"))
    assert_adds_up(found, made)
    assert found.counts["outcomes"]["retaken"] == 1
    # Negative control: with ids of their own the same words act again.
    assert [row.verb for row in made.store.logbook.commands(found.run.id)] == ["retake", "stop"]


def test_a_retake_asked_for_before_a_death_is_taken_after_it(made: Bench) -> None:
    class Die(BaseException):
        pass

    real = made.store.logbook.begin_attempt

    def deadly(step_row: int, exposure_s: float):  # type: ignore[no-untyped-def]
        if made.store.logbook.extra(step_row) is not None:
            raise Die
        return real(step_row, exposure_s)

    made.store.logbook.begin_attempt = deadly  # type: ignore[method-assign]
    made.after_frames(2, lambda: made.send("retake") and None)
    with pytest.raises(Die):
        made.runner.start(small_plan())
    made.store.logbook.begin_attempt = real  # type: ignore[method-assign]
    made.on_event = lambda event: None
    made.new_runner()
    found = report(made.store, made.runner.resume("last"))
    assert_adds_up(found, made)
    assert found.counts["outcomes"]["retaken"] == 1


# -- what they do -------------------------------------------------------------------------------------------------


def test_a_retaken_picture_takes_the_place_of_the_first_and_both_are_kept(made: Bench) -> None:
    plan = small_plan()
    first = plan.exposing[1].id
    made.after_frames(3, lambda: made.send("retake", step=first) and None)
    found = made.shoot(plan)
    assert_adds_up(found, made)
    assert len(found.frames) == 7 and made.exposures == 7 + 2 + 1
    frame = next(frame for frame in found.frames if frame.step.id == first)
    assert frame.retaken == 1 and frame.outcome == "kept"
    assert frame.path is not None and frame.path.name == "04-again-1-a1.jpg"
    rows = {row.step_id: row for row in made.store.logbook.steps(found.run.id)}
    assert rows[first].outcome == "retaken" and rows["04-again-1"].outcome == "kept"
    assert frame.residual_stops is not None  # it is read against the group's reference as the first was
    assert "frame-retaken" in made.kinds()


def test_readings_follow_a_reference_that_was_retaken(made: Bench) -> None:
    plan = small_plan()
    reference = plan.exposing[0].reference
    made.after_frames(7, lambda: made.send("retake", step=reference) and None)
    found = made.shoot(plan)
    standing = next(frame.frame for frame in found.frames if frame.step.id == reference)
    assert standing is not None
    last = {row.frame_id: row for row in made.store.logbook.readings(found.run.id)}
    others = [frame.frame for frame in found.frames if frame.step.reference == reference and frame.frame]
    assert {last[frame.id].reference_frame_id for frame in others} == {standing.id}


def test_an_improvised_picture_keeps_the_brightness_and_stands_beside_its_group(made: Bench) -> None:
    plan = small_plan()
    made.after_frames(2, lambda: made.send("improvise", change="f/2.8") and None)
    found = made.shoot(plan)
    assert_adds_up(found, made)
    (one,) = found.improvised
    base = plan.exposing[1]
    assert one.step.settings.aperture.mark == "f/2.8" and one.step.group == base.group
    # The meter equation by hand: t/N^2 x ISO is what brightness follows (APEX, as in the Exif standard's annex).
    light = [s.time.exact / s.aperture.exact**2 * s.iso.exact for s in (one.step.settings, base.settings)]
    assert light[0] == pytest.approx(light[1], rel=1e-6)
    assert one.residual_stops == pytest.approx(0.0, abs=0.1)
    assert "Improvised, beside the plan" in frame_table(found)
    which = f"beside the picture at {base.settings.aperture.mark} (step {int(base.id[:2])}): f/2.8"
    assert which in one.step.caption and base.id not in one.step.caption
    notes = [note for group in sheet_groups(found) for note in group.notes]
    assert [note for note in notes if "Improvised beside No. 2: f/2.8" in note], notes
    assert [len(group.frames) for group in sheet_groups(found)] == [4, 3]


def test_a_change_that_nothing_balances_says_by_how_much_it_misses() -> None:
    plan = small_plan()
    step = improvised(plan, plan.exposing[0], "30 s")
    assert step.settings.time.mark == "30"
    assert step.offset > 2 and "brighter, because nothing here balances it" in step.caption
    with pytest.raises(ValueError, match="taken with already"):
        improvised(plan, plan.exposing[0], plan.exposing[0].settings.aperture.mark)


def test_a_picture_that_needs_another_rig_is_refused_with_what_it_needs(made: Bench) -> None:
    plan = small_plan()
    made.after_frames(7, lambda: made.send("retake", step=plan.exposing[0].id) and None)
    found = made.shoot(plan)
    assert "the rig does not stand as it did then: focus at" in made.texts("command-refused")[0]
    assert_adds_up(found, made)


def test_skip_leaves_out_one_picture_and_only_that(made: Bench) -> None:
    plan = small_plan()
    third = plan.exposing[3].id
    made.after_frames(1, lambda: made.send("pause") and None)
    walk = Walk(made)
    wait_until(lambda: made.runner.state == "paused")
    made.send("skip", step=third)
    made.send("go-on")
    walk.end()
    found = report(made.store, "last")
    assert [frame.outcome for frame in found.frames] == ["kept"] * 3 + ["skipped"] + ["kept"] * 3
    assert made.store.logbook.run("last").state == "done"


def test_a_pause_waits_for_go_on_and_an_improvised_picture_is_taken_in_it(made: Bench) -> None:
    made.after_frames(2, lambda: made.send("pause") and None)
    walk = Walk(made)
    wait_until(lambda: made.runner.state == "paused")
    assert made.store.logbook.run("last").state == "paused"  # a death now leaves a run that is known to wait
    assert made.kinds().count("frame-kept") == 2
    made.send("improvise", change="f/2.8")
    wait_until(lambda: "frame-improvised" in made.kinds() and made.runner.state == "paused")
    assert made.kinds().count("frame-kept") == 3
    made.send("go-on")
    walk.end()
    assert walk.error is None
    assert_adds_up(report(made.store, "last"), made)


def test_stop_now_leaves_a_paused_run_that_resumes(made: Bench) -> None:
    made.after_frames(2, lambda: made.send("stop-now") and None)
    with pytest.raises(RunPaused, match="at once"):
        made.runner.start(small_plan())
    assert made.runner.state == "stopped"
    assert_adds_up(report(made.store, made.new_runner().resume("last")), made)


# -- questions ----------------------------------------------------------------------------------------------------


def test_a_question_is_open_as_data_and_the_first_answer_wins(made: Bench) -> None:
    made.new_runner(operator=QueueOperator())
    walk = Walk(made)
    asked = []
    while walk.thread.is_alive():
        question = made.runner.question
        if question is not None and question.id not in asked:
            asked.append(question.id)
            tree = question.as_json()
            assert {"id", "text", "why", "choices", "since", "kind", "step"} <= set(tree)
            assert made.runner.state == "asking"
            if question.step is not None:  # hands: do what the page's person does
                plan = small_plan()
                made.hands.act(next(step for step in plan.steps if step.id == question.step))  # type: ignore[arg-type]
            made.send("answer", question="another", answer=question.choices[0])
            made.send("answer", question=question.id, answer="nonsense")
            made.send("answer", question=question.id, answer=question.choices[0], by="phone")
            made.send("answer", question=question.id, answer=question.choices[-1])
        clock.sleep(0.005)
    walk.end()
    assert walk.error is None
    found = report(made.store, "last")
    assert_adds_up(found, made)
    by = {row.outcome_why for row in made.store.logbook.steps(found.run.id) if row.kind == "operator"}
    assert by == {"by phone"}
    assert any("open is" in text for text in made.texts("command-refused"))


def test_hands_that_do_not_come_are_reminded_and_then_the_run_pauses_or_goes_on_without(made: Bench) -> None:
    made.new_runner(QueueOperator(), Manners(remind_s=0.25, hands_timeout_s=0.8))
    with pytest.raises(RunPaused, match="Nobody answered for"):
        made.runner.start(small_plan())
    assert 1 <= made.kinds().count("reminder") <= 3
    assert "Still waiting after" in made.texts("reminder")[0]

    class Leaves(type(made.hands)):  # type: ignore[misc]
        """Sets up, and goes away."""

        poll = None

        def act(self, step):  # type: ignore[no-untyped-def]
            if step.action == "compose":
                return super().act(step)
            while True:
                self.poll(0.05)

    made.new_runner(Leaves(made.camera), Manners(hands_timeout_s=0.3, hands_late="skip"))
    found = report(made.store, made.runner.start(small_plan()))
    assert [frame.outcome for frame in found.frames].count("kept") in (3, 4)
    assert "skipped" in {frame.outcome for frame in found.frames}
    assert found.run.state == "done"


# -- cues ---------------------------------------------------------------------------------------------------------


def test_each_picture_waits_for_its_cue_and_a_cue_given_twice_takes_one(made: Bench) -> None:
    made.new_runner(manners=Manners(cue=True))
    walk = Walk(made)
    taken = []
    for number in range(7):
        wait_until(lambda: made.runner.state == "cueing")
        question = made.runner.question
        assert question is not None and question.kind == "cue"
        assert made.kinds().count("frame-kept") == number
        taken.append(question.step)
        made.send("cue")
        made.send("cue")  # pressed twice
        wait_until(lambda n=number: made.kinds().count("frame-kept") == n + 1)  # type: ignore[misc]
    wait_until(lambda: made.runner.state == "cueing")
    made.send("improvise", change="f/4")  # after the last one, in front of the class
    wait_until(lambda: "frame-improvised" in made.kinds() and made.runner.state == "cueing")
    made.send("cue")
    walk.end()
    assert walk.error is None
    found = report(made.store, "last")
    assert taken == [frame.step.id for frame in found.frames]
    assert len(found.improvised) == 1
    assert_adds_up(found, made)


def test_a_resumed_run_has_no_step_without_and_none_with_two_outcomes(made: Bench) -> None:
    def ask(event: Event) -> None:
        if event.kind == "frame-kept" and event.data["done"] in (2, 4) and "extra" not in event.data:
            made.send("improvise", change="f/2.8" if event.data["done"] == 2 else "f/3.2")
            made.send("stop")

    made.on_event = ask
    for _ in range(2):
        with pytest.raises(RunPaused):
            made.runner.start(small_plan()) if not made.store.logbook.list_runs() else made.runner.resume("last")
        made.new_runner()
    found = report(made.store, made.runner.resume("last"))
    assert_adds_up(found, made)
    assert len(found.improvised) == 2


def test_the_lecturer_at_the_console_cues_leaves_out_retakes_and_improvises(made: Bench) -> None:
    typed = ["f/2.8", "", "f/2.8", "k", "brighter", "", "r", "", "", "", "", ""]
    shown = StringIO()
    console = ConsoleOperator(StringIO("".join(f"{line}\n" for line in typed)), shown)
    made.runner = Runner(
        made.store, made.camera, made.hands, made._hear, made.commands, Manners(cue=True), lecturer=console
    )
    found = made.shoot(small_plan())
    assert [frame.outcome for frame in found.frames] == ["kept", "skipped", *["kept"] * 5]
    assert [frame.retaken for frame in found.frames] == [0, 0, 1, 0, 0, 0, 0]
    assert [frame.step.settings.aperture.mark for frame in found.improvised] == ["f/2.8"]
    refused = made.texts("command-refused")
    assert len(refused) == 2 and "none is kept yet" in refused[0] and "an aperture (f/4)" in refused[1]
    assert shown.getvalue().count("NEXT: ") == len(typed)
    assert max(map(len, shown.getvalue().splitlines())) <= 80
    assert "every picture is taken; Enter ends the run." in shown.getvalue()


def test_an_answer_from_the_queue_ends_the_waiting_at_the_console(made: Bench) -> None:
    keys, lines = os.pipe()
    with os.fdopen(keys) as source:
        made.new_runner(ConsoleOperator(source, StringIO()), Manners(hands_timeout_s=20))
        walk = Walk(made)
        wait_until(lambda: made.runner.question is not None)
        question = made.runner.question
        assert question is not None
        made.send("answer", question=question.id, answer="stop")
        walk.end()
        os.close(lines)
    assert isinstance(walk.error, RunPaused)
    assert "before the next thing for hands" in str(walk.error)
