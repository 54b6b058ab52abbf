"""Steps and groups as people name them: ``step 3, picture``, ``silk spout (goal 2)``.

Ids (``03-expose``, ``g2``) are for files, rows and JSON.
"""

from __future__ import annotations

import re

from plans.plan import ControlStep, GroupNote, OperatorStep, Step

_ID = re.compile(r"(?<![\w/.-])(\d{2,})-(operator|control|expose)(?![\w/.-])")
_KINDS = {"operator": "hands", "control": "reading", "expose": "picture"}
_READINGS = {"meter": "metering frame", "check": "check frame"}


def step_name(step: Step) -> str:
    """A step by its number and what it is: ``step 2, metering frame``."""
    if isinstance(step, ControlStep):
        return f"{step_number(step.id)}, {_READINGS[step.purpose]}"
    return f"{step_number(step.id)}, {'hands' if isinstance(step, OperatorStep) else 'picture'}"


def step_number(step_id: str) -> str:
    """The same, short: ``step 3``; an id of another make stays as it is."""
    found = _ID.fullmatch(step_id)
    return f"step {int(found[1])}" if found else step_id


def in_words(text: str) -> str:
    """A text with every id of a step in it put into words: ``03-expose: dark`` is ``step 3, picture: dark``.

    Names of files, which begin with an id, stay as they are.
    """
    return _ID.sub(lambda found: f"step {int(found[1])}, {_KINDS[found[2]]}", text)


def group_name(note: GroupNote) -> str:
    """A group by its kind and the goal's number in the brief: ``silk spout (goal 2)``, as unreachable goals have it."""
    return f"{note.title} (goal {note.id.removeprefix('g')})"
