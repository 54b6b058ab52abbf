"""The compiler's choice held against naive searches with formulas of their own, over small kits and the demo's."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support_naive import naive_best, plan_cost, tiny_briefs
from support_plans import demo

from plans.compiler import compile_brief

SEEN = {"reached": 0, "not": 0}


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)
@given(tiny_briefs())
def check_against_naive_search(brief):
    best = naive_best(brief)
    made = compile_brief(brief)
    SEEN["reached" if best else "not"] += 1
    assert (best is None) == bool(made.unreachable)
    if best:
        ours = plan_cost(brief, made)
        assert ours[:7] == best[:7]
        assert ours[7] == pytest.approx(best[7], abs=1e-8)


@pytest.mark.parametrize("which", [0, 1, 2])
def test_the_same_search_finds_nothing_cheaper_for_the_demo_goals(which):
    brief = demo(limits__iso_at_most=None)
    brief = brief.model_copy(update={"goals": (brief.goals[which],)})
    ours = plan_cost(brief, compile_brief(brief))
    best = naive_best(brief)
    assert ours[:7] == best[:7] and ours[7] == pytest.approx(best[7], abs=1e-8)


def test_an_exhaustive_search_of_our_own_finds_nothing_cheaper_and_agrees_on_what_is_out_of_reach():
    check_against_naive_search()
    # Both answers must have been met often enough for the agreement to mean anything.
    assert min(SEEN.values()) >= 40, SEEN


def naive_ladder(brief, change, balance):
    """Longest run of full-stop rungs and its cheapest cost, by trying every held setting and every filter set."""
    kit = brief.kit
    scales = {
        "aperture": [(m, -2 * math.log2(m.exact)) for m in kit.lens.aperture.marks],
        "time": [(m, math.log2(m.exact)) for m in kit.body.time.marks],
        "iso": [(m, math.log2(m.exact / 100)) for m in kit.body.iso.marks if m.exact < 6500],
    }
    third = next(kind for kind in scales if kind not in (change, balance))
    rungs = [(m, light) for m, light in scales[change] if abs(light - round(light)) < 1e-6]
    bag = range(len(kit.filters))
    best = None
    for (held, held_light), r in itertools.product(scales[third], range(len(bag) + 1)):
        for chosen in itertools.combinations(bag, r):
            rest = brief.scene.light.ev100 + held_light - 2 * math.log2(2000 / 1950)
            rest -= sum(kit.filters[k].stops for k in chosen)
            run = []
            for rung, light in [*rungs, (None, 1e9)]:
                mark, off = min(((m, rest + light + b) for m, b in scales[balance]), key=lambda pair: abs(pair[1]))
                if abs(off) <= 1 / 6 + 1e-9:
                    run.append({third: held, change: rung, balance: mark, "off": off})
                    continue
                for first, last in itertools.combinations(range(len(run) + 1), 2):
                    part = run[first:last]
                    cost = (
                        -len(part),
                        int(bool(chosen)),
                        len(chosen),
                        sum(round(math.log2(f["iso"].exact / 100) * 3) for f in part),
                        sum(round(abs(math.log2(f["aperture"].exact ** 2) - 6) * 6) for f in part),
                    )
                    best = min(best, cost) if best else cost
                run = []
    return best


@settings(max_examples=12, deadline=None)
@given(
    ev=st.integers(6, 60),
    kinds=st.permutations(["aperture", "time", "iso"]),
)
def test_ladders_are_as_long_and_as_cheap_as_a_naive_search_finds_them(ev, kinds):
    change, balance, _ = kinds
    ladder = {"change": change, "by": "1", "balance": balance, "focus": "heron"}
    brief = demo(scene__light__ev100=f"{ev / 3:.6f}", goals=[{"ladder": ladder}])
    best, made = naive_ladder(brief, change, balance), compile_brief(brief)
    if best is None or best[0] > -2:
        assert made.unreachable
        return
    (filters,) = {step.settings.filters for step in made.exposing}
    ours = (
        -len(made.exposing),
        int(bool(filters)),
        len(filters),
        sum(round(math.log2(step.settings.iso.exact / 100) * 3) for step in made.exposing),
        sum(round(abs(math.log2(step.settings.aperture.exact**2) - 6) * 6) for step in made.exposing),
    )
    assert ours == best
