"""Briefs by the thousand, right and wrong: ``python -m tests.fuzz_briefs --count 100000 --seed 1``.

Each is read, and when it reads, compiled, written as JSON, summed up and explained; every tenth is compiled again from
its plan. Any exception but BriefError is a crash; so are a warning, a line wider than the page, a number that JSON does
not know, and other bytes the second time. A crash is shown with its seed and its brief, cut down to the lines that
matter. ``--only 4711`` runs one brief of a seed again and prints it.

The grammar is `support_briefs`; here stand what is done to a brief so that it is wrong, and what is done with it.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import re
import signal
import sys
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple

sys.path.insert(0, str(Path(__file__).parent))

from support_briefs import CAMERA, GRAMMAR, HOLDS, Draw, brief, written

from plans.compiler import compile_brief, recompile
from plans.errors import BriefError
from plans.explain import explain
from plans.goal_forms import GOAL_FORMS
from plans.plan import plan_json
from plans.reading import read_brief
from plans.rehearsal import WIDTH, summary
from plans.units import UNITS

# What is done to a brief, so that it is wrong or odd.

NASTY = (
    "", "~", "-", "*a", "&a b", "!!str x", "%", "@", "`", "|", ">-", "'", '"', "\\", "#", "\t", "\x00", "\x07", "\x85",
    "\u2028", "\u202e", "\ufeff", "\ud800", "\u0661 m", "\u22123 m", "1e999", "9**9**9 m", "nan", ".inf", "-inf m", "0",
    "-0 m", "-1", "1/0", "0/1", "1/3", "1 1/3", "0x1F", "1_000", "1:30", "off", "<<", "0000-00-00 00:00", "1/8000 s",
    "f/0", "f/1/2", "ISO 0", "camera", "9" * 20, "9" * 18 + " m", "0." + "0" * 17 + "1", "1" * 5000, "a" * 5000,
    "[" * 60, "{a: " * 60, "- " * 60, "a: b: c", "3 m # m", "heron", "aperture", "../../etc/passwd", "{0}", "%s%n",
    "\U0001f409", "e\u0301", "\ufb01", "\u200b", "[]", "{}", "[[]]", "{a: b}",
)  # fmt: skip
NUMBERS = (
    "0", "1", "2", "-1", "0.0", "0.001", "0.000001", "1000000", "999999999", "1000000000", "1/3", "1/7", "3,5", "007",
    "+1", "1.", ".5", "1e3", "400", "22", "-10", "30", "100",
)  # fmt: skip
UNIT_WORDS = [unit for units in UNITS.values() for unit in units]
WORDS = sorted({word for form in GRAMMAR for word in form.words()} | {*GOAL_FORMS, *HOLDS, "compare", "camera", "hand"})


def leaves(tree: Any) -> Iterator[tuple[Any, Any]]:
    """Every place in a tree, as what it lies in and its key."""
    for key in list(tree) if isinstance(tree, dict) else range(len(tree)):
        yield tree, key
        if isinstance(tree[key], dict | list):
            yield from leaves(tree[key])


def spoil(d: Draw, tree: dict[str, Any]) -> None:
    """One value of a tree put wrong or to an extreme."""
    holder, key = d.choice(list(leaves(tree)))
    what = d.randrange(6)
    if what == 0:
        del holder[key]
    elif what == 1 and isinstance(holder, dict):
        holder[d.choice(WORDS)] = holder.pop(key)
    elif what == 2:
        other, place = d.choice(list(leaves(tree)))
        holder[key] = json.loads(json.dumps(other[place])) if key in holder or isinstance(holder, list) else None
    elif what == 3:
        holder[key] = [holder[key]] if d.chance(0.5) else {d.choice(WORDS): holder[key]}
    elif isinstance(holder[key], str) and d.chance(0.7):
        holder[key] = re.sub(r"[0-9]+(\.[0-9]+)?", lambda _: d.choice(NUMBERS), holder[key], count=1)
    else:
        holder[key] = d.choice(NASTY)


def at_lines(change: Callable[[Draw, list[str], int], None]) -> Callable[[Draw, str], str]:
    """A change of one line among all."""

    def act(d: Draw, text: str) -> str:
        lines = text.split("\n")
        change(d, lines, d.randrange(len(lines)))
        return "\n".join(lines)

    return act


def at_match(pattern: str, new: Callable[[Draw, str], str]) -> Callable[[Draw, str], str]:
    """A change of one piece of the text."""

    def act(d: Draw, text: str) -> str:
        found = list(re.finditer(pattern, text))
        if not found:
            return text
        one = d.choice(found)
        return text[: one.start()] + new(d, one[0]) + text[one.end() :]

    return act


def delete(d: Draw, lines: list[str], n: int) -> None:
    del lines[n : n + d.choice([1, 1, 1, 5])]


def double(d: Draw, lines: list[str], n: int) -> None:
    lines[n:n] = lines[n : n + d.choice([1, 1, 8])]


def swap(d: Draw, lines: list[str], n: int) -> None:
    other = d.randrange(len(lines))
    lines[n], lines[other] = lines[other], lines[n]


def indent(d: Draw, lines: list[str], n: int) -> None:
    lines[n] = d.choice([" ", "  ", "\t", "- ", "        "]) + lines[n] if d.chance(0.6) else lines[n].lstrip(" -")


def put(*pieces: str) -> Callable[[Draw, str], str]:
    """A piece put in anywhere."""

    def act(d: Draw, text: str) -> str:
        at = d.randrange(len(text) + 1)
        return text[:at] + d.choice(pieces) + text[at + d.choice([0, 0, 1, 10]) :]

    return act


MUTATIONS: list[Callable[[Draw, str], str]] = [
    *map(at_lines, (delete, double, swap, indent)),
    at_match(r"[0-9]+(\.[0-9]+)?", lambda d, _: d.choice(NUMBERS)),
    at_match(r"[0-9]+", lambda d, old: old + "0" * d.randint(1, 12)),
    at_match(r"(?<=[0-9]) ?(mm|cm|km|ft|m/s|km/h|mph|m|s)\b", lambda d, _: d.choice(["", " "]) + d.choice(UNIT_WORDS)),
    at_match(r"[a-z_]{2,}", lambda d, _: d.choice(WORDS)),
    at_match(r"[a-z_]{2,}", lambda d, old: old[:-1] if d.chance(0.5) else old.upper()),
    at_match(r"(?<=: ).+", lambda d, _: d.choice(NASTY)),
    put("\x00", "\x1b", "\x7f", "\u2029", "\u202e", "\ufffe", "\U0010ffff", "\u0301", "\u200d", "\udfff", "\xa0", "\r"),
    put("\n", ": ", "{", "}", "[", "]", ",", "- ", "#", "'", '"', "&a ", "*a", "!!", "? ", "---\n", "...\n", "|\n"),
    put("[" * 13, "{a: " * 13, "[" * 3000, "a:\n " * 14, "- " * 500, "9" * 4000, "x" * 100_000),
    lambda d, text: text[: d.randrange(len(text) + 1)],
    lambda d, text: text.replace("\n", d.choice(["\r\n", "\r", "\x85", "\n\n"])),
    lambda d, text: d.choice(["\ufeff", "%YAML 1.1\n---\n", "\n\n", "---\n", "- "]) + text,
]


@dataclass(frozen=True)
class Case:
    """One brief, and the kit file that it may name."""

    seed: str
    text: str
    kit: str | None = None

    def load_kit(self, name: str) -> str:
        """The kit file, whatever its name."""
        if self.kit is None:
            raise FileNotFoundError(2, "No such file", name)
        return self.kit


def make_case(seed: str, small: bool = False) -> Case:
    """The brief of a seed: most of them as the grammar makes them, the others changed as a tree or as text."""
    d = Draw(seed, small)
    tree, kit = brief(d), None
    how, changed = d.random(), 0.5 if small else 0.4  # share that is changed in one way or the other
    for _ in range(d.randint(1, 2) if how < 0.15 else 0):
        spoil(d, tree)
    if d.chance(0.05) and isinstance(tree.get("kit"), dict):
        kit = written({"stopwright-kit": "1", **tree["kit"]}, d) + "\n"
        tree["kit"] = "garden-kit.yaml"
    text = written(tree, d) + "\n"
    for _ in range(d.randint(1, 4) if 0.15 <= how < changed else 0):
        if kit is None or d.chance(0.7):
            text = d.choice(MUTATIONS)(d, text)
        else:
            kit = d.choice(MUTATIONS)(d, kit)
    return Case(seed, text, kit if kit is None or d.chance(0.9) else None)


# What is done with each.


class Wrong(AssertionError):
    """Something that must hold of every brief does not."""


def _no_such_number(text: str) -> float:
    raise Wrong(f"{text} in JSON")


def examine(case: Case, again: bool = False) -> str:
    """What becomes of a brief: ``refused``, ``reachable`` (every goal of it) or ``unreachable`` (one at least)."""
    try:
        read = read_brief(case.text, "brief.yaml", case.load_kit, CAMERA)
    except BriefError as error:
        if not error.complaints or not str(error):
            raise Wrong("refused without a complaint") from error
        str(error).encode()
        json.dumps(error.as_json())
        return "refused"
    plan = compile_brief(read)
    made_json = plan_json(plan)
    json.loads(made_json, parse_constant=_no_such_number)
    for text in (summary(plan), explain(plan)):
        wide = [line for line in text.splitlines() if len(line) > WIDTH]
        if wide:
            raise Wrong(f"wider than {WIDTH}: {wide[0]}")
    if again and plan_json(recompile(plan, plan.inputs.light, plan.inputs.rig)) != made_json:
        raise Wrong("compiled again, the plan is another")
    return "unreachable" if plan.unreachable else "reachable"


class Crash(NamedTuple):
    """A way to crash: what was raised and where, an example, and how."""

    where: str
    case: Case
    trace: str


def crash_of(case: Case, again: bool, limit_s: float = 0) -> tuple[str, Crash | None]:
    """What became of a brief, or how it crashed; more computing than the limit counts as a crash. [s]"""
    try:
        with warnings.catch_warnings(), _limited(limit_s):
            warnings.simplefilter("error")
            return examine(case, again), None
    except Exception as error:
        frames = traceback.extract_tb(error.__traceback__)
        inner = [frame for frame in frames if "/plans/" in frame.filename] or frames
        where = f"{type(error).__name__} in {inner[-1].filename.rpartition('/')[2]}, {inner[-1].name}"
        if isinstance(error, Wrong):
            where = f"Wrong: {str(error).partition(':')[0]}"
        return "crashed", Crash(where, case, "".join(traceback.format_exception(error)[-12:]))


@contextlib.contextmanager
def _limited(seconds: float) -> Iterator[None]:
    def stop(*_: object) -> None:
        raise TimeoutError(f"more than {seconds:g} s")

    if not seconds:
        yield
        return
    before = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def cut_down(crash: Crash, again: bool, limit_s: float = 0, attempts: int = 200) -> Crash:
    """The same crash with as few lines, entries in brackets and characters as can be found."""
    lines = [r"(?:[^\n]*\n){" + count + "}" for count in "831"]
    entries = [r", [^,{}\[\]]+", r"[^,{}\[\]]+, "]  # in brackets
    groups = [r", [^,{}\[\]]*[{\[][^{}\[\]]*[}\]]", r"[^,{}\[\]]*[{\[][^{}\[\]]*[}\]], "]
    pieces = [*lines, *groups, *entries]
    for pattern in pieces * 2:
        at = 0
        while attempts and (found := re.compile(pattern).search(crash.case.text, at)):
            attempts -= 1
            shorter = replace(crash.case, text=crash.case.text[: found.start()] + crash.case.text[found.end() :])
            other = crash_of(shorter, again, limit_s)[1]
            if other and other.where == crash.where:
                crash = other
            else:
                at = found.start() + 1 if pattern.startswith(", ") else max(found.end(), found.start() + 1)
    return crash


@dataclass
class Report:
    """Counts of what became of the briefs, the slowest, and one crash of each kind."""

    counts: Counter[str] = field(default_factory=Counter)
    slowest: tuple[float, str] = (0.0, "")
    crashes: dict[str, Crash] = field(default_factory=dict)
    times: Counter[str] = field(default_factory=Counter)

    def lines(self) -> list[str]:
        """The report for people."""
        total = sum(self.counts.values())
        shares = ", ".join(f"{self.counts[what]} {what}" for what in ("refused", "reachable", "unreachable", "crashed"))
        lines = [f"{total} briefs: {shares}", f"slowest: {self.slowest[0]:.2f} s, seed {self.slowest[1]}"]
        for where, crash in self.crashes.items():
            lines += [f"== {self.times[where]} times {where}, seed {crash.case.seed}", crash.trace]
            for text in (crash.case.text, crash.case.kit and f"-- kit file\n{crash.case.kit}"):
                lines += [
                    line if len(line) <= 500 else f"{line[:500]}... ({len(line)})" for line in (text or "").split("\n")
                ]
        return lines


def run(count: int, seed: str, first: int = 0, limit_s: float = 0, small: bool = False) -> Report:
    """So many briefs from a seed on, each by a seed of its own: ``seed/number``."""
    report = Report()
    for number_of in range(first, first + count):
        case = make_case(f"{seed}/{number_of}", small)
        again = number_of % 10 == 0
        began = time.process_time()
        what, crash = crash_of(case, again, limit_s)
        report.slowest = max(report.slowest, (time.process_time() - began, case.seed))
        report.counts[what] += 1
        if crash:
            report.times[crash.where] += 1
            if crash.where not in report.crashes:
                slow = crash.where.startswith("TimeoutError")
                report.crashes[crash.where] = crash if slow else cut_down(crash, again, limit_s)
    return report


def main() -> int:
    """The command; 1 when something crashed."""
    parser = argparse.ArgumentParser(description="Reads and compiles many briefs, right and wrong.")
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", default="1")
    parser.add_argument("--first", type=int, default=0, help="number of the first brief")
    parser.add_argument("--only", type=int, help="this brief alone, printed")
    parser.add_argument("--limit", type=float, default=10, help="most computing for one brief [s]")
    parser.add_argument("--small", action="store_true", help="short scales and few goals")
    asked = parser.parse_args()
    if asked.only is not None:
        case = make_case(f"{asked.seed}/{asked.only}", asked.small)
        print(case.text, *(["-- kit file", case.kit] if case.kit else []), sep="\n")
        asked.first, asked.count = asked.only, 1
    report = run(asked.count, asked.seed, asked.first, asked.limit, asked.small)
    print("\n".join(report.lines()).encode("utf-8", "backslashreplace").decode())
    return bool(report.crashes)


if __name__ == "__main__":
    raise SystemExit(main())
