"""Every fault at every phase: ``python -m tests.soak_faults [--only WORD]``.

Each fault of the simulated camera's script strikes a run of the real library at four moments. Each run must complete,
or pause with a message that says what to do and complete when it is resumed; nothing may be lost. Prints the table:
fault, moment, outcome, time to recover, what the user sees.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from support_faults import HARMLESS, MOMENTS, every_line, strike, unknown_kinds


def soak(only: str = "") -> list[str]:
    """The table's rows; those of a run that failed begin with FAILED."""
    rows = [f"FAILED {kind}: a fault of which fields are not known here" for kind in unknown_kinds()]
    for line in every_line(1):
        for moment in MOMENTS[2:3] if line["fault"] in HARMLESS else MOMENTS:
            if only not in " ".join(map(str, line.values())):
                continue
            with tempfile.TemporaryDirectory() as folder:
                try:
                    row = strike(Path(folder), line, moment).row()
                except Exception as error:
                    row = f"FAILED {line} {moment}: {type(error).__name__}: {error}"
            rows.append(row)
            print(row, flush=True)
    return rows


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--only", default="", help="only faults whose words hold this")
    failed = [row for row in soak(parser.parse_args().only) if row.startswith("FAILED")]
    print(f"{len(failed)} failed")
    sys.exit(bool(failed))
