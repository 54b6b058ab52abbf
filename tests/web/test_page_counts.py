"""The figures of a run that the page shows, counted by the database, against the rows themselves."""

from __future__ import annotations

from pathlib import Path

from support_inprocess import bench
from support_run import small_plan

from daemon.searches import Searches


def test_a_runs_figures_are_those_of_its_rows_also_after_more_files_came(tmp_path: Path) -> None:
    with bench(tmp_path) as made:
        searches = Searches(made.store)
        try:
            seen = []
            made.on_event = lambda event: seen.append(searches.counts(1)) if event.kind == "frame-kept" else None
            found = made.shoot(small_plan())
            assert len(seen) > 3 and seen[0]["files"] < seen[-1]["files"]  # counted on, not counted once for all
            told, rows = searches.counts(found.run.id), found.counts
            assert told == {name: rows[name] for name in told}
            assert {"steps", "kept", "outcomes", "frames", "files", "bytes"} == set(told) and told["bytes"] > 0
            other = made.new_runner().start(small_plan())
            assert searches.counts(other) == {name: made.store.logbook.counts(other)[name] for name in told}
        finally:
            searches.close()
