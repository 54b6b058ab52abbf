"""A whole class with its phones beside the photographer's: whoever watches takes no place of whoever works the rig."""

from __future__ import annotations

import socket
from contextlib import ExitStack
from pathlib import Path

import pytest
from playwright.sync_api import expect
from support_browser import READY, Rig, let_in, open_screen
from support_service import Served

from daemon.web.access import MOST_SESSIONS, Access
from daemon.web.live import MOST_STREAMS

pytestmark = pytest.mark.timeout(150)

PHONES, PAGES = 35, 2


def opened(service: Served, head: str, kept: ExitStack) -> int:
    """Open a stream of events and keep it open; the status it got."""
    host, port = service.url.rpartition("/")[2].split(":")
    link = kept.enter_context(socket.create_connection((host, int(port)), timeout=20))
    link.sendall(f"GET /api/events HTTP/1.1\r\nHost: {host}:{port}\r\n{head}\r\n\r\n".encode())
    return int(link.makefile("rb").readline().split()[1])


def test_a_class_of_phones_takes_no_place_of_the_photographer(rig: Rig) -> None:
    service = rig.service
    with ExitStack() as kept:
        kept.callback(rig.rest)
        code = service.post("/api/pairing", {"role": "watch"})["code"]
        cookie = service.stranger.post("/api/pair", json={"code": code}).headers["set-cookie"].partition(";")[0]
        service.stranger.cookies.clear()
        student = let_in(rig.chromium, service, "watch")  # its stream comes first and goes with its next page
        student.goto("about:blank")
        got = [opened(service, f"Cookie: {cookie}", kept) for _ in range(MOST_STREAMS["watch"] + 3)]
        assert got.count(200) >= PHONES * PAGES and set(got) == {200, 429} and set(got[: PHONES * PAGES]) == {200}
        assert opened(service, f"Authorization: Bearer {service.token}", kept) == 200
        phone = let_in(rig.chromium, service)
        open_screen(student, service, "/")  # no place is left for its events: it reads all anew instead
        run = service.shoot("class")
        for page, told in ((phone, "Your hands are needed"), (student, "Hands are at work on the rig")):
            expect(page.locator("#asking-kind")).to_have_text(told, timeout=20_000)
            assert page.is_hidden("#lost")
        asking = service.until(lambda state: state["asking"])["asking"]
        assert asking["step"] and run == service.state()["run"]
        for page in (phone, student):
            page.context.close()


def test_sessions_of_a_class_send_no_photographer_away(tmp_path: Path) -> None:
    access = Access(tmp_path)
    photographer = access.new_session("control")
    students = [access.new_session("watch") for _ in range(MOST_SESSIONS["watch"] + 2)]
    assert access.role_of(photographer) == "control"
    assert [access.role_of(one) for one in students[:3]] == [None, None, "watch"]
    more = [access.new_session("control") for _ in range(MOST_SESSIONS["control"])]
    assert access.role_of(photographer) is None and access.role_of(more[0]) == "control"


def test_students_join_by_one_address_until_the_lecturer_ends_it_and_who_comes_late_is_told(rig: Rig) -> None:
    lecturer = let_in(rig.chromium, rig.service, path="/devices")
    lecturer.tap("#class")
    expect(lecturer.locator("#joined")).to_contain_text("Joined: 0 of at most 200")
    address = lecturer.locator("#offer-url").text_content() or ""
    asked: list[str] = []
    students = [rig.chromium.new_context(viewport={"width": 360, "height": 740}).new_page() for _ in range(2)]
    on_time, late = students
    for page in students:
        page.on("request", lambda request: asked.append(request.url))
    on_time.goto(address)
    on_time.wait_for_selector(READY)
    assert "#" not in on_time.url and on_time.locator('[data-tab="cue"]').count() == 0  # it watches
    expect(lecturer.locator("#joined")).to_contain_text("Joined: 1 of at most 200")
    lecturer.reload()  # the lecturer comes back to it
    lecturer.tap("#class-end")
    expect(lecturer.locator("#class-said")).to_contain_text("Joined: 1.")
    late.goto(address)
    expect(late.locator("#pairing-said")).to_contain_text("The time of this code is over")
    code = address.partition("#join=")[2]
    assert len(code) == 6 and asked and not any(code in url.partition("#")[0] for url in asked)
    for page in (lecturer, *students):
        page.context.close()
