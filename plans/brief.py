"""The brief: what the photographer writes, as typed models, and the forms it is written in.

``read_brief`` (text to model, with complaints that name line and column) lives in ``plans/reading.py``.
"""

from __future__ import annotations

from datetime import datetime
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from plans.kit import Kit
from plans.scene import Scene
from plans.stops import Kind

Held = Literal["aperture", "time", "iso", "focus", "filters"]


class _Goal(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)


class Freeze(_Goal):
    """Moving ``subject`` shown sharp: smear at most the circle of confusion."""

    goal: Literal["freeze"] = "freeze"
    subject: str


class Silk(_Goal):
    """Moving ``subject`` drawn out to silk.

    ``length_m``: the visible length of the moving part, in the scene; the smear is then measured against it instead of
    the frame's height, and the floor of 1/4 s falls away. [m]
    """

    goal: Literal["silk"] = "silk"
    subject: str
    length_m: float | None = None


class Isolate(_Goal):
    """``subject`` sharp in its whole depth before a background that is clearly not."""

    goal: Literal["isolate"] = "isolate"
    subject: str


class Deep(_Goal):
    """Everything from the near side of ``from_subject`` to the far side of ``to_subject`` sharp."""

    goal: Literal["deep"] = "deep"
    from_subject: str
    to_subject: str


class Ladder(_Goal):
    """One setting changed rung by rung, another balancing it, so that brightness stays.

    ``first`` and ``last`` are marks as written (``from`` and ``to`` in the brief); None: longest reachable run of
    full-stop marks. ``by`` is the distance of rungs. [stops]
    """

    goal: Literal["ladder"] = "ladder"
    change: Kind
    by: Fraction
    balance: Kind
    hold: tuple[Held, ...] = ()
    focus: str
    first: str | None = None
    last: str | None = None


class Bracket(_Goal):
    """``count`` frames around the right brightness, ``by`` stops apart, made by changing one setting only."""

    goal: Literal["bracket"] = "bracket"
    change: Kind
    by: Fraction
    count: int
    focus: str


SingleGoal = Annotated[Freeze | Silk | Isolate | Deep, Field(discriminator="goal")]


class Compare(_Goal):
    """Single goals tied into one group; ``hold`` names what must be the same in all of them."""

    goal: Literal["compare"] = "compare"
    goals: tuple[SingleGoal, ...]
    hold: tuple[Held, ...] = ()


Goal = Annotated[Freeze | Silk | Isolate | Deep | Ladder | Bracket | Compare, Field(discriminator="goal")]


class Place(BaseModel):
    """Where the pictures are taken; latitude and longitude in degrees, north and east positive."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    latitude: float
    longitude: float
    timezone: str


class Limits(BaseModel):
    """Limits the photographer sets. ``iso_at_most`` is a mark, compared on the scale. ``spread`` in stops."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    iso_at_most: str | None = None
    spread: Fraction = Fraction(1, 6)


class Brief(BaseModel):
    """A whole brief, checked. ``source`` is the tree as written (strings, lists, mappings), kit file spliced in."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    title: str
    place: Place | None = None
    when: datetime | None = None
    kit: Kit
    scene: Scene
    goals: tuple[Goal, ...]
    limits: Limits = Limits()
    source: dict[str, Any]
