"""Briefs for the tests of planning: the demo brief with parts of it changed."""

from __future__ import annotations

from typing import Any

import yaml

from plans.brief import Brief
from plans.plan import ExposeStep, Plan
from plans.reading import demo_brief_text, read_brief


class _Plain(yaml.SafeDumper):
    def ignore_aliases(self, data: Any) -> bool:
        return True


def demo(**changes: Any) -> Brief:
    """The demo brief, read; each keyword replaces a part, ``kit__lens__focal_length`` a part within parts.

    ``None`` takes a part away.
    """
    tree = yaml.load(demo_brief_text(), Loader=yaml.BaseLoader)
    for path, value in changes.items():
        *above, last = path.split("__")
        place = tree
        for key in above:
            place = place[key]
        if value is None:
            place.pop(last, None)
        else:
            place[last] = value
    return read_brief(yaml.dump(tree, Dumper=_Plain, sort_keys=False), "changed.yaml")


def marks(step: ExposeStep) -> tuple[str, str, str, tuple[str, ...]]:
    """Aperture, time, ISO and filters of a step as people write them."""
    s = step.settings
    return s.aperture.mark, s.time.mark, s.iso.mark, tuple(item.name for item in s.filters)


def group(plan: Plan, name: str) -> list[ExposeStep]:
    """The frames of one group, in order."""
    return [step for step in plan.exposing if step.group == name]
