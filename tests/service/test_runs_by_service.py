"""Runs through the service: begun, asked about, commanded, followed, ended by a signal or a kill; real processes."""

from __future__ import annotations

import json
import signal
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from support_run import assert_nothing_lost_nothing_twice, command, json_of, small_brief
from support_service import BRACKET, Served, served
from support_simulator import simulated_camera

from daemon.report import report
from daemon.store import open_store
from hardware_mocks.hands import Hands

# A metering frame and three pictures, of up to some seconds at EV 3 and ISO 100.
pytestmark = pytest.mark.timeout(150)  # several processes are started in each

LONG = "goals:\n  - bracket: {change: time, by: 1, count: 3, focus: heron}\nlimits: {iso_at_most: 100}\n"


class Follower:
    """Reads the live events of a service in a thread of its own: (name, id, data)."""

    def __init__(self, service: Served, since: str | None = None, stop_at: str = "run-done", most: int = 10_000):
        self.got: list[tuple[str, str | None, Any]] = []
        self._arguments = (service, since, stop_at, most)
        self.thread = threading.Thread(target=self._read)
        self.thread.start()

    def _read(self) -> None:
        service, since, stop_at, most = self._arguments
        headers = {"last-event-id": since} if since else {}
        message: dict[str, str] = {}
        with service.client.stream("GET", "/api/events", headers=headers, timeout=50) as stream:
            for line in stream.iter_lines():
                key, _, value = line.partition(": ")
                if line:
                    message[key] = value
                elif "data" in message:
                    self.got.append((message["event"], message.get("id"), json.loads(message["data"])))
                    durable = [one for one in self.got if one[1]]
                    if message["event"] == stop_at or len(durable) >= most:
                        return
                    message = {}

    def durable(self) -> list[tuple[str, str | None, Any]]:
        """What has an id."""
        self.thread.join(50)
        assert not self.thread.is_alive()
        return [one for one in self.got if one[1]]


def test_a_run_is_begun_once_asked_about_commanded_once_and_followed_over_a_reconnection(tmp_path: Path) -> None:
    with simulated_camera(timing="instant") as simulator:
        with served(tmp_path, "--camera", simulator.camera) as service:
            first = Follower(service, most=3)
            run = service.shoot("order-1", BRACKET)  # hands are asked of the page
            assert service.shoot("order-1", BRACKET) == run  # the same id again
            state = service.until(lambda state: state["asking"])
            question = state["asking"]
            assert question["kind"] == "hands" and "done" in question["choices"]
            commands = f"/api/runs/{run}/commands"
            wrong = service.client.post(commands, json={"id": "w", "verb": "dance"})
            assert wrong.status_code == 400 and "stop" in wrong.json()["allowed"]
            other = {"id": "o", "verb": "answer", "data": {"question": "other", "answer": "done"}}
            assert service.client.post(commands, json=other).status_code in (200, 400)  # it answers nothing in any case
            assert service.state()["asking"]["id"] == question["id"]
            answer = {"id": "a-1", "verb": "answer", "data": {"question": question["id"], "answer": "done"}}
            Hands(simulator.hands).focus(2.0)
            assert service.post(commands, answer)["repeated"] is False
            assert service.post(commands, answer)["repeated"] is True
            second = Follower(service, first.durable()[-1][1])
            service.answer_all(run)
            assert service.get(f"/api/runs/{run}")["state"] == "done"
            assert len(service.get("/api/runs")["runs"]) == 1

            both = first.durable() + second.durable()
            whole = Follower(service, "0-0").durable()
            known = [(name, place, tree.get("frame") or tree["id"]) for name, place, tree in whole]
            assert [(name, place, tree.get("frame") or tree["id"]) for name, place, tree in both] == known
            assert len({place for _, place, _ in known}) == len(known) >= 8  # nothing left out, nothing twice
            frames = [tree["frame"] for name, _, tree in whole if name == "frame"]
            assert frames == [one["frame"] for one in service.get(f"/api/runs/{run}/frames")["frames"]] == [1, 2, 3, 4]
            assert service.client.get("/api/events?since=x").status_code == 400

            page = service.get("/api/runs/last/frames?limit=3&role=picture")
            assert [one["step"] for one in page["frames"]] == ["03-expose", "04-expose", "05-expose"]
            assert page["frames"][1]["reading"]["reading"]["method"]
            after = service.get(f"/api/runs/last/frames?limit=3&role=picture&after={page['next']}")
            assert after == {"frames": [], "next": None}
            assert service.get("/api/runs?search=fountain%20garden&state=done")["runs"][0]["pictures"] == 3
            assert service.get("/api/runs?search=hedgehog")["runs"] == []
            assert service.get("/api/runs?search=%25")["runs"] == []  # no wild card
            assert service.get("/api/runs?state=paused")["runs"] == []
            file = page["frames"][0]["files"][0]["id"]
            preview = service.client.get(f"/api/files/{file}/preview?width=160")
            assert preview.headers["content-type"] == "image/jpeg" and preview.content[:2] == b"\xff\xd8"
            assert len(preview.content) < len(service.client.get(f"/api/files/{file}").content)
            sheet = service.post("/api/runs/last/sheet", {})
            assert service.client.get(sheet["pdf"]).content.startswith(b"%PDF")
            assert set(service.get("/api/runs/last")["sheets"]) >= {*sheet["png"], sheet["pdf"]}
            told = service.get("/api/runs/last/report")
            assert {one["verified"] for one in told["frames"]} == {"as planned"}
            assert service.get("/api/runs/last/plan")["plan"]["title"] == "Fountain, Tuesday class"
            assert len(service.get("/api/runs/last/steps")["steps"]) == 5
            assert service.get("/api/cameras")["cameras"][0]["model"] == "Stopwright Garden simulator"
            assert service.post("/api/check", {"brief": {"text": small_brief(BRACKET)}, "dry": True})["ready"] is True
        # Ids are known again by a service that was started anew.
        made = Hands(simulator.hands).state()["exposures"]
        with served(tmp_path, "--camera", simulator.camera) as anew:
            assert anew.shoot("order-1", BRACKET) == run and anew.get("/api/jobs/order-1")["state"] == "ended"
            assert anew.post(commands, answer)["repeated"] is True
            assert len(anew.get("/api/runs")["runs"]) == 1
        assert Hands(simulator.hands).state()["exposures"] == made


def test_what_is_wrong_with_a_brief_is_told_by_line_as_data(tmp_path: Path) -> None:
    with served(tmp_path) as service:
        text = small_brief(BRACKET).replace("focus: heron", "focus: herring")
        answer = service.client.post("/api/compile", json={"text": text, "name": "evening.yaml"})
        assert answer.status_code == 422
        complaint = answer.json()["complaints"][0]
        assert complaint["file"] == "evening.yaml"
        assert "herring" in text.splitlines()[complaint["line"] - 1]
        whole = service.post("/api/compile", {"text": small_brief(BRACKET)})
        assert whole["reachable"] is True and len(whole["plan"]["steps"]) == 5
        again = service.post("/api/explain", {"text": json.dumps(whole["plan"]), "name": "plan.json"})
        assert "f/8" in again["text"]
        far = small_brief("goals:\n  - silk: {subject: spout, at_least: 4000 px}\n")
        assert service.client.post("/api/runs", json={"id": "x", "brief": {"text": far}}).status_code == 422
        kit = small_brief(BRACKET).replace("\nkit:", "\nkit: other.yaml\nold:")
        told = service.client.post("/api/compile", json={"text": kit}).json()
        assert any("was not sent" in one["found"] for one in told["complaints"])
        gone = {"id": "y", "brief": {"text": small_brief(BRACKET)}, "camera": "ptpip:127.0.0.1:9", "patience_s": 0}
        answer = service.client.post("/api/runs", json=gone)
        assert (answer.status_code, answer.json()["error"]) == (409, "CameraAbsent")
        assert service.get("/api/runs")["runs"] == []


def taken(simulator: Any, at_least: int) -> None:
    end = time.monotonic() + 40
    while Hands(simulator.hands).state()["exposures"] < at_least:
        assert time.monotonic() < end
        time.sleep(0.02)


def test_sigterm_in_mid_exposure_loses_nothing_and_puts_the_camera_back(tmp_path: Path) -> None:
    with simulated_camera(timing="typical", light=3.0) as simulator:
        where = ["--camera", simulator.camera]
        with served(tmp_path, *where) as service:
            before = service.get("/api/cameras")["cameras"][0]["settings"]
            run = service.shoot("one", LONG, 3.0, operator=f"simulated:{simulator.hands}")
            taken(simulator, 2)
            time.sleep(0.3)  # in the exposure
            assert service.end() == 0
        assert "Traceback" not in service.told
        with served(tmp_path, *where) as service:
            assert service.get(f"/api/runs/{run}")["state"] == "paused"
            time.sleep(0.5)
            assert service.state()["job"] is None  # it was told to stop: it does not go on by itself
            after = service.get("/api/cameras")["cameras"][0]["settings"]
            kept = ("aperture", "time", "iso")
            assert {name: after[name]["current"] for name in kept} == {name: before[name]["current"] for name in kept}
            counts = service.get(f"/api/runs/{run}")["counts"]
            assert counts["files"] == Hands(simulator.hands).state()["exposures"] < 4
            again = {"id": "two", "operator": f"simulated:{simulator.hands}"}
            service.post(f"/api/runs/{run}/resume", again, 201)
            service.until(lambda state: state["job"] is None, 40)
            assert service.end() == 0
        with open_store(tmp_path / "Stopwright", create=False) as store:
            assert_nothing_lost_nothing_twice(report(store, run), Hands(simulator.hands))


def test_a_run_goes_on_by_itself_after_the_service_was_killed_and_its_log_tells(tmp_path: Path) -> None:
    with simulated_camera(timing="typical", light=3.0) as simulator:
        where = ["--camera", simulator.camera, "--operator", f"simulated:{simulator.hands}"]
        with served(tmp_path, *where) as service:
            run = service.shoot("one", LONG, 3.0)
            taken(simulator, 2)
            service.process.send_signal(signal.SIGKILL)
            service.process.wait()
        with served(tmp_path, *where) as service:
            service.until(lambda state: state["job"] is not None, 10)
            service.until(lambda state: state["job"] is None, 40)
            assert service.get(f"/api/runs/{run}")["state"] == "done"
            assert service.end() == 0
        assert [line["run"] for line in service.log if line["event"] == "a run was cut off; it goes on"] == [run]
        with open_store(tmp_path / "Stopwright", create=False) as store:
            assert_nothing_lost_nothing_twice(report(store, run), Hands(simulator.hands))


def test_a_killed_run_does_not_go_on_by_itself_where_that_is_switched_off(tmp_path: Path) -> None:
    with simulated_camera(timing="typical", light=3.0) as simulator:
        where = ["--camera", simulator.camera, "--operator", f"simulated:{simulator.hands}"]
        with served(tmp_path, *where) as service:
            run = service.shoot("one", LONG, 3.0)
            service.process.send_signal(signal.SIGKILL)
            service.process.wait()
        with served(tmp_path, *where, more={"STOPWRIGHT_RESUME_WITHIN_MIN": "0"}) as service:
            time.sleep(0.7)
            assert service.state()["job"] is None
            assert service.get(f"/api/runs/{run}")["state"] == "interrupted"


def test_shoot_hands_over_to_the_running_service_and_a_second_service_is_refused(tmp_path: Path) -> None:
    (tmp_path / "small.yaml").write_text(small_brief(BRACKET))
    with simulated_camera(timing="instant") as simulator, served(tmp_path, "--camera", simulator.camera) as service:
        hands = ["--operator", f"simulated:{simulator.hands}"]
        done = command("shoot", "small.yaml", *hands, "--json", home=tmp_path)
        assert done.returncode == 0, done.stderr
        assert service.url in done.stderr and "3/3" in done.stderr
        assert json_of(done)["counts"]["kept"] == {"control": 1, "expose": 3, "operator": 1}
        assert service.get("/api/runs/1")["operator"] == "simulated"
        refused = command("resume", "1", *hands, home=tmp_path)
        assert (refused.returncode, "done" in refused.stderr) == (2, True), refused.stderr
        nobody = command("shoot", "small.yaml", home=tmp_path)
        assert nobody.returncode == 2 and "hands" in nobody.stderr
        second = command("serve", "--port", "0", home=tmp_path)
        assert second.returncode == 2 and "stopwright serve" in second.stderr
        assert service.end() == 0
    assert command("shoot", "small.yaml", "--camera", "ptpip:127.0.0.1:9", "--composed", home=tmp_path).returncode == 4


def test_the_help_of_the_command_loads_nothing_of_the_web(tmp_path: Path) -> None:
    import subprocess
    import sys

    from support_run import environment

    looked_for = "{'fastapi', 'uvicorn'}"

    def loaded(more: str) -> str:
        code = f"import sys\nfrom daemon.cli import stopwright\n{more}\nprint(sorted(set(sys.modules) & {looked_for}))"
        words = [sys.executable, "-c", code]
        done = subprocess.run(words, env=environment(tmp_path), capture_output=True, text=True, check=True)
        return done.stdout.splitlines()[-1]

    assert loaded("stopwright.main(['--help'], standalone_mode=False)") == "[]"
    assert loaded("import daemon.web.server") == "['fastapi', 'uvicorn']"  # the check sees them


def test_the_service_tells_the_service_manager_and_serves_within_its_unit(tmp_path: Path) -> None:
    import socket

    unit = command("serve", "--unit", home=tmp_path).stdout
    assert "Type=notify" in unit and "WatchdogSec=" in unit and "Restart=on-failure" in unit and " serve\n" in unit
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(20)
        told = []
        more = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "400000"}
        with served(tmp_path, more=more) as service:
            while not any("WATCHDOG=1" in one for one in told):
                told.append(manager.recv(1000).decode())
            assert service.end() == 0
            while not any("STOPPING=1" in one for one in told):
                told.append(manager.recv(1000).decode())
    assert told[0].startswith("READY=1\nSTATUS=at http://127.0.0.1:")


def test_a_failing_camera_is_one_line_in_the_log(tmp_path: Path) -> None:
    with served(tmp_path) as service:
        order = {"id": "y", "brief": {"text": small_brief(BRACKET)}, "camera": "ptpip:127.0.0.1:9", "patience_s": 3}
        assert service.client.post("/api/runs", json=order | {"composed": True}).status_code == 409
        for port in ("nonsense", "usb:1", "ptpip:garden.example"):
            answer = service.client.get("/api/cameras", params={"camera": port})
            assert (answer.status_code, answer.json()["error"]) == (400, "UsageError")
        assert service.end() == 0
    assert [line["event"] for line in service.log].count("camera fails") == 1
    assert all(json.loads(line) for line in service.told.splitlines())
