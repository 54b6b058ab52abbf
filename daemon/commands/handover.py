"""``shoot`` and ``resume`` while the service holds the store: it shoots, this command shows and asks."""

from __future__ import annotations

import sys
import uuid
from collections.abc import Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NoReturn, cast

from daemon.client import Client, FromService
from daemon.commands.common import end_stopped, given_options, is_plan, note, read_text
from daemon.errors import RunPaused, UsageError
from daemon.feed import Event
from daemon.operator import ConsoleOperator
from daemon.progress import Progress
from daemon.streams import is_terminal
from daemon.texts import stand_in_scales
from plans.plan import OperatorStep

_MANNERS = ("verdicts", "light", "rig_check", "cue", "hands_timeout_s", "hands_late")


def brief_tree(path: Path) -> dict[str, Any]:
    """A file of the user's as the service takes it, with the kit files that it names.

    Raises
    ------
    BriefError, UsageError
        If it cannot be read.
    """
    kits: dict[str, str] = {}
    text = read_text(path, "file")
    name = path.name
    if is_plan(path):
        return {"text": text, "name": name if name.endswith(".json") else f"{name}.json", "kits": kits}
    from plans.reading import read_brief

    def load_kit(kit: str) -> str:
        kits[kit] = read_text(path.parent / kit, "kit file")
        return kits[kit]

    read_brief(text, name, load_kit, stand_in_scales())
    return {"text": text, "name": name if name.endswith((".yaml", ".yml")) else f"{name}.yaml", "kits": kits}


def shoot(client: Client, path: Path, composed: bool, patience: float, options: Mapping[str, Any]) -> None:
    """Have the service shoot a file."""
    asked = {"brief": brief_tree(path), "composed": composed} | _common(patience, options)
    _Followed(client, options).go("/api/runs", asked)


def resume(client: Client, run: str, patience: float, options: Mapping[str, Any]) -> None:
    """Have the service go on with a run."""
    which = run.strip()
    if which != "last" and not (which.isdecimal() and len(which) < 10):
        raise UsageError(f"run {run[:40]!r}: allowed: a run's number, or last. List them: stopwright runs")
    asked = _common(patience, options)
    given = given_options()
    asked["manners"] = {name: value for name, value in asked["manners"].items() if name in given}
    if "patience" not in given:
        del asked["patience_s"]
    _Followed(client, options).go(f"/api/runs/{which}/resume", asked)


def _common(patience: float, options: Mapping[str, Any]) -> dict[str, Any]:
    named = options["operator_name"]
    if named is None:
        named = "console" if is_terminal(sys.stdin) and is_terminal(sys.stderr) else "nobody"
    told = {
        "id": uuid.uuid4().hex, "camera": options["camera_port"], "operator": "page" if named == "console" else named,
        "reachable": bool(options["reachable"]), "patience_s": patience,
        "manners": {name: options[name] for name in _MANNERS if options.get(name) is not None},
    }  # fmt: skip
    return {name: value for name, value in told.items() if value is not None}


class _Followed:
    """An order that the service carries out, shown and answered here."""

    def __init__(self, client: Client, options: Mapping[str, Any]):
        self._client, self._options = client, options
        self._console = options["operator_name"] in (None, "console") and is_terminal(sys.stdin)
        self._asks = ConsoleOperator(sys.stdin, sys.stderr)
        self._progress = Progress(sys.stderr if options["as_json"] else sys.stdout, asks=self._console)
        self._answered = ""
        self._run: int | None = None
        self._stops = 0

    def go(self, path: str, asked: dict[str, Any]) -> None:
        """Send the order, follow it to its end, and end as the command itself would."""
        note(f"The service at {self._client.url} has this store; it shoots.")
        since = self._client.ask("GET", "/api/state")["at"]
        job = self._client.ask("POST", path, asked)
        self._run = job["run"]
        for line in job["notes"]:
            note(f"  {line}")
        while (job := self._client.ask("GET", f"/api/jobs/{asked['id']}"))["state"] != "ended":
            self._run = job["run"]
            try:
                self._follow(since, asked["id"])
            except KeyboardInterrupt:
                self._stop()
            since = self._client.ask("GET", "/api/state")["at"]
        self._end(job)

    def _follow(self, since: str, order: str) -> None:
        for name, tree in self._client.events(since):
            if name == "state":
                if (tree["job"] or {}).get("id") != order:
                    return
                self._run = tree["run"] or self._run
                self._answer(tree["asking"])
            elif name == "step" or tree.get("run_id") == self._run:
                self._progress(Event(tree["kind"], tree["text"], tree["data"]))

    def _answer(self, question: dict[str, Any] | None) -> None:
        if question is None or not self._console or question["id"] == self._answered or self._run is None:
            return
        self._answered = question["id"]
        try:
            answer = self._ask(question)
        except RunPaused:
            answer = "stop"
        if answer == "stop" and "stop" not in question["choices"]:
            self._stop()
            return
        try:
            self._command("answer", {"question": question["id"], "answer": answer})
        except FromService as refused:
            note(f"  {refused}")

    def _ask(self, question: dict[str, Any]) -> str:
        if question["kind"] == "caution":
            self._asks.acknowledge(question["text"])
            return str(question["choices"][0])
        if question["kind"] == "hands":
            step = SimpleNamespace(text=question["text"], why=question["why"])  # all that the console shows
            return str(self._asks.act(cast(OperatorStep, step)))
        return self._asks.choose(question["text"], question["choices"])

    def _command(self, verb: str, data: dict[str, Any]) -> None:
        tree = {"id": uuid.uuid4().hex, "verb": verb, "data": data}
        self._client.ask("POST", f"/api/runs/{self._run}/commands", tree)

    def _stop(self) -> None:
        self._stops += 1
        note("\nStopping after the frame in flight.")
        if self._run is not None:
            self._command("stop", {})

    def _end(self, job: dict[str, Any]) -> None:
        from daemon.commands.shooting import show_end
        from daemon.report import report
        from daemon.store import open_store

        error = job["error"]
        if self._stops and (error or {}).get("error") in (None, "RunPaused", "StoppedNow"):
            self._stopped(job["run"])
        if error is not None:
            raise FromService(error | {"run": job["run"]})
        with open_store(self._options["store_dir"], create=False) as store:
            show_end(report(store, job["run"]), self._options)

    def _stopped(self, run: int | None) -> NoReturn:
        end_stopped("stopped by hand. Nothing is lost", run, self._options)
