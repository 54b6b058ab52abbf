"""Naive searches with formulas of their own, and small kits to search: what the compiler's choices are held against."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

from hypothesis import strategies as st

from plans.brief import Brief, Compare, Deep, Freeze, Isolate, Limits, Silk
from plans.kit import Body, Filter, Kit, Lens, Sensor
from plans.scene import Light, Scene, Subject
from plans.stops import Scale, series_marks


@st.composite
def tiny_briefs(draw):
    def some_marks(kind, first, count):
        """Every second or third mark of the third-stop series, about so many."""
        every, stride = series_marks(kind, "thirds"), draw(st.integers(1, 3))
        start = draw(st.integers(first, first + 3))
        return Scale(kind, every[start : start + stride * draw(st.integers(count // 2, count)) : stride], "thirds")

    iso = some_marks("iso", 12, 6)
    kit = Kit(
        body=Body(
            name="tiny",
            sensor=Sensor(width_mm=36, height_mm=24, pixels=(6000, 4000)),
            iso=iso,
            time=some_marks("time", 10, 18),
            iso_native=Scale("iso", iso.marks[draw(st.integers(0, 1)) :], "thirds"),
        ),
        lens=Lens(focal_length_mm=50, aperture=some_marks("aperture", 5, 9), nearest_focus_m=0.45),
        filters=tuple(
            Filter(name=f"ND {n}", stops=stops)
            for n, stops in enumerate(draw(st.sampled_from([(3.12,), (3.0, 5.97941), (3.1, 5.2)])))
        ),
    )
    subjects = [
        Subject(name="spout", distance_m=3.0, speed_m_s=draw(st.sampled_from([0.5, 1.5]))),
        Subject(name="heron", distance_m=2.0, depth_m=draw(st.sampled_from([0.05, 0.2]))),
        Subject(name="hedge", distance_m=draw(st.sampled_from([5.0, 9.0]))),
    ]
    goals = st.sampled_from(
        [Freeze(subject="spout"), Silk(subject="spout"), Silk(subject="spout", length_m=0.3), Isolate(subject="heron"),
         Deep(from_subject="heron", to_subject="hedge")]
    )  # fmt: skip
    names = st.sampled_from(["aperture", "time", "iso", "focus", "filters"])
    together = Compare(
        goals=tuple(draw(st.lists(goals, min_size=2, max_size=2))),
        hold=tuple(draw(st.lists(names, max_size=1))),
    )
    goal = draw(goals) if draw(st.integers(0, 2)) == 0 else together
    return Brief(
        title="tiny",
        kit=kit,
        scene=Scene(light=Light(ev100=round(draw(st.integers(27, 48)) / 3, 6)), subjects={s.name: s for s in subjects}),
        goals=(goal,),
        limits=Limits(spread=draw(st.sampled_from([Fraction(1, 6), Fraction(1, 12), Fraction(1, 30)]))),
        source={},
    )


def naive_frames(brief, goal):
    """Every setting that meets a single goal and the brightness, by formulas written out here."""
    kit, scene = brief.kit, brief.scene
    width, height = kit.body.sensor.width_mm, kit.body.sensor.height_mm
    f, c = kit.lens.focal_length_mm, 0.03 * math.hypot(width, height) / 43.267

    def sharp(n, s, a, b):
        h = f * f / (n * c)
        near = s * h / (h + s - f)
        return near <= a and (h <= s - f or s * h / (h - s + f) >= b)

    if isinstance(goal, Deep):
        a = scene.subjects["heron"].nearest_m * 1000
        b = scene.subjects["hedge"].distance_m * 1000
        foci = [(s.distance_m * 1000, s.name) for s in scene.subjects.values() if a <= s.distance_m * 1000 <= b]
        two = 2 * a * b / (a + b)
        foci += [] if any(math.isclose(two, s) for s, _ in foci) else [(two, None)]
    else:
        foci = [(scene.subjects[goal.subject].distance_m * 1000, goal.subject)]
    found = []
    lights = [
        [(mark, math.log2(mark.exact**2)) for mark in kit.lens.aperture.marks],
        [(mark, math.log2(mark.exact)) for mark in kit.body.time.marks],
        [(mark, math.log2(mark.exact / 100)) for mark in kit.body.iso.marks],
    ]
    bag = range(len(kit.filters))
    sets = [chosen for r in range(len(bag) + 1) for chosen in itertools.combinations(bag, r)]
    stacks = [(chosen, sum(kit.filters[k].stops for k in chosen)) for chosen in sets]
    for s, name in foci:
        m = f / (s - f)
        for (aperture, la), (time, lt), (iso, li), (chosen, taken) in itertools.product(*lights, stacks):
            level = scene.light.ev100 - la + lt + li - taken - 2 * math.log2(1 + m)
            if abs(level) > 1 / 6 + 1e-9:
                continue
            n, t = aperture.exact, time.exact
            if isinstance(goal, Freeze | Silk):
                smear = m * scene.subjects["spout"].speed_m_s * 1000 * t
                if isinstance(goal, Freeze):
                    fits = smear <= c
                elif goal.length_m is None:
                    fits = height / 4 <= smear <= height and t >= 0.25
                else:
                    fits = 0.25 <= smear / (goal.length_m * 1000 * m) <= 1
            elif isinstance(goal, Isolate):
                heron, hedge = scene.subjects["heron"], scene.subjects["hedge"].distance_m * 1000
                disc = f / n * m * (hedge - s) / hedge
                fits = sharp(n, s, heron.nearest_m * 1000, heron.farthest_m * 1000) and disc >= width / 100
            else:
                fits = sharp(n, s, a, b)
            if fits:
                found.append((aperture, time, iso, chosen, s, name, level))
    return found


def not_kept_waiting(pool):
    """Of frames that can be had without a filter, those through one that last longer than a second left out."""
    if any(not frame[3] for frame in pool):
        return [frame for frame in pool if not frame[3] or frame[1].exact <= 1 + 1e-9]
    return pool


def naive_cost(brief, frames, order):
    """The cost of frames in this order, as a tuple; places on the scales in the goal's own order."""
    kit = brief.kit
    calls = handled = 0
    at, on = None, set()
    for n in order:
        _, _, _, chosen, s, _, _ = frames[n]
        if at is not None and at != s:  # hands focus bare: what is on comes off, what is wanted goes on afterwards
            calls += 1 + bool(on) + bool(chosen)
            handled += len(on) + len(chosen)
        else:
            calls += int(on != set(chosen))
            handled += len(on ^ set(chosen))
        at, on = s, set(chosen)
    native = kit.body.iso_native.marks
    isos = kit.body.iso.marks
    base = isos.index(native[0])
    return (
        calls,
        handled,
        sum(frame[2] not in native for frame in frames),
        sum(max(isos.index(frame[2]) - base, 0) for frame in frames),
        sum(round(abs(math.log2(frame[0].exact ** 2) - 6) * 6) for frame in frames),
        sum(len(frame[3]) for frame in frames),
        sum(frame[5] is None for frame in frames),
        sum(abs(frame[6]) for frame in frames),
    )


def naive_best(brief):
    """The least cost of a goal; None when it cannot be reached. Deep keeps within f/16 where that can be had."""
    goal = brief.goals[0]
    several = goal.goals if isinstance(goal, Compare) else (goal,)
    pools = [naive_frames(brief, part) for part in several]
    within = [
        [frame for frame in pool if frame[0].exact <= 16.1] or pool if isinstance(part, Deep) else pool
        for part, pool in zip(several, pools, strict=True)
    ]
    hold = goal.hold if isinstance(goal, Compare) else ()
    brisk = [[not_kept_waiting(pool) for pool in stage] for stage in (within, pools)]
    for stage in (brisk[0], within, brisk[1], pools):
        best = _best_of(brief, stage, hold)
        if best is not None:
            return best
    return None


def _best_of(brief, pools, hold):
    best = None
    for frames in itertools.product(*pools):
        held = {"aperture": 0, "time": 1, "iso": 2, "filters": 3, "focus": 4}
        if any(len({frame[held[name]] for frame in frames}) > 1 for name in hold):
            continue
        levels = [frame[6] for frame in frames]
        if max(levels) - min(levels) > brief.limits.spread + 1e-9:
            continue
        for order in itertools.permutations(range(len(frames))):
            cost = naive_cost(brief, frames, order)
            best = cost if best is None else min(best, cost)
    return best


def plan_cost(brief, made):
    """The same cost of what the compiler chose."""
    kit = brief.kit
    frames = []
    for step in made.exposing:
        s = step.settings
        frames.append(
            (
                next(m for m in kit.lens.aperture.marks if m.label == s.aperture.mark),
                next(m for m in kit.body.time.marks if m.label == s.time.mark),
                next(m for m in kit.body.iso.marks if m.label == s.iso.mark),
                tuple(n for n, item in enumerate(kit.filters) if item.name in {value.name for value in s.filters}),
                s.focus.distance_m,
                s.focus.subject,
                step.offset,
            )
        )
    return naive_cost(brief, frames, range(len(frames)))
