"""The watch over the light under many skies, with fresh seeds: ``python -m tests.soak_light_watch [--count 1000]``."""

from __future__ import annotations

import argparse
import secrets
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from support_skies import SKIES, campaign


def main() -> int:
    """Print a row a sky and grade; 1 when a bar is not held."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=secrets.randbelow(1 << 30))
    asked = parser.parse_args()
    seeds = range(asked.seed, asked.seed + asked.count)
    print(f"seeds {asked.seed} to {asked.seed + asked.count - 1}")
    print(
        f"{'sky':<9}{'grade':<6}{'moved':>7}{'missed':>8}{'large':>7}{'alarms':>8}{'calm':>7}{'raw':>7}{'left':>7}{'s':>6}"
    )
    failed = 0
    for kind in SKIES:
        for grade in ("full", "ends", "off"):
            found = campaign(kind, grade, seeds)
            row = f"{kind:<9}{grade:<6}{found.shifted:>7.1%}{found.missed:>8.1%}{found.missed_large:>7}"
            row += f"{found.false_alarms:>8.1%}{found.false_in_calm:>7.1%}{found.raw:>7.2f}{found.corrected:>7.2f}"
            bad = grade == "full" and (found.missed_large or found.corrected > 0.10 or found.false_in_calm > 0.08)
            failed += bool(bad)
            print(f"{row}{found.seconds:>6.0f}{'  FAILED' if bad else ''}", flush=True)
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
