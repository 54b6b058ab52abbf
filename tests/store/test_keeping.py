"""Verifying, exporting and backing up a store, at rest and while it is being shot into."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import time
import unicodedata
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pypdf.generic import DecodedStreamObject
from pypdf.xmp import XmpInformation
from support_store import Nursery, begin, bring, damage, download, picture, shoot

from daemon.backup import backup_logbook, backup_store
from daemon.commands import keeping
from daemon.errors import StoreError, UsageError
from daemon.exporting import COLUMNS, cell, export
from daemon.store import open_store
from daemon.verifying import verify
from daemon.xmp import moment, rational, sidecar

FACTS = {
    "exposure_s": 1 / 64,
    "f_number": 5.6,
    "iso": 100,
    "taken": "2026:10:20 15:31:02",
    "subsec": "25",
    "width": 6000,
    "height": 4000,
    "make": "Demo",
    "model": "Body & lens <1>",
    "BodySerialNumber": "12345678",
}


@pytest.fixture
def shot(store):
    """A run of three pictures, one still to do."""
    run, steps = begin(store, 4)
    for number, step in enumerate(steps[:3]):
        shoot(store, run, step, picture(number))
    return run, steps


def test_a_whole_store_verifies_and_every_kind_of_damage_is_named(store, shot):
    run, _ = shot
    assert verify(store).wrong == {}
    assert (verify(store).files, verify(store).bytes) == (3, 60_000)
    one, two, _ = [file.path for file in store.logbook.files(run.id)]
    store.files.path(one).unlink()
    whole = bytearray(store.files.path(two).read_bytes())
    whole[-1] ^= 1  # one bit, the size the same
    store.files.path(two).write_bytes(whole)
    stray = f"{run.folder}/pictures/by-hand.jpg"
    store.files.path(stray).write_bytes(picture("stray"))
    lost = "runs/2026-10-01-run-900-heron/pictures/03-expose-a1.jpg"  # of a run that no row names
    store.files.path(lost).parent.mkdir(parents=True)
    store.files.path(lost).write_bytes(picture("lost"))
    store.files.set_aside(download(store, "fetched-again.jpg", b"x"))
    download(store, "half.jpg", b"x")
    found = verify(store)
    assert found.wrong == {
        "missing": [one],
        "changed": [two],
        "unlisted": [lost, stray],
        "leftovers": ["incoming/half.jpg"],
    }
    assert found.set_aside == ["incoming/fetched-again.jpg.partial-1"]
    assert set(verify(store, run).wrong) == {"missing", "changed", "unlisted"}


def test_what_a_living_run_has_in_flight_is_no_fault_and_the_same_after_its_death_is(store, shot):
    run, steps = shot
    attempt = store.logbook.begin_attempt(steps[3].id, 0.25)
    adopted = bring(store, run, steps[3], attempt, picture("adopted"))
    coming = download(store, "coming.jpg", b"x")
    with store.lock("stopwright shoot fountain.yaml"):
        store.note_run(run.id)
        found = verify(store)
        assert found.wrong == {}
        assert found.in_flight == [adopted.path, f"incoming/{coming.name}"]
    assert verify(store).wrong == {"unlisted": [adopted.path], "leftovers": ["incoming/coming.jpg"]}


def test_the_command_ends_with_the_code_for_the_store_only_when_something_is_wrong(tmp_path, capsys):
    with open_store(tmp_path / "s") as store:
        run, steps = begin(store)
        _, file = shoot(store, run, steps[0], picture(1))
    words = ["--store", str(tmp_path / "s")]
    assert keeping.verify.main(words, standalone_mode=False) == 0
    assert "1 file hashed" in capsys.readouterr().out
    (tmp_path / "s" / file.path).unlink()
    assert keeping.verify.main([*words, "--json"], standalone_mode=False) == 5
    told = json.loads(capsys.readouterr().out)
    assert (told["ok"], told["missing"], told["changed"]) == (False, [file.path], [])
    assert keeping.verify.main(words, standalone_mode=False) == 5
    out = capsys.readouterr().out
    assert file.path in out and max(map(len, out.splitlines()[1:])) <= 110


def test_an_export_tells_the_run_without_serial_numbers_or_places(store, tmp_path):
    run, steps = begin(store, 2, title='=HYPERLINK("http://x","Fountain")')
    attempt = store.logbook.begin_attempt(steps[0].id, 0.25)
    file = bring(store, run, steps[0], attempt, picture(1))
    frame = store.logbook.keep(attempt.id, "picture", [file], exif=FACTS, verified="as planned")
    store.logbook.add_reading(frame.id, "level", "1", {"expected_stops": 0.0, "measured_stops": -0.25})
    store.logbook.store_frame(
        None,
        run.id,
        "unasked",
        [store.files.adopt(download(store, "u.jpg", picture(2)), f"{run.folder}/unasked/u.jpg")],
        taken_camera_clock="@SUM(1)",
    )
    done = export(store, "last", tmp_path / "out", pictures=True)
    assert (done.frames, done.files, done.sidecars, done.pictures) == (2, 2, 2, 2)
    rows = list(csv.DictReader(io.StringIO((tmp_path / "out" / "frames.csv").read_text())))
    assert list(rows[0]) == list(COLUMNS) and len(rows) == 2
    assert (rows[0]["aperture"], rows[0]["time_exact_s"], rows[0]["measured_stops"]) == ("f/5.6", "0.25", "-0.25")
    assert rows[1]["taken_camera_clock"] == "'@SUM(1)"
    tree = json.loads((tmp_path / "out" / "run.json").read_text())
    assert tree["frames"][0]["files"][0]["sha256"] == file.sha256
    assert (tmp_path / "out" / "picture" / "03-expose-a1.jpg").read_bytes() == picture(1)
    written = "".join(path.read_text() for path in (tmp_path / "out").rglob("*.*") if path.suffix != ".jpg")
    assert "12345678" not in written and str(store.path) not in written
    # Again into the same folder renews it; anything else there is refused.
    export(store, run.id, tmp_path / "out")
    (tmp_path / "album").mkdir()
    (tmp_path / "album" / "holiday.jpg").write_bytes(b"x")
    with pytest.raises(UsageError, match="found other things there"):
        export(store, run.id, tmp_path / "album")
    assert verify(store).wrong == {}
    export(store, run.id)
    assert verify(store).wrong == {}


@given(st.text(max_size=40))
def test_no_text_becomes_a_formula(text):
    told = cell(text)
    assert isinstance(told, str)
    assert not unicodedata.normalize("NFKC", told).lstrip(" \u00a0\u200b\ufeff\0").startswith(("=", "+", "-", "@"))
    assert not set(told) & {"\t", "\r", "\n", "\0"}
    # Read back by another program, the cell is one cell.
    sink = io.StringIO()
    csv.writer(sink, quoting=csv.QUOTE_NONNUMERIC, lineterminator="\r\n").writerow([told, 1.5])
    assert next(csv.reader(io.StringIO(sink.getvalue(), newline=""))) == [told, "1.5"]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\n=1", "  =1", "＝1+1", "\u00a0@x", "\0=1"])
def test_texts_that_would_run_get_an_apostrophe(text):
    """The list of OWASP, CSV Injection (owasp.org/www-community/attacks/CSV_Injection), and what hides them."""
    assert str(cell(text)).startswith("'")
    assert cell("f/5.6") == "f/5.6" and cell(-0.25) == -0.25  # negative control: harmless texts and numbers stay


def test_a_sidecar_is_xmp_that_another_reader_understands():
    text = sidecar("Heron & <hedge>\x00", "f/5.6, 1/64 s", "image/jpeg", FACTS)
    stream = DecodedStreamObject()
    stream.set_data(text.encode())
    read = XmpInformation(stream)
    assert read.dc_title == {"x-default": "Heron & <hedge>\ufffd"}
    assert read.dc_description == {"x-default": "f/5.6, 1/64 s"} and read.dc_format == "image/jpeg"
    # Namespaces: ISO 16684-1 (dc, xmp, rdf) and Adobe's XMP specification part 2 (tiff, exif).
    root = ET.fromstring(text)
    told = {element.tag: (element.text or "").strip() for element in root.iter()}
    exif, tiff = "{http://ns.adobe.com/exif/1.0/}", "{http://ns.adobe.com/tiff/1.0/}"
    assert root.tag == "{adobe:ns:meta/}xmpmeta"
    assert told[f"{exif}ExposureTime"] == "1/64" and told[f"{exif}FNumber"] == "28/5"
    assert told[f"{exif}DateTimeOriginal"] == "2026-10-20T15:31:02.25"
    assert told[f"{tiff}Model"] == "Body & lens <1>" and "12345678" not in text
    iso = root.find(f".//{exif}ISOSpeedRatings/{{http://www.w3.org/1999/02/22-rdf-syntax-ns#}}Seq")
    assert iso is not None and iso[0].text == "100"


def test_values_that_make_no_sense_are_left_out_of_a_sidecar():
    assert [rational(value) for value in (0, -1, float("nan"), float("inf"), "5.6", None)] == [None] * 6
    assert (rational(32), rational(1 / 8000), rational(5.6)) == ("32/1", "1/8000", "28/5")
    assert moment({"taken": "2026:10:20"}) is None
    assert moment({"taken": "2026:10:20 15:31:02", "offset": "+01:00"}) == "2026-10-20T15:31:02+01:00"
    bare = sidecar("Heron", "", "", {"iso": None, "f_number": 0})
    assert "exif:" not in bare.replace("xmlns:exif", "") and "tiff:" not in bare.replace("xmlns:tiff", "")


@pytest.fixture(scope="module")
def nursery():
    started = Nursery()
    yield started
    started.close()


def test_a_backup_taken_while_another_process_shoots_is_a_whole_store(tmp_path, nursery, opener):
    path = tmp_path / "s"
    opener(path).close()
    address = opener.address(path) if (path / "logbook.server").exists() else ""
    nursery.start("write", path, address)
    nursery.read_until(rb"kept (\d+) ")
    try:
        with opener(path) as store:
            before = {file.path for run in store.logbook.list_runs() for file in store.logbook.files(run.id)}
            first = backup_store(store, tmp_path / "copy")
            until = time.monotonic() + 20  # the writer goes on meanwhile, or the test shows nothing
            while len(store.logbook.card_files()) <= first.files and time.monotonic() < until:
                nursery.listen(time.monotonic() + 0.05, time.monotonic)
            second = backup_store(store, tmp_path / "copy")
            backup_logbook(store, tmp_path / "alone.db")
    finally:
        nursery.kill()
    assert second.files > first.files and second.copied <= second.files - first.files
    with open_store(tmp_path / "copy", create=False) as copy:
        assert damage(copy) == [] and verify(copy).wrong.keys() <= {"unlisted"}
        files = {file.path for run in copy.logbook.list_runs() for file in copy.logbook.files(run.id)}
        assert before <= files and len(files) == second.files
    (tmp_path / "again").mkdir()
    (tmp_path / "alone.db").rename(tmp_path / "again" / "logbook.db")
    with open_store(tmp_path / "again", create=False) as alone:
        assert {file.path for run in alone.logbook.list_runs() for file in alone.logbook.files(run.id)} >= files
    with pytest.raises(UsageError, match="nothing is overwritten"), opener(path) as store:
        backup_logbook(store, tmp_path / "copy" / "logbook.db")


def test_a_backup_goes_on_with_what_an_earlier_one_has_and_tells_what_is_not_whole(store, shot, tmp_path):
    run, steps = shot
    (store.files.path(run.folder) / "plan.json").write_text("{}")
    first = backup_store(store, tmp_path / "copy")
    assert (first.runs, first.files, first.copied, first.left) == (1, 3, 3, 0)
    shoot(store, run, steps[3], picture("later"))
    (store.files.path(run.folder) / "plan.json").write_text('{"later": 1}')
    second = backup_store(store, tmp_path / "copy")
    assert (second.files, second.copied) == (4, 1)
    assert (tmp_path / "copy" / run.folder / "plan.json").read_text() == '{"later": 1}'
    changed = store.logbook.files(run.id)[0].path
    (tmp_path / "copy" / changed).write_bytes(b"\xff\xd8\xff bad")
    with pytest.raises(StoreError, match="1 files of 4 are not whole there"):
        backup_store(store, tmp_path / "copy")
    with open_store(tmp_path / "copy") as copy:
        assert verify(copy).wrong == {"changed": [changed]}


def sizes(folder, but_not):
    return {path: path.stat().st_size for path in folder.rglob("*") if not path.is_relative_to(but_not)}


def test_a_backup_is_never_mixed_with_anything_else(store, shot, tmp_path):
    (tmp_path / "album").mkdir()
    (tmp_path / "album" / "holiday.jpg").write_bytes(b"x")
    with open_store(tmp_path / "other") as other:
        begin(other)
    (tmp_path / "notes" / "runs").mkdir(parents=True)
    (tmp_path / "notes" / "logbook.db").write_bytes(b"no database at all" * 100)
    (tmp_path / "file").write_text("x")
    for place, words in (
        (tmp_path / "album", "other things in it"),
        (tmp_path / "other", "a run 1 that this one does not have"),
        (tmp_path / "notes", "cannot be read as an earlier backup"),
        (tmp_path / "file", "found a file"),
        (store.path / "runs" / "copy", "inside the store itself"),
    ):
        before = sizes(tmp_path, store.path)
        with pytest.raises(UsageError, match=words):
            backup_store(store, place)
        assert {
            path: path.stat().st_size for path in tmp_path.rglob("*") if not path.is_relative_to(store.path)
        } == before


def test_a_disk_that_is_full_is_said_so_by_backup_and_export_and_both_can_be_done_again(store, shot, tmp_path):
    small = tmp_path / "disk"
    small.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=300k", "small", str(small)], capture_output=True)
    if done.returncode:
        pytest.skip(f"cannot mount a small disk here: {done.stderr.decode().strip()}")
    try:
        filler = small / "filler"
        filler.mkdir()
        (filler / "x").write_bytes(b"\0" * 250_000)
        for act in (lambda: backup_store(store, small / "copy"), lambda: export(store, 1, small / "out", True)):
            with pytest.raises(StoreError, match=r"full\. Free some space"):
                act()
        assert verify(store).wrong == {} and damage(store) == []
        subprocess.run(["mount", "-o", "remount,size=8m", str(small)], check=True)
        assert backup_store(store, small / "copy").files == 3
        export(store, 1, small / "again", pictures=True)
        with open_store(small / "copy") as copy:
            assert verify(copy).wrong == {}
    finally:
        subprocess.run(["umount", "-l", str(small)], check=True)
