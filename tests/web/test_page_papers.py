"""Logbook filters, verdicts and papers, rehearsal and schedules: real service, Chromium, simulated camera."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from playwright.sync_api import Page, expect
from support_browser import browser, let_in, open_screen
from support_run import small_brief
from support_service import BRACKET, Served, served
from support_simulator import simulated_camera

from hardware_mocks.hands import Hands

pytestmark = pytest.mark.timeout(150)

ISOLATE = "goals:\n  - isolate: heron\n  - deep: {from: heron, to: hedge}\n"


class Desk:
    """A service whose first run is of a bracket and whose second is of other goals, and a phone let in."""

    def __init__(self, service: Served, page: Page, runs: tuple[int, int]):
        self.service, self.page, self.runs = service, page, runs


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    home = tmp_path_factory.mktemp("papers")
    with (
        browser() as chromium,
        simulated_camera(timing="instant") as simulator,
        served(home, "--camera", simulator.camera) as service,
    ):
        runs = []
        for name, goals in (("one", BRACKET), ("two", ISOLATE)):
            runs.append(service.shoot(name, goals, operator=f"simulated:{simulator.hands}"))
            service.until(lambda state: state["job"] is None, 60)
        assert Hands(simulator.hands).state()["exposures"] >= 5
        yield Desk(service, let_in(chromium, service), (runs[0], runs[1]))


def found(service: Served, query: str) -> list[int]:
    return [one["run"] for one in service.get(f"/api/runs?{query}")["runs"]]


def test_runs_are_found_by_goal_subject_and_kit_of_their_newest_plan(desk: Desk) -> None:
    first, second = desk.runs
    service = desk.service
    assert found(service, "goal=bracket") == [first]
    assert found(service, "goal=isolate") == found(service, "goal=deep") == [second]
    assert found(service, "goal=silk") == []
    assert found(service, "subject=HERON") == [second, first]
    assert found(service, "subject=heron&goal=bracket") == [first]
    assert found(service, "subject=her%25n") == found(service, "subject=dragon") == []
    assert found(service, "kit=demo%20body") == found(service, "kit=50%20mm%20nd") == [second, first]
    assert found(service, "kit=85%20mm") == []
    page = service.get("/api/runs?kit=demo&limit=1")
    assert [one["run"] for one in page["runs"]] == [second] and page["next"] == second
    assert found(service, f"kit=demo&limit=1&before={page['next']}") == [first]
    assert service.client.get("/api/runs?goal=dance").status_code == 422


def test_the_logbook_filters_by_verdict_after_judging_the_runs_of_its_page(desk: Desk) -> None:
    first, second = desk.runs
    page = desk.page
    unjudged = desk.service.get("/api/runs?verdict=shown")
    assert unjudged["runs"] == [] and unjudged["unjudged"] == [second, first]
    open_screen(page, desk.service, "/logbook")
    page.select_option("#goal", "bracket")
    page.select_option("#verdict", "shown")
    page.locator("#search-form .main").tap()
    expect(page.locator("#run-list a")).to_have_count(1, timeout=60_000)
    expect(page.locator("#judging")).to_contain_text("this page of runs alone")
    told = desk.service.get(f"/api/runs/{first}/verdicts")
    assert sum(told["counts"].values()) == len(told["verdicts"]) > 0 and told["making"] is False
    listed = desk.service.get("/api/runs?verdict=shown")
    assert [one["run"] for one in listed["runs"]] == [first] and listed["unjudged"] == [second]
    assert listed["runs"][0]["verdicts"] == told["counts"]
    none = [word for word, count in told["counts"].items() if not count]
    assert none and all(found(desk.service, f"verdict={word}") == [] for word in none)


def test_a_runs_page_gives_its_verdicts(desk: Desk) -> None:
    first, _ = desk.runs
    page = desk.page
    page.complaints.clear()  # type: ignore[attr-defined]
    assert desk.service.client.get(f"/api/runs/{first}/lesson/lesson.zip").status_code == 404
    open_screen(page, desk.service, f"/logbook?run={first}")
    page.tap("#judge")
    told = desk.service.get(f"/api/runs/{first}/verdicts")
    expect(page.locator("#verdicts li")).to_have_count(len(told["verdicts"]), timeout=60_000)
    assert told["verdicts"][0]["words"] in (page.text_content("#verdicts") or "")
    assert page.complaints == []  # type: ignore[attr-defined]


def test_pictures_are_drawn_beforehand_beside_their_steps_with_what_they_cannot_know(
    desk: Desk, tmp_path: Path
) -> None:
    page = desk.page
    brief = tmp_path / "evening.yaml"
    brief.write_text(small_brief(ISOLATE))
    open_screen(page, desk.service, "/plan")
    page.set_input_files("#upload", brief)
    page.wait_for_selector(".step")
    page.tap("#rehearse")
    page.wait_for_selector(".rehearsed img", timeout=60_000)
    told = desk.service.post("/api/rehearsal", {"text": small_brief(ISOLATE)})
    steps = page.evaluate("[...document.querySelectorAll('.step:has(.rehearsed)')].map((one) => one.dataset.step)")
    assert set(steps) == set(told["pictures"]) and len(steps) >= 2
    data = told["pictures"][steps[0]].partition("base64,")[2]
    assert Image.open(io.BytesIO(base64.b64decode(data))).width == 320
    assert page.evaluate("document.querySelector('.rehearsed img').naturalWidth") == 320
    for sentence in told["unknown"]:
        assert sentence in (page.text_content("#unknown") or "")
    page.fill("#brief", small_brief(BRACKET))
    page.tap("#compile")
    page.wait_for_selector(".step")
    expect(page.locator(".rehearsed")).to_have_count(0)  # pictures of another brief do not stay


def test_a_schedule_is_listed_and_removed_only_after_a_question(desk: Desk) -> None:
    page, service = desk.page, desk.service
    rule = {"kind": "once", "at": "2099-06-01T18:00:00Z"}
    order: dict[str, Any] = {"title": "Midsummer <b>class</b>", "rule": rule, "composed": True}
    number = service.post("/api/schedule", order | {"brief": {"text": small_brief(BRACKET)}}, 201)["id"]
    open_screen(page, service, "/plan")
    row = page.locator(f'[data-schedule="{number}"]')
    expect(row).to_contain_text("Midsummer <b>class</b>")
    row.locator("button").tap()
    page.tap("#sure-no")
    assert [one["id"] for one in service.get("/api/schedule")["schedules"]] == [number]
    row.locator("button").tap()
    page.tap("#sure-yes")
    expect(page.locator("#schedules")).to_have_text("Nothing is scheduled.")
    assert service.get("/api/schedule")["schedules"] == []
