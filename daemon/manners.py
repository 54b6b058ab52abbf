"""How a run behaves where there is a choice, and how a run that goes on behaves as it did before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal

from pydantic import TypeAdapter, ValidationError

from daemon.logbook import Logbook
from plans.drift import Grade


@dataclass(frozen=True)
class Manners:
    """How a run behaves where there is a choice.

    ``patience_s``: how long a lost camera is waited for before the run pauses [s]. ``reachable``: when the light as
    metered puts goals out of reach, go on with the others without asking. ``light``: how closely the light is watched
    while a group is shot; see `plans.drift`. ``rig_check``: look at the rig before the first step. ``cue``: each
    picture waits for its cue. ``remind_s``: how often a question that is open is told again [s]. ``hands_timeout_s``:
    how long an answer is waited for [s], None for as long as it takes; ``hands_late``: what then, pause the run or
    skip what needs the hands (a question that cannot be skipped pauses). ``verdicts``: each group is judged as soon as
    it is whole; ``verdicts_s``: how long the last verdicts are waited for when everything else is done [s].
    """

    patience_s: float = 60.0
    reachable: bool = False
    light: Grade = "off"
    rig_check: bool = False
    cue: bool = False
    remind_s: float = 60.0
    hands_timeout_s: float | None = None
    hands_late: Literal["pause", "skip"] = "pause"
    verdicts: bool = False
    verdicts_s: float = 60.0


def as_told(manners: Manners) -> dict[str, Any]:
    """The manners as plain data, for the event that a run begins or goes on with."""
    return asdict(manners)


def remembered(logbook: Logbook, run_id: int) -> dict[str, Any]:
    """How a run behaved when it began or last went on; empty where the record does not tell, or tells nonsense."""
    told = [event.data.get("manners") for event in logbook.events(run_id) if event.kind == "run-started"]
    last = told[-1] if told and isinstance(told[-1], dict) else {}
    names = {one.name for one in fields(Manners)}
    known = {name: value for name, value in last.items() if name in names}
    try:
        TypeAdapter(Manners).validate_python(known)
    except ValidationError:
        return {}
    return known


def resumed(logbook: Logbook, run_id: int, given: Mapping[str, Any], otherwise: Mapping[str, Any]) -> dict[str, Any]:
    """Manners for going on with a run: what is ``given`` now, else as before, else ``otherwise``."""
    return dict(otherwise) | remembered(logbook, run_id) | dict(given)
