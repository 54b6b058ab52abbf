"""What labels of real cameras mean, and the scales behind them.

The labels come from the camera library's published configuration trees, which are read whole where they lie beside the
repository. Exact values follow APEX (annex of the Exif standard): a third of a stop is 2 to the power of 1/3.
"""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from support_camera import TREES, setting, state

from daemon.camera import dialects
from daemon.camera.dialects import camera_scales, read_labels
from plans.stops import KINDS, Kind, label_value, light_of

THIRDS = "1/8000 1/6400 1/5000 1/4000 1/3 10/25 1/2 10/16 10/13 1 13/10 16/10 2 25/10 32/10 4 30 Bulb 65535/65534"
CUT = "0.0001s 0.0002s 0.0003s 0.0004s 0.0005s 0.0006s 0.0008s 0.0166s 0.3333s 0.7692s 1.0000s 15.0000s 30.0000s"


def marks(kind: Kind, labels: str) -> dict[str, str]:
    reading = read_labels(kind, labels.split())
    return {mark.label: reading.labels[mark] for mark in reading.scale.marks}


def lights(kind: Kind, labels: str) -> dict[str, Fraction]:
    return {mark.label: mark.light for mark in read_labels(kind, labels.split()).scale.marks}


def test_odd_fractions_of_a_second_are_the_marks_that_people_know() -> None:
    found = marks("time", THIRDS)
    assert {"0.3": "1/3", "0.4": "10/25", "0.6": "10/16", "0.8": "10/13", "1.3": "13/10", "3.2": "32/10"}.items() <= (
        found.items()
    )
    assert lights("time", THIRDS)["0.8"] == Fraction(-1, 3)
    assert lights("time", THIRDS)["1/8000"] == -13
    assert "65535/65534" not in found.values(), "a code for flash sync, and no second"


def test_times_cut_off_at_a_ten_thousandth_get_their_exact_value_or_are_left_out() -> None:
    found = marks("time", CUT)
    assert found["1/60"] == "0.0166s"
    assert found["1/3200"] == "0.0003s"
    assert found["0.8"] == "0.7692s"
    assert found["30"] == "30.0000s"
    # 1/8000 and 1/6400 are both 0.0001 s, 1/5000 and 1/4000 both 0.0002 s.
    assert not {"0.0001s", "0.0002s"} & set(found.values())


def test_a_lens_that_opens_between_the_marks_keeps_its_own_value() -> None:
    scale = read_labels("aperture", ["f/1.8", "f/2", "f/2.4", "f/2.8", "f/3.3", "f/4", "f/4.8", "f/5.6", "f/13"]).scale
    assert scale.series == "halves"
    found = {mark.label: mark for mark in scale.marks}
    assert found["f/1.8"].exact == pytest.approx(2 ** (5 / 6))
    assert found["f/13"].exact == pytest.approx(13.45, abs=0.005)  # halves; 12.70 in thirds


def test_halves_are_told_from_thirds_though_both_print_f_13() -> None:
    halves = read_labels("aperture", ["8", "9.5", "11", "13", "16"]).scale
    thirds = read_labels("aperture", ["8", "9", "10", "11", "13", "14", "16"]).scale
    assert (halves.series, thirds.series) == ("halves", "thirds")
    assert halves.find("f/13") != thirds.find("f/13")


def test_a_few_labels_are_not_forced_onto_the_coarsest_series() -> None:
    scale = read_labels("iso", ["Auto", "80", "100", "200", "400", "800", "1600", "3200"]).scale
    assert scale.series == "thirds"
    assert scale.marks[0].light == Fraction(-1, 3)


@pytest.mark.parametrize(
    ("kind", "codes"),
    [
        (
            "iso",
            ["Auto", "Auto ISO", "-1", "-2", "-3", "65535", "Unknown value 0093", "200 Multi Frame"],
        ),
        ("time", ["auto", "bulb", "Bulb", "Time", "Composite", "429496.7295s", "60m", "x 200", "65535/65535"]),
        ("aperture", ["implicit auto", "Unknown value 0000", "f/0", "(null)", "f/3,5"]),
    ],
)
def test_codes_are_no_marks(kind: Kind, codes: list[str]) -> None:
    assert read_labels(kind, codes).scale.marks == ()


def test_a_setting_without_choices_gives_no_scale() -> None:
    assert camera_scales(state(setting("aperture", ""), setting("time", ["auto"]))) == {}
    assert set(camera_scales(state(setting("iso", "100 200")))) == {"iso"}


# -- meanings ---------------------------------------------------------------------------------------------------------


def test_the_code_behind_a_label_decides_before_the_label() -> None:
    odd = setting("mode", "Handbetrieb P", widget="expprogram", raw="1")
    assert dialects.is_manual_mode(odd) is True
    assert dialects.is_manual_mode(setting("mode", "M P", widget="expprogram", raw="2")) is False
    assert dialects.is_manual_focus(setting("focus_mode", ["Handbetrieb"], widget="focusmode", raw="1")) is True
    assert dialects.is_auto_balance(setting("white_balance", ["Daylight"], widget="whitebalance", raw="2")) is True


@pytest.mark.parametrize(
    ("label", "manual"), [("M", True), ("Manual", True), ("P", False), ("AV", False), ("Bulb", False), ("Fv", False)]
)
def test_labels_of_the_mode_dial(label: str, manual: bool) -> None:
    assert dialects.is_manual_mode(setting("mode", [label])) is manual


@pytest.mark.parametrize(
    ("label", "manual"),
    [("Manual", True), ("MF (selection)", True), ("One Shot", False), ("AF-C", False), ("DMF", False)],
)
def test_labels_of_the_focus(label: str, manual: bool) -> None:
    assert dialects.is_manual_focus(setting("focus_mode", [label])) is manual


@pytest.mark.parametrize(
    ("label", "auto"),
    [("Auto", True), ("Automatic", True), ("AWB White", True), ("Natural light auto", True), ("Daylight", False)],
)
def test_labels_of_the_white_balance(label: str, auto: bool) -> None:
    assert dialects.is_auto_balance(setting("white_balance", [label])) is auto


@pytest.mark.parametrize(("label", "stops"), [("0", 0), ("-0.333", -0.333), ("0.3", 0.3), ("-2667", -2.667), ("5", 5)])
def test_exposure_bias_in_stops_and_in_thousandths(label: str, stops: float) -> None:
    assert dialects.bias_stops(setting("exposure_bias", [label])) == stops


@pytest.mark.parametrize(("label", "auto"), [("Auto", True), ("-2", True), ("Auto ISO", True), ("100", False)])
def test_automatic_iso_is_any_iso_without_a_value(label: str, auto: bool) -> None:
    assert dialects.is_auto_iso(state(setting("iso", [label]))) is auto


def test_automatic_iso_may_have_a_switch_of_its_own() -> None:
    assert dialects.is_auto_iso(state(setting("iso", ["100"]), setting("iso_auto", "On Off"))) is True
    assert dialects.is_auto_iso(state(setting("iso", ["100"]), setting("iso_auto", "On Off", "Off"))) is False


@pytest.mark.parametrize(
    ("label", "files", "raw"),
    [
        ("JPEG Fine", 1, False),
        ("NEF+Fine", 2, True),
        ("RAW + Large Fine JPEG", 2, True),
        ("Large Normal JPEG+RAW", 2, True),
        ("NEF (Raw)", 1, True),
        ("cRAW", 1, True),
        ("RAW+JPEG (X.Fine)", 2, True),
        ("6240x4160", 1, False),
    ],
)
def test_how_many_files_a_format_makes(label: str, files: int, raw: bool) -> None:
    assert dialects.files_expected(label) == files
    assert dialects.keeps_raw(label) is raw


def test_the_card_is_found_among_the_targets_of_every_maker() -> None:
    assert dialects.card_label(["Internal RAM", "Memory card"]) == "Memory card"
    assert dialects.card_label(["sdram", "card+sdram", "card"]) == "card"
    assert dialects.card_label(["sdram", "card+sdram"]) == "card+sdram"
    assert dialects.card_label(["sdram"]) is None


# -- trees of real cameras --------------------------------------------------------------------------------------------


def trees() -> list[Path]:
    return sorted(TREES.glob("*.json")) if TREES.is_dir() else []


def widgets(path: Path) -> dict[str, dict[str, Any]]:
    return {widget["path"].rsplit("/", 1)[-1]: widget for widget in json.loads(path.read_text())["widgets"]}


@pytest.mark.skipif(not trees(), reason="the published configuration trees do not lie beside the repository")
def test_every_scale_in_the_trees_is_read_with_values_near_what_is_printed() -> None:
    seen = 0
    for path in trees():
        found = widgets(path)
        for kind in KINDS:
            for name in dialects.WIDGETS[kind]:
                # Trees written under another locale have decimal commas; the camera process never sees such.
                labels = [text.replace(",", ".") for text in found.get(name, {}).get("choices", [])]
                reading = read_labels(kind, labels)
                if len(labels) >= 10:
                    assert reading.scale.series != "unknown", (path.name, name)
                    assert len(reading.scale.marks) >= 7, (path.name, name)
                    seen += 1
                for mark in reading.scale.marks:
                    printed = light_of(kind, label_value(kind, reading.labels[mark]))
                    # A cut-off time may lie up to 0.1 ms below; 0.33 stop at 0.3 ms.
                    slack = 0.33 if reading.labels[mark].startswith("0.000") else 0.245
                    assert abs(float(mark.light) - printed) <= slack, (path.name, name, mark)
    assert seen > 80


@pytest.mark.skipif(not trees(), reason="the published configuration trees do not lie beside the repository")
def test_every_tree_has_aperture_time_and_iso_under_names_that_the_dialects_know() -> None:
    for path in trees():
        found = widgets(path)
        for kind in KINDS:
            assert any(name in found for name in dialects.WIDGETS[kind]), (path.name, kind)
