"""Picture files as they came from the camera, scaled previews, and the comparison sheet."""

from __future__ import annotations

import os
import re
import stat
from contextlib import suppress
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from fastapi.responses import FileResponse

from daemon.errors import StoreError
from daemon.looking import live_picture
from daemon.places import cache_folder
from daemon.rows import RunRow
from daemon.web.errors import Refused
from daemon.web.needs import Needs, Number, Which, With

router = APIRouter(prefix="/api", tags=["pictures"])

Width = Literal["160", "320", "640", "1280", "2560"]
QUALITY = 82
_SHEET = re.compile(r"sheet(-[0-9]{1,3})?\.(png|pdf)")
_FOR_EVER = {"cache-control": "private, max-age=31536000, immutable"}  # a stored file never changes
_KINDS = {"jpeg": "image/jpeg", "raw": "application/octet-stream", "other": "application/octet-stream"}


@router.get("/files/{file}", response_class=FileResponse)
def original(file: Number, needs: With) -> FileResponse:
    """A file as the camera made it."""
    row = needs.searches.file(file)
    path = _inside(needs, Path(row.path))
    shown = "inline" if row.kind == "jpeg" else "attachment"
    return FileResponse(
        path, media_type=_KINDS.get(row.kind, _KINDS["other"]), filename=path.name, headers=_FOR_EVER,
        content_disposition_type=shown,
    )  # fmt: skip


@router.get("/files/{file}/preview", response_class=FileResponse)
def preview(file: Number, needs: With, width: Annotated[Width, Query()] = "640") -> FileResponse:
    """A JPEG file scaled down to ``width`` pixels, upright; never scaled up. Nothing of it but its pixels."""
    row = needs.searches.file(file)
    if row.kind != "jpeg":
        raise Refused(
            415, f"preview of file {file}", f"a {row.kind} file", "a JPEG file", "Ask for the JPEG of the same frame"
        )
    path = _inside(needs, Path(row.path))
    folder = cache_folder(needs.service.store.path) / "previews"
    made = folder / f"{row.sha256}-{width}-bare.jpg"
    if not made.is_file():
        with needs.heavy("preview"):
            if not made.is_file():
                _scale(path, made, int(width), needs.service.config.preview_mb)
    return FileResponse(made, media_type="image/jpeg", headers=_FOR_EVER)


@router.get("/runs/{run}/live", response_class=FileResponse)
def live(run: Which, needs: With) -> FileResponse:
    """The newest live picture of a run, as the camera gave it; the verb ``preview`` has one made."""
    row = needs.searches.run(run)
    path = live_picture(needs.service.store.path, row.id)
    if not path.is_file():
        raise Refused(
            404, f"live picture of run {row.id}", "none yet", "one that was asked for", "Send the command preview"
        )
    return FileResponse(path, media_type="image/jpeg", headers={"cache-control": "no-store"})


@router.post("/runs/{run}/sheet")
def make_sheet(run: Which, needs: With) -> dict[str, Any]:
    """Draw the comparison sheet of a run, and say where it lies."""
    from daemon.report import report
    from daemon.sheets import make_run_sheet

    row = needs.searches.run(run)
    with needs.heavy("sheet"):
        files = make_run_sheet(report(needs.service.store, row.id))
    base = f"/api/runs/{row.id}/sheet"
    return {
        "run": row.id,
        "png": [f"{base}/{path.name}" for path in files.png],
        "pdf": f"{base}/{files.pdf.name}",
        "files": [str(path) for path in (*files.png, files.pdf)],
    }


@router.get("/runs/{run}/sheet/{name}", response_class=FileResponse)
def sheet(run: Which, name: str, needs: With) -> FileResponse:
    """A page of the sheet (PNG), or all of it (PDF)."""
    row = needs.searches.run(run)
    known = sheet_names(needs, row)
    if name not in known:
        raise Refused(
            404, f"sheet {name[:40]!r} of run {row.id}", "no such page", ", ".join(known) or "none yet",
            "Draw the sheet first",
        )  # fmt: skip
    path = _inside(needs, Path(row.folder) / name)
    kind = "application/pdf" if name.endswith(".pdf") else "image/png"
    return FileResponse(path, media_type=kind, filename=f"run-{row.id}-{name}", content_disposition_type="inline")


def sheet_names(needs: Needs, row: RunRow) -> list[str]:
    """The files of a run's sheet, by name."""
    folder = needs.service.store.files.path(row.folder)
    try:
        return sorted(entry.name for entry in folder.iterdir() if _SHEET.fullmatch(entry.name))
    except OSError:
        return []


def _inside(needs: Needs, relative: Path) -> Path:
    """A regular file within the store's ``runs``, whatever the record or a link on the disk says.

    Raises
    ------
    Refused
        If it is not there, or lies elsewhere.
    """
    root = (needs.service.store.path / "runs").resolve()
    asked = f"file {relative.name[:80]!r}"
    try:
        path = needs.service.store.files.path(relative).resolve(strict=True)
        regular = stat.S_ISREG(path.stat().st_mode)
    except (OSError, ValueError, RuntimeError):
        raise Refused(404, asked, "no file on the disk", "one that is there", "Run: stopwright verify") from None
    if not path.is_relative_to(root) or not regular:
        raise Refused(403, asked, "a place outside the store", "files of the store", "Leave the store as it was made")
    return path


def _scale(path: Path, made: Path, width: int, most_mb: int) -> None:
    from PIL import Image, ImageOps

    from daemon.pictures.opening import PictureUnreadable, opened_jpeg

    beside = made.with_name(f".{made.name}.{os.getpid()}.{os.urandom(4).hex()}")
    try:
        made.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        _make_room(made.parent, most_mb * 1_000_000)
        with opened_jpeg(path) as image:
            image.draft("RGB", (width, width))
            upright = ImageOps.exif_transpose(image)
            height = max(1, round(upright.height * width / upright.width))
            if upright.width > width:
                upright = upright.resize((width, height), Image.Resampling.LANCZOS, reducing_gap=2.0)
            upright.convert("RGB").save(beside, "JPEG", quality=QUALITY, progressive=True, comment=b"")
        beside.replace(made)
    except PictureUnreadable as error:
        raise Refused(422, f"preview of {path.name}", error.found, "a whole JPEG", "Fetch the file itself") from None
    except OSError as error:
        raise StoreError(f"preview {made}: {error.strerror}. Make room, or name another with XDG_CACHE_HOME") from None
    finally:
        with suppress(OSError):
            beside.unlink()


def _make_room(folder: Path, most: int) -> None:
    """Delete the oldest previews when they are more than ``most`` bytes: each can be made again."""
    found = []
    for entry in os.scandir(folder):
        with suppress(OSError):
            facts = entry.stat(follow_symlinks=False)
            found.append((facts.st_mtime, facts.st_size, entry.path))
    total = sum(size for _, size, _ in found)
    for _, size, name in sorted(found):
        if total <= most:
            break
        with suppress(OSError):
            Path(name).unlink()
            total -= size
