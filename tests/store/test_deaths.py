"""Deaths and full disks: what was acknowledged stays, nothing is half, and the store goes on."""

from __future__ import annotations

import errno
import os
import random
import resource
import subprocess
import time

import pytest
from support_store import Nursery, begin, bring, damage, download, picture, shoot

from daemon.errors import StoreError
from daemon.store import open_store

KILLS = 15


@pytest.fixture(scope="module")
def nursery():
    started = Nursery()
    yield started
    started.close()


def address_of(opener, path):
    """The address of the database that a folder's logbook is in; empty: it is in the folder."""
    opener(path).close()
    badge = path / "logbook.server"
    return opener.address(path) if badge.exists() else ""


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 3 MB of its own."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=3m", "small", str(place)], capture_output=True)
    if mounted.returncode:
        pytest.skip(f"cannot mount a small disk here: {mounted.stderr.decode().strip()}")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_writer_killed_at_any_moment_loses_nothing_it_promised(tmp_path, nursery, opener):
    chance = random.Random(20261020)
    promised: dict[int, tuple[int, str, str]] = {}
    intended: set[int] = set()
    open_at_death = strays_at_death = 0
    path = tmp_path / "s"
    kills = KILLS if opener is open_store else KILLS // 2
    for _ in range(kills):
        nursery.start("write", path, address_of(opener, path))
        nursery.read_until(rb"kept ")
        nursery.listen(time.monotonic() + chance.uniform(0, 0.06), time.monotonic)
        for line in nursery.kill().splitlines():
            assert not line.startswith("failed"), line
            word, *rest = line.split()
            if word == "intent":
                intended.add(int(rest[0]))
            elif word == "kept" and len(rest) == 4:
                promised[int(rest[0])] = (int(rest[1]), rest[2], rest[3])
        with opener(path) as store:
            assert damage(store) == []
            run = store.logbook.run("last")
            left = store.logbook.open_attempts(run.id)
            strays = store.files.strays(run.folder, {file.path for file in store.logbook.files(run.id)})
            assert len(left) <= 1 and len(strays) <= len(left)
            open_at_death, strays_at_death = open_at_death + len(left), strays_at_death + len(strays)
            store.logbook.abandon(run.id, "killed")
    with opener(path) as store:
        runs = [run.id for run in store.logbook.list_runs()]
        files = {row.frame_id: (row.sha256, row.path) for run in runs for row in store.logbook.files(run)}
        frames = {row.attempt_id: row.id for run in runs for row in store.logbook.frames(run)}
        attempts = {row.id for run in runs for row in store.logbook.attempts(run)}
    assert intended <= attempts
    for attempt, (frame, digest, stored) in promised.items():
        assert frames[attempt] == frame and files[frame] == (digest, stored)
    # The kills must have hit what they are meant to hit, or the test shows nothing.
    assert len(promised) >= kills and open_at_death >= kills // 5


def test_a_death_while_the_store_is_made_leaves_one_that_can_be_made(tmp_path, nursery):
    chance = random.Random(7)
    nursery.start("create", tmp_path / "whole")
    begun = time.monotonic()
    nursery.read_until(rb"made\n")
    whole = time.monotonic() - begun
    nursery.kill()
    unfinished = 0
    for number in range(8):
        path = tmp_path / str(number)
        nursery.start("create", path)
        nursery.listen(time.monotonic() + chance.uniform(0, whole), time.monotonic)
        unfinished += "made" not in nursery.kill()
        with open_store(path) as store:
            run, steps = begin(store, 1)
            shoot(store, run, steps[0], picture(number))
            assert damage(store) == []
    assert unfinished >= 2


def test_a_full_disk_stops_everything_and_loses_nothing(small_disk):
    with open_store(small_disk / "s") as store:
        run, steps = begin(store, 60)
        kept = [shoot(store, run, step, picture(step.id)) for step in steps[:5]]
        attempt = store.logbook.begin_attempt(steps[5].id, 0.25)
        ready = bring(store, run, steps[5], attempt, picture("ready"))
        half = store.files.new_incoming("half.jpg")
        filler = small_disk / "filler"
        assert 1_000_000 < store.files.free_bytes() < 3 * 2**20
        with open(filler, "wb", buffering=0) as sink, pytest.raises(OSError) as full:
            while True:
                sink.write(b"\0" * 4096)
        assert full.value.errno == errno.ENOSPC
        with pytest.raises(StoreError, match=r"the disk with the store .*is full\. Free some space"):
            for _ in range(200):  # room left in pages already taken is used up first
                store.logbook.add_event("note", "x" * 2000)
        with pytest.raises(StoreError, match="is full"):
            store.logbook.keep(attempt.id, "picture", [ready], exif={"MakerNote": "x" * 9000})
        with pytest.raises(OSError):
            half.write_bytes(picture("half", 200_000))
        with pytest.raises(StoreError, match="not complete"):
            store.files.adopt(half, f"{run.folder}/deep/er/half.jpg", expected_size=200_000)
        with pytest.raises(StoreError, match="is full"):
            store.files.write_text_atomically(store.path / "runs" / "plan.json", "x" * 100_000)
        assert not (store.path / "runs" / "plan.json").exists()
        assert store.logbook.step(steps[5].id).outcome is None and damage(store) == []
        assert store.files.free_bytes() < 4096
        filler.unlink()
        store.logbook.keep(attempt.id, "picture", [ready])
        shoot(store, run, steps[6], picture("goes on"))
        assert [row.id for row in store.logbook.frames(run.id)][:5] == [frame.id for frame, _ in kept]
        assert damage(store) == []


def test_a_disk_that_fails_in_mid_commit_shows_nothing_half(tmp_path):
    """A limit on the size of files (setrlimit(2), RLIMIT_FSIZE) stands for the failing disk; no mount needed."""
    with open_store(tmp_path / "s") as store:
        run, steps = begin(store)
        attempt = store.logbook.begin_attempt(steps[0].id, 0.25)
        file = bring(store, run, steps[0], attempt, picture(1))
        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        wal = (store.path / "logbook.db-wal").stat().st_size
        resource.setrlimit(resource.RLIMIT_FSIZE, (wal + 5000, hard))
        try:
            with pytest.raises(StoreError) as caught:
                store.logbook.keep(attempt.id, "picture", [file], exif={"MakerNote": "x" * 100_000})
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        assert "the disk" in str(caught.value) and "Nothing already recorded is lost" in str(caught.value)
        assert store.logbook.frames(run.id) == [] and store.logbook.step(steps[0].id).outcome is None
        store.logbook.keep(attempt.id, "picture", [file], exif={"MakerNote": "x" * 100_000})
        assert damage(store) == []


def test_a_read_only_disk_is_refused_and_not_touched(small_disk):
    with open_store(small_disk / "s") as store:
        run, steps = begin(store)
        shoot(store, run, steps[0], picture(1))
        coming = download(store, "x.jpg", picture(2))
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(StoreError, match="may not be written"):
        open_store(small_disk / "s")
    with pytest.raises(StoreError, match="not allowed to write"):
        open_store(small_disk / "new")
    with pytest.raises(StoreError, match="not allowed to write"):
        store.files.adopt(coming, f"{run.folder}/pictures/x.jpg")
    with pytest.raises(StoreError, match="not allowed to write"):
        store.logbook.add_event("note", "x")
    subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)
    with open_store(small_disk / "s") as again:
        assert again.files.adopt(coming, f"{run.folder}/pictures/x.jpg").size == 20_000
        assert damage(again) == []


@pytest.mark.skipif(os.geteuid() == 0, reason="permissions do not bind root; the read-only disk shows the same")
def test_a_folder_without_permission_is_refused(tmp_path):
    (tmp_path / "locked").mkdir(mode=0o500)
    with pytest.raises(StoreError, match="not allowed to write"):
        open_store(tmp_path / "locked" / "s")
