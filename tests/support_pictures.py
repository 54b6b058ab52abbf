"""Made-up frames and plan data for the tests of measuring and of the sheet."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from daemon.pictures.shapes import SheetFrame, SheetGroup
from plans import optics
from plans.exposure import magnification_loss
from plans.motion import smear_mm
from plans.plan import ExposeStep, FilterValue, Focus, Predicted, Settings, mark_value
from plans.stops import Kind, Mark, Scale, light_of, scale_between

FOCAL_MM, COC_MM, SENSOR_HEIGHT_MM, PIXEL_MM = 50.0, 0.03, 24.0, 35.9 / 6000
EV100 = 13.0

SCALES: dict[Kind, Scale] = {
    "aperture": scale_between("aperture", "f/1.8", "f/22", "thirds"),
    "time": scale_between("time", "1/8000", "30", "thirds"),
    "iso": scale_between("iso", "100", "25600", "thirds"),
}
ND_64 = FilterValue(name="ND 64", stops=6.0)


def mark(kind: Kind, label: str) -> Mark:
    """A mark of the test body's scale."""
    found = SCALES[kind].find(label)
    assert found is not None, f"{label} is on no test scale"
    return found


def settings(
    aperture: str = "f/5.6",
    time: str = "1/250",
    iso: str = "100",
    filters: tuple[FilterValue, ...] = (),
    focus: tuple[str | None, float] = ("heron", 2.0),
) -> Settings:
    """Settings by their marks."""
    return Settings(
        aperture=mark_value(mark("aperture", aperture)),
        time=mark_value(mark("time", time)),
        iso=mark_value(mark("iso", iso)),
        filters=filters,
        focus=Focus(subject=focus[0], distance_m=focus[1]),
    )


def step(
    name: str,
    reference: str | None = None,
    intended: float = 0.0,
    caption: str = "The heron before the hedge.",
    water: bool = True,
    disc: bool = True,
    ev100: float = EV100,
    **chosen: Any,
) -> ExposeStep:
    """A step to expose, with the offset that its settings have in this light and what optics says of it."""
    made = settings(**chosen)
    n, t, s = made.aperture.exact, made.time.exact, made.focus.distance_m
    m = optics.magnification(FOCAL_MM, s)
    loss = magnification_loss(m)
    light = light_of("aperture", n) + light_of("time", t) + light_of("iso", made.iso.exact)
    light -= sum(item.stops for item in made.filters) + loss
    far = optics.far_limit_m(FOCAL_MM, n, COC_MM, s)
    smear = smear_mm(optics.magnification(FOCAL_MM, 3.0), 3.0, t) if water else None
    background = optics.background_disc_mm(FOCAL_MM, n, s, 8.0) if disc else None
    return ExposeStep(
        id=name,
        goal="goal",
        group="group",
        reference=reference or name,
        held=("focus",),
        changed=("time",),
        settings=made,
        intended_offset=intended,
        offset=light + ev100 - intended,
        predicted=Predicted(
            near_m=optics.near_limit_m(FOCAL_MM, n, COC_MM, s),
            far_m=None if np.isinf(far) else far,
            smear_mm={} if smear is None else {"spout": smear},
            smear_px={} if smear is None else {"spout": smear / PIXEL_MM},
            background_disc_mm=background,
            background_disc_share=None if background is None else background / 35.9,
            airy_mm=optics.airy_mm(n),
            magnification=m,
            magnification_loss=loss,
        ),
        caption=caption,
    )


def frame(made: ExposeStep, picture: Path | None = None, **more: Any) -> SheetFrame:
    """A frame of a step; it is the reference when the step names itself."""
    return SheetFrame(picture=picture, step=made, is_reference=made.reference == made.id, **more)


def group(*frames: SheetFrame, title: str = "Frozen or silk", **more: Any) -> SheetGroup:
    """A group of frames."""
    usual: dict[str, Any] = {"held": ("aperture", "focus"), "changed": ("time", "ISO", "filters"), "spread_stops": 0.02}
    return SheetGroup(title=title, frames=frames, sensor_height_mm=SENSOR_HEIGHT_MM, **(usual | more))


def encode(linear: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Linear light [0..1] as 8-bit sRGB, rounded to the nearest code. Source: IEC 61966-2-1."""
    light = np.clip(linear, 0, 1)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.rint(encoded * 255).astype(np.uint8)


def save_jpeg(path: Path, codes: NDArray[np.uint8], **options: Any) -> Path:
    """Write codes, of shape (height, width, 3) or (height, width), as a JPEG without chroma subsampling."""
    Image.fromarray(codes).save(path, "JPEG", **({"quality": 97, "subsampling": 0} | options))
    return path


def scene(height: int = 432, width: int = 648, seed: int = 1, level: float = 0.12) -> NDArray[np.float64]:
    """A still scene in linear light [0..1]: smooth shapes around ``level`` with fine texture, shape (h, w, 3).

    Hues vary as in nature: where a whole scene has one hue, the rounding of a JPEG's two colour channels is the same
    everywhere and shifts the picture by up to half a code.
    """
    draw = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width] / max(height, width)

    def shapes(most: float) -> NDArray[np.float64]:
        waves = zip(draw.uniform(most / 3, most, 6), *draw.uniform(1, 6, (3, 6)), strict=True)
        return np.sum([a * np.sin(2 * np.pi * (fx * x + fy * y) + p) for a, fx, fy, p in waves], axis=0)

    hues = np.stack([shapes(0.1) for _ in range(3)], axis=-1)
    texture = draw.normal(0, 0.15, (height, width, 1)) + draw.normal(0, 0.1, (height, width, 3))
    light: NDArray[np.float64] = level * np.exp2(shapes(0.3)[..., None] + hues + texture)
    return light


def raw_exif(entries: list[tuple[int, int, int, bytes]]) -> bytes:
    """An Exif block built by hand, little-endian: a main directory that points to one of the exposure's.

    Each entry is tag, type (2 text, 3 short, 4 long, 5 rational, 10 signed rational), count, and the value's bytes.
    Nothing is checked, so that anything can be wrong in it.
    """
    detail_at = 8 + 2 + 12 + 4
    head = b"II*\0" + struct.pack("<IHHHII", 8, 1, 0x8769, 4, 1, detail_at) + bytes(4)
    heap_at = detail_at + 2 + 12 * len(entries) + 4
    rows, heap = b"", b""
    for tag, kind, count, value in entries:
        if len(value) <= 4:
            cell = value.ljust(4, b"\0")
        else:
            cell = struct.pack("<I", heap_at + len(heap))
            heap += value
        rows += struct.pack("<HHI", tag, kind, count) + cell
    return b"Exif\0\0" + head + struct.pack("<H", len(entries)) + rows + bytes(4) + heap


def ratio(tag: int, numerator: int, denominator: int) -> tuple[int, int, int, bytes]:
    """An entry of `raw_exif` that holds one rational."""
    return tag, 5, 1, struct.pack("<II", numerator, denominator)


def short(tag: int, value: int) -> tuple[int, int, int, bytes]:
    """An entry of `raw_exif` that holds one short."""
    return tag, 3, 1, struct.pack("<H", value)


def words(tag: int, text: str) -> tuple[int, int, int, bytes]:
    """An entry of `raw_exif` that holds text."""
    raw = text.encode("latin-1") + b"\0"
    return tag, 2, len(raw), raw
