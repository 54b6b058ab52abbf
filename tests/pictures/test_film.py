"""Films: decoded again and measured; the light is kept, the dial is not seen, nothing is clipped that was not."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import pairwise
from multiprocessing import get_context

import av
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from support_film import encoded, film_levels, flicker, linear_of, sunset
from support_store import download, garden_plan

from daemon.commands.film import film as film_command
from daemon.errors import StoreError, UsageError
from daemon.pictures.exif import ExifFacts
from daemon.pictures.film import making
from daemon.pictures.film.frames import SIZES, Crop, Look, box_at, crop_at
from daemon.pictures.film.making import ROOM, make_film, measure_series, workers
from daemon.pictures.film.plots import draw_plots
from daemon.pictures.film.stills import make_stills
from daemon.pictures.film.tone import gain_table, with_gain
from daemon.pictures.opening import PictureUnreadable
from daemon.store import open_store
from plans.smoothing import STEP_SIGMA, smoothed

SMALL = Look(size=(320, 180))


@pytest.fixture(scope="module")
def ideal(tmp_path_factory):
    return sunset(tmp_path_factory.mktemp("ideal"), 90)


@pytest.fixture(scope="module")
def jittered(tmp_path_factory):
    return sunset(tmp_path_factory.mktemp("jitter"), 90, jitter=0.015)


@pytest.mark.parametrize("codec", ["h264", "av1"])
def test_the_film_of_a_sunset_does_not_flicker(ideal, jittered, tmp_path, codec):
    look = replace(SMALL, codec=codec)
    make_film(ideal.frames, tmp_path / "ideal.mp4", look)
    make_film(jittered.frames, tmp_path / "jitter.mp4", look)
    assert flicker(film_levels(tmp_path / "ideal.mp4")) <= 0.010
    assert flicker(film_levels(tmp_path / "jitter.mp4")) <= 0.020
    with av.open(str(tmp_path / "ideal.mp4")) as film:
        stream = film.streams.video[0]
        assert (stream.width, stream.height, stream.frames) == (320, 180, 90)
        assert stream.codec_context.name in ({"h264"} if codec == "h264" else {"libdav1d", "av1", "libaom-av1"})
        assert stream.codec_context.colorspace == 1  # BT.709, ITU-T H.273


def test_without_smoothing_the_same_film_flickers(ideal, jittered, tmp_path):
    """Negative control of the bars above."""
    make_film(ideal.frames, tmp_path / "as-taken.mp4", replace(SMALL, smooth=False, steady=False))
    assert flicker(film_levels(tmp_path / "as-taken.mp4")) > 0.05
    make_film(jittered.frames, tmp_path / "steps-only.mp4", replace(SMALL, steady=False))
    make_film(jittered.frames, tmp_path / "steady.mp4", SMALL)
    assert flicker(film_levels(tmp_path / "steady.mp4")) < 0.7 * flicker(film_levels(tmp_path / "steps-only.mp4"))


def test_a_slow_sunset_does_not_breathe(tmp_path, monkeypatch):
    # One step in 33 frames: a Gaussian of eight leaves a wave of it.
    slow = sunset(tmp_path, 150, size=(160, 90), fall=0.010)
    assert len(np.flatnonzero(np.diff(slow.given))) >= 4
    make_film(slow.frames, tmp_path / "slow.mp4", replace(SMALL, size=(160, 90)))
    assert flicker(film_levels(tmp_path / "slow.mp4")) <= 0.010
    monkeypatch.setattr(making, "step_gains", lambda given: smoothed(given, STEP_SIGMA) - given)  # negative control
    make_film(slow.frames, tmp_path / "rounded.mp4", replace(SMALL, size=(160, 90)))
    assert flicker(film_levels(tmp_path / "rounded.mp4")) > 0.010


def test_marks_instead_of_exact_times_would_be_seen(ideal, tmp_path):
    # "1/60" stands for 1/64, "1/15" for 1/16, "1/30" for 1/32 (ISO 517 and common practice: full stops of time).
    nominal = {64: 60, 32: 30, 16: 15, 128: 125}
    frames = []
    for frame in ideal.frames:
        time = frame.settings.exposure_s
        marked = 1 / nominal[round(1 / time)] if round(1 / time) in nominal else time
        frames.append(replace(frame, settings=replace(frame.settings, exposure_s=marked)))
    exact, marks = measure_series(ideal.frames), measure_series(frames)
    assert float(np.abs(exact.step - marks.step).max()) > 0.03


def test_a_cloud_passes_in_the_film_as_it_passed(tmp_path):
    made = sunset(tmp_path, 60, cloud=(30, 5, 1.2))
    make_film(made.frames, tmp_path / "film.mp4", SMALL)
    seen = np.median(film_levels(tmp_path / "film.mp4")[:, 30:90], axis=1)
    inside, outside = seen[31:34].mean(), np.concatenate([seen[24:29], seen[37:42]]).mean()
    truth = made.light[31:34].mean() - np.concatenate([made.light[24:29], made.light[37:42]]).mean()
    assert inside - outside == pytest.approx(truth, abs=0.05)
    assert np.abs(measure_series(made.frames).steady).max() < 0.03  # nor is anything done about it just beside it


def test_no_frame_is_clipped_that_was_not_and_what_was_white_stays_white(tmp_path):
    made = sunset(tmp_path, 40, bright_sky=True)
    shown = measure_series(made.frames)
    assert shown.gain.min() < -0.08 and shown.gain.max() > 0.08
    stills = make_stills(made.frames, shown, tmp_path / "stills")
    darkened_naively = 0
    for frame, still, gain in zip(made.frames, stills, shown.gain, strict=True):
        source, after = codes_of(frame.path), codes_of(still)
        assert (after >= 254).mean() <= (source >= 254).mean() + 0.003, frame.path  # JPEG's own rounding
        assert after[5:30].min() >= 250  # the sky is white, never grey
        darkened_naively += encoded(np.array([2.0 ** min(gain, 0.0)]))[0] < 250
    assert darkened_naively > 5  # negative control: a plain factor would have turned it grey


@given(st.floats(-3, 3))
def test_a_gain_is_exact_below_the_knee_keeps_both_ends_and_the_order(stops):
    table = gain_table(stops)
    assert (table[0], table[255]) == (0, 255) and all(one <= other for one, other in pairwise(table))
    linear = linear_of(np.arange(256))
    after = with_gain(linear, 2.0**stops)
    low = linear <= 0.6 / max(1.0, 2.0**stops)
    assert after[low] == pytest.approx(linear[low] * 2.0**stops)
    assert after[:255].max() < 1.0


def test_a_worker_process_makes_the_same_film_as_a_thread(ideal, tmp_path):
    frames = ideal.frames[:12]
    make_film(frames, tmp_path / "threads.mp4", SMALL)
    with ProcessPoolExecutor(1, mp_context=get_context("forkserver")) as pool:
        make_film(frames, tmp_path / "processes.mp4", SMALL, executor=pool)
    assert (film_levels(tmp_path / "threads.mp4") == film_levels(tmp_path / "processes.mp4")).all()


def test_few_pictures_are_in_memory_at_once_whatever_the_size():
    for size in SIZES.values():
        assert workers(size, 8) >= 1 and 3 * size[0] * size[1] * (workers(size, 8) + 8) <= ROOM


def test_crop_and_pan_stay_inside_the_frame_and_keep_the_films_shape():
    look = Look(size=(1920, 1080), start=Crop(0.0, 0.0, 0.5), end=Crop(1.0, 1.0, 1.0))
    for share in np.linspace(0, 1, 11):
        left, top, right, bottom = box_at(crop_at(look, share), (6000, 4000), look.size)
        assert left >= 0 and top >= 0 and right <= 6000 + 1e-6 and bottom <= 4000 + 1e-6
        assert (right - left) / (bottom - top) == pytest.approx(16 / 9)
    assert box_at(Crop(), (6000, 4000), (1920, 1080)) == pytest.approx((0, 312.5, 6000, 3687.5))
    assert box_at(Crop(), (1000, 4000), (1920, 1080))[1:] == pytest.approx((1718.75, 1000, 2281.25))


def test_the_picture_moves_and_the_caption_is_where_it_should_be(ideal, tmp_path):
    frames = ideal.frames[:20]
    moved = replace(SMALL, start=Crop(0.3, 0.5, 0.6), end=Crop(0.7, 0.5, 0.6))
    make_film(frames, tmp_path / "moved.mp4", moved)
    make_film(frames, tmp_path / "plain.mp4", replace(SMALL, quality=1))
    make_film(frames, tmp_path / "caption.mp4", replace(SMALL, caption=True, quality=1))
    first, last = (pixels(tmp_path / "moved.mp4")[at] for at in (0, -1))
    plain, written = pixels(tmp_path / "plain.mp4"), pixels(tmp_path / "caption.mp4")
    assert np.abs(first - last).mean() > 3 * np.abs(plain[0] - plain[1]).mean()
    off = np.abs(written[10] - plain[10]) > 40
    rows, columns = np.nonzero(off)
    assert rows.min() > 150 and columns.min() < 20 and columns.max() < 220 and off.sum() > 500


def codes_of(path):
    with Image.open(path) as image:
        return np.asarray(image.convert("L")).astype(int)


def pixels(path):
    with av.open(str(path)) as film:
        return [frame.to_ndarray(format="gray").astype(float) for frame in film.decode(video=0)]


def test_frames_that_cannot_be_are_named_and_leave_no_film(ideal, tmp_path):
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(ideal.frames[0].path.read_bytes()[:2000])
    other = tmp_path / "other.jpg"
    Image.new("RGB", (300, 200)).save(other)
    for bad, words in (
        (broken, "broken"),
        (other, "300 x 200 pixels in a series of 480 x 320"),
        (tmp_path / "no", "no file"),
    ):
        frames = [*ideal.frames[:5], replace(ideal.frames[5], path=bad), *ideal.frames[6:9]]
        with pytest.raises(PictureUnreadable, match=words):
            make_film(frames, tmp_path / "film.mp4", SMALL)
    with pytest.raises(UsageError, match="found 1 frames; a film has at least 2"):
        make_film(ideal.frames[:1], tmp_path / "film.mp4", SMALL)
    with pytest.raises(StoreError, match="cannot be written"):
        make_film(ideal.frames[:5], tmp_path / "no" / "film.mp4", SMALL)
    assert {path.name for path in tmp_path.iterdir()} == {"broken.jpg", "other.jpg"}


def test_without_the_library_the_error_says_what_to_install(ideal, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(UsageError, match=r"pip install 'stopwright\[film\]'"):
        make_film(ideal.frames[:5], tmp_path / "film.mp4", SMALL)


def test_stills_and_curves_lie_beside_each_other_and_the_originals_stay(jittered, tmp_path):
    frames = jittered.frames[:8]
    before = [frame.path.read_bytes() for frame in frames]
    shown = measure_series(frames)
    stills = make_stills(frames, shown, tmp_path / "stills")
    draw_plots(frames, shown, "Sunset", tmp_path / "curves.png")
    assert [frame.path.read_bytes() for frame in frames] == before
    for frame, still in zip(frames, stills, strict=True):
        with Image.open(still) as image:
            assert image.size == (480, 320) and not image.getexif()
        told = still.with_suffix(".xmp").read_text()
        assert f"frame {frame.number}:" in told and "<exif:FNumber>4/1</exif:FNumber>" in told
    curves = codes_of(tmp_path / "curves.png")
    assert all((curves[top : top + 220] < 60).sum() > 300 for top in (120, 400, 680, 960))
    with pytest.raises(UsageError, match="found something there already"):
        make_stills(frames, shown, tmp_path / "stills")


def test_the_command_makes_a_film_of_a_run(ideal, tmp_path, capsys, monkeypatch):
    monkeypatch.delenv("STOPWRIGHT_DATABASE", raising=False)
    with open_store(tmp_path / "s") as store:
        run = store.logbook.new_run("Fountain at dusk", "", "demo", "console")
        store.logbook.add_plan(run.id, garden_plan(4), "as compiled")
        steps = [row for row in store.logbook.steps(run.id) if row.kind == "expose"]
        for step, frame in zip(steps, ideal.frames, strict=False):
            attempt = store.logbook.begin_attempt(step.id, 0.25)
            coming = download(store, f"{step.step_id}.jpg", frame.path.read_bytes())
            file = store.files.adopt(coming, f"{run.folder}/pictures/{step.step_id}-a1.jpg")
            store.logbook.keep(attempt.id, "picture", [file], exif=ExifFacts())
    words = ["1", "--store", str(tmp_path / "s"), "--size", "720p", "--caption", "--json"]
    assert not film_command.main(words, standalone_mode=False)
    told = json.loads(capsys.readouterr().out)
    assert (told["frames"], told["enlarged"]) == (4, True) and len(pixels(told["film"])) == 4
    film_command.main([*words, "--stills", str(tmp_path / "stills")], standalone_mode=False)
    assert len(list((tmp_path / "stills").glob("*.xmp"))) == 4
    capsys.readouterr()
    for out, words_of_error in ((str(tmp_path / "film.avi"), ".avi"), (told["film"], "something")):
        with pytest.raises(SystemExit) as ended:
            film_command.main([*words, "--out", out], standalone_mode=False)
        assert ended.value.code == 2 and words_of_error in json.loads(capsys.readouterr().out)["message"]


@pytest.mark.parametrize(("command", "lower"), [("film", 10), ("runs", 0)])
def test_a_film_gives_way_to_a_run_that_goes_on_meanwhile(command, lower, tmp_path):
    script = (
        "import contextlib, os, sys\n"
        "from daemon.cli import stopwright\n"
        "with contextlib.suppress(BaseException):\n"
        "    stopwright(sys.argv[1:])\n"
        "print(os.nice(0))\n"
    )
    asked = [sys.executable, "-c", script, command, "1", "--store", str(tmp_path)]
    found = subprocess.run(asked, capture_output=True, text=True, check=True)
    assert int(found.stdout.split()[-1]) == min(19, os.nice(0) + lower)
