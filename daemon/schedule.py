"""The schedule: begins runs when they are due. Timed by APScheduler, whose jobs are rebuilt from rows at the start.

Each due time gets exactly one outcome in the logbook: started, skipped or failed, with why. It is noted before anything
is begun, so that neither a restart nor a clock that goes back begins it twice. Exposures are never timed by this.
"""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from typing import Any

from daemon import clock
from daemon.errors import UsageError
from daemon.schedule_rows import OutcomeRow, OutcomeWord, ScheduleRow, ScheduleRows
from daemon.schedule_rules import RULE, next_time, occurrences
from daemon.service import Order, Service
from daemon.tables import plain, utc_text
from daemon.texts import Written, as_composed, demand_reachable, stand_in_scales

ON_TIME_S = 60.0  # up to so late counts as on time [s]
LOOK_S = 5.0  # how often a jump of the clock is looked for [s]
JUMP_S = 2.0  # by which wall and steady clock may part between two looks [s]
RETRY_S = 5.0  # a run that is in the way is looked at again after [s]
BEGUN_S = 180.0  # so long a run is waited for to have its number [s]
MOST_MISSED = 400
SOON = timedelta(days=8)  # conflicts are looked for so far ahead


class Schedule:
    """Begins the runs of one service."""

    def __init__(self, service: Service):
        self._service = service
        self.rows = ScheduleRows(service.store)
        self._scheduler: Any = None
        self._over = threading.Event()
        self._watch: threading.Thread | None = None

    def start(self) -> None:
        """Rebuild every job from its row, after what was missed meanwhile got its outcome."""
        from apscheduler.schedulers.background import BackgroundScheduler

        self._scheduler = BackgroundScheduler(timezone=UTC)
        self._scheduler.start()
        for row in self.rows.rows():
            self._conclude_begun(row)
            self._arm(row)
        self._watch = threading.Thread(target=self._watch_clock, name="clock", daemon=True)
        self._watch.start()

    def close(self) -> None:
        """Begin nothing any more. Idempotent."""
        self._over.set()
        if self._scheduler is not None and self._scheduler.running:
            self._scheduler.shutdown(wait=False)
        self.rows.close()

    def add(self, title: str, rule: Any, order: dict[str, Any], late_min: float, conflict: str) -> ScheduleRow:
        """Take a schedule into force; errors as for `add_row`."""
        row = add_row(self.rows, title, rule, order, late_min, conflict)
        self._arm(row)
        return row

    def remove(self, number: int) -> ScheduleRow:
        """Take a schedule out of force. UsageError if there is none."""
        row = self.rows.remove(number)
        if self._scheduler is not None and self._scheduler.get_job(str(number)):
            self._scheduler.remove_job(str(number))
        return row

    # -- within ---------------------------------------------------------------------------------------------------

    def _conclude_begun(self, row: ScheduleRow) -> None:
        """The service died between the note that it begins a run and the note that it has."""
        for one in self.rows.outcomes(row.id, 1):
            if one.outcome == "begun":
                runs = [run.id for run in self._service.store.logbook.list_runs() if run.created >= one.at]
                outcome: OutcomeWord = "started" if runs else "failed"
                self.rows.conclude(row.id, one.due, outcome, "the service died meanwhile", runs[0] if runs else None)

    def _arm(self, row: ScheduleRow) -> None:
        """Give what was missed its outcome, and set the job for the next time, or for the one that may still begin."""
        rule, now = RULE.validate_python(row.rule), clock.utc_now()
        settled = self.rows.outcomes(row.id, 1)
        missed: list[datetime] = []
        upcoming = None
        for due in occurrences(rule, settled[0].due if settled else row.created):
            if due > now or len(missed) >= MOST_MISSED:
                upcoming = due
                break
            missed.append(due)
        if upcoming is not None and upcoming <= now:
            upcoming = next_time(rule, now)
        late = missed.pop() if missed else None
        for due in missed:
            self._settle(row, due, "skipped", "the service was not running")
        if late is not None and now - late > _allowed(row):
            self._settle(row, late, "skipped", f"the service was not running; {_minutes(now - late)} late is too late")
            late = None
        self._set_job(row, late or upcoming, late or upcoming)

    def _set_job(self, row: ScheduleRow, due: datetime | None, at: datetime | None) -> None:
        if due is None or at is None or self._over.is_set():
            return
        self._scheduler.add_job(
            self._due, "date", run_date=at, args=[row.id, due], id=str(row.id), misfire_grace_time=None,
            coalesce=True, replace_existing=True,
        )  # fmt: skip

    def _due(self, number: int, due: datetime) -> None:
        """A schedule is due: begin it, put it off, or say why not."""
        try:
            row = self.rows.row(number)
            if row.removed is not None or self._over.is_set():
                return
            if self._begin(row, due):
                self._set_job(row, upcoming := next_time(RULE.validate_python(row.rule), due), upcoming)
            else:
                self._set_job(row, due, clock.utc_now() + timedelta(seconds=RETRY_S))
        except Exception as fault:
            self._service.failures.failed(f"schedule {number}", why=str(fault), kind=type(fault).__name__)
        else:
            self._service.failures.works(f"schedule {number}")

    def _begin(self, row: ScheduleRow, due: datetime) -> bool:
        """Whether the due time is done with; False: a run is in the way, and it is waited for."""
        late = clock.utc_now() - due
        if late > _allowed(row):
            self._settle(row, due, "skipped", f"{_minutes(late)} late; allowed: {row.late_min:g} min")
            return True
        if self._service.job is not None:
            if row.conflict == "wait":
                return False
            self._settle(row, due, "skipped", f"run {self._service.running() or ''} was going on".replace("  ", " "))
            return True
        if not self.rows.settle(row.id, due, "begun"):
            return True
        try:
            job = self._service.order(_order(row, due))
            clock.wait(job.begun, BEGUN_S)
            if job.error is not None and job.run is None:
                raise job.error
        except Exception as error:
            self.rows.conclude(row.id, due, "failed", str(error), None)
            self._service.log.error("a scheduled run could not begin", schedule=row.id, message=str(error))
        else:
            why = "on time" if late <= timedelta(seconds=ON_TIME_S) else f"{_minutes(late)} late"
            self.rows.conclude(row.id, due, "started", why, job.run)
            self._service.log.info("a scheduled run has begun", schedule=row.id, run=job.run, due=utc_text(due))
        return True

    def _settle(self, row: ScheduleRow, due: datetime, outcome: Any, why: str) -> None:
        if self.rows.settle(row.id, due, outcome, why):
            self._service.log.warning("a scheduled run was left out", schedule=row.id, due=utc_text(due), why=why)

    def _watch_clock(self) -> None:
        """Have the scheduler look again when the wall clock jumps or the computer slept: it waits by the steady one."""
        apart = clock.utc_now().timestamp() - clock.monotonic()
        while not clock.wait(self._over, LOOK_S):
            now = clock.utc_now().timestamp() - clock.monotonic()
            if abs(now - apart) > JUMP_S:
                self._service.log.warning("the clock jumped", by_s=round(now - apart, 1))
                self.look_again()
            apart = now

    def look_again(self) -> None:
        """Have the scheduler look at the clock now."""
        self._scheduler.wakeup()


def add_row(
    rows: ScheduleRows, title: str, rule: Any, order: dict[str, Any], late_min: float, conflict: str
) -> ScheduleRow:
    """Note a schedule after a look at all that can be wrong with it.

    Parameters
    ----------
    rule
        One of `daemon.schedule_rules`.
    order
        ``text``, ``name``, ``kits`` of the brief or plan; ``camera``, ``operator``, ``composed``, ``reachable``.
    late_min
        How late it may begin, whatever the reason; 0: not more than a minute. [min]
    conflict
        ``wait`` for a run that is in the way, as long as it may be late, or ``skip``.

    Raises
    ------
    BriefError, PlanUnreachable
        If the brief is wrong, or its goals out of reach.
    UsageError
        If it never comes, or needs hands and nobody is there.
    """
    from daemon.assembly import refuse_without_hands

    written = Written(order["text"], order.get("name") or "brief.yaml", order.get("kits") or {})
    plan = as_composed(written.plan(stand_in_scales()), bool(order.get("composed")))
    demand_reachable(plan, bool(order.get("reachable")))
    if (order.get("operator") or "nobody") == "nobody":
        refuse_without_hands(plan, None, bool(order.get("composed")))
    if next_time(rule, clock.utc_now()) is None:
        raise UsageError(f"schedule: found {rule.words()}, which never comes from now on; allowed: a time to come")
    length = plan.estimate.duration_s or plan.estimate.exposure_s
    kept = {name: value for name, value in order.items() if value is not None}
    return rows.add(title or plan.title, rule.model_dump(mode="json"), kept, late_min, conflict, float(length))


def told(rows: ScheduleRows, row: ScheduleRow) -> dict[str, Any]:
    """A schedule as plain data: its rule in words, its next time, what came of it, what it meets in the days ahead."""
    rule, now = RULE.validate_python(row.rule), clock.utc_now()
    outcomes: list[OutcomeRow] = rows.outcomes(row.id)
    upcoming = None if row.removed else next_time(rule, max([now, *(one.due for one in outcomes[:1])]))
    tree: dict[str, Any] = plain(row)
    order = {name: value for name, value in row.order.items() if name not in ("text", "kits")}
    return tree | {
        "order": order,
        "words": rule.words(),
        "next": utc_text(upcoming) if upcoming else None,
        "outcomes": plain(outcomes),
        "conflicts": [] if row.removed else _conflicts(rows, row, now),
    }


def _conflicts(rows: ScheduleRows, row: ScheduleRow, now: datetime) -> list[dict[str, Any]]:
    """The other schedules whose runs should overlap with its own within some days, and when first."""
    found = []
    mine = _spans(row, now)
    for other in rows.rows():
        if other.id != row.id:
            theirs = _spans(other, now)
            first = next((a for a, b in mine for c, d in theirs if a < d and c < b), None)
            if first is not None:
                found.append({"schedule": other.id, "title": other.title, "at": utc_text(first)})
    return found


def _spans(row: ScheduleRow, now: datetime) -> list[tuple[datetime, datetime]]:
    spans = []
    for due in occurrences(RULE.validate_python(row.rule), now):
        if due > now + SOON:
            break
        spans.append((due, due + timedelta(seconds=max(row.length_s, 1.0))))
    return spans


def _order(row: ScheduleRow, due: datetime) -> Order:
    asked = row.order
    return Order(
        id=f"schedule-{row.id}-{due:%Y%m%dT%H%M%S}",
        written=Written(asked["text"], asked.get("name") or "brief.yaml", asked.get("kits") or {}),
        camera=asked.get("camera"),
        operator=asked.get("operator") or "nobody",
        composed=bool(asked.get("composed")),
        reachable=bool(asked.get("reachable")),
    )


def _allowed(row: ScheduleRow) -> timedelta:
    return max(timedelta(minutes=row.late_min), timedelta(seconds=ON_TIME_S))


def _minutes(late: timedelta) -> str:
    minutes = late.total_seconds() / 60
    return f"{minutes:.0f} min" if minutes < 120 else f"{minutes / 60:.1f} h"
