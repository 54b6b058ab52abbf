"""The cost of frames and plans: one whole number made of fields.

The field that counts more stands higher, so that comparing numbers compares the fields in this order, summed over the
frames:

1. operator actions: first how often hands are called, then how many filters they put on or take off
2. frames on extended ISO
3. ISO, in steps above the lowest native mark
4. distance from f/8, in sixths of a stop
5. filters in front of the lens, whoever put them there: each takes time and may tint
6. focus on a bare distance, where no subject stands to focus on
7. offset, in units of 1e-9 stop

Ties break on the place on the scales, frame by frame as the goal lists them: aperture, then time, then ISO.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

# One frame's price, narrow enough for two to be added in 64 bits; from the lowest field up.
_OFFSET, _UNNAMED, _FILTERS, _SIXTHS, _ISO = 34, 2, 4, 10, 11
_NARROW = (_OFFSET, _UNNAMED, _FILTERS, _SIXTHS, _ISO, 2)
# A whole plan's cost: the same fields with room for every frame there can be, then the hands.
_WIDE = (52, 16, 16, 28, 28, 16)
_MOVE_SHIFT = sum(_WIDE)
_COUNT_BITS = 24
_LARGEST_OFFSET = (1 << _OFFSET - 1) - 1

UNNAMED = 1 << _OFFSET  # the price of a focus on a bare distance


def prices(extended: Ints, iso_steps: Ints, sixths: Ints, filters: Ints, units: Ints) -> Ints:
    """The prices of single frames, hands and bare distances not counted; arrays of one shape. [unitless]"""
    price = ((extended << _ISO | iso_steps) << _SIXTHS | sixths) << _FILTERS | filters
    found: Ints = price << _UNNAMED + _OFFSET | np.minimum(units, _LARGEST_OFFSET)
    return found


def wide(price: int) -> int:
    """A price, of one frame or of two, with the fields of a whole plan's cost."""
    total = shift = 0
    for narrow, room in zip(_NARROW, _WIDE, strict=True):
        total |= (price & ((1 << narrow) - 1)) << shift
        price >>= narrow
        shift += room
    return total


def cost_of(extended: int, iso_steps: int, sixths: int, filters: int, unnamed: int, units: int) -> int:
    """A cost from sums of its fields, hands not counted."""
    total = 0
    for value, room in zip((extended, iso_steps, sixths, filters, unnamed, units), reversed(_WIDE), strict=True):
        total = total << room | value
    return total


def hands(calls: int, handled: int = 0) -> int:
    """The cost of so many calls of hands, and of filters put on or taken off."""
    return (calls << _COUNT_BITS | handled) << _MOVE_SHIFT


def split(cost: int) -> tuple[int, int]:
    """A cost's hands and the rest of it, each a cost of its own."""
    frames = cost & ((1 << _MOVE_SHIFT) - 1)
    return cost - frames, frames
