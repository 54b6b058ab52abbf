"""The watch over a long time-lapse: the record is read a part at a time, and the film so far stays small."""

from __future__ import annotations

import io
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from support_lapse import lapse_of, lapse_plan

from daemon import tables
from daemon.filming import film_so_far
from daemon.lapse_book import Lapses
from daemon.lapse_view import COURSE, lapse_row, lapse_view
from daemon.logbook import Logbook
from daemon.pictures.film.strip import COLUMNS, MOST, WIDTH, Tiles, strip
from daemon.store import Store, open_store
from plans.plan import Plan

FRAMES, INTERVAL_S = 3000, 20.0
START = datetime(2026, 10, 20, 17, 0, tzinfo=UTC)


def begun(store: Store, plan: Plan) -> tuple[int, int]:
    """A run of a plan; its number and the row of its time-lapse."""
    logbook = store.logbook
    run = logbook.new_run("Evening at the fountain", "none", "simulated", "nobody")
    logbook.add_plan(run.id, plan, "as compiled")
    logbook.add_event("lapse-started", "", run.id, {"step": lapse_of(plan).id, "start": START.isoformat()})
    return run.id, lapse_row(store, run.id).id


def fill(store: Store, run: int, step_row: int, frames: range, files: bool = False) -> None:
    """Frames as the runner leaves them: every 50th missed, every 40th late, the last two on the card still."""
    rungs = lapse_of(store.logbook.plan(run)).parts[0].rungs
    settings = lapse_of(store.logbook.plan(run)).settings
    rows: dict[str, list[dict[str, Any]]] = {name: [] for name in ("attempts", "lapse_frames", "frames", "files")}
    for n in frames:
        due = {
            "step_row": step_row,
            "frame": n,
            "due_s": n * INTERVAL_S,
            "due_at": START + timedelta(seconds=n * INTERVAL_S),
        }
        if n % 50 == 49:
            empty = ("attempt_id", "rung", "settings", "state", "thought", "late_s", "latency_s", "card")
            rows["lapse_frames"].append(due | dict.fromkeys(empty) | {"why": "the camera was away"})
            continue
        rung = n // 40 % len(rungs)
        at = settings.model_copy(update={"time": rungs[rung].time, "iso": rungs[rung].iso})
        rows["attempts"].append({
            "id": n + 1, "step_row": step_row, "number": n + 1, "intent_at": due["due_at"], "state": "kept",
            "ended_at": due["due_at"], "why": "", "exposure_s": rungs[rung].time.exact,
        })  # fmt: skip
        rows["lapse_frames"].append(due | {
            "attempt_id": n + 1, "rung": rung, "settings": at.model_dump(mode="json"), "state": None,
            "thought": {"level": 13 - n / 300}, "late_s": 0.5 if n % 40 == 0 else 0.001, "latency_s": 0.1, "card": [],
            "why": "it was late" if n % 40 == 0 else "",
        })  # fmt: skip
        if n < FRAMES - 3:
            rows["frames"].append({
                "id": n + 1, "run_id": run, "attempt_id": n + 1, "role": "picture", "taken_camera_clock": None,
                "stored_at": due["due_at"], "exif": {}, "checks": {}, "verified": "as planned",
            })  # fmt: skip
        if files:
            path = store.files.path(Path("runs") / f"{n:05d}.jpg")
            level = 0.18 * 2.0 ** (0.2 * np.sin(n / 9))
            code = round(255 * (1.055 * level ** (1 / 2.4) - 0.055))
            Image.new("RGB", (240, 160), (code, code, n % 256)).save(path)
            rows["files"].append({
                "id": n + 1, "frame_id": n + 1, "kind": "jpeg", "path": f"runs/{n:05d}.jpg",
                "size": path.stat().st_size, "sha256": f"{n:064d}",
            })  # fmt: skip
    with store.logbook._writing("fill") as connection:
        for name, table in (
            ("attempts", tables.attempts), ("lapse_frames", tables.lapse_frames), ("frames", tables.frames),
            ("files", tables.files),
        ):  # fmt: skip
            if rows[name]:
                connection.execute(table.insert(), rows[name])


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "store") as opened:
        yield opened


def test_a_long_time_lapse_is_told_by_counts_and_pages_and_never_read_whole(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    run, row = begun(store, lapse_plan(FRAMES, INTERVAL_S))
    fill(store, run, row, range(FRAMES))
    whole = store.logbook.lapse_frames(row)
    home = {one.attempt_id for one in store.logbook.frames(run)}

    def refuse(*asked: Any) -> Any:
        raise AssertionError("the whole record was read")

    for of, name in ((Lapses, "lapse_frames"), (Logbook, "frames"), (Logbook, "readings"), (Logbook, "events")):
        monkeypatch.setattr(of, name, refuse)
    view = lapse_view(store, run, limit=150)
    assert view["due"] == FRAMES and view["taken"] == sum(one.attempt_id in home for one in whole)
    assert view["on_card"] == 2 and view["missed"] == sum(one.attempt_id is None for one in whole)
    assert view["late"] == sum(bool(one.why) and one.attempt_id in home for one in whole)
    assert view["worst_late_s"] == 0.5 and view["start"] == START.isoformat()
    assert 0.4 * COURSE <= len(view["course"]) <= COURSE
    numbers, pages = [one["frame"] for one in view["newest"]], 1
    while view["next"] is not None:
        assert len(view["newest"]) <= 150
        view, pages = lapse_view(store, run, limit=150, before=view["next"]), pages + 1
        numbers = [one["frame"] for one in view["newest"]] + numbers
    assert numbers == list(range(FRAMES)) and pages == FRAMES // 150


def test_the_film_so_far_stays_small_and_decodes_each_of_its_pictures_once(store: Store) -> None:
    run, row = begun(store, lapse_plan(FRAMES, INTERVAL_S))
    tiles, shown = Tiles(), set()
    for before, end in pairwise((0, 1, 60, 100, 200, 330)):
        fill(store, run, row, range(before, end), files=True)
        frames = film_so_far(store, row, MOST)
        assert len(frames) <= MOST and frames[0].number == 1
        shown |= {one.path for one in frames}
        content = strip(frames, tiles)
        with Image.open(io.BytesIO(content)) as picture:
            assert picture.size == (COLUMNS * WIDTH, -(-len(frames) // COLUMNS) * 107)
        assert len(content) < 1_000_000 and len(tiles) <= 2 * MOST
    assert tiles.decoded == len(shown)
    steps = np.diff([one.number for one in frames])
    assert (steps % 4 == 0).all() and len(frames) > MOST // 2  # of 330 frames every fourth
    assert [one.number for one in film_so_far(store, row, MOST, upto=200)][-1] <= 201


def test_steps_of_the_settings_are_smoothed_in_the_film_so_far(store: Store) -> None:
    run, row = begun(store, lapse_plan(FRAMES, INTERVAL_S))
    fill(store, run, row, range(90), files=True)
    frames = film_so_far(store, row, MOST)
    given = np.array([one.settings.given for one in frames])
    with Image.open(io.BytesIO(strip(frames, Tiles()))) as picture:
        codes = np.asarray(picture.convert("RGB"), float)
    place = next(n for n in range(1, len(given)) if given[n] != given[n - 1])
    means = [
        codes[
            n // COLUMNS * 107 + 20 : n // COLUMNS * 107 + 80, n % COLUMNS * WIDTH + 20 : n % COLUMNS * WIDTH + 140, 0
        ].mean()
        for n in range(len(frames))
    ]
    # The pictures themselves have no step here, so that what is shown has that of the settings, the other way.
    assert means[place] < means[place - 1] - 5
