"""What one point of a layer becomes on the sensor: a disc, drawn out along a path, under the pattern of the iris.

The three are folded into one another. A kernel on a pixel grid is never negative, adds up to 1, and has the mean and
the standard deviation along rows and columns of the shape that it stands for, so that blurs smaller than a pixel are
as large as they should be too.
Sources: the incoherent transfer function of a circular aperture, 2/pi (acos s - s sqrt(1 - s^2)) with s the frequency
over 1/(lambda N) (Goodman, Introduction to Fourier Optics; from memory); a disc of diameter c has the variance c^2/16
along either axis, a line of length L has L^2/12 (integration).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]
Path = NDArray[np.float64]  # points x 2: to the right and down, evenly spaced in time. [px]

_SMALL_DISC_PX = 2.5
_FITTED_PX = 9.0
_NOTHING_PX = 0.02  # blurs below this are left out


@dataclass(frozen=True)
class Spread:
    """How far the light of a point goes. Everything in pixels of the frame.

    ``disc_px`` is the diameter of the disc out of focus, ``airy_px`` the product of wavelength and f-number (0 leaves
    diffraction out), ``path`` the way the point runs during the exposure as points (x, y) about their own middle.
    """

    disc_px: float = 0.0
    airy_px: float = 0.0
    path: tuple[tuple[float, float], ...] = ()

    @property
    def reach_px(self) -> int:
        """How far the light goes at most, the outer rings of diffraction left aside. [px]"""
        far = max((max(abs(x), abs(y)) for x, y in self.path), default=0.0)
        return math.ceil(self.disc_px / 2 + far) + (2 + math.ceil(4 * self.airy_px) if self.airy_px else 2)

    @property
    def nothing(self) -> bool:
        """Whether a point stays a point."""
        far = max((max(abs(x), abs(y)) for x, y in self.path), default=0.0)
        return self.disc_px < _NOTHING_PX and far < _NOTHING_PX and not self.airy_px

    def coarser(self, step: float) -> Spread:
        """The same on a grid whose pixels are ``step`` times as large."""
        path = tuple((x / step, y / step) for x, y in self.path)
        return Spread(self.disc_px / step, self.airy_px / step, path)


def centred(path: Path) -> tuple[tuple[float, float], tuple[tuple[float, float], ...]]:
    """The mean place of a path, and the path about it. [px]"""
    mean = path.mean(axis=0)
    return (float(mean[0]), float(mean[1])), tuple((float(x), float(y)) for x, y in path - mean)


def line(dx: float, dy: float) -> Path:
    """Points of a straight way from (0, 0) to (dx, dy) at even speed, as far from its ends as from each other. [px]"""
    count = int(np.clip(8 * math.hypot(dx, dy), 32, 4096))
    at = (np.arange(count) + 0.5) / count
    return np.stack([at * dx, at * dy], axis=1)


def disc_kernel(diameter: float) -> Plane:
    """Weights of a disc of ``diameter`` [px] on a square grid of odd size; they add up to 1."""
    if diameter < _SMALL_DISC_PX:
        share = diameter**2 / 32
        across = np.array([share, 1 - 2 * share, share])
        return np.outer(across, across).astype(np.float32)
    # A pixel that measures area widens the disc by about its own 1/12; so much smaller is it drawn.
    radius = math.sqrt(diameter**2 - 4 / 3) / 2
    kernel = _drawn_disc(radius)
    for _ in range(3 if diameter < _FITTED_PX else 0):
        at = np.arange(kernel.shape[0]) - kernel.shape[0] // 2
        radius *= math.sqrt(diameter**2 / 16 / float(kernel.sum(0) @ at**2))
        kernel = _drawn_disc(radius)
    return kernel.astype(np.float32)


def _drawn_disc(radius: float) -> NDArray[np.float64]:
    """The share of each pixel that a disc covers, adding up to 1."""
    reach = math.ceil(radius + 0.5)
    fine = 31 if radius < _FITTED_PX / 2 else 9
    offsets = (np.arange((2 * reach + 1) * fine) + 0.5) / fine - reach - 0.5
    inside = (offsets[:, None] ** 2 + offsets[None, :] ** 2) <= radius**2
    size = 2 * reach + 1
    kernel = inside.reshape(size, fine, size, fine).sum(axis=(1, 3), dtype=np.float64)
    return np.asarray(kernel / kernel.sum())


def _shares(values: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Pixels that places fall on, and the share of the next one."""
    low = np.floor(values)
    return low.astype(np.int64), values - low


def _drawn_in(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """``values`` drawn in towards 0 until sharing them between whole pixels gives back their own variance."""
    wanted = float(np.mean(values**2))
    if wanted < _NOTHING_PX**2 / 12:
        return np.zeros_like(values)
    low, high = 0.0, 1.0
    for _ in range(30):
        middle = (low + high) / 2
        _, share = _shares(values * middle)
        if float(np.mean((values * middle) ** 2 + share * (1 - share))) > wanted:
            high = middle
        else:
            low = middle
    return values * (low + high) / 2


def path_kernel(path: Sequence[tuple[float, float]]) -> Plane:
    """Weights of a path about its middle on a grid of odd size; they add up to 1."""
    points = np.array(path, float)
    places = np.stack([_drawn_in(points[:, 0]), _drawn_in(points[:, 1])], axis=1)
    reach_x, reach_y = (int(np.ceil(np.abs(places[:, axis]).max())) + 1 for axis in (0, 1))
    kernel = np.zeros((2 * reach_y + 1, 2 * reach_x + 1))
    column, right = _shares(places[:, 0])
    row, below = _shares(places[:, 1])
    for step_y, share_y in ((0, 1 - below), (1, below)):
        for step_x, share_x in ((0, 1 - right), (1, right)):
            np.add.at(kernel, (row + step_y + reach_y, column + step_x + reach_x), share_y * share_x)
    return np.asarray(kernel / kernel.sum(), np.float32)


def aperture_transfer(frequency: NDArray[np.floating], airy_px: float) -> Plane:
    """What a round iris leaves of a pattern of ``frequency`` [1/px]. ``airy_px`` is wavelength times f-number. [px]"""
    s = np.clip(frequency * airy_px, 0, 1)
    return np.asarray(2 / math.pi * (np.arccos(s) - s * np.sqrt(1 - s * s)), np.float32)


def fast_length(count: int) -> int:
    """The next length that is a product of 2, 3, 5, 7 and 11: quick to transform."""
    while True:
        rest = count
        for factor in (2, 3, 5, 7, 11):
            while rest % factor == 0:
                rest //= factor
        if rest == 1:
            return count
        count += 1


def _transform_of(kernel: Plane, shape: tuple[int, int]) -> NDArray[np.complex64]:
    field = np.zeros(shape, np.float32)
    rows, columns = kernel.shape
    field[:rows, :columns] = kernel
    return np.asarray(np.fft.rfft2(np.roll(field, (-(rows // 2), -(columns // 2)), (0, 1))), np.complex64)


def _transform_of_even(kernel: Plane, shape: tuple[int, int]) -> Plane:
    """The same of a kernel that is the same from left and right, above and below: real, a sum of few cosines."""
    middle_y, middle_x = kernel.shape[0] // 2, kernel.shape[1] // 2
    quarter = kernel[middle_y:, middle_x:].astype(np.float32)
    quarter[1:] *= 2
    quarter[:, 1:] *= 2
    down = np.cos(2 * math.pi * np.outer(np.fft.fftfreq(shape[0]), np.arange(middle_y + 1)))
    across = np.cos(2 * math.pi * np.outer(np.arange(middle_x + 1), np.fft.rfftfreq(shape[1])))
    return np.asarray(down.astype(np.float32) @ quarter @ across.astype(np.float32), np.float32)


@lru_cache(maxsize=6)
def _transfer(spread: Spread, shape: tuple[int, int]) -> NDArray[np.complex64] | Plane:
    height, width = shape
    transfer: NDArray[np.complex64] | Plane = np.ones((height, width // 2 + 1), np.float32)
    if spread.disc_px >= _NOTHING_PX:
        transfer *= _transform_of_even(disc_kernel(spread.disc_px), shape)
    if spread.airy_px:
        down, across = np.fft.rfftfreq(height)[:, None], np.fft.rfftfreq(width)[None, :]
        half = aperture_transfer(np.sqrt(down**2 + across**2), spread.airy_px)
        upper = half[: (height + 1) // 2]
        transfer[: len(upper)] *= upper
        transfer[len(upper) :] *= half[1:][::-1][-(height - len(upper)) :]
    if spread.path:
        transfer = transfer * _transform_of(path_kernel(spread.path), shape)
    return transfer


def blur(planes: list[Plane], spread: Spread) -> list[Plane]:
    """Each plane spread. Beyond its edges a plane counts as dark: leave a border of `Spread.reach_px`."""
    if spread.nothing:
        return planes
    rows, columns = planes[0].shape
    # Transforms wrap round: what leaves one side must not come in at the other.
    reach = spread.reach_px
    shape = fast_length(max(rows, reach + 4) + reach), fast_length(max(columns, reach + 4) + reach)
    transfer = _transfer(spread, shape)
    done = []
    for plane in planes:
        spectrum = np.fft.rfft2(plane, shape)
        spectrum *= transfer
        # Rows that only kept the other side away are not transformed back.
        back = np.fft.irfft(np.fft.ifft(spectrum, axis=0)[:rows], shape[1])
        done.append(back[:, :columns].astype(np.float32, copy=False))
    return done
