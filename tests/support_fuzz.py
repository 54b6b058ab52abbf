"""Requests made from the interface's own description (OpenAPI), good and bad, and what every answer must be."""

from __future__ import annotations

import warnings
from typing import Any

import httpx
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from support_service import Served

SHAPE = {"error", "message", "asked", "found", "allowed", "todo"}
ENDLESS = {"/api/events"}  # a stream; it has tests of its own
HARMFUL = {("DELETE", "/api/session"), ("POST", "/api/session"), ("POST", "/api/pair")}  # limited to ten tries


def judge(answer: httpx.Response, asked: str) -> None:
    """An answer to somebody with the right: no fault of the server, and one shape of refusal."""
    assert answer.status_code < 500, (asked, answer.status_code, answer.text[:500])
    assert answer.status_code not in (401, 403), (asked, answer.text[:500])
    if answer.status_code >= 400:
        assert set(answer.json()) >= SHAPE, (asked, answer.text[:500])


def fuzz(service: Served, examples: int, start: int = 0) -> dict[str, int]:
    """Send ``examples`` made requests to every place; how many answers had which status."""
    schema = schemathesis.openapi.from_dict(service.get("/api/openapi.json"))
    told: dict[str, int] = {}
    for found in schema.get_all_operations():
        operation = found.ok()
        if operation.path in ENDLESS or (operation.method.upper(), operation.path) in HARMFUL:
            continue
        strategies = [operation.as_strategy(generation_mode=mode) for mode in schemathesis.GenerationMode]
        for strategy in strategies:
            _one_place(service, strategy, examples, start, told)
    return told


def _one_place(service: Served, strategy: Any, examples: int, start: int, told: dict[str, int]) -> None:
    @seed(start)
    @settings(
        max_examples=examples,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=strategy)
    def act(case: Any) -> None:
        words = case.as_transport_kwargs(base_url=service.url)
        headers = {
            key: value for key, value in dict(words.pop("headers", {}) or {}).items() if key.lower() != "authorization"
        }
        words.pop("cookies", None)
        try:
            request = service.client.build_request(words.pop("method"), words.pop("url"), headers=headers, **words)
            request.headers["authorization"] = f"Bearer {service.token}"
            request.headers.setdefault("content-type", "application/json")
            answer = service.client.send(request)
        except (httpx.InvalidURL, UnicodeError, ValueError, httpx.LocalProtocolError):
            return  # the client itself would not send it
        told[str(answer.status_code)] = told.get(str(answer.status_code), 0) + 1
        if answer.status_code == 429:
            return
        judge(answer, f"{request.method} {request.url}")
        bare = service.stranger.request(
            request.method, request.url, content=request.content, headers={"content-type": "application/json"}
        )
        if request.url.path != "/api/health":
            assert bare.status_code in (401, 413, 429), (str(request.url), bare.status_code)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        act()
