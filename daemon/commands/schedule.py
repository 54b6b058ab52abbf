"""``schedule``: runs that begin by themselves, at a time or by the sun."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from daemon.commands.common import (
    camera_option,
    ends_well,
    json_option,
    place,
    print_json,
    reachable_option,
    say,
    store_option,
    word,
)
from daemon.errors import UsageError


@click.group()
def schedule() -> None:
    """Runs that the service begins by itself. Without a running service they are noted for its next start."""


@schedule.command("add")
@click.argument("path", metavar="BRIEF|PLAN", type=place)
@click.option("--at", metavar="TIME", help="Once, such as '2026-10-20 18:30'; local time, or with its offset.")
@click.option("--daily", metavar="HH:MM", help="Every day at a local time.")
@click.option("--weekly", metavar="DAYS", help="On days of the week, such as mon,thu; with --daily or --sun.")
@click.option("--sun", metavar="EVENT", help="sunrise, sunset, or rising:DEG, setting:DEG for an altitude of the sun.")
@click.option(
    "--offset",
    "offset_min",
    type=click.FloatRange(-720, 720),
    default=0.0,
    help="Minutes after --sun; negative: before.",
)
@click.option(
    "--latitude", type=click.FloatRange(-90, 90), help="Place for --sun; left out: brief, else configuration."
)
@click.option("--longitude", type=click.FloatRange(-180, 180), help="The same.")
@click.option(
    "--timezone", type=word, help="Zone of local times; left out: brief, configuration, else this computer's."
)
@click.option(
    "--late",
    "late_min",
    type=click.FloatRange(0, 1440),
    default=30.0,
    show_default=True,
    metavar="MINUTES",
    help="How late it may begin; later, it is left out.",
)
@click.option(
    "--conflict",
    type=click.Choice(["wait", "skip"]),
    default="wait",
    show_default=True,
    help="What to do when another run goes on.",
)
@click.option("--title", type=word, help="Left out: the brief's.")
@camera_option
@click.option(
    "--operator", "operator_name", type=word, metavar="NAME", help="Whose hands: page, or simulated[:HOST:PORT]."
)
@click.option("--composed", is_flag=True, help="The rig stands framed, focused on the first subject, no filter on.")
@store_option
@reachable_option
@json_option
@ends_well
def add(path: Path, store_dir: Path | None, as_json: bool, **options: Any) -> None:
    """Have BRIEF or PLAN shot at a time, daily, weekly, or by the sun."""
    from daemon.commands.handover import brief_tree

    brief = brief_tree(path)
    rule = _rule(options, _places(options, brief))
    order = {
        "camera": options["camera_port"], "operator": options["operator_name"], "composed": options["composed"],
        "reachable": options["reachable"],
    }  # fmt: skip
    policy = {"title": options["title"] or "", "late_min": options["late_min"], "conflict": options["conflict"]}
    with _asked(store_dir, create=True) as asked:
        made = asked.add({"brief": brief, "rule": rule} | order | policy)
    if as_json:
        print_json(made)
        return
    _show(made)


@schedule.command("list")
@store_option
@click.option("--removed", is_flag=True, help="Those that were removed, too.")
@json_option
@ends_well
def show(store_dir: Path | None, removed: bool, as_json: bool) -> None:
    """List the schedules: when each is next, what came of it, what it would meet."""
    with _asked(store_dir) as asked:
        found = asked.all(removed)
    if as_json:
        print_json({"schedules": found})
        return
    if not found:
        say("Nothing is scheduled. Add something with: stopwright schedule add BRIEF --daily 18:30")
    for one in found:
        _show(one)


@schedule.command("remove")
@click.argument("number", type=click.IntRange(1, 2**31))
@store_option
@json_option
@ends_well
def remove(number: int, store_dir: Path | None, as_json: bool) -> None:
    """Take schedule NUMBER out of force; what came of it stays in the record."""
    with _asked(store_dir) as asked:
        gone = asked.remove(number)
    if as_json:
        print_json(gone)
    else:
        say(f"Removed: schedule {gone['id']}, {gone['title']}")


class _ByService:
    """Through the running service."""

    def __init__(self, client: Any):
        self._client = client

    def add(self, tree: dict[str, Any]) -> dict[str, Any]:
        made: dict[str, Any] = self._client.ask("POST", "/api/schedule", tree)
        return made

    def all(self, removed: bool) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = self._client.ask("GET", f"/api/schedule?removed={str(removed).lower()}")[
            "schedules"
        ]
        return found

    def remove(self, number: int) -> dict[str, Any]:
        gone: dict[str, Any] = self._client.ask("DELETE", f"/api/schedule/{number}")
        return gone


class _ByRows:
    """In the logbook, for the next start of the service."""

    def __init__(self, rows: Any):
        self._rows = rows

    def add(self, tree: dict[str, Any]) -> dict[str, Any]:
        from daemon.schedule import add_row, told
        from daemon.schedule_rules import RULE

        order = tree["brief"] | {name: tree[name] for name in ("camera", "operator", "composed", "reachable")}
        rule = RULE.validate_python(tree["rule"])
        return told(self._rows, add_row(self._rows, tree["title"], rule, order, tree["late_min"], tree["conflict"]))

    def all(self, removed: bool) -> list[dict[str, Any]]:
        from daemon.schedule import told

        return [told(self._rows, row) for row in self._rows.rows(removed)]

    def remove(self, number: int) -> dict[str, Any]:
        from daemon.schedule import told

        return told(self._rows, self._rows.remove(number))


@contextmanager
def _asked(store_dir: Path | None, create: bool = False) -> Iterator[_ByService | _ByRows]:
    from daemon.client import running_service

    if (client := running_service(store_dir)) is not None:
        yield _ByService(client)
        return
    from daemon.schedule_rows import ScheduleRows
    from daemon.store import open_store

    with open_store(store_dir, create=create) as store:
        rows = ScheduleRows(store)
        try:
            yield _ByRows(rows)
        finally:
            rows.close()


def _places(options: Mapping[str, Any], brief: Mapping[str, Any]) -> dict[str, Any]:
    """Latitude, longitude and zone: as given, else of the brief's place, else of the configuration."""
    from daemon.config import load
    from daemon.texts import Written, stand_in_scales

    written = Written(brief["text"], brief["name"], brief["kits"])
    found: dict[str, Any] = {"latitude": None, "longitude": None, "timezone": None}
    sources: list[Any] = [load().config]
    if not written.is_plan and (its := written.brief(stand_in_scales()).place) is not None:
        sources.insert(0, its)
    for name in found:
        told = [options[name], *(getattr(source, name, None) for source in sources)]
        found[name] = next((value for value in told if value is not None), None)
    if found["timezone"] is None:
        found["timezone"] = _own_zone()
    return found


def _own_zone() -> str:
    """The name of this computer's time zone, by $TZ or /etc/localtime; UTC where neither tells."""
    named = os.environ.get("TZ", "").lstrip(":")
    if named and not named.startswith("/"):
        return named
    _, found, name = str(Path(named or "/etc/localtime").resolve()).partition("/zoneinfo/")
    return name if found else "UTC"


def _rule(options: Mapping[str, Any], where: Mapping[str, Any]) -> dict[str, Any]:
    from pydantic import ValidationError

    from daemon.schedule_rules import RULE

    given = [name for name in ("at", "daily", "sun") if options[name]]
    if len(given) != 1:
        found = " and ".join(f"--{name}" for name in given) or "none of them"
        raise UsageError(f"schedule add: found {found}; allowed: one of --at, --daily, --sun. Say when to shoot")
    days = [day.strip().lower() for day in (options["weekly"] or "").split(",") if day.strip()]
    if days and given == ["at"]:
        raise UsageError("schedule add: found --weekly with --at; allowed: with --daily or --sun. Leave one out")
    if given == ["at"]:
        rule: dict[str, Any] = {"kind": "once", "at": _time(options["at"], where["timezone"]).isoformat()}
    elif given == ["daily"]:
        rule = {"kind": "weekly" if days else "daily", "time": options["daily"], "timezone": where["timezone"]}
        rule |= {"days": days}
    else:
        rule = _by_sun(options, where) | {"days": days}
    try:
        RULE.validate_python(rule)
    except ValidationError as error:
        first = error.errors()[0]
        field = str(first["loc"][-1])
        raise UsageError(
            f"schedule add: {field}: found {str(first.get('input'))[:60]!r}; allowed: "
            f"{first['msg'].removeprefix('Value error, ')}. See: stopwright schedule add --help"
        ) from None
    return rule


def _by_sun(options: Mapping[str, Any], where: Mapping[str, Any]) -> dict[str, Any]:
    match = re.fullmatch(r"(sunrise|sunset)|(rising|setting):(-?[0-9]{1,2}(?:\.[0-9]{1,3})?)", options["sun"])
    if match is None:
        raise UsageError(
            f"--sun: found {options['sun'][:40]!r}; allowed: sunrise, sunset, rising:DEG, setting:DEG. For the end of "
            "civil twilight write setting:-6"
        )
    if where["latitude"] is None or where["longitude"] is None:
        raise UsageError(
            "--sun: found no place; allowed: one in the brief or the configuration. Or give --latitude, --longitude"
        )
    rule = {"kind": "sun", "event": match[1] or match[2], "offset_min": options["offset_min"], **where}
    return rule if match[3] is None else rule | {"altitude_deg": float(match[3])}


def _time(text: str, timezone: str) -> datetime:
    from zoneinfo import ZoneInfo

    try:
        found = datetime.fromisoformat(text)
        return found if found.tzinfo is not None else found.replace(tzinfo=ZoneInfo(timezone))
    except (ValueError, KeyError, OSError):
        raise UsageError(
            f"--at: found {text[:40]!r}; allowed: a time that exists. Write it as 2026-10-20 18:30"
        ) from None


def _show(one: Mapping[str, Any]) -> None:
    say(f"{one['id']:>4}  {one['title']}"[:80])
    say(f"      {one['words']}"[:80])
    if one["removed"]:
        say("      removed")
    elif one["next"]:
        local = datetime.fromisoformat(one["next"]).astimezone()
        policy = f"up to {one['late_min']:g} min late; {one['conflict']} for others"
        say(f"      next: {local:%a %Y-%m-%d %H:%M %Z}; {policy}"[:80])
    else:
        say("      does not come any more")
    for outcome in one["outcomes"][:3]:
        due = datetime.fromisoformat(outcome["due"]).astimezone()
        run = f" run {outcome['run_id']}" if outcome["run_id"] else ""
        why = outcome["why"].partition("\n")[0]
        say(f"      {due:%Y-%m-%d %H:%M} {outcome['outcome']}{run}: {why}"[:80])
    for meets in one["conflicts"]:
        at = datetime.fromisoformat(meets["at"]).astimezone()
        say(f"      meets schedule {meets['schedule']} on {at:%a %Y-%m-%d %H:%M}"[:80])
