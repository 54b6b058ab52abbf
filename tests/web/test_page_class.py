"""A whole class with its phones beside the photographer's: whoever watches takes no place of whoever works the rig."""

from __future__ import annotations

import socket
from contextlib import ExitStack
from pathlib import Path

import pytest
from playwright.sync_api import expect
from support_browser import browser, let_in, open_screen
from support_service import Served, served
from support_simulator import simulated_camera

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


def test_a_class_of_phones_takes_no_place_of_the_photographer(tmp_path: Path) -> None:
    with (
        simulated_camera(timing="instant") as camera,
        served(tmp_path, "--camera", camera.camera) as service,
        browser() as chromium,
        ExitStack() as kept,
    ):
        code = service.post("/api/pairing", {"role": "watch"})["code"]
        cookie = service.stranger.post("/api/pair", json={"code": code}).headers["set-cookie"].partition(";")[0]
        service.stranger.cookies.clear()
        student = let_in(chromium, service, "watch")  # its stream comes first and goes with its next page
        student.goto("about:blank")
        got = [opened(service, f"Cookie: {cookie}", kept) for _ in range(MOST_STREAMS["watch"] + 3)]
        assert got.count(200) >= PHONES * PAGES and set(got) == {200, 429} and set(got[: PHONES * PAGES]) == {200}
        assert opened(service, f"Authorization: Bearer {service.token}", kept) == 200
        phone = let_in(chromium, service)
        open_screen(phone, service, "/")
        open_screen(student, service, "/")  # no place is left for its events: it reads all anew instead
        run = service.shoot("class")
        for page, within in ((phone, 3000), (student, 12_000)):
            expect(page.locator("#asking-kind")).to_have_text("Your hands are needed", timeout=within)
            assert page.is_hidden("#lost")
        asking = service.until(lambda state: state["asking"])["asking"]
        assert asking["step"] and run == 1


def test_sessions_of_a_class_send_no_photographer_away(tmp_path: Path) -> None:
    access = Access(tmp_path)
    photographer = access.new_session("control")
    students = [access.new_session("watch") for _ in range(MOST_SESSIONS["watch"] + 2)]
    assert access.role_of(photographer) == "control"
    assert [access.role_of(one) for one in students[:3]] == [None, None, "watch"]
    more = [access.new_session("control") for _ in range(MOST_SESSIONS["control"])]
    assert access.role_of(photographer) is None and access.role_of(more[0]) == "control"
