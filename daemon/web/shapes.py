"""What clients send. A field that is not known is refused, so that a misspelt one is never passed over."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from daemon.texts import Written
from daemon.web.joining import CLASS_MINUTES, MOST_MINUTES

Id = Annotated[
    str, Field(pattern=r"^[A-Za-z0-9._:-]{1,100}$", description="Made by the client; sent twice, it acts once")
]
Port = Annotated[str, Field(min_length=1, max_length=200, description="usb:… or ptpip:IP[:PORT]")]
Text = Annotated[str, Field(max_length=8_000_000)]
Name = Annotated[str, Field(min_length=1, max_length=200)]


class Sent(BaseModel):
    """The base of them all."""

    model_config = ConfigDict(extra="forbid", hide_input_in_errors=True)


class Brief(Sent):
    """A brief (YAML) or a plan (JSON)."""

    text: Text
    name: Name = "brief.yaml"
    kits: dict[Name, Text] = Field(default_factory=dict, max_length=20, description="Kit files that the brief names")

    def written(self) -> Written:
        """The text with its name and kits."""
        return Written(self.text, self.name, self.kits)


class ToCompile(Brief):
    """``camera``: asked only when the brief leaves a scale to it."""

    camera: Port | None = None


class ToLight(Brief):
    """``date``: year-month-day; left out: the day of the brief's when."""

    date: Annotated[str, Field(max_length=10)] | None = None


class ToCheck(Sent):
    """``brief`` left out: the camera alone."""

    brief: Brief | None = None
    camera: Port | None = None
    dry: bool = False
    reachable: bool = False


class ToReadKit(Sent):
    """Either a configuration tree as text, or a camera."""

    tree: Text | None = None
    name: Name = "tree.json"
    camera: Port | None = None


class ToResume(Sent):
    """How to go on with a run. ``operator``: page, nobody, or simulated[:HOST:PORT]."""

    id: Id
    camera: Port | None = None
    operator: Name | None = None
    reachable: bool = False
    patience_s: Annotated[float, Field(ge=0, le=86400)] | None = None
    manners: dict[Name, bool | float | str | None] = Field(default_factory=dict, max_length=20)


class ToShoot(ToResume):
    """A run to begin."""

    brief: Brief
    composed: bool = False


class ToCommand(Sent):
    """A command to a run. ``verb``: one of those that ``/api/state`` lists; ``data``: what the verb needs."""

    id: Id
    verb: Name
    data: dict[str, Any] = Field(default_factory=dict, max_length=20)


class ToPair(Sent):
    """The code that another device shows."""

    code: Annotated[str, Field(min_length=1, max_length=40)]


class ToOfferPairing(Sent):
    """What the device that is to be paired may do."""

    role: Literal["control", "watch"] = "watch"


class ToLetJoin(Sent):
    """How long a class may join [min]."""

    minutes: Annotated[float, Field(ge=1, le=MOST_MINUTES)] = CLASS_MINUTES


class ToSignIn(Sent):
    """The token on this computer."""

    token: Annotated[str, Field(min_length=1, max_length=200)]
