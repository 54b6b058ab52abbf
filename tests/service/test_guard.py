"""Who gets an answer: rights, hosts, origins, kinds, sizes, paths and slow clients, over real connections."""

from __future__ import annotations

import socket
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from support_service import BRACKET, Served, served
from support_simulator import simulated_camera

from daemon.web.guard import BODY_BYTES, HEADERS

SHAPE = {"error", "message", "asked", "found", "allowed", "todo"}


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A service with one run of four frames."""
    home = tmp_path_factory.mktemp("home")
    with simulated_camera(timing="instant") as simulator, served(home, "--camera", simulator.camera) as found:
        found.shoot("first", BRACKET, operator=f"simulated:{simulator.hands}")
        found.until(lambda state: state["job"] is None)
        yield found


def refused(answer: httpx.Response, status: int) -> Any:
    assert answer.status_code == status, answer.text
    assert set(answer.json()) >= SHAPE
    assert all(answer.headers[name] == value for name, value in HEADERS.items())
    return answer.json()


def test_without_a_right_every_place_of_the_interface_refuses(service: Served) -> None:
    description = service.get("/api/openapi.json")
    asked = 0
    for path, methods in description["paths"].items():
        place = path.replace("{run}", "1").replace("{name}", "sheet.pdf")
        for name in ("file", "frame", "number", "job"):
            place = place.replace(f"{{{name}}}", "1")
        for method in methods:
            if (method, path) in (("get", "/api/health"), ("post", "/api/session"), ("post", "/api/pair")):
                continue
            refused(service.stranger.request(method, place, json={} if method == "post" else None), 401)
            asked += 1
    assert asked > 30
    for path in ("/api/openapi.json", "/api", "/api/none"):
        refused(service.stranger.get(path), 401)
    assert service.stranger.get("/api/health").json() == {"status": "ok"}


@pytest.mark.parametrize("right", ["Bearer wrong", "Basic {token}", "Bearer", "Bearer {token}x", "{token}"])
def test_a_wrong_right_is_none(service: Served, right: str) -> None:
    refused(service.stranger.get("/api/state", headers={"authorization": right.format(token=service.token)}), 401)


@pytest.mark.parametrize(
    "host", ["garden.example", "garden.example:{port}", "127.0.0.1:1", "127.0.0.1.garden.example:{port}", ""]
)
def test_a_foreign_host_is_refused_whatever_the_right(service: Served, host: str) -> None:
    port = service.url.rpartition(":")[2]
    answer = service.client.get("/api/state", headers={"host": host.format(port=port)})
    refused(answer, 400 if answer.status_code == 400 else 421)
    assert service.client.get("/api/state", headers={"host": f"localhost:{port}"}).status_code == 200


def test_a_foreign_origin_is_refused_and_its_own_is_not(service: Served) -> None:
    for origin in ("http://garden.example", "null", service.url.replace("http", "https"), service.url + "1"):
        refused(service.client.get("/api/state", headers={"origin": origin}), 403)
        refused(service.client.post("/api/compile", json={"text": ""}, headers={"origin": origin}), 403)
    assert service.client.get("/api/state", headers={"origin": service.url}).status_code == 200
    for site in ("cross-site", "same-site"):
        refused(service.client.get("/api/state", headers={"sec-fetch-site": site}), 403)


def test_what_writes_must_be_json(service: Served) -> None:
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", ""):
        refused(service.client.post("/api/pairing", content=b"{}", headers={"content-type": kind}), 415)
    told = refused(service.client.post("/api/runs", content=b"{", headers={"content-type": "application/json"}), 422)
    assert told["complaints"]
    unknown = {"id": "x", "brief": {"text": ""}, "hold": 1}
    assert "hold" in refused(service.client.post("/api/runs", json=unknown), 422)["complaints"][0]["field"]


def test_a_giant_body_is_refused_before_it_is_read(service: Served) -> None:
    host, port = "127.0.0.1", int(service.url.rpartition(":")[2])
    head = (
        f"POST /api/compile HTTP/1.1\r\nHost: {host}:{port}\r\nAuthorization: Bearer {service.token}\r\n"
        "Content-Type: application/json\r\n"
    )
    with socket.create_connection((host, port), timeout=20) as told:  # it says how much is to come
        told.sendall(f"{head}Content-Length: {BODY_BYTES + 1}\r\n\r\n".encode())
        assert told.recv(100).startswith(b"HTTP/1.1 413")
    sent, part = 0, b"186a0\r\n" + b"x" * 100_000 + b"\r\n"
    with socket.create_connection((host, port), timeout=20) as told:  # it does not say
        told.sendall(f"{head}Transfer-Encoding: chunked\r\n\r\n".encode())
        try:
            while sent < 3 * BODY_BYTES:
                told.sendall(part)
                sent += 100_000
        except OSError:
            pass
        assert sent < 2 * BODY_BYTES
    kind = {"content-type": "application/json"}
    refused(service.stranger.post("/api/pair", content=b"x" * 5000, headers=kind), 413)
    assert service.state()["run"] is None


@pytest.mark.parametrize(
    "path",
    ["/api/runs/1/sheet/..%2f..%2f..%2flogbook.db", "/api/runs/1/sheet/%2e%2e", "/api/runs/..%2f1", "/api/files/-1",
     "/api/files/1%00", "/api/../../etc/passwd", "/api/runs/1/sheet/sheet.pdf%00.png",
     "/api/files/99999999999999999999"],
)  # fmt: skip
def test_a_hostile_path_leads_nowhere(service: Served, path: str) -> None:
    answer = service.client.get(path)
    assert answer.status_code in (404, 422), (path, answer.status_code, answer.text[:200])


def test_a_record_that_names_a_file_outside_the_store_gives_nothing_away(service: Served, tmp_path: Path) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("secret")
    picture = service.get("/api/runs/1/frames")["frames"][-1]["files"][0]
    kept = service.home / "Stopwright" / picture["path"]
    assert service.client.get(f"/api/files/{picture['id']}").content == kept.read_bytes()
    with sqlite3.connect(service.home / "Stopwright" / "logbook.db") as logbook:
        for path in (f"../../../../../../../..{secret}", str(secret), "logbook.db", "runs"):
            logbook.execute("UPDATE files SET path = ? WHERE id = ?", (path, picture["id"]))
            logbook.commit()
            for place in (f"/api/files/{picture['id']}", f"/api/files/{picture['id']}/preview?width=160"):
                assert service.client.get(place).status_code in (403, 404), path
        link = kept.with_name("link.jpg")
        link.symlink_to(secret)
        logbook.execute(
            "UPDATE files SET path = ? WHERE id = ?", (picture["path"].replace(kept.name, link.name), picture["id"])
        )
        logbook.commit()
        refused(service.client.get(f"/api/files/{picture['id']}"), 403)
        logbook.execute("UPDATE files SET path = ? WHERE id = ?", (picture["path"], picture["id"]))
        logbook.commit()
    link.unlink()
    assert service.client.get(f"/api/files/{picture['id']}").status_code == 200


def test_a_student_s_device_sees_everything_and_changes_nothing(service: Served) -> None:
    offer = service.post("/api/pairing", {"role": "watch"})
    assert offer["urls"][0].endswith(f"#pair={offer['code']}")
    assert "<svg" in offer["qr_svg"]
    with httpx.Client(base_url=service.url) as phone:
        paired = phone.post("/api/pair", json={"code": offer["code"]})
        assert paired.json() == {"role": "watch"}
        cookie = paired.headers["set-cookie"].lower()
        assert "httponly" in cookie and "samesite=strict" in cookie
        assert phone.get("/api/runs").json()["runs"][0]["run"] == 1
        assert phone.get("/api/service").json()["role"] == "watch"
        for path in (
            "/api/runs",
            "/api/pairing",
            "/api/runs/1/commands",
            "/api/compile",
            "/api/sessions/end",
            "/api/schedule",
        ):
            refused(phone.post(path, json={}), 403)
        refused(phone.delete("/api/schedule/1"), 403)
        refused(service.stranger.post("/api/pair", json={"code": offer["code"]}), 401)  # it was used
        assert service.post("/api/sessions/end", {})["ended"] >= 1
        refused(phone.get("/api/runs"), 401)


def test_a_browser_here_gets_a_session_for_the_token(service: Served) -> None:
    with httpx.Client(base_url=service.url) as browser:
        refused(browser.post("/api/session", json={"token": "wrong"}), 401)
        assert browser.post("/api/session", json={"token": service.token}).json() == {"role": "control"}
        assert browser.post("/api/pairing", json={}).status_code == 200
        browser.delete("/api/session")
        refused(browser.get("/api/state"), 401)


def test_tries_at_a_code_are_few(tmp_path: Path) -> None:
    with served(tmp_path) as service:
        answers = [service.stranger.post("/api/pair", json={"code": "AAAA2345"}).status_code for _ in range(14)]
        assert answers[:10] == [401] * 10
        assert set(answers[10:]) == {429}


def test_slow_clients_are_let_go_and_keep_nobody_waiting(service: Served) -> None:
    host, port = "127.0.0.1", int(service.url.rpartition(":")[2])
    heads = [socket.create_connection((host, port), timeout=25) for _ in range(20)]
    body = socket.create_connection((host, port), timeout=25)
    body.sendall(
        f"POST /api/compile HTTP/1.1\r\nHost: {host}:{port}\r\nAuthorization: Bearer {service.token}\r\n"
        "Content-Type: application/json\r\nContent-Length: 50\r\n\r\n{".encode()
    )
    for slow in heads:
        slow.sendall(b"GET /api/state HTTP/1.1\r\nHos")
    began = time.monotonic()
    assert service.state()["run"] is None
    assert time.monotonic() - began < 3
    assert body.recv(100).startswith(b"HTTP/1.1 408")
    assert [slow.recv(100) for slow in heads] == [b""] * 20
    assert 5 < time.monotonic() - began < 20
    for one in [*heads, body]:
        one.close()


def test_no_secret_is_in_the_log(tmp_path: Path) -> None:
    with served(tmp_path) as service:
        code = service.post("/api/pairing", {})["code"]
        paired = service.stranger.post("/api/pair", json={"code": code})
        session = paired.headers["set-cookie"].partition("=")[2].partition(";")[0]
        assert service.end() == 0
    assert '"device paired"' in service.told  # it was logged
    for secret in (code, session, service.token):
        assert secret not in service.told
