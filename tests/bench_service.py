"""Figures of the service: start-up, memory and processor at rest, pages of a record of 100,000 frames.

Start-up is from the start of the process to the first answer. Pages are timed over HTTP, each the median of five, and
beside the first page stands one deep in the record, which should cost the same.
"""

from __future__ import annotations

import json
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import sqlalchemy as sa
from support_service import Served, served

from daemon import clock, tables
from daemon.store import open_store

FRAMES, RUNS = 100_000, 500
REST_S = 10.0
SETTINGS = {
    "aperture": {"mark": "f/8", "exact": 8.0}, "time": {"mark": "1/125", "exact": 0.0078125},
    "iso": {"mark": "100", "exact": 100.0}, "filters": [], "focus": {"subject": "heron", "distance_m": 2.0},
}  # fmt: skip


def resident_mb(pid: int) -> float:
    """Memory that a process has in use. [MB]"""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1000
    return float("nan")


def used_s(pid: int) -> float:
    """Processor time of a process so far. [s]"""
    parts = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(parts[11]) + int(parts[12])) / os.sysconf("SC_CLK_TCK")


def fill(store_dir: Path, frames: int = FRAMES, runs: int = RUNS) -> None:
    """A record of ``runs`` runs, the first of which has most of ``frames`` frames; rows alone, no files."""
    with open_store(store_dir) as store:
        engine = sa.create_engine(f"sqlite:///{store.path / 'logbook.db'}")
        now = clock.utc_now()
        with engine.begin() as connection:
            insert = connection.execute
            insert(tables.plans.insert().values(hash="0", json="{}", created=now))
            insert(tables.runs.insert(), [
                {"id": n, "title": f"Fountain {n}", "folder": f"runs/{n}", "created": now, "state": "done",
                 "camera_port": "usb:001,002", "camera_model": "Garden", "operator": "page", "note": ""}
                for n in range(1, runs + 1)
            ])  # fmt: skip
            insert(tables.run_plans.insert(), [
                {"run_id": n, "revision": 1, "plan_hash": "0", "why": "", "created": now} for n in range(1, runs + 1)
            ])  # fmt: skip
            for first in range(1, frames + 1, 5000):
                numbers = range(first, min(first + 5000, frames + 1))
                of = {n: 1 if n <= frames - runs else n - (frames - runs) for n in numbers}
                insert(tables.steps.insert(), [
                    {"id": n, "run_id": of[n], "revision": 1, "step_id": f"{n}-expose", "position": n, "kind": "expose",
                     "goal": "ladder", "settings": SETTINGS, "outcome": "kept", "outcome_why": "",
                     "outcome_at": now}
                    for n in numbers
                ])  # fmt: skip
                insert(tables.attempts.insert(), [
                    {"id": n, "step_row": n, "number": 1, "intent_at": now, "state": "kept", "ended_at": now,
                     "exposure_s": 0.01} for n in numbers
                ])  # fmt: skip
                insert(tables.frames.insert(), [
                    {"id": n, "run_id": of[n], "attempt_id": n, "role": "picture", "stored_at": now,
                     "verified": "as planned",
                     "exif": {"model": "Garden", "pad": "x" * 300}, "checks": []} for n in numbers
                ])  # fmt: skip
                insert(tables.files.insert(), [
                    {"frame_id": n, "kind": "jpeg", "path": f"runs/1/pictures/{n}.jpg", "size": 1, "sha256": str(n)}
                    for n in numbers
                ])  # fmt: skip
                insert(tables.readings.insert(), [
                    {"frame_id": n, "method": "m", "version": "1", "data": {"pad": "x" * 200}, "created": now}
                    for n in numbers
                ])  # fmt: skip
        engine.dispose()


def median_ms(act: Callable[[], Any]) -> float:
    """The median of five. [ms]"""
    taken = []
    for _ in range(5):
        began = time.monotonic()
        act()
        taken.append((time.monotonic() - began) * 1000)
    return round(statistics.median(taken), 1)


def at_rest(service: Served, seconds: float = REST_S) -> dict[str, float]:
    """Memory and share of one processor while nobody asks anything. [MB], [%]"""
    time.sleep(0.5)
    before, began = used_s(service.process.pid), time.monotonic()
    time.sleep(seconds)
    share = (used_s(service.process.pid) - before) / (time.monotonic() - began)
    return {"rest_mb": resident_mb(service.process.pid), "rest_percent": 100 * share}


def figures() -> dict[str, Any]:
    """All of them."""
    told: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as folder:
        starts = []
        for _ in range(3):
            began = time.monotonic()
            with served(Path(folder)) as service:
                starts.append(time.monotonic() - began)
                if len(starts) == 3:
                    told |= at_rest(service)
        told["start_s"] = statistics.median(starts[1:])
    with tempfile.TemporaryDirectory() as folder:
        fill(Path(folder) / "Stopwright")
        with served(Path(folder)) as service:
            get = service.get
            deep = FRAMES - RUNS - 200
            told["large_record_ms"] = {
                "runs_page": median_ms(lambda: get("/api/runs?limit=50")),
                "runs_search": median_ms(lambda: get("/api/runs?search=fountain 77")),
                "frames_first": median_ms(lambda: get("/api/runs/1/frames?limit=100")),
                "frames_deep": median_ms(lambda: get(f"/api/runs/1/frames?limit=100&after={deep}")),
                "run_detail": median_ms(lambda: get("/api/runs/1")),
                "state": median_ms(lambda: get("/api/state")),
            }
    return told


if __name__ == "__main__":
    print(json.dumps(figures(), indent=2))
