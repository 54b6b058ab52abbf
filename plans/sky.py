"""From sun and moon to light: illuminance, EV100, what the sky and the direction of the light do to it.

Illuminance is that of level ground under a clear sky, by the published polynomials. It is a prior and a trend, to be
corrected by measurement: upright subjects and the sky itself differ from level ground, and below about -6 degrees town
light, cloud and terrain dominate.

Sources: illuminance polynomials as transcribed from the *Explanatory Supplement to the Astronomical Almanac* (Urban &
Seidelmann 2013, p. 518 ff.; moon) and Vallado (2022, table 5-1; sun); three public transcriptions agree. They want the
geometric altitude: at sunset, -0.833 degrees, they give 454 lx, within the 585 to 410 lx of the glossary of the
American Meteorological Society; the altitude as lifted by the air, -0.27, would give 649 lx. Sky and direction: ANSI
PH2.7 as quoted in an encyclopaedia (the standard itself was not read).
"""

from __future__ import annotations

import math
from typing import NamedTuple

from plans.ephemeris import SUNRISE_DEG, Body, Moon
from plans.exposure import INCIDENT_C
from plans.scene import Sky

# ANSI PH2.7 by day: sun 15, hazy sun 14, cloudy bright 13, heavy overcast 12. [stops] USNO Circular 171 weakens the
# light of clouds by 1, 2, 3 and 10, which is 0, 1, 1.6 and 3.3 stops, at any hour.
SKY_STOPS: dict[Sky, float] = {"clear": 0.0, "hazy": -1.0, "cloudy bright": -2.0, "overcast": -3.0}
SUNLIT_SKIES: tuple[Sky, ...] = ("clear", "hazy")  # those in which subjects cast shadows

MODELS_STOPS = 0.30  # by so much two published models of level illuminance differ, from -8 to 90 degrees
ROW_STOPS = 0.5  # the rows of sky lie a stop apart
UPRIGHT_STOPS = 1.0  # an upright surface sees half of the sky
GLOW_STOPS = 1.5  # ANSI's moonlit scenes are 0.7 to 1.5 stops brighter than the curve for level ground

# From the altitude on [degrees]: the logarithm of lux as a cubic of altitude / 90.
_SUN = (
    (20.0, (3.74, 3.97, -4.07, 1.47)),
    (5.0, (3.05, 13.28, -45.98, 64.33)),
    (-0.8, (2.88, 22.26, -207.64, 1034.30)),
    (-5.0, (2.88, 21.81, -258.11, -858.36)),
    (-12.0, (2.70, 12.17, -431.69, -1899.83)),
    (-18.0, (13.84, 262.72, 1447.42, 2797.93)),
)
_MOON = (
    (20.0, (-1.95, 4.06, -4.24, 1.56)),
    (5.0, (-2.58, 12.58, -42.58, 59.06)),
    (-0.8, (-2.79, 24.27, -252.95, 1321.29)),
)
MEAN_PARALLAX_DEG = 0.951
TABLE_END_DEG = -18.0


def _cubic(table: tuple[tuple[float, tuple[float, float, float, float]], ...], altitude_deg: float) -> float:
    """Lux by the row of a table that the altitude falls in; the altitude must not lie below the last row."""
    x = altitude_deg / 90
    for lowest, (a, b, c, d) in table:
        if altitude_deg >= lowest:
            return float(10 ** (a + x * (b + x * (c + x * d))))
    raise ValueError(f"the table of illuminance ends at {table[-1][0]:g} degrees, found {altitude_deg!r}")


NIGHT_LX = _cubic(_SUN, TABLE_END_DEG)


def illuminance_lx(sun_altitude_deg: float) -> float:
    """Illuminance of level ground by sun and clear sky. [lx]

    Below -18 degrees, where the table ends, its last value stays: 0.00064 lx, about that of stars and airglow.

    Parameters
    ----------
    sun_altitude_deg
        Geometric, of the sun's centre. [degrees]
    """
    return NIGHT_LX if sun_altitude_deg <= TABLE_END_DEG else _cubic(_SUN, min(sun_altitude_deg, 90.0))


def moon_illuminance_lx(
    altitude_deg: float, elongation_deg: float = 180.0, parallax_deg: float = MEAN_PARALLAX_DEG
) -> float:
    """Illuminance of level ground by the moon in a clear sky; nought below -0.8 degrees, where its table ends. [lx]

    Parameters
    ----------
    altitude_deg
        Geometric, seen from the ground. [degrees]
    elongation_deg
        From the sun; 180 is full. [degrees]
    parallax_deg
        Horizontal parallax: larger is nearer. [degrees]
    """
    if altitude_deg < _MOON[-1][0]:
        return 0.0
    f = 180.0 - elongation_deg
    return float(_cubic(_MOON, altitude_deg) * 10 ** (-8.68e-3 * f - 2.2e-9 * f**4) * (parallax_deg / 0.951) ** 2)


def level_lx(sun: Body, moon: Moon) -> float:
    """Illuminance of level ground by sun, moon and clear sky together. [lx]"""
    return illuminance_lx(sun.altitude_deg) + moon_illuminance_lx(moon[0], moon[2], moon[3])


def ev100_of_illuminance(lx: float) -> float:
    """EV100 that an incident-light meter reads: log2(100 E / C), the inverse of `plans.exposure.illuminance`. [stops]

    Raises
    ------
    ValueError
        If the illuminance is not above zero.
    """
    if not lx > 0:
        raise ValueError(f"an illuminance must be above 0 lx, found {lx!r}")
    return math.log2(100 * lx / INCIDENT_C)


class Beam(NamedTuple):
    """How much of the light comes straight from the sun. [unitless]

    ``share``: of level ground's light. ``toward``: light of a surface that faces the sun upright, over level ground's.
    """

    share: float
    toward: float


def beam(sun_altitude_deg: float) -> Beam:
    """Sunlight and skylight told apart, for a clear sky.

    References
    ----------
    USNO Circular 171 (Janiczek & DeYoung 1987): its terms for the sun, exp(-0.21 M) sin h, and for the sky, with M the
    air mass along a ray through a shell. That an upright surface sees the sky as level ground does is a rough guess.
    """
    if sun_altitude_deg <= 0:
        return Beam(0.0, 1.0)
    h = math.radians(sun_altitude_deg)
    shell = 753.66156
    s = math.asin(shell * math.cos(h) / (shell + 1))
    mass = shell * (math.cos(s) - math.sin(h)) + math.cos(s)
    straight = math.exp(-0.21 * mass) * min(1.0, sun_altitude_deg)  # from nothing: the first degree is ours
    sky = 0.0289 * math.exp(-0.042 * mass) * (1 + (sun_altitude_deg + 90) * math.sin(h) / 57.29578)
    level = straight * math.sin(h) + sky
    return Beam(straight * math.sin(h) / level, (straight * math.cos(h) + sky) / level)


class Direction(NamedTuple):
    """Whence the light comes for a camera. ``from_axis_deg``: 0 behind the subject, 180 behind the camera. [degrees]

    ``stops``: what the direction takes from the light of a front-lit subject. [stops]
    """

    name: str
    from_axis_deg: float
    stops: float


def direction(sun: Body, facing_deg: float) -> Direction:
    """Front, side, back or top light, by the angle between the camera's facing and the sun on the level.

    References
    ----------
    ANSI PH2.7: side light one stop, back light two stops below front light; straight lines between them are ours, and
    so is that a sun above 60 degrees turns into side light from everywhere, since its bearing then says little. Front,
    side and back are named by the nearest of the three, top light from 75 degrees on; common practice, no source.
    """
    turn = (sun.azimuth_deg - facing_deg + 180.0) % 360.0 - 180.0
    angle = abs(turn)
    if sun.altitude_deg >= 75:
        name = "top light"
    elif angle >= 135:
        name = "front light"
    elif angle <= 45:
        name = "back light"
    else:
        name = f"side light from the {'right' if turn > 0 else 'left'}"
    told = min(1.0, (90 - sun.altitude_deg) / 30)
    return Direction(name, angle, (angle / 90 - 1) * told - 1)


class Estimate(NamedTuple):
    """EV100 as expected, and the range within which it holds while the sky is as said. [stops]"""

    ev100: float
    low: float
    high: float


def estimate(sun: Body, moon: Moon, sky: Sky | None, facing_deg: float | None) -> Estimate:
    """EV100 of the light. [stops]

    Parameters
    ----------
    sun, moon
        Where they stand.
    sky
        As it will be; None: not known. The estimate is then for a clear sky, the range reaches to heavy overcast.
    facing_deg
        Whither the camera looks; the estimate is then for upright subjects as lit from there. None: the estimate is for
        level ground, and the range holds upright subjects in front and back light. [degrees]

    Notes
    -----
    Light from ahead counts in full where at least half of level ground's light is the sun's, which is from 8 degrees
    on, and fades to nothing at sunset.
    """
    level = ev100_of_illuminance(level_lx(sun, moon))
    if sky is None:
        clear = _under(level, sun, "clear", facing_deg)
        return Estimate(clear.ev100, min(clear.low, _under(level, sun, "overcast", facing_deg).low), clear.high)
    return _under(level, sun, sky, facing_deg)


def _under(level: float, sun: Body, sky: Sky, facing_deg: float | None) -> Estimate:
    """The estimate from level ground's EV100 under a clear sky."""
    ev = level + SKY_STOPS[sky]
    share, toward = beam(sun.altitude_deg)
    front = max(0.0, math.log2(toward))  # a high sun lights level things best
    sunlit = min(1.0, 2 * share) if sky in SUNLIT_SKIES else 0.0
    least = most = 0.0
    if sky not in SUNLIT_SKIES:
        ev += front  # the rows count from front-lit subjects, and clouds light all sides
    elif facing_deg is None:
        least, most = min(0.0, front - 2 * sunlit), front
    else:
        ev += front + sunlit * direction(sun, facing_deg).stops
    least -= MODELS_STOPS + ROW_STOPS + UPRIGHT_STOPS * (1 - sunlit)
    most += MODELS_STOPS + ROW_STOPS + GLOW_STOPS * min(max((6 - sun.altitude_deg) / 6, 0.0), 1.0)
    return Estimate(ev, ev + least, ev + most)


def reasons(sun: Body, sky: Sky | None, facing_deg: float | None) -> tuple[str, ...]:
    """Why an estimate is a range, in sentences."""
    found = ["two published models of the light on level ground differ by up to 0.3 stop, and skies lie between rows"]
    if facing_deg is None:
        found.append("upright subjects differ from level ground by where they face")
    if sky is None:
        found.append("the sky is not known: heavy cloud takes up to 3.3 stops")
    else:
        found.append("it holds while the sky stays so: heavy cloud takes up to 3.3 stops of a clear sky's light")
    if sun.altitude_deg < 6:
        found.append("near and below the horizon the side toward the glow gets more, and the sky itself far more")
    if sun.altitude_deg < -6:
        found.append("town light, cloud and terrain dominate at this hour and are not in it")
    return tuple(found)


def is_up(sun: Body) -> bool:
    """Whether any of the sun's disc is above a level horizon."""
    return sun.altitude_deg > SUNRISE_DEG
