"""One simulated camera and service for those tests of the page that leave the rig at rest."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from support_browser import Rig, browser
from support_service import Served, served
from support_simulator import simulated_camera

from hardware_mocks.server import Simulator


@pytest.fixture(scope="session")
def field(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Served, Simulator]]:
    """The service and the camera, for all modules."""
    with (
        simulated_camera(timing="instant") as camera,
        served(tmp_path_factory.mktemp("field"), "--camera", camera.camera) as service,
    ):
        yield service, camera


@pytest.fixture(scope="module")
def rig(field: tuple[Served, Simulator]) -> Iterator[Rig]:
    """The same with a browser, for one module."""
    with browser() as chromium:
        yield Rig(*field, chromium)
