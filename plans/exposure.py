"""Exposure: EV, the meter equation, and how bright an image comes out.

Brightness is counted in stops against the metered one: 0 is right, +1 one stop over. It is the light's EV100 plus the
light of aperture, time and ISO (`plans.stops`), less what filters and a close focus take. Marks enter with their exact
positions, so that sums of them are exact fractions; only filters, magnification and the light itself are measured
numbers.

Sources: APEX, as in the Exif standard's annex; ISO 2720:1974 for the meter's constants, as quoted in the documentation
of the colour-hdri library (the standard itself was not read).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from fractions import Fraction

from plans.stops import Mark, light_of

REFLECTED_K = 12.5  # [cd s / (m^2 ISO)] ISO 2720 gives 10.6 to 13.4
INCIDENT_C = 250.0  # [lx s / ISO] flat receptor; ISO 2720 gives 240 to 400

HIGHLIGHT = 2  # [stops] by as much and more only the lightest part is meant to be placed; common practice, no source


def ev100(aperture: float, time_s: float, iso: float) -> float:
    """Exposure value at ISO 100 for which these settings are right: log2(N^2/t) - log2(S/100). [stops]

    Parameters
    ----------
    aperture, time_s, iso
        Exact values, not nominal ones. [unitless], [s], [unitless]

    Raises
    ------
    ValueError
        If a value is not a finite number above zero.

    References
    ----------
    APEX: Av + Tv = Bv + Sv, with Sv 5 at ISO 100.
    """
    return -(light_of("aperture", aperture) + light_of("time", time_s) + light_of("iso", iso))


def luminance(ev: float, k: float = REFLECTED_K) -> float:
    """Luminance that a reflected-light meter reads as ``ev`` at ISO 100: K 2^EV / 100. [cd/m^2]

    References
    ----------
    ISO 2720:1974, L = K N^2 / (t S).
    """
    return float(k * 2.0**ev / 100)


def illuminance(ev: float, c: float = INCIDENT_C) -> float:
    """Illuminance that an incident-light meter reads as ``ev`` at ISO 100: C 2^EV / 100. [lx]

    References
    ----------
    ISO 2720:1974, E = C N^2 / (t S).
    """
    return float(c * 2.0**ev / 100)


def density_of_stops(stops: float) -> float:
    """Optical density of a filter that takes this many stops: stops x log10(2). [unitless]

    References
    ----------
    Density is the common logarithm of the factor by which light is weakened.
    """
    return stops * math.log10(2)


def magnification_loss(magnification: float) -> float:
    """Stops lost because the image forms behind the focal plane: 2 log2(1 + m). [stops]

    An approximation: a thin lens with a pupil ratio of 1, moved as a whole. Lenses that focus inside shorten their
    focal length instead and lose less or more.

    References
    ----------
    Effective f-number N (1 + m/p) with pupil ratio p = 1; common practice for close focus ("bellows factor").
    """
    return 2 * math.log2(1 + magnification)


def brightness(
    ev: float,
    aperture: Mark,
    time: Mark,
    iso: Mark,
    filter_stops: Iterable[float] = (),
    loss: float = 0.0,
) -> Fraction:
    """How far an image comes out above (+) or below (-) the metered brightness. [stops]

    Parameters
    ----------
    ev
        The light's exposure value at ISO 100. [stops]
    aperture, time, iso
        Marks; their exact positions count.
    filter_stops
        What each filter on the lens takes. [stops]
    loss
        What the magnification takes (`magnification_loss`). [stops]

    Returns
    -------
    Fraction
        The exact sum of the numbers given.

    References
    ----------
    APEX: Ev = Av + Tv = Bv + Sv, written as a difference.
    """
    known = aperture.light + time.light + iso.light
    return known + Fraction(ev) - sum((Fraction(stops) for stops in filter_stops), Fraction(loss))
