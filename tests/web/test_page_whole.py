"""A whole run driven by touch alone on a phone, from the brief to the lesson pack; real service, Chromium, camera."""

from __future__ import annotations

import io
import json
import zipfile
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from support_browser import SIZES, Rig, let_in
from support_run import small_brief
from support_service import Served
from support_teaching import KIT

from hardware_mocks.hands import Hands

pytestmark = pytest.mark.timeout(150)

GOALS = "goals:\n  - freeze: spout\n  - silk: {subject: spout, grade: silk}\n"

# Every press by its kind, over all pages of the device: a mouse or a pen has no part in this.
TOUCHES = """addEventListener('pointerdown', (event) => {
  const told = JSON.parse(sessionStorage.getItem('presses') ?? '{}');
  told[event.pointerType] = (told[event.pointerType] ?? 0) + 1;
  sessionStorage.setItem('presses', JSON.stringify(told)); }, true);"""


def in_view(page: Page, selector: str) -> bool:
    """Whether a finger can reach it without scrolling, and nothing lies over it."""
    found: bool = page.locator(selector).first.evaluate(
        "(node) => { const b = node.getBoundingClientRect(), x = b.left + b.width / 2, y = b.top + b.height / 2;"
        "return b.top >= 0 && b.bottom <= innerHeight && node.contains(document.elementFromPoint(x, y)); }"
    )
    return found


def do_as_asked(service: Served, hands: Hands, step: str | None) -> None:
    """What the card asks of the photographer's hands, done on the simulated camera."""
    todo = next(one for one in service.get("/api/runs/last/outline")["steps"] if one["id"] == step)
    if todo["action"] == "compose":
        hands.dial("M")
    if todo["action"] in ("compose", "focus"):
        hands.focus(todo["focus"]["distance_m"])
    if todo["action"] in ("compose", "filters"):
        hands.filters([one["stops"] for one in todo["filters"]], [one["name"] for one in todo["filters"]])


def answer_until_the_end(page: Page, service: Served, hands: Hands) -> list[tuple[str, str]]:
    """Tap through every card as it comes; the kind and text of each."""
    met: list[tuple[str, str]] = []
    while True:
        state = service.until(lambda state: state["asking"] or state["job"] is None, 40)
        if state["job"] is None:
            return met
        asking = state["asking"]
        expect(page.locator("#asking-text")).to_have_text(asking["text"])
        assert in_view(page, "#asking-choices .main"), asking["text"]
        if asking["kind"] == "hands":
            do_as_asked(service, hands, asking["step"])
        met.append((asking["kind"], page.text_content("#asking-text") or ""))
        page.locator("#asking-choices .main").tap()
        service.until(lambda state, known=asking["id"]: (state["asking"] or {}).get("id") != known)  # type: ignore[misc]


def test_a_run_goes_by_touch_alone_from_the_brief_to_the_lesson_pack(rig: Rig, tmp_path: Path) -> None:
    service, camera = rig.service, rig.camera
    kit = tmp_path / "Wren.yaml"
    kit.write_text(KIT)
    page = let_in(rig.chromium, service, size=SIZES[0], is_mobile=True)
    page.context.add_init_script(TOUCHES)
    page.tap('.tabs [data-tab="plan"]')
    page.wait_for_selector("html[data-ready]")
    page.tap("#demo")
    page.locator("#brief").tap()
    page.fill("#brief", small_brief(GOALS))
    page.tap("#compile")
    page.wait_for_selector(".step")
    steps = page.locator(".step").count()
    assert steps == len(service.post("/api/outline", {"text": small_brief(GOALS)})["steps"]) == 6
    assert "ND 64" in (page.text_content("#bag") or "") and "slippery" in (page.text_content("#cautions") or "")
    page.tap("#start")
    page.wait_for_url(f"{service.url}/")
    met = answer_until_the_end(page, service, Hands(camera.hands))
    assert [kind for kind, _ in met].count("hands") == 2
    cautions = [text for kind, text in met if kind == "caution"]
    assert len(cautions) == len(set(cautions)) == 2  # each once, at its step
    assert any("mains" in text for text in cautions) and any("sun" in text for text in cautions)
    expect(page.locator("#what")).to_have_text("The rig is at rest", timeout=20_000)
    run: Any = service.get("/api/runs/last")
    assert run["state"] == "done" and run["counts"]["kept"] == {"control": 2, "expose": 2, "operator": 2}

    page.tap('.tabs [data-tab="logbook"]')
    page.locator(".runs a").first.tap()
    expect(page.locator("#frames li")).to_have_count(2)
    page.tap("#judge")
    verdicts = service.get("/api/runs/last/verdicts")["verdicts"]
    expect(page.locator("#verdicts li")).to_have_count(len(verdicts))
    beside = [(one["about"], one["answer"]) for one in verdicts if one["about"].startswith("step ")]
    shown = page.locator("#frames .judged [data-answer]")
    assert shown.count() == len(beside) > 0  # with their pictures as well
    with page.expect_file_chooser() as asked:
        page.locator('label[for="student-files"]').tap()
    asked.value.set_files(kit)
    expect(page.locator("#students li")).to_contain_text(["Wren"])
    page.tap("#make-lesson")
    expect(page.locator("#lesson-said")).to_contain_text("The lesson pack is made", timeout=60_000)
    with page.expect_download() as waiting:
        page.locator('#downloads a[href$="lesson.zip"]').tap()
    with zipfile.ZipFile(waiting.value.path()) as pack:
        assert pack.testzip() is None
        names, contents = set(pack.namelist()), unescape(pack.read("index.html").decode())
        listed, inside = json.loads(pack.read("lesson.json")), pack.read("side-by-side.html")
    side = service.client.get("/api/runs/last/lesson/side-by-side.html")  # for keeping, never to be run here
    assert side.content == inside and side.headers["content-disposition"].startswith("attachment")
    for title in ("Side by side", "Sheets for the screen", "Stills", "Quiz", "Student cards", "For the teacher"):
        assert title in contents
    assert "Wren: settings of pupil's body" in contents
    assert {"students/01.pdf", "students/01-pocket.pdf", "side-by-side.html"} <= names
    assert {one["path"] for one in listed["files"]} <= names
    assert "captions tell a verdict" in (page.text_content("#lesson-said") or "")
    presses = json.loads(page.evaluate("sessionStorage.getItem('presses')"))
    assert set(presses) == {"touch"} and presses["touch"] >= 14
    page.mouse.click(5, 300)  # another kind of press would have been seen
    assert "mouse" in json.loads(page.evaluate("sessionStorage.getItem('presses')"))
    assert page.complaints == []  # type: ignore[attr-defined]
    page.context.close()


def test_a_lesson_holds_what_was_asked_of_it_and_a_kit_file_that_is_none_is_told(rig: Rig) -> None:
    service, camera = rig.service, rig.camera
    last = service.client.get("/api/runs/last")
    if last.status_code == 404 or last.json()["state"] != "done":  # when it is run alone
        service.shoot("lesson", operator=f"simulated:{camera.hands}")
        service.until(lambda state: state["job"] is None)
    asked, few = "/api/runs/last/lesson", ["worksheet", "students"]

    def packed(order: Any) -> set[str]:
        while (answer := service.client.post(asked, json=order)).status_code == 202:
            pass
        assert answer.status_code == 200, answer.text
        got = service.client.get(answer.json()["files"][0])
        with zipfile.ZipFile(io.BytesIO(got.content)) as pack:
            return set(pack.namelist())

    plain = packed({"parts": few[:1], "verdicts": False})
    carded = packed({"parts": few, "students": {"Wren": KIT}})
    assert carded - plain == {"students/01.pdf", "students/01-pocket.pdf"}
    assert packed({"parts": few[:1], "verdicts": False}) == plain  # an earlier order again, not what is there now
    for wrong, words in (
        ({"parts": few, "students": {"Wren": "body: nothing\n"}}, ("Wren", "kit file")),
        ({"parts": ["dance"]}, ("parts: found 'dance'", "worksheet")),
    ):
        told = service.post(asked, wrong, 400)["message"]
        assert all(word in told for word in words) and "--" not in told
    assert service.client.get(f"{asked}/lesson.zip").status_code == 200  # what was made before stays
    assert service.client.get(f"{asked}/..%2Flogbook.db").status_code == 404
    assert service.client.post(asked, json={"colour": 1}).status_code == 422
