"""From a falling sun to a film, end to end: simulated camera, real camera library, runner, logbook, film."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from support_sunset import MOST_CLIPPED, as_taken, film_flicker, largest_error, shoot_sunset

FRAMES = 100


@pytest.mark.timeout(180)
def test_a_sunset_becomes_a_film_without_flicker_and_every_frame_is_in_the_record(tmp_path: Path) -> None:
    sunset = shoot_sunset(tmp_path, FRAMES)
    assert sunset.outcome.startswith(f"kept: {FRAMES} of {FRAMES} frames"), sunset.outcome
    assert [row.frame for row in sunset.rows] == list(range(FRAMES))
    assert len(sunset.film) == sunset.counts["frames"]["picture"] == FRAMES
    assert sunset.counts["files"] == sunset.counts["distinct_hashes"] == sunset.exposures
    assert sunset.most_clipped() <= MOST_CLIPPED  # no clipped frame
    # The settings followed the light, one way: several stops, never back.
    rungs = [row.rung or 0 for row in sunset.rows]
    assert rungs[-1] - rungs[0] >= 12 and all(after >= before for before, after in pairwise(rungs))
    assert largest_error(sunset) <= 0.4
    assert film_flicker(sunset, tmp_path / "film.mp4") <= 0.010
    # Negative control: without smoothing the steps of a third of a stop are seen.
    assert film_flicker(sunset, tmp_path / "as-taken.mp4", as_taken()) > 0.03
