"""One simulated camera, service and browser for those tests of the page that leave the rig at rest."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from support_browser import Rig, browser
from support_service import served
from support_simulator import simulated_camera


@pytest.fixture(scope="session")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    """The rig that they share."""
    with (
        browser() as chromium,
        simulated_camera(timing="instant") as camera,
        served(tmp_path_factory.mktemp("rig"), "--camera", camera.camera) as service,
    ):
        yield Rig(service, camera, chromium)
