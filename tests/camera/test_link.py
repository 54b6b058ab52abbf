"""The importer of the camera library against the library's own virtual USB camera: traps that were measured.

Each runs in a process of its own, because a wrong step ends the process.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

from support_camera import vusb_environment
from support_simulator import simulated_camera

ODD = """
from daemon.camera.link import Link
link = Link("usb:001,001")
link.send("f-number", "f/3.7")  # accepted without a word, and none of the choices
"""


def run(program: str, folder: Path) -> subprocess.CompletedProcess[str]:
    environment = os.environ | vusb_environment(folder / "card") | {"LC_ALL": "C", "HOME": str(folder)}
    return subprocess.run(
        [sys.executable, "-c", program],
        env=environment,
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )


def test_a_value_that_is_none_of_the_choices_is_read_as_empty_with_its_code(tmp_path: Path) -> None:
    program = ODD + "widget = link.widget('f-number')\nprint(repr(widget.current), widget.raw, len(widget.labels))"
    ended = run(program, tmp_path)
    assert ended.stdout.split() == ["''", "370", "18"], ended.stderr


def test_reading_such_a_value_plainly_would_end_the_process(tmp_path: Path) -> None:
    ended = run(ODD + "link._camera.get_single_config('f-number').get_value()", tmp_path)
    assert ended.returncode == -signal.SIGSEGV


def test_a_download_makes_its_file_and_never_takes_another_ones_place(tmp_path: Path) -> None:
    program = (
        "from pathlib import Path; from daemon.camera.link import Link\n"
        "link = Link('usb:001,001'); into = Path('{0}')\n"
        "size = link.download('/store_00010001/DCIM/100STOPS', 'STOP0001.JPG', into)\n"
        "print(size == into.stat().st_size == link.info('/store_00010001/DCIM/100STOPS', 'STOP0001.JPG').size)\n"
        "try: link.download('/store_00010001/DCIM/100STOPS', 'STOP0002.JPG', into)\n"
        "except FileExistsError: print(into.stat().st_size == size)\n"
    )
    ended = run(program.format(tmp_path / "a.jpg"), tmp_path)
    assert ended.stdout.split() == ["True", "True"], ended.stderr


def test_a_setting_that_the_camera_lacks_is_none_and_no_error(tmp_path: Path) -> None:
    program = "from daemon.camera.link import Link\nlink = Link('usb:001,001'); print(link.widget('iso'))"
    assert run(program, tmp_path).stdout.strip() == "None"


def test_a_raw_number_is_taken_for_a_setting_only_where_the_library_calls_it_so(tmp_path: Path) -> None:
    program = (
        "from daemon.camera import dialects; from daemon.camera.link import Link\n"
        "link = Link('{0}'); widget = link.widget('d138'); print(widget.labels, widget.current, widget.writable)\n"
        "dialects.RAW_ONLY['d138'] = 'Something of another make'; print(link.widget('d138'))"
    )
    environment = os.environ | {"LC_ALL": "C", "HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path)}
    with simulated_camera() as simulator:
        address = f"{simulator.camera}:{simulator.camera.rpartition(':')[2]}"  # the events' port, the same
        ended = subprocess.run(
            [sys.executable, "-c", program.format(address)], env=environment, capture_output=True, text=True,
            timeout=30, check=False,
        )  # fmt: skip
    assert ended.stdout.splitlines() == ["('1', '0') 0 True", "None"], ended.stderr
