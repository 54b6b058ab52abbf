"""Rows of equivalent settings printed in handbooks: the compiler must come to the same rows."""

from __future__ import annotations

import math

import pytest
from support_plans import demo, marks

from plans.compiler import compile_brief
from plans.exposure import ev100
from plans.stops import label_value, series_marks

ROWS = {
    "Minolta Maxxum 50 manual": [
        ("f/2.8", "1/2000"), ("f/4", "1/1000"), ("f/5.6", "1/500"), ("f/8", "1/250"), ("f/11", "1/125"),
        ("f/16", "1/60"), ("f/22", "1/30"), ("f/32", "1/15"),
    ],
    # Its last row, f/64 at 1/15, is a misprint for f/45 and left out.
    "US Navy NAVEDTRA 14209, Table 4-3": [
        ("f/4", "1/2000"), ("f/5.6", "1/1000"), ("f/8", "1/500"), ("f/11", "1/250"), ("f/16", "1/125"),
        ("f/22", "1/60"), ("f/32", "1/30"),
    ],
}  # fmt: skip


def exact(kind, label):
    return next(mark.exact for mark in series_marks(kind, "full") if mark.label == label)


def spread(evs):
    return max(evs) - min(evs)


@pytest.mark.parametrize("book", ROWS)
def test_the_rows_are_equivalent_by_exact_values_and_not_by_what_is_printed(book):
    by_exact = [ev100(exact("aperture", a), exact("time", t), 100) for a, t in ROWS[book]]
    assert spread(by_exact) == pytest.approx(0, abs=1e-12)
    # Negative control: the printed numbers lie 0.140 stop apart.
    by_print = [ev100(label_value("aperture", a), label_value("time", t), 100) for a, t in ROWS[book]]
    assert spread(by_print) == pytest.approx(0.140, abs=5e-4)


@pytest.mark.parametrize("book", ROWS)
def test_a_ladder_of_apertures_comes_to_the_handbooks_row(book):
    (first, time), (last, _) = ROWS[book][0], ROWS[book][-1]
    light = ev100(exact("aperture", first), exact("time", time), 100)
    brief = demo(
        kit__lens__aperture={"from": "f/1.4", "to": "f/32", "step": "1"},
        kit__body__time={"from": "1/8000 s", "to": "30 s", "step": "1"},
        kit__filters=[],
        scene__light__ev100=f"{light:.6f}",
        scene__subjects={"hedge": {"distance": "800 m"}},  # so far away that magnification costs nothing
        goals=[{"ladder": {"change": "aperture", "by": "1", "balance": "time", "from": first, "to": last}}],
    )
    plan = compile_brief(brief)
    assert [marks(step)[:2] for step in plan.exposing] == ROWS[book]
    assert plan.groups[0].spread == pytest.approx(0, abs=1e-9)


def test_the_sunny_rule_holds():
    # Common practice: in full sun f/16 at 1/ISO. EV 15 by ANSI PH2.7-1986, full sun.
    assert ev100(16, 1 / 100, 100) == pytest.approx(15, abs=0.36)
    assert ev100(exact("aperture", "f/16"), exact("time", "1/125"), 100) == pytest.approx(15)
    assert not math.isclose(ev100(16, 1 / 100, 200), 15, abs_tol=0.36)
