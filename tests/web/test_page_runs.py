"""Runs driven from the page by touch: real service, real Chromium, real camera library, simulated camera."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, Route, expect
from support_browser import SHIFTS, SIZES, browser, let_in, open_screen
from support_run import small_brief
from support_service import BRACKET, served
from support_simulator import simulated_camera

pytestmark = pytest.mark.timeout(150)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as started:
        yield started


@pytest.fixture(scope="module")
def camera() -> Iterator[Any]:
    with simulated_camera(timing="instant") as simulator:
        yield simulator


def shifts(page: Page) -> list[Any]:
    found: list[Any] = page.evaluate("window.shifts")
    return [one for one in found if one[0] > 0.001]


def test_a_whole_run_goes_by_touch_from_the_brief_to_its_sheet_and_nothing_jumps(
    chromium: Browser, camera: Any, tmp_path: Path
) -> None:
    brief = tmp_path / "evening.yaml"
    brief.write_text(small_brief(BRACKET))
    with served(tmp_path, "--camera", camera.camera) as service:
        page = let_in(chromium, service)
        page.tap('.tabs [data-tab="plan"]')
        page.wait_for_selector("html[data-ready]")
        page.set_input_files("#upload", brief)
        page.wait_for_selector(".step")
        page.tap("#cues")
        page.tap("#start")
        page.wait_for_url("**/cue")
        page.tap('.tabs [data-tab="now"]')
        page.wait_for_selector("#asking:not([hidden])")
        page.evaluate(SHIFTS)
        assert "Set up the tripod" in (page.text_content("#asking-text") or "")
        assert "one framing" in (page.text_content("#asking-why") or "")
        page.locator("#asking-choices .main").tap()
        for count in (1, 2, 3):
            page.locator('[data-verb="cue"]:not([disabled])').tap()
            expect(page.locator("#facts")).to_contain_text(f"{count} of 3", timeout=20_000)
            page.wait_for_function("() => document.getElementById('last-image').complete")
        page.evaluate("() => new Promise((done) => setTimeout(done, 600))")
        page.locator('[data-verb="cue"]:not([disabled])').tap()  # the last word ends the run
        expect(page.locator("#what")).to_have_text("The rig is at rest", timeout=20_000)
        assert shifts(page) == []
        page.evaluate("() => { scrollTo(0, 0); return new Promise((done) => setTimeout(done, 700)); }")
        page.evaluate("() => { document.querySelector('.what').style.marginBottom = '200px'; }")
        page.wait_for_function("() => window.shifts.length > 0")  # one that jumps is seen
        run = service.get("/api/runs/last")
        assert run["state"] == "done" and run["counts"]["kept"]["expose"] == 3
        page.tap('.tabs [data-tab="logbook"]')
        page.locator(".runs a").first.tap()
        page.wait_for_selector("#draw")
        expect(page.locator("#frames li")).to_have_count(3)
        boxes = page.locator("#frames label.tick")
        boxes.nth(0).tap()
        boxes.nth(2).tap()
        page.tap("#side")
        expect(page.locator("#beside img")).to_have_count(2)
        expect(page.locator("#beside svg")).to_have_count(2)
        page.tap("#draw")
        with page.expect_download() as waiting:
            page.locator('#sheets a[href$=".pdf"]').tap(timeout=30_000)
        assert Path(waiting.value.path()).read_bytes().startswith(b"%PDF")
        assert page.complaints == []  # type: ignore[attr-defined]
        page.context.close()


def test_a_retake_pressed_on_two_phones_is_shot_once(chromium: Browser, camera: Any, tmp_path: Path) -> None:
    with served(tmp_path, "--camera", camera.camera) as service:
        run = service.shoot("two", BRACKET, manners={"cue": True})
        asking = service.until(lambda state: state["asking"])["asking"]
        commands = f"/api/runs/{run}/commands"
        service.post(commands, {"id": "a", "verb": "answer", "data": {"question": asking["id"], "answer": "done"}})
        service.until(lambda state: (state["asking"] or {}).get("kind") == "cue")
        service.post(commands, {"id": "b", "verb": "cue"})
        service.until(lambda state: (state["asking"] or {}).get("step") == "04-expose")
        phones = [let_in(chromium, service) for _ in range(2)]
        for phone in phones:
            phone.wait_for_selector('[data-verb="retake"]:not([disabled])')
        for phone in phones:  # both have the button before either presses; neither waits for the other
            phone.evaluate("() => { setTimeout(() => document.querySelector('[data-verb=retake]').click(), 150); }")
        service.until(lambda state: (state["asking"] or {}).get("step") == "04-expose" and _retakes(service, run) == 1)
        for phone in phones:
            expect(phone.locator("#said")).to_contain_text("Sent")
        time.sleep(1.0)  # a second one would be shot by now: one takes a tenth of that
        assert _retakes(service, run) == 1
        frames = service.get(f"/api/runs/{run}/frames")["frames"]
        assert sum(frame["role"] == "picture" for frame in frames) == 2
        phones[0].tap("#skip")  # asks first; nothing is skipped until then
        phones[0].tap("#sure-no")
        assert service.state()["asking"]["step"] == "04-expose"
        phones[0].tap("#skip")
        phones[0].tap("#sure-yes")
        service.until(lambda state: (state["asking"] or {}).get("step") == "05-expose")
        for phone in phones:
            phone.context.close()


def _retakes(service: Any, run: int) -> int:
    steps = service.get(f"/api/runs/{run}/steps")["steps"]
    return sum("again" in step["step_id"] and step["outcome"] == "kept" for step in steps)


def test_the_lecturer_changes_one_value_and_the_rest_balances(chromium: Browser, camera: Any, tmp_path: Path) -> None:
    with served(tmp_path, "--camera", camera.camera) as service:
        run = service.shoot("class", BRACKET, manners={"cue": True})
        asking = service.until(lambda state: state["asking"])["asking"]
        commands = f"/api/runs/{run}/commands"
        service.post(commands, {"id": "a", "verb": "answer", "data": {"question": asking["id"], "answer": "done"}})
        service.until(lambda state: (state["asking"] or {}).get("kind") == "cue")
        page, board = let_in(chromium, service), let_in(chromium, service, "watch", SIZES[3])
        open_screen(board, service, "/board")
        open_screen(page, service, "/cue")
        assert service.client.get(f"/api/runs/{run}/live").status_code == 404
        page.tap("#look:not([disabled])")
        expect(page.locator("#magnified-title")).to_have_text("Live picture, magnified", timeout=20_000)
        page.wait_for_function("() => document.getElementById('magnified-image').naturalWidth > 0")
        assert service.client.get(f"/api/runs/{run}/live").content[:2] == b"\xff\xd8"
        assert service.get(f"/api/runs/{run}/frames?role=picture")["frames"] == []  # a look is no frame
        page.tap("#take:not([disabled])")
        expect(board.locator("#newest-settings")).to_have_text("f/8  ·  1/250 s  ·  ISO 100")
        expect(page.locator("#magnified-title")).to_have_text("Newest picture, magnified")
        page.select_option("#dial-aperture:not([disabled])", "f/4")
        expect(page.locator("#balance .big")).to_have_text("f/4  ·  1/1000 s  ·  ISO 100")
        expect(page.locator("#balance")).to_contain_text("0.00 stop against it")
        expect(page.locator("#balance")).to_contain_text("beside the picture at f/8")
        page.tap("#shoot")
        expect(board.locator("#newest-settings")).to_have_text("f/4  ·  1/1000 s  ·  ISO 100", timeout=20_000)
        open_screen(board, service, "/")  # what comes next is what the plan has after it, not its beginning
        expect(board.locator("#next li").first).to_contain_text("f/8 · 1/125 s")
        assert page.complaints == [] and board.complaints == []  # type: ignore[attr-defined]
        page.context.close()
        board.context.close()


def test_a_page_loses_no_picture_that_comes_while_it_is_read_and_reads_again_what_it_could_not(
    chromium: Browser, camera: Any, tmp_path: Path
) -> None:
    with served(tmp_path, "--camera", camera.camera) as service:
        run = service.shoot("race", BRACKET, manners={"cue": True})
        asking = service.until(lambda state: state["asking"])["asking"]
        data = {"question": asking["id"], "answer": "done"}
        service.post(f"/api/runs/{run}/commands", {"id": "a", "verb": "answer", "data": data})
        service.until(lambda state: (state["asking"] or {}).get("kind") == "cue")
        page = let_in(chromium, service)
        page.goto("about:blank")
        held: list[int] = []

        def old_answer(route: Route) -> None:
            answer = route.fetch()
            if not held:  # a picture is shot, and told live, between the answer and its arrival
                service.post(f"/api/runs/{run}/commands", {"id": "b", "verb": "cue"})
                service.until(lambda state: (state["asking"] or {}).get("step") == "04-expose")
                time.sleep(0.5)
            held.append(len(answer.json()["frames"]))
            route.fulfill(response=answer)

        page.route("**/frames?**", old_answer)
        open_screen(page, service, "/board")
        assert held == [0]  # what was read is older than the picture
        expect(page.locator("#newest-settings")).to_have_text("f/8  ·  1/250 s  ·  ISO 100", timeout=2000)
        page.unroute("**/frames?**")
        failed: list[str] = []

        def once(route: Route) -> None:
            failed.append(route.request.url)
            route.fulfill(status=503, json={}) if len(failed) == 1 else route.continue_()

        page.route("**/frames?**", once)
        page.goto(service.url + "/board")
        expect(page.locator("html")).to_have_attribute("data-link", "lost", timeout=5000)  # and says so
        expect(page.locator("#newest-settings")).to_have_text("f/8  ·  1/250 s  ·  ISO 100", timeout=15_000)
        assert page.is_hidden("#lost") and len(failed) == 2
        page.context.close()


def test_a_page_says_that_it_lost_the_rig_and_is_right_again_after_a_restart(
    chromium: Browser, camera: Any, tmp_path: Path
) -> None:
    with served(tmp_path, "--camera", camera.camera) as service:
        run = service.shoot("lost", BRACKET, manners={"cue": True})
        asking = service.until(lambda state: state["asking"])["asking"]
        data = {"question": asking["id"], "answer": "done"}
        service.post(f"/api/runs/{run}/commands", {"id": "a", "verb": "answer", "data": data})
        service.until(lambda state: (state["asking"] or {}).get("kind") == "cue")
        page = let_in(chromium, service)
        expect(page.locator("#what")).to_have_text("Waiting for the cue")
        assert page.is_hidden("#lost")
        port = service.url.rpartition(":")[2]
        service.process.send_signal(signal.SIGTERM)
        reader = threading.Thread(target=service.process.communicate)
        reader.start()
        expect(page.locator("#lost")).to_contain_text("Out of touch with the rig since", timeout=25_000)
        reader.join(30)
    with served(tmp_path, "--camera", camera.camera, "--port", port) as again:
        assert again.url == service.url
        expect(page.locator("#lost")).to_be_hidden(timeout=25_000)  # by itself, and still paired
        expect(page.locator("#what")).to_have_text("The rig is at rest")
        page.locator('[data-resume="cue"]').tap()
        expect(page.locator("#what")).to_have_text("Waiting for the cue", timeout=20_000)
        assert again.get("/api/runs/last")["run"] == run
    page.context.close()
