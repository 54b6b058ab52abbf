"""The scene script: what the simulated world does, as plain data that tests and benches ask for.

Everything is off by default: then the garden stands in steady light before a rigid tripod. A script goes to JSON and
back unchanged, and the same script, seed and shot give the same picture. Times are on the scene's own line, on which
`Shot.start_s` is told. [s] Angles of the rig are in milliradians: 1 mrad moves the picture of a 50 mm lens by 0.05 mm.
"""

from __future__ import annotations

import dataclasses
import json
import math
import types
import typing
from dataclasses import dataclass, field
from typing import Any

from hardware_mocks.shot import Optics


class SceneError(ValueError):
    """A scene script that says what cannot be: what was asked, found and allowed."""


@dataclass(frozen=True)
class Distances:
    """Where things stand [m] and how fast the water falls [m/s]. What is moved keeps its size in the picture."""

    hedge_m: float = 8.0
    spout_m: float = 3.0
    heron_m: float = 2.0
    speed_m_s: float = 3.0


@dataclass(frozen=True)
class Sun:
    """Daylight that changes with the hour. Its light at time 0 is the camera's ``ev100``; only its changes act.

    ``solar_hour`` is the hour at time 0, 12 when the sun is highest; ``day`` counts from 1 January. [degrees, hours]
    """

    latitude_deg: float = 50.0
    day: int = 264
    solar_hour: float = 12.0


@dataclass(frozen=True)
class Clouds:
    """Clouds that pass: light goes down by up to ``depth_stops`` and up again, about once in ``period_s``."""

    depth_stops: float = 1.0
    period_s: float = 60.0


@dataclass(frozen=True)
class Flash:
    """Somebody's flash. ``worth_s`` is how long the daylight of time 0 would take to give as much light. [s]"""

    at_s: float
    worth_s: float
    lasts_s: float = 0.001


@dataclass(frozen=True)
class Lamps:
    """Lamps on the mains. ``stops`` is their light against the daylight of time 0; they come on at ``from_s``.

    They brighten and darken twice in a period of the mains, by ``ripple`` up and down from their mean (0..1).
    """

    stops: float = -6.0
    from_s: float = 0.0
    mains_hz: float = 50.0
    ripple: float = 0.8


@dataclass(frozen=True)
class Light:
    """All light. ``daylight_stops`` sets the daylight off the camera's ``ev100``; below -50 there is none."""

    daylight_stops: float = 0.0
    sun: Sun | None = None
    clouds: Clouds | None = None
    lamps: tuple[Lamps, ...] = ()
    flashes: tuple[Flash, ...] = ()


@dataclass(frozen=True)
class Bump:
    """Somebody knocks the tripod: from ``at_s`` on the camera looks elsewhere. [mrad]

    ``right_mm``, ``down_mm`` shift it besides. Right and down as the picture moves; ``nearer_mm`` towards the scene.
    """

    at_s: float
    right_mrad: float = 0.0
    down_mrad: float = 0.0
    right_mm: float = 0.0
    down_mm: float = 0.0
    nearer_mm: float = 0.0


@dataclass(frozen=True)
class Rig:
    """Tripod, wind on it, mirror, and the front of the lens.

    Attributes
    ----------
    creep_mrad_per_min, creep_mm_per_min
        A turn and a shift of the camera, to the right and down as the picture moves. A turn about the entrance pupil
        moves near and far alike; a shift moves near things more.
    wind_mrad, wind_hz
        Swing of the tripod in wind: standard deviation along either axis, and the frequency about which it swings.
    slap_mrad, slap_hz, slap_decay_s
        The mirror's blow when the shutter opens: first swing down, its frequency, time in which it falls to 1/e.
    fog_from_s, fog_full_s, fog_veil
        Dew on the lens: from when, how long until it is full, and the share of the light it then scatters.
    """

    creep_mrad_per_min: tuple[float, float] = (0.0, 0.0)
    wind_mrad: float = 0.0
    wind_hz: float = 6.0
    slap_mrad: float = 0.0
    slap_hz: float = 12.0
    slap_decay_s: float = 0.08
    bumps: tuple[Bump, ...] = ()
    fog_from_s: float = 0.0
    fog_full_s: float = 600.0
    fog_veil: float = 0.0
    creep_mm_per_min: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Glass:
    """What the lens is like, on top of `Optics`; each field replaces the one of the same name there."""

    vignette_stops: float | None = None
    barrel_stops: float | None = None
    transmission_stops: float | None = None
    breathing: float | None = None
    focus_shift: float | None = None
    diffraction: bool | None = None


@dataclass(frozen=True)
class Sensor:
    """The sensor and what the body makes of its numbers.

    ``tone_slope`` is the slope of the tone curve about mid-grey, log against log, before the sRGB curve; ``readout_s``
    is how much later the last row begins than the first.
    """

    full_well_e: float = 40_000.0
    read_before_e: float = 3.0
    read_behind_e: float = 12.0
    tone_slope: float = 1.0
    readout_s: float = 0.0


@dataclass(frozen=True)
class Leaves:
    """A branch that hangs into the picture, its twigs swinging in the wind.

    A leaf goes at ``wind_share`` of the wind on the average (root mean square) and swings no farther than 0.1 m:
    an assumption of our own.
    """

    wind_m_s: float = 3.0
    distance_m: float = 5.0
    wind_share: float = 0.1


@dataclass(frozen=True)
class PasserBy:
    """Somebody who walks through between hedge and fountain; in the middle of the picture at ``middle_s``."""

    middle_s: float = 0.0
    speed_m_s: float = 1.4
    distance_m: float = 6.0


@dataclass(frozen=True)
class Glare:
    """What a polariser finds to take away.

    Attributes
    ----------
    water_from_upright_deg
        Angle between the line of sight and the upright where it meets the water of the bowl. The bowl is drawn flatter
        than the 60 degrees that stand here.
    sun_aside_deg, sun_above_deg
        Where the sun stands: to the right of where the camera looks, and above the horizon. [degrees]
    sky_most
        How much of the light of the sky is polarised where it is so most, a quarter of a turn from the sun. [0..1]
    sheen
        How much of the light of leaves and grass is polarised by their gloss, level on the average: an assumption.
        [0..1]
    """

    water_from_upright_deg: float = 60.0
    sun_aside_deg: float = 160.0
    sun_above_deg: float = 50.0
    sky_most: float = 0.6
    sheen: float = 0.18


@dataclass(frozen=True)
class Target:
    """Something to measure on: drawn exactly at whatever size the frame has.

    Attributes
    ----------
    kind
        ``dot`` (a square lit patch of ``size_px``), ``edge`` (a half plane, lit to the right, within a square of
        ``size_px``), ``card`` (an even square of ``size_px``).
    x, y
        Its middle with the lens at infinity, as a share of the frame from its top left.
    level
        Reflectance; more than 1 is a lamp. [unitless]
    distance_m, speed_m_s, heading_deg
        Where it stands, and how it moves across; 0 is to the right, 90 down.
    angle_deg
        Lean of an edge from the vertical.
    """

    name: str
    kind: str = "dot"
    x: float = 0.5
    y: float = 0.5
    size_px: float = 3.0
    level: float = 1.0
    distance_m: float = 3.0
    speed_m_s: float = 0.0
    heading_deg: float = 0.0
    angle_deg: float = 0.0


@dataclass(frozen=True)
class SceneScript:
    """One simulated world. ``stage`` is ``garden``, or ``bare``: an even ground of reflectance ``ground``.

    ``water_life_s`` is the time in which the water's pattern becomes another; it moves at ``distances.speed_m_s``.
    """

    seed: int = 0
    stage: str = "garden"
    ground: float = 0.18
    distances: Distances = field(default_factory=Distances)
    water_life_s: float = 0.5
    light: Light = field(default_factory=Light)
    rig: Rig = field(default_factory=Rig)
    glare: Glare = field(default_factory=Glare)
    glass: Glass = field(default_factory=Glass)
    sensor: Sensor = field(default_factory=Sensor)
    leaves: Leaves | None = None
    passer_by: PasserBy | None = None
    targets: tuple[Target, ...] = ()

    def __post_init__(self) -> None:
        if self.stage not in ("garden", "bare"):
            raise SceneError(f"stage: found {self.stage!r}; allowed: garden, bare")
        for target in self.targets:
            if target.kind not in ("dot", "edge", "card"):
                raise SceneError(f"target {target.name}: found kind {target.kind!r}; allowed: dot, edge, card")
        names = [target.name for target in self.targets]
        if len(set(names)) < len(names):
            raise SceneError(f"targets: found {', '.join(names)}; each needs a name of its own")
        _check_numbers(self, "")
        least = (
            ("water_life_s", self.water_life_s, 0.01),
            ("rig.fog_full_s", self.rig.fog_full_s, 1e-3),
            ("rig.slap_decay_s", self.rig.slap_decay_s, 1e-3),
            ("sensor.full_well_e", self.sensor.full_well_e, 1.0),
            ("sensor.tone_slope", self.sensor.tone_slope, 0.1),
            *((f"distances.{name}", value, 0.2) for name, value in dataclasses.asdict(self.distances).items()),
            *((f"{target.name}.distance_m", target.distance_m, 0.2) for target in self.targets),
            *((f"{target.name}.size_px", target.size_px, 0.01) for target in self.targets),
        )
        for name, value, lowest in least:
            if value < lowest:
                raise SceneError(f"{name}: found {value:g}; allowed: {lowest:g} or more")
        for name in ("sky_most", "sheen"):
            if not 0 <= getattr(self.glare, name) <= 1:
                raise SceneError(f"glare.{name}: found {getattr(self.glare, name):g}; allowed: 0 to 1")
        if not 0 <= self.glare.water_from_upright_deg < 90:
            found = self.glare.water_from_upright_deg
            raise SceneError(f"glare.water_from_upright_deg: found {found:g}; allowed: 0 to less than 90")
        if not 0 <= self.rig.fog_veil <= 1:
            raise SceneError(f"rig.fog_veil: found {self.rig.fog_veil:g}; allowed: 0 to 1")

    def seen_by(self, optics: Optics) -> Optics:
        """The optics with this script's glass."""
        given = {name: value for name, value in dataclasses.asdict(self.glass).items() if value is not None}
        return dataclasses.replace(optics, **given)

    def to_json(self) -> str:
        """The script as JSON, keys sorted."""
        return json.dumps(dataclasses.asdict(self), sort_keys=True)

    @staticmethod
    def from_json(text: str) -> SceneScript:
        """The script of a JSON text; what is not given is as by default. Distances alone are a script too.

        Raises
        ------
        SceneError
            For what is no JSON, an unknown name, a value of the wrong kind or out of range.
        """
        try:
            data = json.loads(text)
        except (ValueError, RecursionError):
            raise SceneError(f"scene script: found {text[:60]!r}; allowed: a JSON object") from None
        if isinstance(data, dict) and data and set(data) <= {item.name for item in dataclasses.fields(Distances)}:
            data = {"distances": data}
        script = _typed(SceneScript, data, "scene script")
        assert isinstance(script, SceneScript)
        return script


def _check_numbers(value: Any, where: str) -> None:
    if isinstance(value, float) and not math.isfinite(value):
        raise SceneError(f"{where}: found {value}; allowed: a finite number")
    if dataclasses.is_dataclass(value):
        for item in dataclasses.fields(value):
            _check_numbers(getattr(value, item.name), f"{where}.{item.name}".lstrip("."))
    if isinstance(value, tuple):
        for number, item in enumerate(value):
            _check_numbers(item, f"{where}[{number}]")


_KINDS = {float: "a number", int: "a whole number", str: "a word"}


def _typed(kind: Any, data: Any, where: str) -> Any:
    """``data`` as a value of ``kind``: a script's dataclass, a number, a word, a list of such."""
    if dataclasses.is_dataclass(kind):
        assert isinstance(kind, type)
        if not isinstance(data, dict):
            raise SceneError(f"{where}: found {data!r}; allowed: a JSON object")
        kinds = typing.get_type_hints(kind)
        if unknown := set(data) - set(kinds):
            raise SceneError(f"{where}: found {', '.join(sorted(unknown))}; allowed: {', '.join(sorted(kinds))}")
        try:
            return kind(**{name: _typed(kinds[name], value, f"{where}.{name}") for name, value in data.items()})
        except TypeError:
            needed = [f.name for f in dataclasses.fields(kind) if f.default is dataclasses.MISSING]
            raise SceneError(f"{where}: found {sorted(data)}; needed: {', '.join(needed)}") from None
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is types.UnionType:
        return None if data is None else _typed(inner[0], data, where)
    if origin is tuple:
        if not isinstance(data, list) or (inner[-1] is not Ellipsis and len(data) != len(inner)):
            raise SceneError(f"{where}: found {data!r}; allowed: a list")
        return tuple(_typed(inner[0], item, f"{where}[{number}]") for number, item in enumerate(data))
    fits = isinstance(data, (int, float)) and not isinstance(data, bool) if kind is float else type(data) is kind
    if not fits:
        raise SceneError(f"{where}: found {data!r}; allowed: {_KINDS[kind]}")
    return float(data) if kind is float else data
