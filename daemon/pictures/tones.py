"""The sheet's few tones: warm paper, dark ink, and a neutral mid-grey around pictures so that their brightness shows.

The surround is sRGB 118, which is 18 % grey (IEC 61966-2-1: encode(0.18) = 117.65). Nothing depends on colour.
"""

from __future__ import annotations

from daemon.pictures.geometry import Tone

RGB: dict[Tone, tuple[int, int, int]] = {
    "ink": (36, 40, 46),
    "soft": (92, 96, 100),
    "hairline": (205, 202, 192),
    "paper": (251, 249, 244),
    "mat": (118, 118, 118),
    "slate": (96, 104, 112),
}

# For what is printed to be read outdoors: black on white, no tint that a printer would dot.
PLAIN: dict[Tone, tuple[int, int, int]] = RGB | {
    "ink": (0, 0, 0),
    "soft": (0, 0, 0),
    "hairline": (170, 170, 170),
    "paper": (255, 255, 255),
}
