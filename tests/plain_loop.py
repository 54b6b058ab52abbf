"""The baseline of the bench: the same frames by a plain script on the same camera, with no promise but the pictures.

Run as ``python -m tests.plain_loop PORT OUT FSYNC FRAMES_JSON``; prints the wall time of the loop in seconds as JSON.
Single-value sets, capture, download, write; with FSYNC 1 each file is flushed to the disk.
"""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path

import gphoto2 as gp


def main(port: str, out: Path, fsync: bool, frames: list[dict[str, str]]) -> float:
    """Take the frames; the loop's wall time. [s]"""
    camera = gp.Camera()
    ports = gp.PortInfoList()
    ports.load()
    camera.set_port_info(ports[ports.lookup_path(port)])
    abilities = gp.CameraAbilitiesList()
    abilities.load()
    camera.set_abilities(abilities[abilities.lookup_model("PTP/IP Camera")])
    camera.init()
    began = time.monotonic()
    for number, frame in enumerate(frames):
        for name, label in frame.items():
            widget = camera.get_single_config(name)
            widget.set_value(label)
            camera.set_single_config(name, widget)
        taken = camera.capture(gp.GP_CAPTURE_IMAGE)
        file = camera.file_get(taken.folder, taken.name, gp.GP_FILE_TYPE_NORMAL)
        target = out / f"{number:04d}.jpg"
        with target.open("xb") as sink:
            sink.write(bytes(memoryview(file.get_data_and_size())))
            if fsync:
                sink.flush()
                os.fsync(sink.fileno())
    wall = time.monotonic() - began
    camera.exit()
    return wall


if __name__ == "__main__":
    port, out, fsync, frames = sys.argv[1:5]
    print(json.dumps({"wall_s": main(port, Path(out), fsync == "1", json.loads(frames))}))
