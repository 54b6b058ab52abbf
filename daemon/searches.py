"""Looking through the logbook a page at a time, without reading all of it: for clients that browse.

Pages are told by the last number seen, never by an offset, so that the thousandth page costs what the first does.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from daemon import tables
from daemon.database import Database
from daemon.errors import UsageError
from daemon.facets import Facets
from daemon.rows import EventRow, FileRow, FrameRow, ReadingRow, RunRow, StepRow
from daemon.store import Store

_RUNS_COUNTED = 1000
_NUMBERS = 5000  # of runs in one question: databases take a limited number of values


class Searches(Database):
    """Readings of one store's logbook. Close it."""

    def __init__(self, store: Store):
        super().__init__(*store.logbook.where)
        self._facets = Facets()
        self._counted: dict[int, tuple[int, int, int]] = {}  # by run: its last file, files, bytes

    def runs(
        self,
        search: str = "",
        states: Sequence[str] = (),
        since: datetime | None = None,
        until: datetime | None = None,
        before: int | None = None,
        limit: int = 50,
        goal: str = "",
        subject: str = "",
        kit: str = "",
    ) -> list[RunRow]:
        """Runs, newest first. ``search``: words that must all be in title, camera, operator or note; ``before``: a
        run's number, the last of the page before; ``goal``, ``subject``, ``kit`` as in `daemon.facets.Facet.fits`."""
        kept = tables.runs.c
        asked: list[Any] = []
        for word in search.split():
            like = "%" + word.replace("\\", r"\\").replace("%", r"\%").replace("_", r"\_") + "%"
            places = (kept.title, kept.camera_model, kept.operator, kept.note)
            asked.append(sa.or_(*(place.ilike(like, escape="\\") for place in places)))
        if states:
            asked.append(kept.state.in_(list(states)))
        if since is not None:
            asked.append(kept.created >= since)
        if until is not None:
            asked.append(kept.created < until)
        if before is not None:
            asked.append(kept.id < before)
        if not (goal or subject or kit):
            return self._page(RunRow, tables.runs, asked, kept.id.desc(), limit)
        with self._reading("plans") as connection:
            facets = self._facets.of_runs(connection)
        fitting = sorted((run for run, one in facets.items() if one.fits(goal, subject, kit)), reverse=True)
        found: list[RunRow] = []
        for first in range(0, len(fitting), _NUMBERS):
            among = [*asked, kept.id.in_(fitting[first : first + _NUMBERS])]
            found += self._page(RunRow, tables.runs, among, kept.id.desc(), limit - len(found))
            if len(found) == limit:
                break
        return found

    def warm(self) -> None:
        """Read what every plan can be found by, so that the first to ask need not wait for it."""
        with self._reading("plans") as connection:
            self._facets.of_runs(connection)

    def last_run(self) -> int | None:
        """The number of the newest run."""
        with self._reading("runs") as connection:
            found = connection.scalar(sa.select(sa.func.max(tables.runs.c.id)))
        return None if found is None else int(found)

    def run(self, which: str) -> RunRow:
        """A run by its number or ``last``. UsageError if there is none."""
        last = self.last_run()
        known = f"1 to {last}, or last" if last else "none yet"
        number = (last or -1) if which == "last" else int(which) if which.isdecimal() and len(which) < 10 else -1
        found = self._page(RunRow, tables.runs, [tables.runs.c.id == number], tables.runs.c.id, 1)
        if not found:
            raise NotThere(f"run {which[:40]!r}: found none of this number; allowed: {known}. List the runs")
        row: RunRow = found[0]
        return row

    def pictures(self, runs: Sequence[int]) -> dict[int, int]:
        """How many pictures each of these runs has."""
        kept = tables.frames.c
        asked = sa.select(kept.run_id, sa.func.count()).where(kept.run_id.in_(list(runs)), kept.role == "picture")
        with self._reading("frames") as connection:
            return {int(run): int(count) for run, count in connection.execute(asked.group_by(kept.run_id))}

    def steps(self, run: int, after: int = 0, limit: int = 500, revision: int | None = None) -> list[StepRow]:
        """Steps of a run in the order of their rows; ``after``: a row's number."""
        kept = tables.steps.c
        asked = [kept.run_id == run, kept.id > after]
        if revision is not None:
            asked.append(kept.revision == revision)
        return self._page(StepRow, tables.steps, asked, kept.id, limit)

    def frames(
        self, run: int | None, after: int = 0, limit: int = 100, role: str | None = None, verified: str | None = None
    ) -> list[dict[str, Any]]:
        """Frames of a run, or of all, in the order of storing, each with its step, files and newest reading."""
        kept = tables.frames.c
        asked = [kept.id > after]
        for column, value in ((kept.run_id, run), (kept.role, role), (kept.verified, verified)):
            if value is not None:
                asked.append(column == value)
        return self._whole(self._page(FrameRow, tables.frames, asked, kept.id, limit))

    def steps_shown(self, run: int, last: int) -> set[str]:
        """Ids of the steps of a run that have a picture among the frames up to number ``last``."""
        frames, attempts, steps = tables.frames.c, tables.attempts.c, tables.steps.c
        asked = (
            sa.select(steps.step_id)
            .join(tables.attempts, attempts.step_row == steps.id)
            .join(tables.frames, frames.attempt_id == attempts.id)
            .where(frames.run_id == run, frames.id <= last, frames.role == "picture")
        )
        with self._reading("steps") as connection:
            return {str(row[0]) for row in connection.execute(asked)}

    def newest_picture(self) -> int:
        """The number of the newest picture of all runs; 0: there is none."""
        kept = tables.frames.c
        asked = sa.select(kept.id).where(kept.role == "picture").order_by(kept.id.desc()).limit(1)
        with self._reading("frames") as connection:
            return int(connection.scalar(asked) or 0)

    def frame(self, number: int) -> dict[str, Any]:
        """One frame. NotThere if there is none."""
        found = self._page(FrameRow, tables.frames, [tables.frames.c.id == number], tables.frames.c.id, 1)
        if not found:
            raise NotThere(f"frame {number}: found none of this number. List the frames of the run")
        return self._whole(found)[0]

    def file(self, number: int) -> FileRow:
        """One file. NotThere if there is none."""
        found = self._page(FileRow, tables.files, [tables.files.c.id == number], tables.files.c.id, 1)
        if not found:
            raise NotThere(f"file {number}: found none of this number. List the frames of the run")
        row: FileRow = found[0]
        return row

    def readings(self, run: int, after: int = 0, limit: int = 500) -> list[ReadingRow]:
        """Readings on a run's frames, oldest first."""
        kept = tables.readings.c
        of_run = kept.frame_id.in_(sa.select(tables.frames.c.id).where(tables.frames.c.run_id == run))
        return self._page(ReadingRow, tables.readings, [of_run, kept.id > after], kept.id, limit)

    def events(self, run: int | None, after: int = 0, limit: int = 500) -> list[EventRow]:
        """Events of a run, or of all, oldest first."""
        kept = tables.events.c
        asked = [kept.id > after] + ([] if run is None else [kept.run_id == run])
        return self._page(EventRow, tables.events, asked, kept.id, limit)

    def ends(self) -> tuple[int, int]:
        """The numbers of the newest event and the newest frame; 0 when there is none."""
        with self._reading("events") as connection:
            event = connection.scalar(sa.select(sa.func.max(tables.events.c.id)))
            frame = connection.scalar(sa.select(sa.func.max(tables.frames.c.id)))
        return int(event or 0), int(frame or 0)

    def counts(self, run: int) -> dict[str, Any]:
        """Figures of a run, counted by the database, each table gone through once: ``steps`` and ``kept`` by kind,
        ``outcomes``, ``frames`` by role, ``files``, ``bytes``. What takes longer is in the run's report."""
        steps, frames = tables.steps.c, tables.frames.c
        told: dict[str, Counter[str]] = {name: Counter() for name in ("steps", "kept", "outcomes", "frames")}
        with self._reading("counts") as connection:
            newest = connection.scalar(sa.select(sa.func.max(steps.revision)).where(steps.run_id == run))
            alike = (steps.revision, steps.kind, steps.outcome)
            asked = sa.select(*alike, sa.func.count()).where(steps.run_id == run).group_by(*alike)
            for revision, kind, outcome, count in connection.execute(asked):
                told["outcomes"][outcome or "open"] += count
                told["kept"][kind] += count * (outcome == "kept")
                told["steps"][kind] += count * (outcome == "kept" or revision == newest)
            roles = sa.select(frames.role, sa.func.count()).where(frames.run_id == run).group_by(frames.role)
            told["frames"].update({role: int(count) for role, count in connection.execute(roles)})
            number, size = self._files_of(connection, run)
        counted = {name: {word: many[word] for word in sorted(many) if many[word]} for name, many in told.items()}
        return {**counted, "files": number, "bytes": size}

    def _files_of(self, connection: sa.Connection, run: int) -> tuple[int, int]:
        """Number and size of a run's files. Their rows never change or go, so that each is counted once. [B]"""
        files, frames = tables.files.c, tables.frames.c
        last, number, size = self._counted.get(run, (0, 0, 0))
        asked = sa.select(sa.func.max(files.id), sa.func.count(), sa.func.sum(files.size))
        if last:  # the new files alone are gone through
            owner = sa.select(frames.run_id).where(frames.id == files.frame_id).scalar_subquery()
            asked = asked.where(files.id > last, owner == run)
        else:
            of_run = tables.frames.join(tables.files, files.frame_id == frames.id)
            asked = asked.select_from(of_run).where(frames.run_id == run)
        newest, more, bytes_ = connection.execute(asked).one()
        found = (int(newest or last), number + int(more), size + int(bytes_ or 0))
        if len(self._counted) > _RUNS_COUNTED:
            self._counted.clear()
        self._counted[run] = found
        return found[1:]

    # -- within ---------------------------------------------------------------------------------------------------

    def _page(self, shape: Any, table: sa.Table, asked: Sequence[Any], order: Any, limit: int) -> list[Any]:
        from dataclasses import fields

        columns = [table.c[field.name] for field in fields(shape)]
        wanted = sa.select(*columns).where(*asked).order_by(order).limit(limit)
        with self._reading(table.name) as connection:
            return [shape(*row) for row in connection.execute(wanted)]

    def _whole(self, rows: list[FrameRow]) -> list[dict[str, Any]]:
        numbers = [row.id for row in rows]
        attempts, steps, readings = tables.attempts.c, tables.steps.c, tables.readings.c
        lapse = tables.lapse_frames.c
        files: dict[int, list[FileRow]] = {}
        for file in self._page(FileRow, tables.files, [tables.files.c.frame_id.in_(numbers)], tables.files.c.id, 5000):
            files.setdefault(file.frame_id, []).append(file)
        read = self._page(ReadingRow, tables.readings, [readings.frame_id.in_(numbers)], readings.id, 5000)
        newest = {row.frame_id: row for row in read}
        of_step = (
            sa.select(
                attempts.id,
                attempts.number,
                attempts.state,
                steps.step_id,
                steps.goal,
                sa.func.coalesce(lapse.settings, steps.settings, type_=tables.Json()),
            )
            .join(tables.steps, steps.id == attempts.step_row)
            .outerjoin(tables.lapse_frames, lapse.attempt_id == attempts.id)
            .where(attempts.id.in_([row.attempt_id for row in rows if row.attempt_id is not None]))
        )
        with self._reading("attempts") as connection:
            known = {row[0]: row for row in connection.execute(of_step)}
        whole = []
        for row in rows:
            step = known.get(row.attempt_id)
            whole.append(
                {
                    "frame": row.id,
                    "run": row.run_id,
                    "role": row.role,
                    "verified": row.verified,
                    "stored_at": row.stored_at,
                    "taken_camera_clock": row.taken_camera_clock,
                    "step": step[3] if step else None,
                    "goal": step[4] if step else None,
                    "settings": step[5] if step else None,
                    "attempt": step[1] if step else None,
                    "attempt_state": step[2] if step else None,
                    "exif": row.exif,
                    "checks": row.checks,
                    "files": [vars(file) for file in files.get(row.id, [])],
                    "reading": newest[row.id].data if row.id in newest else None,
                }
            )
        return whole


class NotThere(UsageError):
    """A thing of the record that is asked for by its number and is not there."""
