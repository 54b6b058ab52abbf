"""Files of the store: durable before they are named, never overwritten, never deleted, named by us."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support_store import begin, bring, damage, disorder, download, picture, shoot

from daemon.errors import StoreError
from daemon.files import (
    attempt_stem,
    link_then_unlink,
    rename_without_overwriting,
    slug,
    unasked_stem,
)
from daemon.store import Store, open_store

CAMERA_NAMES = [
    "DSC_0001.JPG",
    "../../../etc/cron.d/x.jpg",
    "/absolute/IMG.CR2",
    "with\0nul.NEF",
    "line\nbreak.ORF",
    "x" * 5000 + ".RW2",
    "no ending",
    "",
    ".",
    "..",
    "ends in a dot.",
    "long.ending-that-is-none",
    "Снимок.JPEG",
    "half \udce9 a letter.jpg",
]


def test_a_picture_is_flushed_then_renamed_then_its_folder_flushed_then_committed(tmp_path):
    trace: list[tuple[str, str]] = []
    with open_store(tmp_path / "s", trace=lambda act, what: trace.append((act, what))) as store:
        run, steps = begin(store, 2)
        trace.clear()
        _, file = shoot(store, run, steps[0], picture(1))
    assert disorder(trace, file.path) == []
    assert trace[0] == ("commit", "begin_attempt")
    # Negative control: every exchange of two neighbours in the chain is noticed, and every missing act.
    chain = [entry for entry in trace if entry != ("commit", "begin_attempt") and entry[1] != "incoming"]
    assert [act for act, _ in chain] == ["fsync file", "rename", "fsync folder", "commit"]
    for place in range(3):
        wrong = [*chain[:place], chain[place + 1], chain[place], *chain[place + 2 :]]
        assert disorder(wrong, file.path)
    for place in range(4):
        assert disorder(chain[:place] + chain[place + 1 :], file.path)


def test_new_folders_are_durable_before_a_file_is_named_in_them(tmp_path):
    trace: list[tuple[str, str]] = []
    with open_store(tmp_path / "s", trace=lambda act, what: trace.append((act, what))) as store:
        run, _ = begin(store, 1)
        trace.clear()
        store.files.adopt(download(store, "x.jpg", picture(1)), f"{run.folder}/unasked/x.jpg")
    assert trace.index(("fsync folder", run.folder)) < trace.index(("rename", f"{run.folder}/unasked/x.jpg"))


def test_the_kernel_sees_the_same_order(tmp_path):
    """Outside check of the trace: system calls as strace(1) shows them."""
    strace = shutil.which("strace")
    if not strace:
        pytest.skip("strace is not installed; the trace is then checked by its own word only")
    log = tmp_path / "calls"
    code = f"import sys; sys.path[:0] = {sys.path!r}\nimport support_store as s, pathlib\n"
    code += f"s.one_frame(pathlib.Path({str(tmp_path / 's')!r}))"
    calls = "trace=fsync,fdatasync,renameat2,rename,link"
    done = subprocess.run(
        [strace, "-f", "-y", "-e", calls, "-o", str(log), sys.executable, "-c", code], capture_output=True, text=True
    )
    if "ptrace" in done.stderr:
        pytest.skip(f"strace may not trace here: {done.stderr.splitlines()[0]}")
    assert done.returncode == 0, done.stderr
    lines = log.read_text().splitlines()

    def first(pattern: str, after: int = -1) -> int:
        return next(place for place, line in enumerate(lines) if place > after and re.search(pattern, line))

    flushed = first(r"fsync\(\d+<.*/incoming/run-1-03-expose-a1\.jpg>\) += 0")
    renamed = first(
        r"renameat2\(.*incoming/run-1-03-expose-a1\.jpg.*pictures/03-expose-a1\.jpg.*RENAME_NOREPLACE\) += 0"
    )
    folder = first(r"fsync\(\d+<.*/pictures>\) += 0")
    committed = first(r"(fsync|fdatasync)\(\d+<.*/logbook\.db-wal>\) += 0", after=folder)
    assert flushed < renamed < folder < committed
    # Negative control: the very next flush of the logbook before the rename belongs to the intent, not to the frame.
    assert first(r"(fsync|fdatasync)\(\d+<.*/logbook\.db-wal>\) += 0") < flushed


def test_other_bytes_at_the_same_place_are_refused_and_both_stay(store):
    run, steps = begin(store)
    attempt = store.logbook.begin_attempt(steps[0].id, 0.25)
    file = bring(store, run, steps[0], attempt, picture("first"))
    second = download(store, "again.jpg", picture("second"))
    with pytest.raises(StoreError, match="another file lies there already"):
        store.files.adopt(second, file.path)
    assert store.files.path(file.path).read_bytes() == picture("first")
    assert second.read_bytes() == picture("second")


def test_the_same_bytes_again_count_as_adopted_and_the_copy_is_kept(store):
    run, steps = begin(store)
    attempt = store.logbook.begin_attempt(steps[0].id, 0.25)
    once = bring(store, run, steps[0], attempt, picture("same"))
    assert bring(store, run, steps[0], attempt, picture("same")) == once
    assert [leftover.set_aside for leftover in store.files.leftovers()] == [True]


@pytest.mark.parametrize("move", [rename_without_overwriting, link_then_unlink])
def test_moving_never_overwrites(tmp_path, move):
    old, new = tmp_path / "old", tmp_path / "new"
    old.write_text("old"), new.write_text("new")
    with pytest.raises(FileExistsError):
        move(new, old)
    assert (old.read_text(), new.read_text()) == ("old", "new")
    move(new, tmp_path / "free")
    assert (tmp_path / "free").read_text() == "new" and not new.exists()
    os.rename(tmp_path / "free", old)  # negative control: the plain rename does overwrite
    assert old.read_text() == "new"


def test_a_move_by_link_that_died_half_way_is_finished(tmp_path):
    source, target = tmp_path / "source", tmp_path / "target"
    source.write_text("picture")
    os.link(source, target)
    link_then_unlink(source, target)
    assert target.read_text() == "picture" and not source.exists()


@pytest.mark.parametrize("data", [b"", picture(1, 5000)[:4999]])
def test_half_a_download_is_not_adopted_and_stays(store, data):
    run, _ = begin(store)
    half = download(store, "half.jpg", data)
    with pytest.raises(StoreError, match=f"found {len(data)} bytes, expected (5000|at least 1)"):
        store.files.adopt(half, f"{run.folder}/pictures/half.jpg", expected_size=5000 if data else None)
    assert half.read_bytes() == data and not store.files.path(f"{run.folder}/pictures/half.jpg").exists()


@pytest.mark.parametrize(
    "final",
    [
        "/etc/x.jpg",
        "runs/../../x.jpg",
        "runs/a/../b.jpg",
        "runs/a/pictures/",
        "logbook.db",
        "incoming/a/x.jpg",
        "runs/a/x\0.jpg",
        "runs/a/x\n.jpg",
        "runs/a/.hidden.jpg",
        "runs/a/-x.jpg",
        "runs/a/" + "x" * 300,
        "",
    ],
)
def test_only_names_of_ours_below_runs_are_written(store, final):
    coming = download(store, "x.jpg", picture(1))
    with pytest.raises(StoreError, match="not of Stopwright's making"):
        store.files.adopt(coming, final)
    assert coming.exists()


def test_what_is_no_plain_file_is_not_adopted(store, tmp_path):
    run, _ = begin(store)
    (tmp_path / "secret").write_bytes(picture(1))
    link, folder, missing = (store.files.incoming / name for name in ("link.jpg", "folder.jpg", "missing.jpg"))
    link.symlink_to(tmp_path / "secret")
    folder.mkdir()
    for strange in (link, folder, missing):
        with pytest.raises(StoreError):
            store.files.adopt(strange, f"{run.folder}/pictures/x.jpg")
    assert list(store.files.path(run.folder).rglob("*.jpg")) == []


@pytest.mark.parametrize("name", CAMERA_NAMES)
def test_the_cameras_names_are_text_and_never_paths(store, name):
    run, steps = begin(store, 1)
    attempt = store.logbook.begin_attempt(steps[0].id, 0.25)
    ending = store.files.ending(name)
    assert re.fullmatch(r"\.[a-z0-9]{1,5}", ending)
    coming = store.files.new_incoming(name)
    assert coming.parent == store.files.incoming
    coming.write_bytes(picture(name))
    file = store.files.adopt(coming, f"{run.folder}/pictures/{attempt_stem('x', 1)}{ending}", "/store/DCIM", name)
    store.logbook.keep(attempt.id, "picture", [file])
    row = store.logbook.files(run.id)[0]
    assert row.card_name == name.encode("utf-8", "backslashreplace").decode().replace("\0", "\\x00")
    assert store.files.path(row.path).read_bytes() == picture(name)
    assert {path.name for path in store.path.iterdir()} <= {
        *("incoming", "runs", "logbook.db", "logbook.db-wal", "logbook.db-shm", "logbook.server"),
    }


@pytest.mark.parametrize(
    ("head", "kind"),
    [
        (b"\xff\xd8\xff\xe0\0\x10JFIF\0", "jpeg"),  # ITU-T T.81 (SOI marker, then a marker segment)
        (b"II*\0\x08\0\0\0", "raw"),  # TIFF 6.0, section 2, little-endian; DNG and most raw files are TIFF
        (b"MM\0*\0\0\0\x08", "raw"),  # TIFF 6.0, section 2, big-endian
        (b"GIF89a\0\0", "other"),
        (b"\xff", "other"),
    ],
)
def test_the_kind_is_told_by_the_bytes_and_not_by_the_name(store, head, kind):
    run, _ = begin(store)
    coming = download(store, "x.jpg", head)
    assert store.files.adopt(coming, f"{run.folder}/pictures/x.jpg").kind == kind


@given(st.text(max_size=200))
def test_a_slug_is_short_plain_and_never_empty(title):
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", slug(title)) and len(slug(title)) <= 48


@given(st.text(max_size=80), st.text(max_size=80), st.integers(1, 9), st.integers(1, 9))
def test_two_attempts_never_share_a_file_name(one, other, first, second):
    names = {attempt_stem(one, first), attempt_stem(other, second)}
    assert all(re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", name) for name in names)
    assert len(names) == (1 if (one, first) == (other, second) else 2)


def test_an_unasked_picture_has_one_name_and_another_picture_another():
    name = unasked_stem("/store/DCIM", "IMG_1.JPG", 10, "2026:10:20 15:30:00")
    assert name == unasked_stem("/store/DCIM", "IMG_1.JPG", 10, "2026:10:20 15:30:00")
    assert name != unasked_stem("/store/DCIM", "IMG_1.JPG", 11, "2026:10:20 15:30:00")
    assert name != unasked_stem("/store/DCIM/IMG_1.JPG", "", 10, "2026:10:20 15:30:00")


def test_a_partial_download_is_set_aside_and_never_lost(store):
    for content in (b"one", b"two", b"three"):
        path = download(store, "05-expose-a1.jpg", content)
        assert path.name == "05-expose-a1.jpg"
        store.files.set_aside(path)
    waiting = download(store, "06-expose-a1.jpg", b"four")
    assert store.files.new_incoming("06-expose-a1.jpg").name == "06-expose-a1-2.jpg"
    found = {leftover.path.name: (leftover.size, leftover.set_aside) for leftover in store.files.leftovers()}
    assert found == {
        "05-expose-a1.jpg.partial-1": (3, True),
        "05-expose-a1.jpg.partial-2": (3, True),
        "05-expose-a1.jpg.partial-3": (5, True),
        "06-expose-a1.jpg": (4, False),
    }
    assert waiting.exists()


def test_a_stored_file_without_a_row_is_found_again(store):
    run, steps = begin(store, 2)
    shoot(store, run, steps[0], picture(1))
    attempt = store.logbook.begin_attempt(steps[1].id, 0.25)
    orphan = bring(store, run, steps[1], attempt, picture(2))
    known = {file.path for file in store.logbook.files(run.id)}
    assert store.files.strays(run.folder, known) == [orphan.path]
    found = store.files.find_stored(orphan.path, orphan.card_folder, orphan.card_name)
    assert found == orphan
    store.logbook.keep(attempt.id, "picture", [found], state="recovered")
    assert store.files.strays(run.folder, {file.path for file in store.logbook.files(run.id)}) == []
    assert store.files.find_stored(f"{run.folder}/pictures/nothing.jpg") is None


def test_a_text_is_replaced_whole(store: Store):
    place = store.path / "runs" / "plan.json"
    for text in ("one\n", "the second, longer one: ½\n", ""):
        store.files.write_text_atomically(place, text)
        assert place.read_text(encoding="utf-8") == text
    assert [path.name for path in place.parent.iterdir()] == ["plan.json"]


def test_an_error_of_the_disk_is_worded(store):
    coming = download(store, "x.jpg", picture(1))
    (store.path / "runs" / "a").write_text("a file where a folder should be")
    with pytest.raises(StoreError, match="the disk answered") as caught:
        store.files.adopt(coming, "runs/a/pictures/x.jpg")
    assert caught.value.exit_code == 5 and "Nothing already recorded is lost" in str(caught.value)
    assert coming.exists() and damage(store) == []
