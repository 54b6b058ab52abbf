"""The logbook: one outcome a step, whole or nothing, times aware, nothing executable."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone
from fractions import Fraction
from threading import Thread

import numpy as np
import pytest
from sqlalchemy.exc import IntegrityError
from support_store import begin, bring, damage, garden_plan, picture, shoot

from daemon import clock, database, tables
from daemon.camera.verbs import CardFile
from daemon.errors import StoreError, UsageError
from daemon.tables import plain, utc_text
from plans.plan import plan_json

TITLES = [
    "../../../etc/passwd",
    "/absolute",
    "..",
    "",
    "   ",
    "a\0b\nc\x1b[31m",
    "噴水と鷺、火曜日",
    "Fountain " * 2000,
    "-rf *",
    "half \udce9 a letter",
    "'); DROP TABLE runs; --",
]


def raw(store, sql):
    """Ask the database behind a store directly, past the logbook's own code."""
    with store.logbook._engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        done = connection.exec_driver_sql(sql)
        return [tuple(row) for row in done] if done.returns_rows else []


@pytest.mark.parametrize("title", TITLES)
def test_a_hostile_title_is_kept_as_text_and_gives_a_tame_folder(store, title):
    run = store.logbook.new_run(title, "usb:001,001", "demo body", "console", day=date(2026, 10, 20))
    assert re.fullmatch(r"runs/2026-10-20-run-001-[a-z0-9]+(-[a-z0-9]+)*", run.folder) and len(run.folder) < 100
    assert run.title == title.encode("utf-8", "backslashreplace").decode().replace("\0", "\\x00")
    assert [path.name for path in store.files.path("runs").iterdir()] == [run.folder.removeprefix("runs/")]
    assert sorted(path.name for path in store.files.path(run.folder).iterdir()) == ["control", "pictures"]


def test_a_step_has_one_outcome_for_ever(store):
    _, steps = begin(store)
    store.logbook.set_outcome(steps[0].id, "skipped", "too windy")
    for outcome in ("kept", "skipped"):
        with pytest.raises(StoreError, match=r"found skipped already\. A step has one outcome for ever"):
            store.logbook.set_outcome(steps[0].id, outcome, "second thoughts")
    with pytest.raises(StoreError, match="found the outcome skipped"):
        store.logbook.begin_attempt(steps[0].id, 0.25)
    assert store.logbook.step(steps[0].id).outcome_why == "too windy"


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE steps SET outcome = 'skipped' WHERE outcome = 'kept'",
        "UPDATE steps SET outcome = NULL, outcome_at = NULL WHERE outcome = 'kept'",
        "UPDATE attempts SET state = 'failed' WHERE state = 'kept'",
        "DELETE FROM files",
        "DELETE FROM frames",
        "DELETE FROM steps",
        "INSERT INTO frames SELECT 99, run_id, attempt_id, role, '', stored_at, '{}', '[]', verified FROM frames",
        "INSERT INTO files SELECT 99, frame_id, kind, path, size, sha256, 'other', 'other', NULL FROM files",
        "UPDATE runs SET state = 'finished'",
    ],
)
def test_the_database_itself_refuses_to_unwrite_the_record(store, sql):
    run, steps = begin(store)
    shoot(store, run, steps[0], picture(1))
    before = raw(store, "SELECT * FROM steps"), raw(store, "SELECT * FROM files"), raw(store, "SELECT * FROM attempts")
    with pytest.raises(IntegrityError):
        raw(store, sql)
    after = raw(store, "SELECT * FROM steps"), raw(store, "SELECT * FROM files"), raw(store, "SELECT * FROM attempts")
    assert after == before


def test_keep_is_all_or_nothing(store):
    run, steps = begin(store)
    _, first = shoot(store, run, steps[0], picture(1))
    attempt = store.logbook.begin_attempt(steps[1].id, 0.25)
    good = bring(store, run, steps[1], attempt, picture(2))
    with pytest.raises(StoreError, match=r"UNIQUE constraint failed: files\.path|unique constraint \"files_path_key\""):
        store.logbook.keep(attempt.id, "picture", [good, first])
    with pytest.raises(StoreError, match="no plain form for object"):
        store.logbook.keep(attempt.id, "picture", [good], exif={"Model": object()})
    with pytest.raises(StoreError, match="without a file"):
        store.logbook.keep(attempt.id, "picture", [])
    assert [row.id for row in store.logbook.open_attempts(run.id)] == [attempt.id]
    assert len(store.logbook.frames(run.id)) == 1 and store.logbook.step(steps[1].id).outcome is None
    store.logbook.keep(attempt.id, "picture", [good])
    assert damage(store) == [] and store.logbook.open_attempts(run.id) == []
    with pytest.raises(StoreError, match=r"UNIQUE constraint failed: frames\.attempt_id|\"frames_attempt_id_key\""):
        store.logbook.keep(attempt.id, "picture", [good])


def test_half_a_keep_would_be_noticed(store):
    """Negative control of the check that the tests of deaths lean on."""
    run, steps = begin(store)
    attempt = store.logbook.begin_attempt(steps[0].id, 0.25)
    file = bring(store, run, steps[0], attempt, picture(1))
    store.logbook.store_frame(attempt.id, run.id, "picture", [file])
    assert any("not kept" in line for line in damage(store))
    store.logbook.end_attempt(attempt.id, "kept")
    assert any("outcome and attempts disagree" in line for line in damage(store))
    store.logbook.set_outcome(steps[0].id, "kept")
    assert damage(store) == []
    store.files.path(file.path).write_bytes(picture(1)[:-1] + b"?")
    assert any("not what was listed" in line for line in damage(store))
    store.files.path(file.path).unlink()
    assert any("listed and absent" in line for line in damage(store))


def test_an_attempt_that_is_open_bars_what_would_forget_it(store):
    run, steps = begin(store)
    attempt = store.logbook.begin_attempt(steps[0].id, 0.25)
    for act in (
        lambda: store.logbook.begin_attempt(steps[0].id, 0.25),
        lambda: store.logbook.set_outcome(steps[0].id, "skipped"),
        lambda: store.logbook.add_plan(run.id, garden_plan(2), "darker"),
        lambda: store.logbook.run_state(run.id, "done"),
    ):
        with pytest.raises(StoreError, match=f"found attempt {attempt.id}, begun"):
            act()
    store.logbook.end_attempt(attempt.id, "failed", "the camera was busy")
    with pytest.raises(StoreError, match="found it failed"):
        store.logbook.end_attempt(attempt.id, "kept")
    assert store.logbook.begin_attempt(steps[0].id, 0.25).number == 2


def test_a_run_is_not_done_while_a_step_has_no_outcome(store):
    run, steps = begin(store, 2)
    shoot(store, run, steps[0], picture(1))
    with pytest.raises(StoreError, match=r"1 steps that have no outcome \(04-expose\)"):
        store.logbook.run_state(run.id, "done")
    store.logbook.run_state(run.id, "paused")
    assert store.logbook.next_step(run.id) == steps[1]
    shoot(store, run, steps[1], picture(2))
    assert store.logbook.next_step(run.id) is None
    store.logbook.run_state(run.id, "done")
    assert store.logbook.run(run.id).ended is not None
    for act in (lambda: store.logbook.run_state(run.id, "running"), lambda: store.logbook.abandon(run.id, "no")):
        with pytest.raises(StoreError, match="found it done"):
            act()
    with pytest.raises(StoreError, match="asked for a plan; found it done"):
        store.logbook.add_plan(run.id, garden_plan(), "again")


def test_an_abandoned_run_leaves_nothing_open(store):
    run, steps = begin(store)
    shoot(store, run, steps[0], picture(1))
    store.logbook.begin_attempt(steps[1].id, 0.25)
    store.logbook.abandon(run.id, "rain")
    counts = store.logbook.counts(run.id)
    assert counts["outcomes"] == {"abandoned": 2, "kept": 1, "skipped": 2}
    assert counts["attempts"] == {"abandoned": 1, "kept": 1}
    assert store.logbook.run("last").state == "abandoned" and damage(store) == []


def test_a_retargeted_plan_takes_over_what_is_left_and_goes_on_counting(store):
    run, steps = begin(store, 3)
    shoot(store, run, steps[0], picture(1))
    failed = store.logbook.begin_attempt(steps[1].id, 0.25)
    store.logbook.end_attempt(failed.id, "failed", "the light fell")
    darker = garden_plan(3, "Fountain, darker")
    assert store.logbook.add_plan(run.id, darker, "the light fell") == 2
    assert [row.outcome for row in store.logbook.steps(run.id, 1)] == ["skipped"] * 2 + ["kept"] + ["skipped"] * 2
    row = store.logbook.next_step(run.id)
    assert row is not None and (row.revision, row.position) == (2, 1)
    newer = {row.step_id: row for row in store.logbook.steps(run.id, 2)}
    assert store.logbook.begin_attempt(newer[steps[1].step_id].id, 0.5).number == 2
    assert plan_json(store.logbook.plan(run.id)) == plan_json(darker)
    assert store.logbook.plan(run.id, 1).title == "Fountain, Tuesday class"
    assert store.logbook.counts(run.id)["steps"]["expose"] == 4  # the new revision's, and the one that was kept before
    assert [row.why for row in store.logbook.run_plans(run.id)] == ["as compiled", "the light fell"]


def test_a_plan_for_no_run_is_refused(store):
    run, _ = begin(store)
    with pytest.raises(StoreError, match="not in the logbook"):
        store.logbook.add_plan(77, garden_plan(), "why")
    assert len(store.logbook.run_plans(run.id)) == 1


def test_a_plan_comes_back_as_it_went_in(store):
    run, _ = begin(store)
    assert plan_json(store.logbook.plan(run.id)) == plan_json(garden_plan())
    begin(store)
    assert raw(store, "SELECT count(*) FROM plans") == [(1,)]
    with pytest.raises(StoreError, match="no plan revision 5"):
        store.logbook.plan(run.id, 5)


def test_figures_of_a_run_agree_with_each_other_and_the_disk(store):
    run, steps = begin(store, 3)
    for step in steps:
        shoot(store, run, step, picture(step.id))
    on_card = store.files.new_incoming("unasked.jpg")
    on_card.write_bytes(picture("pressed by hand"))
    file = store.files.adopt(on_card, f"{run.folder}/unasked/u.jpg", "/store/DCIM", "IMG_9.JPG")
    frame = store.logbook.store_frame(None, run.id, "unasked", [file], taken_camera_clock="2026:10:20 15:31:02")
    store.logbook.add_reading(frame.id, "level", "1", {"stops": -0.1}, reference_frame_id=1)
    counts = store.logbook.counts(run.id)
    assert counts == {
        "steps": {"control": 1, "expose": 3, "operator": 1},
        "kept": {"expose": 3},
        "outcomes": {"kept": 3, "skipped": 2},
        "attempts": {"kept": 3},
        "frames": {"picture": 3, "unasked": 1},
        "files": 4,
        "distinct_hashes": 4,
        "bytes": 4 * 20_000,
        "readings": 1,
    }
    assert len(list(store.files.path(run.folder).rglob("*.jpg"))) == counts["files"]
    assert store.logbook.counts(run.id + 1)["files"] == 0


def test_every_frame_but_an_unasked_one_has_its_attempt(store):
    run, steps = begin(store)
    attempt = store.logbook.begin_attempt(steps[0].id, 0.25)
    file = bring(store, run, steps[0], attempt, picture(1))
    with pytest.raises(StoreError, match="asked_by_attempt"):
        store.logbook.store_frame(None, run.id, "picture", [file])
    with pytest.raises(StoreError, match="asked_by_attempt"):
        store.logbook.store_frame(attempt.id, run.id, "unasked", [file])
    other, _ = begin(store)
    with pytest.raises(StoreError, match="not its own"):
        store.logbook.store_frame(attempt.id, other.id, "picture", [file])
    with pytest.raises(StoreError, match="attempt 99: not in the logbook"):
        store.logbook.keep(99, "picture", [file])


def test_a_run_is_found_by_number_or_as_the_last(store):
    with pytest.raises(UsageError, match="none yet; make one with: stopwright shoot"):
        store.logbook.run("last")
    first, second = begin(store)[0], begin(store)[0]
    assert store.logbook.run("last") == store.logbook.run(2) == second
    assert store.logbook.run("1") == first and store.logbook.list_runs() == [first, second]
    for unknown in ("3", "-1", "first", "", "²", "9" * 400):
        with pytest.raises(UsageError, match="there are: 1 to 2, or last"):
            store.logbook.run(unknown)


def test_a_run_number_is_not_used_twice_when_an_older_logbook_was_put_back(store):
    (store.path / "runs" / "2026-10-19-run-041-heron").mkdir()
    assert store.logbook.new_run("Heron", "", "", "").id == 42


def test_what_lay_on_the_card_stays_as_first_seen(store):
    run, _ = begin(store)
    store.logbook.remember_card(run.id, [CardFile(folder="/s", name="A.JPG", size=1), CardFile(folder="/s", name="B")])
    store.logbook.remember_card(run.id, [CardFile(folder="/s", name="A.JPG", size=2)])
    store.logbook.remember_card(run.id, [])
    assert [(row.name, row.size) for row in store.logbook.card_seen(run.id)] == [("A.JPG", 1), ("B", None)]


def test_settings_found_are_the_users_until_they_were_put_back(store):
    run, _ = begin(store)
    store.logbook.remember_settings(run.id, {"iso": "Auto", "aperture": "f/8"})
    store.logbook.remember_settings(run.id, {"iso": "100"})  # after a death the camera shows our own settings
    store.logbook.mark_restored(run.id, ["iso"])
    found = {row.name: (row.label, row.restored_at is None) for row in store.logbook.settings_found(run.id)}
    assert found == {"iso": ("Auto", False), "aperture": ("f/8", True)}
    store.logbook.remember_settings(run.id, {"iso": "400", "aperture": "f/11"})
    found = {row.name: (row.label, row.restored_at is None) for row in store.logbook.settings_found(run.id)}
    assert found == {"iso": ("400", True), "aperture": ("f/8", True)}
    store.logbook.mark_restored(run.id)
    assert all(row.restored_at for row in store.logbook.settings_found(run.id))


def test_events_are_read_on_from_a_number(store):
    run, _ = begin(store)
    first = store.logbook.add_event("started", "here we go", run.id, {"step": 1})
    second = store.logbook.add_event("plugged", "a camera came")
    assert [row.id for row in store.logbook.events(after=first)] == [second]
    assert [(row.kind, row.data) for row in store.logbook.events(run.id)] == [("started", {"step": 1})]


def test_times_are_aware_and_utc_and_nothing_stored_can_be_run(store):
    run, steps = begin(store)
    earliest = clock.utc_now()
    frame, _ = shoot(store, run, steps[0], picture(1))
    store.logbook.add_reading(frame.id, "level", "1", {"stops": 0.1})
    store.logbook.remember_card(run.id, [CardFile(folder="/s", name="A.JPG")])
    store.logbook.remember_settings(run.id, {"iso": "Auto"})
    store.logbook.mark_restored(run.id)
    store.logbook.add_event("note", "x")
    store.logbook.abandon(run.id, "rain")
    assert frame.stored_at.tzinfo == UTC and earliest <= frame.stored_at <= clock.utc_now()
    kind_of = "pg_typeof({})::text" if store.logbook.on_server else "typeof({})"
    times, cells = 0, 0
    for table in tables.metadata.sorted_tables:
        for column in [column.name for column in table.columns]:
            quoted = f'"{column}"'
            for kind, value in raw(store, f"SELECT {kind_of.format(quoted)}, {quoted} FROM {table.name}"):
                assert kind in ("text", "integer", "bigint", "real", "double precision", "null")
                cells += 1
                if column in ("created", "stored_at", "at", "ended") or column.endswith("_at"):
                    assert value is None or re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z", value)
                    times += value is not None
    assert times > 15 and cells > 100


def test_a_time_without_a_zone_is_refused_and_another_zone_becomes_utc():
    with pytest.raises(ValueError, match="without a zone"):
        utc_text(datetime(2026, 10, 20, 15, 30))  # noqa: DTZ001  # the point of the test
    summer = timezone(timedelta(hours=1))
    assert utc_text(datetime(2026, 10, 20, 15, 30, tzinfo=summer)) == "2026-10-20T14:30:00.000000Z"


def test_what_cameras_write_into_exif_becomes_plain_data(store):
    @dataclass
    class Facts:
        aperture: Fraction
        taken: datetime

    run, steps = begin(store)
    attempt = store.logbook.begin_attempt(steps[0].id, 0.25)
    file = bring(store, run, steps[0], attempt, picture(1))
    odd = {
        "nan": float("nan"),
        "numpy": np.float32(0.5),
        "count": np.int64(3),
        "rows": np.arange(3),
        "bytes": b"\x00\xff",
        "facts": Facts(Fraction(28, 5), datetime(2026, 10, 20, tzinfo=UTC)),
        "half": "caf\udce9",
        3: (1, None, True),
    }
    frame = store.logbook.keep(attempt.id, "picture", [file], exif=odd)
    assert frame.exif == {
        "nan": "nan",
        "numpy": 0.5,
        "count": 3,
        "rows": [0, 1, 2],
        "bytes": {"hex": "00ff"},
        "facts": {"aperture": "28/5", "taken": "2026-10-20T00:00:00.000000Z"},
        "half": "caf\udce9",
        "3": [1, None, True],
    }
    with pytest.raises(TypeError, match="no plain form"):
        plain(object())


def test_several_threads_write_without_losing_a_row(store):
    """Each act reads before it writes, which only a transaction begun as a writer may do beside others."""
    runs = [begin(store, 12) for _ in range(3)]
    failures: list[Exception] = []

    def work(run, steps):
        try:
            for step in steps:
                shoot(store, run, step, picture((run.id, step.id), 200))
        except Exception as error:  # shown below, in the test's own thread
            failures.append(error)

    threads = [Thread(target=work, args=args) for args in runs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert [store.logbook.counts(run.id)["kept"] for run, _ in runs] == [{"expose": 12}] * 3
    assert damage(store) == []


def test_a_logbook_locked_by_another_program_is_said_so(tmp_path, monkeypatch, opener):
    monkeypatch.setattr(database, "BUSY_S", 0.05)
    with opener(tmp_path / "s") as store, opener(tmp_path / "s") as viewer:
        with viewer.logbook._writing("a long look"):
            with pytest.raises(StoreError, match="another program has had the logbook locked"):
                store.logbook.add_event("note", "x")
            assert store.logbook.events() == []  # reading goes on
        store.logbook.add_event("note", "x")


def test_the_logbook_writes_through_to_the_disk(store):
    on_server = store.logbook.on_server
    asked = ("synchronous_commit",) if on_server else ("journal_mode", "synchronous", "foreign_keys")
    with store.logbook._writing("look") as connection:
        told = [
            connection.exec_driver_sql(f"SHOW {name}" if on_server else f"PRAGMA {name}").scalar() for name in asked
        ]
    # 2 is FULL: https://sqlite.org/pragma.html#pragma_synchronous
    # on: https://www.postgresql.org/docs/current/wal-async-commit.html
    assert told == (["on"] if on_server else ["wal", 2, 1])
