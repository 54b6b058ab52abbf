"""The stop bar: equal brightness is equal length."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support_pictures import ND_64, SCALES, step

from daemon.pictures.sheet import stop_bar_segments
from plans.plan import ExposeStep, MarkValue
from plans.stops import Kind, series_marks


def lengths(steps: list[ExposeStep]) -> list[dict[str, float]]:
    return [{segment.letter: segment.length for segment in bar.segments} for bar in stop_bar_segments(steps)]


def from_series(name: str, aperture: str, time: str) -> ExposeStep:
    """A step whose marks need not be on the test body's scale; its exact values are written as plans write them."""

    def value(kind: Kind, label: str) -> MarkValue:
        exact = next(m.exact for m in series_marks(kind, "full") if m.label == label)
        return MarkValue(mark=label, exact=float(f"{exact:.9g}"))

    plain = step(name, reference="0")
    chosen = plain.settings.model_copy(update={"aperture": value("aperture", aperture), "time": value("time", time)})
    return plain.model_copy(update={"settings": chosen})


def test_a_published_table_of_equivalents_ends_at_one_line() -> None:
    # US Navy NAVEDTRA 14209, Table 4-3: one exposure from f/4 at 1/2000 to f/32 at 1/30. (Its last row, f/64 at 1/15,
    # is a misprint for f/45.)
    apertures = ["f/4", "f/5.6", "f/8", "f/11", "f/16", "f/22", "f/32"]
    times = ["1/2000", "1/1000", "1/500", "1/250", "1/125", "1/60", "1/30"]
    steps = [from_series(str(n), *row) for n, row in enumerate(zip(apertures, times, strict=True))]
    bars = stop_bar_segments(steps)
    assert [bar.beyond for bar in bars] == pytest.approx([0] * 7, abs=1e-9)
    # The control: the misprinted row is a stop off.
    misprint = stop_bar_segments([*steps, from_series("7", "f/64", "1/15")])
    assert misprint[-1].beyond == pytest.approx(-1, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    places=st.lists(st.tuples(st.integers(0, 12), st.integers(0, 12), st.booleans()), min_size=1, max_size=8),
)
def test_equal_brightness_is_equal_length_whatever_the_settings(places: list[tuple[int, int, bool]]) -> None:
    apertures, times, isos = (SCALES[kind].marks for kind in ("aperture", "time", "iso"))
    steps = []
    for number, (closed, gained, filtered) in enumerate(places):
        steps.append(
            step(
                str(number),
                reference="0",
                aperture=apertures[closed].label,
                iso=isos[gained].label,
                time=times[20 + closed - gained + (18 if filtered else 0)].label,
                filters=(ND_64,) if filtered else (),
            )
        )
    bars = stop_bar_segments(steps)
    assert max(bar.total for bar in bars) - min(bar.total for bar in bars) < 1e-9
    assert all(segment.length >= 1 - 1e-9 for bar in bars for segment in bar.segments)
    for bar in bars:
        ends = [segment.start + segment.length for segment in bar.segments]
        assert [segment.start for segment in bar.segments[1:]] == pytest.approx(ends[:-1])
        assert bar.total == pytest.approx(ends[-1])


def test_a_third_of_a_stop_more_is_a_third_longer() -> None:
    bars = stop_bar_segments([step("0", time="1/250"), step("1", reference="0", time="1/200")])
    assert [bar.beyond for bar in bars] == pytest.approx([0, 1 / 3], abs=1e-9)


def test_longer_gives_more_light_in_every_segment() -> None:
    dim = step("0", aperture="f/8", time="1/250", iso="100", filters=(ND_64,))
    bright = step("1", reference="0", aperture="f/5.6", time="1/125", iso="200")
    assert lengths([dim, bright]) == [
        {"A": pytest.approx(1), "T": pytest.approx(1), "I": pytest.approx(1), "F": pytest.approx(1)},
        {"A": pytest.approx(2), "T": pytest.approx(2), "I": pytest.approx(2), "F": pytest.approx(7)},
    ]


def test_a_group_without_filters_has_no_segment_for_them() -> None:
    assert [list(bar) for bar in lengths([step("0"), step("1", time="1/125")])] == [["A", "T", "I"]] * 2


def test_the_frames_of_a_bracket_end_off_the_line_by_what_was_intended() -> None:
    times = {-2: "1/1000", -1: "1/500", 0: "1/250", 1: "1/125", 2: "1/60"}
    steps = [step(str(off), reference="0", intended=off, time=label) for off, label in times.items()]
    assert [bar.beyond for bar in stop_bar_segments(steps)] == pytest.approx([-2, -1, 0, 1, 2], abs=1e-9)
    # Without its reference the rest of the bracket keeps the line.
    rest = [made for made in steps if made.id != "0"]
    assert [bar.beyond for bar in stop_bar_segments(rest)] == pytest.approx([-2, -1, 1, 2], abs=1e-9)


def test_a_mark_has_one_length_in_all_groups_of_a_sheet() -> None:
    first, second = [step("0", aperture="f/5.6")], [step("1", aperture="f/5.6"), step("2", aperture="f/22")]
    sheet = [*first, *second]
    shared = [stop_bar_segments(group, sheet)[0].segments[0].length for group in (first, second)]
    assert shared == pytest.approx([5, 5], abs=1e-9)
    apart = [stop_bar_segments(group)[0].segments[0].length for group in (first, second)]
    assert apart == pytest.approx([1, 5], abs=1e-9)


def test_light_lost_by_close_focus_shortens_the_aperture() -> None:
    far, near = step("0", focus=("hedge", 8.0)), step("1", reference="0", focus=("heron", 0.5))
    bars = stop_bar_segments([far, near])
    lost = near.predicted.magnification_loss - far.predicted.magnification_loss
    assert lost > 0.2
    assert bars[1].beyond == pytest.approx(-lost, abs=1e-9)


def test_no_steps_are_no_bars() -> None:
    assert stop_bar_segments([]) == []
