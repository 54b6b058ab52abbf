"""The interface under made requests; the long form is ``python -m tests.soak_api``."""

from __future__ import annotations

from pathlib import Path

import httpx
import pytest
from support_fuzz import fuzz, judge
from support_service import served


@pytest.mark.timeout(180)
def test_made_requests_meet_no_fault_and_no_door_without_a_right(tmp_path: Path) -> None:
    with served(tmp_path, "--camera", "ptpip:127.0.0.1:9", more={"STOPWRIGHT_PATIENCE_S": "0"}) as service:
        told = fuzz(service, examples=2)
        assert service.state()["run"] is None
        assert service.end() == 0
    assert '"event": "fault"' not in service.told and "Traceback" not in service.told
    assert sum(told.values()) > 100
    assert {"200", "422"} <= set(told)


def test_the_judge_sees_a_fault_a_door_and_a_shapeless_refusal() -> None:
    for status, tree in ((500, {}), (401, {}), (422, {"detail": "x"})):
        with pytest.raises(AssertionError):
            judge(httpx.Response(status, json=tree), "GET /")
    judge(httpx.Response(200, json={}), "GET /")
