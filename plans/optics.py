"""Optics of a thin lens: magnification, depth of field, background discs, diffraction.

Distances in the scene are in metres from the lens, lengths on the sensor in millimetres. The thin lens is an
approximation for real ones, whose focus marks count from the sensor and whose focal length shrinks as they focus near.

Source of the depth-of-field forms: the derivation common to the handbooks checked in tests/plans/test_optics.py
(US Army SS0507, US Navy NAVEDTRA 14209), with h = f^2 / (N c), the hyperfocal distance less one focal length.
"""

from __future__ import annotations

import math

GREEN_MM = 550e-6  # wavelength in the middle of the visible [mm]
FIRST_DARK_RING = 1.2197  # first zero of the Bessel function J1, over pi


def _check(focal_mm: float, distance_m: float) -> None:
    if not distance_m * 1000 > focal_mm > 0:
        raise ValueError(f"a {focal_mm:g} mm lens forms no image of something at {distance_m:g} m")


def magnification(focal_mm: float, distance_m: float) -> float:
    """Size of the image over size of the thing, focused at ``distance_m``: f / (s - f). [unitless]

    Raises
    ------
    ValueError
        If the distance is not beyond the focal length.

    References
    ----------
    Thin-lens equation 1/f = 1/s + 1/s'.
    """
    _check(focal_mm, distance_m)
    return focal_mm / (distance_m * 1000 - focal_mm)


def image_scale(focal_mm: float, focus_m: float, distance_m: float) -> float:
    """Size of the image over size of a thing at another distance than the focus: f s / ((s - f) d). [unitless]

    The magnification where thing and focus are at the same distance.

    Raises
    ------
    ValueError
        If the focus is not beyond the focal length, or the distance not above zero.

    References
    ----------
    Thin lens: the image distance f s / (s - f) over the thing's distance, through the centre of the lens.
    """
    if not distance_m > 0:
        raise ValueError(f"a distance must be above zero, found {distance_m!r}")
    return magnification(focal_mm, focus_m) * focus_m / distance_m


def hyperfocal_m(focal_mm: float, aperture: float, coc_mm: float) -> float:
    """Nearest focus at which infinity is still sharp: f^2 / (N c) + f. [m]

    Parameters
    ----------
    focal_mm
        Focal length. [mm]
    aperture
        Exact f-number. [unitless]
    coc_mm
        Circle of confusion. [mm]
    """
    return (focal_mm**2 / (aperture * coc_mm) + focal_mm) / 1000


def near_limit_m(focal_mm: float, aperture: float, coc_mm: float, distance_m: float) -> float:
    """Near end of the sharp range, focused at ``distance_m``: s h / (h + (s - f)). [m]

    Raises
    ------
    ValueError
        If the distance is not beyond the focal length.
    """
    _check(focal_mm, distance_m)
    h, s = focal_mm**2 / (aperture * coc_mm), distance_m * 1000
    return s * h / (h + (s - focal_mm)) / 1000


def far_limit_m(focal_mm: float, aperture: float, coc_mm: float, distance_m: float) -> float:
    """Far end of the sharp range: s h / (h - (s - f)); infinite from the hyperfocal distance on. [m]

    Raises
    ------
    ValueError
        If the distance is not beyond the focal length.
    """
    _check(focal_mm, distance_m)
    h, s = focal_mm**2 / (aperture * coc_mm), distance_m * 1000
    return s * h / (h - (s - focal_mm)) / 1000 if h > s - focal_mm else math.inf


def two_point_focus_m(near_m: float, far_m: float) -> float:
    """Focus that makes two distances equally sharp: 2 a b / (a + b). [m]

    References
    ----------
    US Navy NAVEDTRA 14209: focus for a depth of field between two distances.
    """
    return 2 * near_m if math.isinf(far_m) else 2 * near_m * far_m / (near_m + far_m)


def aperture_for_span(focal_mm: float, coc_mm: float, distance_m: float, near_m: float, far_m: float) -> float:
    """Widest f-number whose sharp range, focused at ``distance_m``, holds ``near_m`` to ``far_m``. [unitless]

    The two limits above solved for N: h = a (s - f) / (s - a) in front, b (s - f) / (b - s) behind. Zero when the span
    is the focused distance alone; infinite when it reaches to the lens or does not hold the focused distance.

    Raises
    ------
    ValueError
        If the distance is not beyond the focal length.
    """
    _check(focal_mm, distance_m)
    if not 0 < near_m <= distance_m <= far_m:
        return math.inf
    reach = distance_m * 1000 - focal_mm
    front = math.inf if near_m == distance_m else near_m * reach / (distance_m - near_m)
    if math.isinf(far_m):
        back = reach
    else:
        back = math.inf if far_m == distance_m else far_m * reach / (far_m - distance_m)
    h = min(front, back)
    return 0.0 if math.isinf(h) else focal_mm**2 / (coc_mm * h)


def background_disc_mm(focal_mm: float, aperture: float, distance_m: float, behind_m: float) -> float:
    """Disc on the sensor that a point at ``behind_m`` becomes: (f/N) m |b - s| / b; (f/N) m at infinity. [mm]

    Works for a point in front of the focused distance as well.

    References
    ----------
    Similar triangles behind the exit pupil of a thin lens; with the disc set to the circle of confusion it is solved by
    the near and far limits above, which tests/plans/test_optics.py checks.
    """
    share = 1.0 if math.isinf(behind_m) else abs(behind_m - distance_m) / behind_m
    return focal_mm / aperture * magnification(focal_mm, distance_m) * share


def aperture_for_disc(focal_mm: float, distance_m: float, behind_m: float, disc_mm: float) -> float:
    """Narrowest f-number that still makes a disc of ``disc_mm`` of a point at ``behind_m``. [unitless]"""
    return background_disc_mm(focal_mm, 1.0, distance_m, behind_m) / disc_mm


def focus_for_disc_m(focal_mm: float, aperture: float, distance_m: float, disc_mm: float, behind: bool) -> float:
    """Focus at which a point at ``distance_m`` becomes a disc of ``disc_mm``; infinite when none does. [m]

    The disc above solved for the focus: d f (f - D N) / (f^2 - D N d) behind the point, d f (f + D N) / (f^2 + D N d)
    in front of it. In front there always is one, though it may be nearer than the lens focuses.

    Raises
    ------
    ValueError
        If the distance is not beyond the focal length.
    """
    _check(focal_mm, distance_m)
    d, blur = distance_m * 1000, disc_mm * aperture
    if not behind:
        return d * focal_mm * (focal_mm + blur) / (focal_mm**2 + blur * d) / 1000
    room = focal_mm**2 - blur * d
    return d * focal_mm * (focal_mm - blur) / room / 1000 if room > 0 else math.inf


def airy_mm(aperture: float, wavelength_mm: float = GREEN_MM) -> float:
    """Diameter of the diffraction disc out to its first dark ring: 2.44 lambda N. [mm]

    References
    ----------
    Airy 1835; the factor is twice the first zero of J1 over pi.
    """
    return 2 * FIRST_DARK_RING * wavelength_mm * aperture


def focus_series_m(
    focal_mm: float,
    aperture: float,
    coc_mm: float,
    near_m: float,
    far_m: float,
    at_most: int = 50,
    overlap: float = 0.0,
) -> tuple[float, ...]:
    """Fewest focus distances whose sharp ranges together hold ``near_m`` to ``far_m`` without a gap. [m]

    Each is focused so that its near limit is the far limit of the one before: s = a (h - f) / (h - a), the near limit
    solved for the focus. The last one takes the two-point distance of what is left. Empty when more than ``at_most``
    were needed or the span is none.

    ``overlap``: share of each sharp range, counted in 1/distance, that the next one covers again; from 0 to below 1.

    References
    ----------
    The near and far limits above; in 1/distance the ranges come out nearly equal.
    """
    if not focal_mm / 1000 < near_m <= far_m:
        return ()
    h, f = focal_mm**2 / (aperture * coc_mm) / 1000, focal_mm / 1000
    foci: list[float] = []
    edge = near_m
    while len(foci) < at_most:
        last = two_point_focus_m(edge, far_m)
        if aperture_for_span(focal_mm, coc_mm, last, edge, far_m) <= aperture:
            return (*foci, last)
        foci.append(edge * (h - f) / (h - edge))
        end = far_limit_m(focal_mm, aperture, coc_mm, foci[-1])
        edge = end if not overlap else 1 / ((1 - overlap) / end + overlap / edge)
    return ()


def brewster_deg(refractive_index: float) -> float:
    """Angle from the surface's normal at which reflected light is wholly polarised: arctan(n). [degrees]

    References
    ----------
    Brewster 1815: tan(angle) = n, where the reflected and the refracted ray stand at right angles (Snell's law then
    gives sin(angle) = n cos(angle)).
    """
    return math.degrees(math.atan(refractive_index))
