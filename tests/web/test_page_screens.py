"""Every screen in a real browser: sizes, displays, contrast, touch, keyboard, screen readers."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect
from support_browser import CONTRASTS, SIDEWAYS, SIZES, SMALL_TARGETS, browser, let_in, open_screen
from support_service import BRACKET, Served, served
from support_simulator import simulated_camera

from daemon.pictures.stopbar import stop_bar_segments
from plans.compiler import compile_brief
from plans.reading import demo_brief_text, read_brief

pytestmark = pytest.mark.timeout(150)

LEAST = {"sun": 7.0, "night": 4.5}  # WCAG 2.2: 1.4.6 enhanced, 1.4.3 minimum


class Stand:
    """One service with a run that waits for a cue after its first picture, and one phone let in."""

    def __init__(self, service: Served, chromium: Browser):
        self.service, self.chromium = service, chromium
        self.run = service.shoot("waits", BRACKET, manners={"cue": True})
        asking = service.until(lambda state: state["asking"])["asking"]
        data = {"question": asking["id"], "answer": "done"}
        service.post(f"/api/runs/{self.run}/commands", {"id": "a", "verb": "answer", "data": data})
        service.until(lambda state: (state["asking"] or {}).get("kind") == "cue")
        service.post(f"/api/runs/{self.run}/commands", {"id": "b", "verb": "cue"})
        service.until(lambda state: (state["asking"] or {}).get("step") == "04-expose")
        self.page = let_in(chromium, service)


@pytest.fixture(scope="module")
def stand(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stand]:
    home = tmp_path_factory.mktemp("screens")
    with (
        browser() as chromium,
        simulated_camera(timing="instant") as simulator,
        served(home, "--camera", simulator.camera) as service,
    ):
        yield Stand(service, chromium)


def screens(run: int) -> list[str]:
    return ["/", "/plan", "/logbook", f"/logbook?run={run}", "/board", "/cue", "/devices"]


def wear(page: Page, display: str) -> None:
    if page.evaluate("document.documentElement.dataset.display") != display:
        page.tap("#display")


def prepare(page: Page, path: str) -> None:
    """Bring a screen to where it shows most."""
    if path == "/plan":
        page.tap("#compile")
        page.wait_for_selector(".step")
        page.wait_for_selector("#day svg")
        page.tap("#rehearse")
        page.wait_for_selector(".rehearsed img", timeout=60_000)
    elif path == "/cue":
        page.select_option("#dial-aperture", "f/4")
        page.wait_for_selector("#balance svg")
    elif path.startswith("/logbook?"):
        page.tap("#judge")
        page.wait_for_selector("#verdicts li")
        page.locator("#frames button").first.tap()
        page.wait_for_selector("#marking:not([hidden])")


def violations(page: Page) -> list[str]:
    found = Axe().run(page).response["violations"]
    return [f"{one['id']}: {[node['html'][:90] for node in one['nodes'][:3]]}" for one in found]


@pytest.mark.parametrize("number", range(7))
def test_a_screen_fits_every_size_in_both_displays_and_can_be_pressed_read_and_heard(stand: Stand, number: int) -> None:
    page, path = stand.page, screens(stand.run)[number]
    page.complaints.clear()  # type: ignore[attr-defined]
    open_screen(page, stand.service, path)
    prepare(page, path)
    for display in ("night", "sun"):
        wear(page, display)
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            assert page.evaluate(SIDEWAYS) <= 0, (path, display, width)
            assert page.evaluate(SMALL_TARGETS) == [], (path, display, width)
            faint = [one for one in page.evaluate(CONTRASTS) if one[0] < LEAST[display]]
            assert faint == [], (path, display, width)
        for width, height in (SIZES[2], SIZES[0]):
            page.set_viewport_size({"width": width, "height": height})
            if display == "sun" or width == SIZES[0][0]:
                assert violations(page) == [], (path, display, width)
    assert page.complaints == []  # type: ignore[attr-defined]


def test_the_checks_of_the_screens_see_what_is_wrong(stand: Stand) -> None:
    page = stand.page
    open_screen(page, stand.service, "/devices")
    page.evaluate(
        """() => { document.querySelector('main').insertAdjacentHTML('beforeend',
        '<p id="faint">faint</p><button id="tiny">x</button><img src="/field/x/mark.svg"><div id="broad">x</div>');
        document.getElementById('faint').style.color = '#999';
        Object.assign(document.getElementById('tiny').style, {minHeight: '20px', minWidth: '20px', padding: '0'});
        document.getElementById('broad').style.width = '3000px'; }"""
    )
    assert [one for one in page.evaluate(CONTRASTS) if one[0] < LEAST["sun"]]
    assert any("tiny" in one for one in page.evaluate(SMALL_TARGETS))
    assert page.evaluate(SIDEWAYS) > 0
    assert any(one.startswith("image-alt") for one in violations(page))


def test_text_at_twice_its_size_still_fits_a_phone(stand: Stand) -> None:
    page = stand.page
    page.set_viewport_size({"width": 360, "height": 740})
    for path in screens(stand.run):
        open_screen(page, stand.service, path)
        prepare(page, path)
        page.evaluate("document.documentElement.style.fontSize = '200%'")
        assert page.evaluate(SIDEWAYS) <= 0, path


def test_display_and_units_are_chosen_by_one_switch_each_and_remembered(stand: Stand) -> None:
    page = stand.page
    open_screen(page, stand.service, "/plan")
    prepare(page, "/plan")
    wear(page, "sun")
    assert "Sharp from 1.89 m" in (page.text_content("#steps") or "")
    page.tap("#units")
    assert "Sharp from 6.20 ft" in (page.text_content("#steps") or "")
    page.tap("#display")
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(0, 0, 0)"
    assert page.evaluate("getComputedStyle(document.documentElement).color") == "rgb(255, 0, 0)"
    open_screen(page, stand.service, "/board")
    assert page.evaluate("document.documentElement.dataset.display") == "night"
    assert (page.text_content("#units") or "") == "metres"
    page.tap("#display")
    page.tap("#units")


def test_the_keyboard_alone_reaches_the_page_and_its_controls(stand: Stand) -> None:
    page = stand.page
    page.set_viewport_size({"width": 1440, "height": 900})
    open_screen(page, stand.service, "/")
    page.wait_for_selector("#thumbs button")
    reached = set()
    for count in range(40):
        page.keyboard.press("Tab")
        told: Any = page.evaluate(
            "() => { const n = document.activeElement; const s = getComputedStyle(n); "
            "return [n.className || n.id, n.dataset.verb, s.outlineStyle, parseFloat(s.outlineWidth)]; }"
        )
        if count == 0:
            assert told[0] == "skip"
        if told[1]:
            assert told[2] != "none" and told[3] >= 2, told
        reached.add(told[1])
    assert {"retake", "stop", "cue"} <= reached


def test_stop_bars_on_the_page_have_the_lengths_of_those_on_the_sheet(stand: Stand) -> None:
    page = stand.page
    open_screen(page, stand.service, "/plan")
    page.tap("#demo")
    prepare(page, "/plan")
    plan = compile_brief(read_brief(demo_brief_text(), "demo.yaml"))
    steps = {step.id: step for step in plan.exposing}
    for group in plan.groups:
        of_group = [steps[name] for name in group.steps]
        for step, bar in zip(of_group, stop_bar_segments(of_group), strict=True):
            drawn = page.evaluate(
                "(id) => [...document.querySelectorAll(`[data-step='${id}'] rect[data-kind]`)].map((r) => "
                "[r.dataset.kind, Number(r.dataset.length), parseFloat(r.getAttribute('width'))])", step.id,
            )  # fmt: skip
            assert [one[0] for one in drawn] == [one.kind for one in bar.segments]
            assert [one[1] for one in drawn] == pytest.approx([one.length for one in bar.segments])
            longest = max(drawn, key=lambda one: one[1])
            share = longest[2] / longest[1]
            assert [one[2] for one in drawn] == pytest.approx([one.length * share for one in bar.segments], abs=2e-3)


def test_a_fault_in_a_brief_is_told_beside_its_line(stand: Stand, tmp_path: Path) -> None:
    page = stand.page
    open_screen(page, stand.service, "/plan")
    wrong = demo_brief_text().replace("isolate: heron", "isolate: dragon")
    line = wrong[: wrong.index("dragon")].count("\n") + 1
    file = tmp_path / "wrong.yaml"
    file.write_text(wrong)
    page.set_input_files("#upload", file)
    page.wait_for_selector("#faults button")
    assert page.get_attribute("#faults button", "data-line") == str(line)
    assert (page.text_content("#gutter .fault") or "").endswith(str(line))
    assert "spout, heron, hedge" in (page.text_content("#faults") or "")
    page.tap("#faults button")
    chosen = page.evaluate(
        "() => { const { value, selectionStart, selectionEnd } = document.getElementById('brief'); "
        "return value.slice(selectionStart, selectionEnd); }"
    )
    assert chosen.strip() == "- isolate: dragon"


def test_text_of_a_brief_is_never_run_as_script(stand: Stand) -> None:
    page = stand.page
    open_screen(page, stand.service, "/plan")
    evil = '<img src=x onerror="window.ran=1"><script>window.ran=1</script>'
    text = demo_brief_text().replace("title: Fountain, Tuesday class", f"title: '{evil}'")
    assert evil in text
    page.fill("#brief", text)
    page.tap("#compile")
    page.wait_for_selector(".step")
    assert page.text_content("#plan-title") == evil
    page.fill("#brief", text.replace("isolate: heron", f"isolate: '{evil}'"))
    page.tap("#compile")
    page.wait_for_selector("#faults button")
    assert "onerror" in (page.text_content("#faults") or "")
    assert page.evaluate("window.ran") is None
    assert page.evaluate("document.querySelectorAll('#screen script, #screen img[src=x]').length") == 0
    # Where a script does come into the page, the policy stops it.
    page.evaluate(
        "() => { const s = document.createElement('script'); s.textContent = 'window.ran = 1'; "
        "document.body.append(s); }"
    )
    assert page.evaluate("window.ran") is None
    page.tap("#demo")


def test_regions_are_marked_by_finger_and_kept_with_the_run(stand: Stand) -> None:
    page = stand.page
    page.set_viewport_size({"width": 1440, "height": 900})
    open_screen(page, stand.service, f"/logbook?run={stand.run}")
    prepare(page, "/logbook?")
    page.fill("#subject", "heron")
    page.locator("#canvas").scroll_into_view_if_needed()
    box = page.locator("#canvas").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 0.2 * box["width"], box["y"] + 0.3 * box["height"])
    page.mouse.down()
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 0.9 * box["height"])
    page.mouse.up()
    page.tap("#keep")
    expect(page.locator("#said")).to_contain_text("1 regions")
    kept = stand.service.get(f"/api/runs/{stand.run}/regions")
    (region,) = kept["regions"]
    assert region["subject"] == "heron" and kept["frame"]
    wanted = [0.2, 0.3, 0.3, 0.6]
    assert [region[name] for name in ("left", "top", "width", "height")] == pytest.approx(wanted, abs=0.01)
    bad = {"frame": kept["frame"], "regions": [region | {"left": 0.9}]}
    assert stand.service.client.put(f"/api/runs/{stand.run}/regions", json=bad).status_code == 422


def test_students_see_the_board_and_have_no_control(stand: Stand) -> None:
    page = let_in(stand.chromium, stand.service, "watch", SIZES[2])
    assert page.locator("[data-control], #thumbs button").count() == 0
    assert page.locator('.tabs [data-tab="cue"], .tabs [data-tab="plan"]').count() == 0
    open_screen(page, stand.service, "/board")
    page.wait_for_selector("#newest:not([hidden])")
    assert page.text_content("#newest-settings") == "f/8  ·  1/250 s  ·  ISO 100"
    assert page.is_hidden("#pinned")  # the control reading before it is not shown
    assert page.locator("#predict, #reveal").count() == 0  # what is hidden is for the lecturer to reveal
    page.context.close()


def test_the_time_to_leave_is_told_over_everything_on_every_device(stand: Stand) -> None:
    other = let_in(stand.chromium, stand.service, "watch")
    answer = stand.service.client.put("/api/leave", json={"at": "2020-01-01T12:00:00Z"})
    assert answer.status_code == 200
    other.add_init_script(
        "window.tones = 0; const start = OscillatorNode.prototype.start;"
        "OscillatorNode.prototype.start = function (...at) { window.tones++; return start.apply(this, at); };"
    )
    open_screen(other, stand.service, "/board")
    other.wait_for_selector("#alarm[open]")
    assert "Touch the page once" in (other.text_content("#alarm") or "") and other.evaluate("window.tones") == 0
    other.tap("#alarm-text")
    other.wait_for_function("() => window.tones > 0")
    assert "Leave now" in (other.text_content("#alarm") or "")
    other.tap("#alarm-heard")
    assert other.is_hidden("#alarm")
    assert stand.service.client.put("/api/leave", json={"at": None}).status_code == 200
    other.context.close()


def test_a_wrong_code_lets_nobody_in_and_a_shell_shows_nothing(stand: Stand) -> None:
    context = stand.chromium.new_context()
    page = context.new_page()
    page.goto(f"{stand.service.url}/#pair=ABCDEFGH")
    page.wait_for_selector("#pairing:not([hidden])")
    assert "#" not in page.url  # the code is gone from the address
    assert page.is_hidden("#screen") and "Fountain" not in page.content()
    assert Axe().run(page).violations_count == 0
    context.close()
