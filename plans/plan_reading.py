"""From the text of a plan file that somebody hands in to a `plans.plan.Plan`, or to every complaint about it.

A file is data from outside, even when Stopwright wrote it once: it may have been edited, torn or made to do harm. So
its raw tree is looked at first (keys written twice, texts, depth), then its shape, then whether it holds together and
follows from its own inputs (`plans.plan_check`).
"""

from __future__ import annotations

import json
from typing import Any

from plans.errors import BriefError
from plans.plan import Plan, read_plan
from plans.plan_check import MOST_COMPLAINTS, Fault, check_plan, complaint, shown
from plans.yaml_tree import DEEPEST, LARGEST, Path, is_hidden

LONGEST_TEXT = 10_000  # letters; a list of fifty subjects with the longest names takes a fifth of it
LARGEST_BRIEF = 2 * LARGEST  # letters; a brief and the kit file that it named
_BRIEF_AT = ("inputs", "brief")
_DEEPEST = DEEPEST + len(_BRIEF_AT)


def read_given_plan(text: str, name: str) -> Plan:
    """The plan in a file that a user names; ``name`` is the file's, for complaints.

    Stricter than `plans.plan.read_plan`, which reads back what the logbook keeps.

    Raises
    ------
    BriefError
        If the text is no JSON, no plan of this version, holds texts or numbers that no plan holds, names its own parts
        wrongly, or does not follow from its inputs.
    """
    _refuse_wild(_parsed(text, name), name)
    plan = read_plan(text, name)
    check_plan(plan, name)
    return plan


class _Twice(Exception):
    """A key that stands twice in one mapping."""


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    tree: dict[str, Any] = {}
    for key, value in pairs:
        if key in tree:
            raise _Twice(key)
        tree[key] = value
    return tree


def _parsed(text: str, name: str) -> Any:
    try:
        return json.loads(text, object_pairs_hook=_once)
    except _Twice as twice:
        found = f"the key {shown(str(twice))} a second time in one mapping"
        raise BriefError([complaint(name, (("plan",), found, "each key once"))]) from None
    except (ValueError, RecursionError):
        return None  # no JSON: `read_plan` says so, with its place


def _refuse_wild(tree: Any, name: str) -> None:
    """Complain of a tree that is too deep, and of texts too long or with hidden characters wherever they stand."""
    faults: list[Fault] = []
    letters = 0
    waiting: list[tuple[Path, Any]] = [((), tree)]
    while waiting and len(faults) < MOST_COMPLAINTS:
        path, value = waiting.pop()
        if len(path) > _DEEPEST:
            faults.append((path[:4], f"more than {_DEEPEST} levels", f"at most {_DEEPEST} levels"))
            break
        if isinstance(value, dict):
            waiting += [((*path, key), below) for key, below in reversed(value.items())]
        elif isinstance(value, list):
            waiting += [((*path, index), value[index]) for index in reversed(range(len(value)))]
        for text in value if isinstance(value, dict) else [value] if isinstance(value, str) else []:
            letters += len(text) if path[: len(_BRIEF_AT)] == _BRIEF_AT else 0
            if len(text) > LONGEST_TEXT:
                faults.append((path, f"a text of {len(text)} letters", f"at most {LONGEST_TEXT} letters"))
            elif is_hidden(text):
                faults.append((path, shown(text), "text without hidden characters"))
    if letters > LARGEST_BRIEF:
        faults.append((_BRIEF_AT, f"{letters} letters", f"at most {LARGEST_BRIEF} letters"))
    if faults:
        raise BriefError([complaint(name, fault) for fault in faults])
