"""A long campaign of made requests: ``python -m tests.soak_api --examples 200``."""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from support_fuzz import fuzz
from support_service import served


def main() -> None:
    """Fuzz one service; its answers by status, as JSON. Ends with an AssertionError at the first that is wrong."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--examples", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    words, more = ("--camera", "ptpip:127.0.0.1:9"), {"STOPWRIGHT_PATIENCE_S": "0"}
    with tempfile.TemporaryDirectory() as home, served(Path(home), *words, more=more) as service:
        told = fuzz(service, asked.examples, asked.seed)
        code = service.end()
    print(json.dumps({"answers": told, "exit": code}, indent=2))


if __name__ == "__main__":
    main()
