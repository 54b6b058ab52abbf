"""Settings of real photographs, from packages that carry them for their own tests; fetched here, never kept.

Both are held against other readers of Exif: the npm package ``exif`` 0.6.0 (MIT) has that reader's answers beside its
pictures; the sdist of ``piexif`` 1.1.3 (MIT) is a reader itself, run here on its own pictures. Where a package cannot
be had, its test is skipped and says so.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tarfile
import zipfile
from collections.abc import Sequence
from pathlib import Path

import pytest

from daemon.pictures.exif import read_exif
from daemon.pictures.judging.pixels import open_pixels

# Run beside the package: time, f-number, ISO and focal length of each picture named, as rationals and whole numbers.
OTHER_READER = """
import json, sys, piexif
told = {}
for name in sys.argv[1:]:
    tags = piexif.load(name)["Exif"]
    told[name] = [tags.get(tag) for tag in (33434, 33437, 34855, 37386)]
print(json.dumps(told))
"""
WITHIN_S = 25


def fetched(folder: Path, what: str, command: Sequence[str]) -> Path:
    """The archive that a package's ordinary client brings; skips where it does not."""
    if shutil.which(command[0]) is None:
        pytest.skip(f"{what}: {command[0]} is not installed")
    try:
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=WITHIN_S, check=False)
    except subprocess.TimeoutExpired:
        pytest.skip(f"{what}: not fetched within {WITHIN_S} s")
    archives = [path for path in folder.iterdir() if path.suffix in (".tgz", ".zip", ".gz")]
    if done.returncode != 0 or not archives:
        pytest.skip(f"{what}: cannot be fetched here: {done.stderr.strip()[-200:]}")
    return archives[0]


def test_ten_pictures_of_many_makers_are_read_as_another_reader_reads_them(tmp_path: Path) -> None:
    with tarfile.open(fetched(tmp_path, "npm exif", ["npm", "pack", "exif@0.6.0", "--silent"])) as archive:
        archive.extractall(tmp_path, filter="data")
    pictures = sorted((tmp_path / "package" / "test").glob("*.jpg"))
    assert len(pictures) >= 10
    compared = 0
    for path in pictures:
        facts = read_exif(path)
        answers = path.with_name(f"{path.name}.json")
        if not answers.is_file():
            continue
        told = json.loads(answers.read_text()).get("exif", {})
        for mine, name in (
            (facts.exposure_s, "ExposureTime"), (facts.f_number, "FNumber"), (facts.iso, "ISO"),
            (facts.focal_length_mm, "FocalLength"),
        ):  # fmt: skip
            if told.get(name):
                assert mine == pytest.approx(told[name], rel=1e-6), (path.name, name)
                compared += 1
    assert compared >= 16
    # The one that is whole and large: six seconds at dusk.
    dusk = open_pixels(tmp_path / "package" / "test" / "sony-alpha-6000.jpg")
    assert (dusk.width, dusk.height) == (6000, 4000)
    assert dusk.measure.clipped.mean() < 0.2


def test_pictures_of_eight_cameras_tell_the_settings_that_another_reader_finds(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "pip", "download", "-q", "--no-deps", "--no-binary", ":all:", "piexif==1.1.3"]
    with zipfile.ZipFile(fetched(tmp_path, "piexif", command)) as archive:
        archive.extractall(tmp_path)
    home = tmp_path / "piexif-1.1.3"
    names = sorted(str(path) for path in home.glob("tests/images/r_*.jpg"))
    assert len(names) == 8
    answers = subprocess.run(
        [sys.executable, "-c", OTHER_READER, *names], cwd=home, capture_output=True, text=True, timeout=20, check=True
    )
    for name, (time, f_number, iso, focal) in json.loads(answers.stdout).items():
        facts = read_exif(Path(name))
        found = facts.exposure_s, facts.f_number, facts.iso, facts.focal_length_mm
        assert found == pytest.approx((time[0] / time[1], f_number[0] / f_number[1], iso, focal[0] / focal[1])), name
        assert open_pixels(Path(name)).width == 80
