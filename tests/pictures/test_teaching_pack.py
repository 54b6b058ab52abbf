"""The lesson pack: whole, without secrets, and never over anybody's files."""

from __future__ import annotations

import base64
import io
import json
import re
import xml.etree.ElementTree as ET
import zipfile
from pathlib import Path
from urllib.parse import unquote

import pytest
from PIL import Image
from support_teaching import KIT, SECRETS, lesson_plan, made_report, picture, telling_jpeg

from daemon.errors import StoreError, UsageError
from daemon.lesson import make_lesson
from daemon.pictures.teaching.clean import jpeg_bytes, upright
from daemon.pictures.teaching.pack import PARTS
from daemon.report import RunReport
from daemon.xmp import PREFIXES


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> RunReport:
    return made_report(tmp_path_factory.mktemp("run"), missing=1)


@pytest.fixture(scope="module")
def pack(found: RunReport, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("pack") / "lesson"
    verdicts = {step.id: "Shown: as it should be" for step in found.plan.exposing}
    make_lesson(found, out, students=[("Pupil", KIT)], verdicts=verdicts)
    return out


def everything(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def told(data: bytes) -> bool:
    """Whether a file tells a secret, in itself or in a picture written into it as base64."""
    inside = [base64.b64decode(part) for part in re.findall(rb"base64,([A-Za-z0-9+/=]+)", data)]
    return any(secret.encode() in part for part in (data, *inside) for secret in SECRETS)


def test_nothing_in_a_pack_tells_owner_serial_number_or_position(found: RunReport, pack: Path) -> None:
    original = next(frame.path for frame in found.frames if frame.path)
    assert told(original.read_bytes())  # the control: the same look finds them in what the camera wrote
    with Image.open(original) as image:
        assert image.getexif().get_ifd(0x8825)
    files = everything(pack)
    assert [name for name, data in files.items() if told(data)] == []
    for name, data in files.items():
        if name.endswith((".jpg", ".png")):
            with Image.open(io.BytesIO(data)) as image:
                assert not image.getexif(), name
                assert not set(image.info) - {"jfif", "jfif_version", "jfif_unit", "jfif_density"}, name
        elif name.endswith(".pdf"):
            assert b"Exif" not in data, name


def test_no_path_of_this_computer_is_in_a_pack(found: RunReport, pack: Path) -> None:
    for name, data in everything(pack).items():
        assert str(found.folder).encode() not in data, name
        assert str(pack.parent).encode() not in data, name


def test_every_part_is_there_and_every_link_of_the_contents_leads_to_a_file(pack: Path) -> None:
    listing = json.loads((pack / "lesson.json").read_text())
    assert {entry["part"] for entry in listing["files"]} == set(PARTS)
    page = (pack / "index.html").read_text()
    links = [unquote(link) for link in re.findall(r'href="([^"]+)"', page) if not link.startswith("data:")]
    assert len(links) > 30
    assert [link for link in links if not (pack / link).is_file()] == []
    text = (pack / "contents.txt").read_text()
    assert all(link in text for link in links)
    listed = {entry["path"] for entry in listing["files"]}
    assert listed | {"lesson.json", "index.html", "contents.txt"} == set(everything(pack))


def test_captions_and_verdicts_are_in_sidecars_of_open_schemas(found: RunReport, pack: Path) -> None:
    sidecars = sorted((pack / "frames").glob("*.xmp"))
    assert len(sidecars) == len(found.plan.exposing) - 1
    spaces = set(PREFIXES.values()) | {"http://www.w3.org/XML/1998/namespace"}
    for path in sidecars:
        root = ET.fromstring(path.read_text())
        assert {node.tag.partition("}")[0].lstrip("{") for node in root.iter()} <= spaces
        assert "Shown: as it should be" in path.read_text()
        assert path.with_suffix(".jpg").is_file()


def test_residual_figures_and_names_of_files_stand_in_the_notes_alone(found: RunReport, pack: Path) -> None:
    name = next(frame.path for frame in found.frames if frame.path).name
    holding = [path for path, data in everything(pack).items() if name.encode() in data]
    assert sorted(holding) == ["notes/notes.html", "notes/notes.txt"]
    assert "residual" in (pack / "notes" / "notes.txt").read_text()


def test_a_zip_holds_the_same_and_comes_out_alike_twice(found: RunReport, tmp_path: Path) -> None:
    parts = ("frames", "talk", "quiz")
    folder = tmp_path / "folder"
    make_lesson(found, folder, parts)
    for name in ("one.zip", "two.zip"):
        make_lesson(found, tmp_path / name, parts)
    assert (tmp_path / "one.zip").read_bytes() == (tmp_path / "two.zip").read_bytes()
    with zipfile.ZipFile(tmp_path / "one.zip") as archive:
        assert archive.testzip() is None
        assert {name: archive.read(name) for name in archive.namelist()} == everything(folder)


def test_a_part_made_again_replaces_itself_and_leaves_the_others(found: RunReport, tmp_path: Path) -> None:
    make_lesson(found, tmp_path / "p", ("talk", "frames"))
    before = everything(tmp_path / "p")
    make_lesson(found, tmp_path / "p", ("talk",))
    assert everything(tmp_path / "p") == before
    shorter = made_report(tmp_path / "fewer", lesson_plan(), missing=4)
    make_lesson(shorter, tmp_path / "p", ("frames",))
    assert len(list((tmp_path / "p" / "frames").glob("*.jpg"))) == len(shorter.plan.exposing) - 4
    assert (tmp_path / "p" / "talk.pdf").read_bytes() == before["talk.pdf"]


@pytest.mark.parametrize("listing", [None, "{}", '{"format": "stopwright-lesson", "run": 2, "files": []}'])
def test_somebody_else_s_folder_is_refused_and_left_as_it_was(
    found: RunReport, tmp_path: Path, listing: str | None
) -> None:
    (tmp_path / "thesis.txt").write_text("mine")
    if listing is not None:
        (tmp_path / "lesson.json").write_text(listing)
    before = everything(tmp_path)
    with pytest.raises(UsageError, match="found other things there"):
        make_lesson(found, tmp_path, ("talk",))
    assert everything(tmp_path) == before


def test_a_listing_changed_by_hand_cannot_make_it_delete_elsewhere(found: RunReport, tmp_path: Path) -> None:
    out, other = tmp_path / "p", tmp_path / "keep.txt"
    make_lesson(found, out, ("talk",))
    other.write_text("keep")
    tree = json.loads((out / "lesson.json").read_text())
    tree["files"].append({"path": "../keep.txt", "part": "talk", "what": ""})
    (out / "lesson.json").write_text(json.dumps(tree))
    with pytest.raises(UsageError):
        make_lesson(found, out, ("talk",))
    assert other.read_text() == "keep"


def test_a_hostile_title_is_text_on_every_page(found: RunReport, tmp_path: Path) -> None:
    hostile = "<script>alert(1)</script>\"'&<img src=x onerror=alert(1)>"
    plan = found.plan.model_copy(update={"title": hostile})
    made_report_of = made_report(tmp_path / "r", plan)
    make_lesson(made_report_of, tmp_path / "p", ("talk", "notes"))
    for page in ("index.html", "notes/notes.html"):
        text = (tmp_path / "p" / page).read_text()
        assert "<script" not in text and "<img" not in text
        assert "&lt;script&gt;" in text


def test_a_picture_lying_on_its_side_is_put_upright_and_loses_its_exif(tmp_path: Path) -> None:
    step = lesson_plan().exposing[0]
    (tmp_path / "a.jpg").write_bytes(telling_jpeg(picture(step), 6))
    shown = upright(tmp_path / "a.jpg", 300)
    assert shown is not None and shown.size == (200, 300)
    assert not told(jpeg_bytes(shown))


def test_what_cannot_be_asked_for_is_told_plainly(found: RunReport, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="allowed: side-by-side, sheets"):
        make_lesson(found, tmp_path / "p", ("poster",))
    with pytest.raises(UsageError, match="--student FILE"):
        make_lesson(found, tmp_path / "p", ("students",))
    assert not (tmp_path / "p").exists()


def test_a_pack_that_was_broken_off_is_made_anew(found: RunReport, tmp_path: Path) -> None:
    out = tmp_path / "p"

    def stop(_: str) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        make_lesson(found, out, ("frames",), progress=stop)
    make_lesson(found, out, ("frames", "talk"))
    assert (out / "frames" / "01.jpg").is_file() and (out / "talk.pdf").is_file()


def test_a_place_that_cannot_be_written_is_a_plain_error(found: RunReport, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    for name in ("file/lesson", "file/lesson.zip"):
        with pytest.raises(StoreError, match="could not be written"):
            make_lesson(found, tmp_path / name, ("talk",))
    with pytest.raises(UsageError, match="found a file; allowed: a folder"):
        make_lesson(found, tmp_path / "file", ("talk",))
    assert (tmp_path / "file").read_text() == "mine"
