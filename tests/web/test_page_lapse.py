"""The watch over a time-lapse on the page: real service, real Chromium, simulated camera, a clock that hurries."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.sync_api import expect
from support_browser import browser, let_in
from support_hurry import hurried
from support_service import served
from support_simulator import simulated_camera

GOALS = "goals:\n  - timelapse: {interval: 20 s, frames: 200, focus: heron}\n"


@pytest.mark.timeout(120)
def test_a_running_time_lapse_is_watched_with_its_film_so_far(tmp_path: Path) -> None:
    with (
        browser() as chromium,
        hurried(tmp_path) as variables,
        simulated_camera(environment=variables, render="scene") as simulator,
        served(tmp_path, "--camera", simulator.camera, more=variables) as service,
    ):
        run = service.shoot(goals=GOALS, composed=True, operator="nobody")
        page = let_in(chromium, service, reduced_motion="reduce")
        expect(page.locator("#lapse")).to_be_visible(timeout=40_000)
        expect(page.locator("#lapse-facts")).to_contain_text("of 200")
        expect(page.locator("#lapse-film")).to_be_visible(timeout=40_000)
        # Who asked for less motion sees the newest picture and not a film, until it is asked for.
        expect(page.locator("#lapse-play")).to_have_text("Play the film so far")
        shown = page.locator("#lapse-shown")
        expect(shown).to_have_text(re.compile(r"frame ([3-9]|\d\d)"), timeout=40_000)
        page.tap("#lapse-play")
        page.wait_for_function(
            """() => (window.seen ??= new Set()).add(document.getElementById("lapse-shown").textContent).size >= 3"""
        )
        colours = page.evaluate(
            """() => { const c = document.getElementById("lapse-film");
            const d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data;
            return new Set(Array.from({ length: d.length / 4 }, (v, n) => d[4 * n])).size; }"""
        )
        assert colours > 30  # a picture, and no empty canvas
        assert page.complaints == []  # type: ignore[attr-defined]
        service.post(f"/api/runs/{run}/commands", {"id": "end", "verb": "stop", "data": {}})
        service.until(lambda state: state["job"] is None)
        assert service.end() == 0
