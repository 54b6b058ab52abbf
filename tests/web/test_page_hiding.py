"""Settings hidden from the class: no watching device is told them, and only the lecturer reveals; real service."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from PIL import Image
from playwright.sync_api import Browser, expect
from support_browser import SIZES, Rig, let_in, open_screen
from support_service import Served

from daemon.web.hiding import HIDING, Hiding
from daemon.web.pictures import _scale

GOALS = "goals:\n  - bracket: {change: time, by: 1, count: 5, focus: heron}\n"  # the third has the time of the reading

pytestmark = pytest.mark.timeout(150)


class Class:
    """A service with a run on cues: one picture is revealed, the next is hidden, the last is still to come."""

    def __init__(self, service: Served, chromium: Browser):
        self.service, self.chromium, self.before = service, chromium, service.state()["at"]
        self.run = service.shoot("hiding", GOALS, manners={"cue": True})
        asking = service.until(lambda state: state["asking"])["asking"]
        self.send("answer", question=asking["id"], answer="done")
        service.until(lambda state: (state["asking"] or {}).get("kind") == "cue")
        self.first = self.shoot()
        assert (
            service.client.put("/api/board", json={"hidden": True, "revealed": self.first["frame"]}).status_code == 200
        )
        self.second = self.shoot()
        self.marks = [step["settings"]["time"]["mark"] for step in self.steps()]
        assert len(set(self.marks)) == 5
        self.watcher = self.paired()

    def steps(self) -> list[Any]:
        tree = self.service.get(f"/api/runs/{self.run}/outline")
        return [step for step in tree["steps"] if step["kind"] == "expose"]

    def send(self, verb: str, **data: Any) -> None:
        self.service.post(f"/api/runs/{self.run}/commands", {"id": f"{verb}{id(data)}", "verb": verb, "data": data})

    def shoot(self) -> Any:
        before = self.service.state()["asking"]["id"]
        self.service.post(f"/api/runs/{self.run}/commands", {"id": f"cue-{before}", "verb": "cue"})
        self.service.until(lambda state: state["asking"] and state["asking"]["id"] != before)
        return self.service.get(f"/api/runs/{self.run}/frames?role=picture")["frames"][-1]

    def paired(self) -> httpx.Client:
        """A client with a session that may only watch."""
        code = self.service.post("/api/pairing", {"role": "watch"})["code"]
        client = httpx.Client(base_url=self.service.url, timeout=20)
        assert client.post("/api/pair", json={"code": code}).json() == {"role": "watch"}
        return client


@pytest.fixture(scope="module")
def lesson(rig: Rig) -> Iterator[Class]:
    made = Class(rig.service, rig.chromium)
    yield made
    made.watcher.close()
    rig.rest()


def stream(lesson: Class, client: httpx.Client) -> str:
    """All events of the run, as far as they are there."""
    told = ""
    with client.stream("GET", f"/api/events?since={lesson.before}") as answer:
        assert answer.status_code == 200
        for part in answer.iter_text():
            told += part
            if told.count("event: frame") >= 3:  # the reading to meter by, and two pictures
                return told
    raise AssertionError(told)


def everything(lesson: Class, client: httpx.Client) -> dict[str, str]:
    """What each place of the interface that can be read answers, with head and body."""
    found = {"stream": stream(lesson, client)}
    for path, methods in lesson.service.get("/api/openapi.json")["paths"].items():
        if "get" not in methods or path == "/api/events":
            continue
        for frame in (lesson.first, lesson.second):
            place = path.replace("{run}", str(lesson.run)).replace("{frame}", str(frame["frame"]))
            place = place.replace("{file}", str(frame["files"][0]["id"])).replace("{name}", "sheet.pdf")
            place = place.replace("{job}", "hiding").replace("{number}", "1")
            if place in found:
                continue
            answer = client.get(place)
            found[place] = f"{answer.status_code} {dict(answer.headers)} {answer.content.decode('latin-1')}"
    return found


def leaks(found: dict[str, str], mark: str) -> set[str]:
    """The places that tell a time: as a mark, or as Exif has it."""
    upper, _, lower = mark.partition("/")
    told = (mark, f"[{upper},{lower}]", f"[{upper}, {lower}]", repr(float(upper) / float(lower)))
    whole = re.compile("|".join(rf"(?<![0-9./]){re.escape(one)}(?![0-9])" for one in told))
    return {place for place, text in found.items() if whole.search(text)}


def test_a_watching_device_is_told_nothing_of_hidden_settings_by_any_place(lesson: Class) -> None:
    revealed, hidden, _, coming, _ = lesson.marks
    watched, controlled = everything(lesson, lesson.watcher), everything(lesson, lesson.service.client)
    assert leaks(watched, hidden) == leaks(watched, coming) == set()
    frames = f"/api/runs/{lesson.run}/frames"
    assert {frames, "stream", f"/api/runs/{lesson.run}/outline"} <= leaks(watched, revealed)  # not all is gone
    assert {frames, "stream", "/api/state", f"/api/runs/{lesson.run}/plan"} <= leaks(controlled, hidden)
    told = lesson.watcher.get(frames).json()["frames"][-1]
    assert told["frame"] == lesson.second["frame"] and told["hidden"] is True
    assert told["settings"] is told["exif"] is told["reading"] is told["step"] is told["goal"] is None
    assert set(told["files"][0]) == {"id", "kind"}
    ids = [step["id"] for step in lesson.steps()]
    bars = lesson.watcher.get(f"/api/runs/{lesson.run}/bars", params={"step": ids}).json()["bars"]
    assert set(bars) == {ids[0]}
    assert set(lesson.service.get(f"/api/runs/{lesson.run}/bars", params={"step": ids})["bars"]) == set(ids)
    picture = lesson.watcher.get(f"/api/files/{told['files'][0]['id']}/preview?width=640")
    assert picture.status_code == 200 and "content-disposition" not in picture.headers
    assert b"Exif" not in picture.content and b"http://ns.adobe.com" not in picture.content
    original = lesson.watcher.get(f"/api/files/{told['files'][0]['id']}")
    assert original.status_code == 403 and original.json()["error"] == "Hidden"
    assert b"Exif" in lesson.service.client.get(f"/api/files/{told['files'][0]['id']}").content


def test_a_watching_device_cannot_reveal(lesson: Class) -> None:
    for order in ({"hidden": False}, {"hidden": True, "revealed": 10**6}):
        assert lesson.watcher.put("/api/board", json=order).status_code == 403
    assert lesson.service.get("/api/board")["hidden"] is True


def test_a_scaled_picture_is_nothing_but_its_pixels(tmp_path: Path) -> None:
    image = Image.new("RGB", (300, 200), "grey")
    exif = image.getexif()
    exif[0x010E] = "SECRET in Exif"
    image.save(tmp_path / "a.jpg", comment=b"SECRET in a comment", exif=exif, xmp=b"<x>SECRET in XMP</x>")
    assert (tmp_path / "a.jpg").read_bytes().count(b"SECRET") == 3
    _scale(tmp_path / "a.jpg", tmp_path / "made" / "b.jpg", 160, 10)
    with Image.open(tmp_path / "made" / "b.jpg") as made:
        assert made.width == 160
    assert b"SECRET" not in (tmp_path / "made" / "b.jpg").read_bytes()


def test_hidden_settings_stay_hidden_after_a_restart_and_when_the_file_is_spoilt(tmp_path: Path) -> None:
    Hiding(tmp_path).hide(7)
    again = Hiding(tmp_path)
    assert again.on and again.hides(8) and not again.hides(7)
    (tmp_path / HIDING).write_text("{")
    spoilt = Hiding(tmp_path)
    assert spoilt.on and spoilt.hides(1)
    spoilt.show()
    assert not Hiding(tmp_path).on


def test_the_class_predicts_and_the_lecturer_reveals_on_every_screen(lesson: Class) -> None:
    revealed, hidden, third, coming, _ = lesson.marks
    lesson.service.client.put("/api/board", json={"hidden": True, "revealed": lesson.first["frame"]})
    student = let_in(lesson.chromium, lesson.service, "watch", path="/board")
    phone = let_in(lesson.chromium, lesson.service, path="/cue")
    board = let_in(lesson.chromium, lesson.service, size=SIZES[3], path="/board")
    bodies: list[str] = []

    def keep(answer: Any) -> None:
        if "/api/" in answer.url and "events" not in answer.url and "preview" not in answer.url:
            bodies.append(answer.text())

    student.on("response", keep)
    for page in (student, board):
        expect(page.locator("#newest-settings")).to_have_text("What were the settings?")
        expect(page.locator("#pinned-settings")).to_contain_text(f"{revealed} s")
        assert hidden not in page.content() and page.locator("#newest-bar svg").count() == 0
        page.wait_for_function("() => document.getElementById('newest-image').naturalWidth > 0")
    assert student.locator("#predict, #reveal").count() == 0
    for path, waits in (("/", "#last-caption strong"), ("/logbook", "#veiled:not([hidden])")):
        open_screen(student, lesson.service, path)
        student.wait_for_selector(waits)
        assert hidden not in student.content() and coming not in student.content()
    assert len(bodies) > 6 and not any(hidden in body or coming in body for body in bodies)
    open_screen(student, lesson.service, "/board")
    phone.tap("#reveal:not([disabled])")
    for page in (student, board):
        expect(page.locator("#newest-settings")).to_contain_text(f"{hidden} s")
        page.wait_for_selector("#newest-bar svg")
    assert not any(coming in body for body in bodies)
    phone.tap("#take:not([disabled])")  # the next is hidden again by itself
    for page in (student, board):
        expect(page.locator("#newest-settings")).to_have_text("What were the settings?", timeout=20_000)
    assert not any(coming in body for body in bodies)
    phone.tap("#predict")
    for page in (student, board):
        expect(page.locator("#newest-settings")).to_contain_text(f"{third} s")
    assert json.loads(bodies[-1]) and student.complaints == [] and phone.complaints == []  # type: ignore[attr-defined]
    for page in (student, phone, board):
        page.context.close()
