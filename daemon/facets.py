"""What a run can be found by beyond its row: goals, subjects and kit, as the brief within its plan names them.

They are drawn from stored plans when first asked for and kept in memory by the plan's hash: a stored plan never
changes, so nothing kept grows old, and a logbook needs no column for it.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from daemon import tables
from plans.goal_forms import GOAL_FORMS

GOALS = (*GOAL_FORMS, "compare")
READ_AT_ONCE = 200


@dataclass(frozen=True)
class Facet:
    """Of one plan, in small letters. ``kit``: names of body, lens and filters, and focal lengths, as one text."""

    goals: frozenset[str] = frozenset()
    subjects: frozenset[str] = frozenset()
    kit: str = ""

    def fits(self, goal: str, subject: str, kit: str) -> bool:
        """Whether a goal is one of its own, every word of ``subject`` in one subject's name, and of ``kit`` in its kit.

        An empty text asks nothing.
        """
        words = subject.lower().split()
        return (
            (not goal or goal in self.goals)
            and (not words or any(all(word in name for word in words) for name in self.subjects))
            and all(word in self.kit for word in kit.lower().split())
        )


def facet_of(plan: str) -> Facet:
    """Of a stored plan's JSON; empty where it holds no brief."""
    try:
        brief = json.loads(plan)["inputs"]["brief"]
    except (ValueError, KeyError, TypeError):
        return Facet()
    if not isinstance(brief, dict):
        return Facet()
    scene = brief.get("scene")
    subjects = scene.get("subjects") if isinstance(scene, dict) else None
    named = subjects if isinstance(subjects, dict) else {}
    kit = " ".join(_named(brief.get("kit")))
    return Facet(frozenset(_goals(brief.get("goals"))), frozenset(str(name).lower() for name in named), kit.lower())


def _goals(tree: Any) -> Iterator[str]:
    for goal in tree if isinstance(tree, list) else ():
        for name, value in goal.items() if isinstance(goal, dict) else ():
            if name in GOALS:
                yield name
            yield from _goals(value)


def _named(tree: Any) -> Iterator[str]:
    if isinstance(tree, dict):
        for name, value in tree.items():
            if name in ("name", "focal_length") and not isinstance(value, dict | list):
                yield str(value)
            else:
                yield from _named(value)
    elif isinstance(tree, list):
        for value in tree:
            yield from _named(value)


class Facets:
    """Those of every plan in one logbook. Usable from several threads."""

    def __init__(self) -> None:
        self._lock, self._known = threading.Lock(), dict[str, Facet]()

    def of_runs(self, connection: sa.Connection) -> dict[int, Facet]:
        """By run, of its newest revision. The first call reads every plan; a later one those that came since."""
        rows, plans = tables.run_plans.c, tables.plans.c
        asked = sa.select(rows.run_id, rows.plan_hash).order_by(rows.run_id, rows.revision)
        newest = {int(run): str(plan) for run, plan in connection.execute(asked)}
        with self._lock:
            unknown = sorted(set(newest.values()) - self._known.keys())
            for first in range(0, len(unknown), READ_AT_ONCE):
                part = sa.select(plans.hash, plans.json).where(plans.hash.in_(unknown[first : first + READ_AT_ONCE]))
                for name, text in connection.execute(part):
                    self._known[str(name)] = facet_of(text)
            return {run: self._known.get(plan, Facet()) for run, plan in newest.items()}
