"""Verdicts on visits to the simulated garden against what is true there: ``python -m tests.soak_judge``.

Prints the seed, the confusion matrix of every kind, the share of wrong verdicts with its upper bound (Wilson, one side
at 95 %), and the same for a judge that sees settings alone. Ends with 1 where a bar is missed.
"""

from __future__ import annotations

import math
import secrets
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import click

sys.path.insert(0, str(Path(__file__).parent))
from support_judging import Found, visited

MOST_WRONG, MOST_UNTOLD, LEAST_NEGATIVES = 0.02, 0.10, 0.40
_Z = 1.645  # one-sided 95 % of the normal distribution


def wilson(wrong: int, of: int) -> float:
    """Upper bound of a share, one-sided at 95 %. Source: E. B. Wilson 1927, JASA 22, 209."""
    if not of:
        return 1.0
    share, z2 = wrong / of, _Z**2
    middle = share + z2 / (2 * of)
    half = _Z * math.sqrt(share * (1 - share) / of + z2 / (4 * of**2))
    return (middle + half) / (1 + z2 / of)


def tally(found: list[Found], by_settings: bool = False) -> dict[str, Counter[tuple[bool, str]]]:
    """Counts of (truth, answer) by kind; the borderline is left out."""
    table: dict[str, Counter[tuple[bool, str]]] = {}
    for one in found:
        if one.true is not None:
            answer = one.by_settings if by_settings else one.judged.answer
            table.setdefault(one.kind, Counter())[one.true, answer] += 1
    return table


def figures(table: dict[str, Counter[tuple[bool, str]]]) -> dict[str, Any]:
    """Wrong verdicts with their upper bounds and the untold, over all kinds."""
    whole: Counter[tuple[bool, str]] = sum(table.values(), Counter())
    negatives, positives = (sum(n for (true, _), n in whole.items() if true is side) for side in (False, True))
    return {
        "verdicts": negatives + positives,
        "false_shown": whole[False, "shown"],
        "false_shown_upper": wilson(whole[False, "shown"], negatives),
        "false_not_shown": whole[True, "not shown"],
        "false_not_shown_upper": wilson(whole[True, "not shown"], positives),
        "untold": sum(n for (_, answer), n in whole.items() if answer == "can't tell") / max(negatives + positives, 1),
        "negatives": {
            kind: sum(n for (true, _), n in counts.items() if not true) / counts.total()
            for kind, counts in table.items()
        },
    }


def matrix(table: dict[str, Counter[tuple[bool, str]]]) -> str:
    """The confusion matrix as text."""
    lines = [f"{'':<17}{'true: shown':^33}{'true: not shown':^33}"]
    lines.append(f"{'judged':<17}" + 2 * f"{'shown':>11}{'not shown':>11}{'untold':>11}")
    for kind, counts in sorted(table.items()):
        cells = [counts[true, answer] for true in (True, False) for answer in ("shown", "not shown", "can't tell")]
        lines.append(f"{kind:<17}" + "".join(f"{cell:>11}" for cell in cells))
    return "\n".join(lines)


def missed(told: dict[str, Any]) -> list[str]:
    """The bars that are missed, in words."""
    bars = [
        ("false shown", told["false_shown_upper"], MOST_WRONG),
        ("false not shown", told["false_not_shown_upper"], MOST_WRONG),
        ("can't tell", told["untold"], MOST_UNTOLD),
    ]
    lines = [f"{name} {share:.2%}, allowed {most:.0%}" for name, share, most in bars if share > most]
    shares = told["negatives"].items()
    return lines + [f"only {share:.0%} of {kind} are negative" for kind, share in shares if share < LEAST_NEGATIVES]


_gardens: dict[int, dict[Any, Any]] = {}


def _visit(seed: tuple[int, int]) -> list[Found]:
    return visited(seed, _gardens)


def _told(number: int, one: Found) -> str:
    return f"visit {number}: {one.kind}, truly {one.true}: {one.judged.words}"


@click.command()
@click.option("--verdicts", "wanted", default=2000, show_default=True)
@click.option("--tell-untold", is_flag=True, help="Also say why, where the answer is that it cannot be told.")
@click.option("--seed", default=None, type=int, help="Left out: drawn.")
@click.option("--jobs", default=1, show_default=True, help="Processes; the verdicts are the same.")
def main(wanted: int, tell_untold: bool, seed: int | None, jobs: int) -> None:
    """Judge until so many verdicts that are not borderline are had."""
    seed = secrets.randbelow(2**32) if seed is None else seed
    print(f"seed {seed}", flush=True)
    found: list[Found] = []
    visits = 0
    with ProcessPoolExecutor(jobs) as pool:
        while sum(one.true is not None for one in found) < wanted:
            batch = [(seed, visits + number) for number in range(jobs)]
            for new in pool.map(_visit, batch):
                for one in new:
                    wrong = (one.true, one.judged.answer) in ((True, "not shown"), (False, "shown"))
                    if wrong or (tell_untold and one.true is not None and one.judged.answer == "can't tell"):
                        print(_told(visits, one), flush=True)
                found += new
                visits += 1
    left_out = sum(one.true is None for one in found)
    print(f"{visits} visits, {len(found) - left_out} verdicts, {left_out} on a border left out")
    table = tally(found)
    print(matrix(table))
    told = figures(table)
    print(told)
    alone = figures(tally(found, by_settings=True))
    print("settings alone:", {name: alone[name] for name in ("false_shown_upper", "false_not_shown_upper")})
    complaints = missed(told)
    print("\n".join(complaints) or "every bar is met")
    sys.exit(bool(complaints))


if __name__ == "__main__":
    main()
