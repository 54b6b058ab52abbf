"""A class joins by one code for watching: many devices, for a time, and never for control."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from support_service import Served, served

from daemon import clock
from daemon.web import joining
from daemon.web.access import MOST_SESSIONS, Access


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served(tmp_path_factory.mktemp("joining"), "--camera", "ptpip:127.0.0.1:9") as found:
        yield found


def refusal(answer: httpx.Response) -> Any:
    assert answer.status_code == 401, answer.text
    return answer.json()["error"]


def test_a_class_joins_with_one_code_to_watch_alone_until_it_is_ended(service: Served) -> None:
    offer = service.post("/api/pairing/class", {"minutes": 5})
    code = offer["code"]
    assert (offer["open"], offer["role"], offer["joined"]) == (True, "watch", 0)
    assert offer["places"] == MOST_SESSIONS["watch"] and 290 < offer["expires_s"] <= 300
    assert offer["urls"][0] == f"{service.url}/#join={code}" and "<svg" in offer["qr_svg"]
    control = service.post("/api/pairing", {"role": "control"})["code"]
    with httpx.Client(base_url=service.url) as one, httpx.Client(base_url=service.url) as other:
        for phone, typed in ((one, code.lower()), (other, f"{code[:3]}-{code[3:]}")):
            assert phone.post("/api/pair", json={"code": typed}).json() == {"role": "watch"}
            assert phone.get("/api/service").json()["role"] == "watch"
            assert phone.post("/api/runs", json={}).status_code == 403  # no control
            assert phone.post("/api/pairing/class", json={}).status_code == 403
            assert phone.get("/api/pairing/class").status_code == 403
            assert phone.delete("/api/pairing/class").status_code == 403
        told = service.get("/api/pairing/class")
        assert (told["code"], told["joined"]) == (code, 2)
        for _ in range(6):  # what a class mistypes voids no code of the photographer's
            assert refusal(service.stranger.post("/api/pair", json={"code": "WRNG23"})) == "NoRight"
        service.stranger.cookies.clear()
        assert service.client.delete("/api/pairing/class").json() == {"open": False, "joined": 2}
        assert one.get("/api/state").status_code == 200  # who joined stays
        assert service.get("/api/pairing/class") == {"open": False}
        assert refusal(service.stranger.post("/api/pair", json={"code": code})) == "Late"
        with httpx.Client(base_url=service.url) as lecturer:  # a control right is another code's, once
            assert lecturer.post("/api/pair", json={"code": control}).json() == {"role": "control"}
            assert lecturer.post("/api/pairing/class", json={}).status_code == 200
    for minutes in (0, 61, "long"):
        assert service.client.post("/api/pairing/class", json={"minutes": minutes}).status_code == 422
    assert service.client.get(f"/api/pair?code={code}").status_code == 405
    service.client.delete("/api/pairing/class")
    assert service.end() == 0
    assert "a class may join" in service.told and "device joined with its class" in service.told
    assert code not in service.told and control not in service.told


def test_a_class_code_dies_at_its_time_when_a_newer_comes_and_with_all_sessions(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    access, now = Access(tmp_path), [1000.0]
    monkeypatch.setattr(clock, "monotonic", lambda: now[0])
    code = access.joining.open(10).code
    now[0] += 599
    assert access.join(code)[0] == "in" and access.joining.now() is not None
    now[0] += 1
    assert access.join(code) == ("late", None) and access.joining.now() is None
    newer = access.joining.open(10).code
    newest = access.joining.open(10).code
    assert access.join(newer)[0] == "late"
    answer, session = access.join(newest)
    assert answer == "in" and session is not None and access.role_of(session) == "watch"
    assert access.end_sessions() == 2
    assert access.join(newest)[0] == "late" and access.role_of(session) is None
    assert newest not in "".join(path.read_text() for path in tmp_path.iterdir())
    one = access.new_code("control")
    assert access.redeem(newest) is None and access.join(one)[0] == "wrong"
    assert access.redeem(one) is not None and access.redeem(one) is None


def test_a_class_code_has_so_many_places_and_ends_after_many_wrong_tries() -> None:
    class_ = joining.Joining(places=3)
    code = class_.open(10).code
    assert [class_.take(code) for _ in range(5)] == ["in", "in", "in", "full", "full"]
    assert class_.take("AAAA22") == "wrong" and class_.take("") == "wrong"
    code = class_.open(10).code
    tries = [class_.take("AAAA22") for _ in range(199)]
    assert set(tries) == {"wrong"} and class_.take(code) == "in"
    assert class_.take("AAAA22") == "wrong" and class_.take(code) == "late"
