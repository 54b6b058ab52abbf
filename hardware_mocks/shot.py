"""What the camera knows and what the world does at the moment of one exposure."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from hardware_mocks.marks import DialMark


@dataclass(frozen=True)
class Optics:
    """The simulated body and lens: a thin lens before a sensor. Lengths in millimetres.

    Attributes
    ----------
    vignette_stops
        How much darker the corners are than the middle at every aperture. [stops]
    barrel_stops
        What the barrel takes besides at the widest aperture; it shrinks when stopped down. [stops]
    widest
        The f-number of the lens wide open. [unitless]
    transmission_stops
        Light lost in the glass. [stops]
    breathing
        How much more the picture grows by focusing near than a thin lens's, as a share of m; -1 is a lens that does
        not breathe. [unitless]
    focus_shift
        Share by which the distance in focus grows from wide open to fully stopped down. [unitless]
    diffraction, wavelength_um
        Whether the iris spreads light, and of which wavelength. [um]
    """

    focal_mm: float = 50.0
    sensor_mm: tuple[float, float] = (35.9, 24.0)
    size: tuple[int, int] = (1500, 1000)
    vignette_stops: float = 0.0
    barrel_stops: float = 0.0
    widest: float = 2.0 ** (5 / 6)
    transmission_stops: float = 0.0
    breathing: float = 0.0
    focus_shift: float = 0.0
    diffraction: bool = True
    wavelength_um: float = 0.55

    @property
    def pitch_mm(self) -> float:
        """Distance between the centres of neighbouring pixels. [mm]"""
        return self.sensor_mm[0] / self.size[0]


@dataclass(frozen=True)
class Stand:
    """Where the camera stands and looks, against where it stood at first.

    Attributes
    ----------
    looks
        How far it is turned to the right and down: the picture goes the other way, near and far alike.
        [shares of the picture's width and height]
    right_m, lower_m, nearer_m
        How far it was carried: near things are shifted more than far ones. [m]
    swing
        How far a turn lets the picture run sideways while the shutter is open. [share of the width]
    """

    looks: tuple[float, float] = (0.0, 0.0)
    right_m: float = 0.0
    lower_m: float = 0.0
    nearer_m: float = 0.0
    swing: float = 0.0


@dataclass(frozen=True)
class Shot:
    """One exposure: the marks the camera believes in, and what iris, shutter, hands and light really do.

    ``f_number``, ``time_s`` and ``iso`` are the true values, injected errors included. ``start_s`` is the place on the
    scene's own time line at which the shutter opens. [s] ``exif_style`` is whether the camera writes marks as printed
    ("nominal") or the values behind them ("exact") into its files.
    ``polariser_deg`` is how far the axis of a polariser on the lens is turned from the level, None without one; what it
    takes of unpolarised light is among ``filter_stops``.
    """

    number: int
    aperture: DialMark
    time: DialMark
    sensitivity: DialMark
    f_number: float
    time_s: float
    iso: float
    focus_m: float
    filter_stops: tuple[float, ...]
    ev100: float
    start_s: float
    taken: datetime
    optics: Optics = field(default_factory=Optics)
    mode: str = "M"
    bias: int = 0
    white_balance: int = 4
    image_format: int = 2
    seed: int = 0
    exif_style: str = "nominal"
    stand: Stand = field(default_factory=Stand)
    polariser_deg: float | None = None

    @property
    def magnification(self) -> float:
        """Image size over object size in the plane of focus, thin lens: f/(s-f). [unitless]"""
        return self.optics.focal_mm / (self.focus_m * 1000 - self.optics.focal_mm)

    @property
    def gain(self) -> float:
        """Linear value on the sensor of a surface that reflects everything. [unitless, 1 is saturation]

        Settings that meet the light with the bare lens focused at infinity give 1, so that a reflectance of 0.18 lies
        at 0.18: the meter's calibration, N^2/t = 2^EV * S/100. Focusing near draws the lens out and the same light is
        spread over an area (1+m)^2 times as large (thin lens).
        """
        meter: float = 2.0**self.ev100 * self.time_s / self.f_number**2 * self.iso / 100
        through: float = 2.0 ** -(sum(self.filter_stops) + self.optics.transmission_stops)
        return meter * through / (1 + self.magnification) ** 2
