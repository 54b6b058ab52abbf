"""What is wrong in a brief is told with its place, and in words a photographer can act on.

Every case below is one change of the demo brief, which reads without complaint (see test_reading.py): so each
complaint is of the change and of nothing else. ``at`` is what must stand at the line and column told.
"""

from textwrap import dedent

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plans.errors import BriefError
from plans.reading import brief_from_tree, demo_brief_text, read_brief
from plans.stops import read_scale

DEMO = demo_brief_text()
KIT = DEMO[DEMO.index("kit:\n") : DEMO.index("scene:\n")]
KIT_FILE = "stopwright-kit: 1\n" + dedent(KIT.removeprefix("kit:\n"))
WITH_KIT_FILE = DEMO.replace(KIT, "kit: garden-kit.yaml\n")
PLACE = DEMO[DEMO.index("place:") : DEMO.index("when:")]
ISO, TIME = "{from: 100, to: 25600, step: 1/3}", "{from: 1/8000 s, to: 30 s, step: 1/3}"
APERTURE = "{from: f/1.8, to: f/22, step: 1/3}"
LADDER = "by: 1, balance: time"
DISTANCE = "distance: 3 m"

# Words of the libraries beneath, which mean nothing to a photographer.
JARGON = (
    "Input should", "Field required", "Extra inputs", "pydantic", "validation", "Traceback", "Error", "NoneType",
    "dict", "str ", "<block", "token", "scalar", "node", "type=", "__",
)  # fmt: skip


def complaints(text, **more):
    with pytest.raises(BriefError) as caught:
        read_brief(text, "fountain.yaml", **more)
    return caught.value.complaints


def changed(old, new, base=DEMO):
    assert base.count(old) >= 1, old
    return base.replace(old, new, 1)


# old, new, line, column, at, field, found, words that must be in what is allowed or advised
CASES = {
    "YAML": [
        ("  support: tripod", "\tsupport: tripod", 15, 1, "\t", "the file", "a tab", "Indent with spaces"),
        ("  support: tripod", "   support: tripod", 15, 4, "support", "the file", "does not fit", "equally far in"),
        ("  support: tripod", "  support tripod", 15, 3, "support", "the file", "no `key: value`", "a colon, a space"),
        ("support: tripod", "support: on: tripod", 15, 14, ": tripod", "the file", "second colon", "quotes round"),
        ("support: tripod", "support: {a: b", 15, 12, "{a", "the file", "a { that is not closed", "Close it with }"),
        ("[6000, 4000]", "[6000, 4000", 8, 66, "}", "the file", "a [ that is not closed", "Close it with ]"),
        ("support: tripod", 'support: "tripod',
         15, 12, '"', "the file", "quotes that are not closed", "Close the quotes"),
        ("support: tripod", 'support: "tri\\qpod"', 15, 17, "q", "the file", "a backslash", "without a backslash"),
        ("support: tripod", 'support: "\\UFFFFFFFF"', 15, 15, "FFFFFFFF", "the file", "a code", "the character itself"),
        ("support: tripod", 'support: "a\\0b"', 15, 12, '"a', "kit.support", '"a<U+0000>b"', "without hidden"),
        ("support: tripod", "support: @tripod", 15, 12, "@", "the file", "reserved character", "Put quotes"),
        ("support: tripod", "support: \x07", 15, 12, "\x07", "the file", "U+0007", "Delete the character"),
        ("heron, to", "her\u202eon, to", 26, 21, "\u202e", "the file", "U+202E", "Delete the character"),
        ("kit:\n", "kit: &k\n", 5, 6, "&k", "kit", "the anchor &k", "without aliases"),
        ("support: tripod", "support: *k", 15, 12, "*k", "kit.support", "the alias *k", "Write the value out"),
        ("support: tripod", "support: !!str tripod", 15, 12, "!!str", "kit.support", "the tag !!str", "Delete the tag"),
        ("limits: {", "limits: !x {", 30, 9, "!x", "limits", "the tag !x", "Delete the tag"),
        ("when:", "title: Again\nwhen:", 4, 1, "title: Again", "title", "title a second time", "first is in line 2"),
        ("depth: 0.2 m", "depth: 0.2 m, distance: 2 m",
         20, 42, "distance", "scene.subjects.heron.distance", "second", "line 20"),
        ("limits:", "---\nlimits:", 30, 1, "---", "the file", "a second document", "one document a file"),
        ("stopwright", "%YAML 1.1\n---\nstopwright", 1, 1, "%YAML", "the file", "starts with %", "Delete the line"),
        ("support: tripod", "? [a, b]\n  : c", 15, 5, "[a", "kit", "a key that is no text", "plain words"),
        ("support: tripod", "'': tripod", 15, 3, "''", "kit", "a key without a name", "plain words"),
        ("support: tripod", f"support: {'[' * 20}{']' * 20}",
         15, 22, "[", "the file", "more than 12 levels", "at most 12"),
        ("support: tripod", "support:", 15, 11, "", "kit.support", "nothing", "Write a value after the colon"),
        ("support: tripod", "support: ''", 15, 12, "''", "kit.support", "nothing", "Write a value after the colon"),
        ("- isolate: heron", "-", 25, 4, "", "goals[2]", "nothing", "a value"),
        ("support: tripod", "<<: {support: hand}",
         15, 3, "<<", "kit.<<", '"<<"', "one of body, lens, filters, support"),
    ],
    "top": [
        ("stopwright: 1", "stopwright: 2", 1, 13, "2", "stopwright", '"2"', "the version this brief is written for"),
        ("stopwright: 1\n", "", 1, 1, "title", "stopwright", "nothing", "Add `stopwright: 1`"),
        ("title: Fountain", "titel: Fountain", 2, 1, "titel", "titel", '"titel"', "Did you mean title?"),
        ("Fountain, Tuesday class", "F" * 201, 2, 8, "FFF", "title", '"FFF', "it has 201 characters"),
        ("Fountain, Tuesday class", '"a\\nb"', 2, 8, '"a', "title", '"a b"', "on one line"),
        ("Fountain, Tuesday class", "[a, b]", 2, 8, "[a", "title", "[a, b]", "Write one value"),
        ("limits:", "remarks: windy\nlimits:", 30, 1, "remarks", "remarks", '"remarks"', "one of stopwright, title"),
    ],
    "place and time": [
        ("latitude: 52.0", "latitude: 91", 3, 19, "91", "place.latitude", '"91"', "from -90 to 90"),
        ("latitude: 52.0", "latitude: 52.0 N", 3, 19, "52.0 N", "place.latitude", '"52.0 N"', "plain number"),
        ("latitude: 52.0", "latitude: 52,0", 3, 19, "52,0", "place.latitude", '"52,0"', "Write 52.0"),
        ("longitude: 0.0", "longitude: -180.5", 3, 36, "-180.5", "place.longitude", '"-180.5"', "from -180 to 180"),
        ("latitude: 52.0, ", "", 3, 1, "place", "place.latitude", "nothing", "Add `latitude: 52.0`"),
        ("Europe/London", "London", 3, 51, "London", "place.timezone", '"London"', "Did you mean Europe/London?"),
        ("Europe/London", "Europe", 3, 51, "Europe", "place.timezone", '"Europe"', "Add the city: Europe/"),
        ("Europe/London", "localtime", 3, 51, "localtime", "place.timezone", '"localtime"', "such as Europe/London"),
        ("Europe/London", "../etc/passwd",
         3, 51, "../", "place.timezone", '"../etc/passwd"', "Write it like Europe/London"),
        ("{latitude: 52.0, longitude: 0.0, timezone: Europe/London}", "garden",
         3, 8, "garden", "place", '"garden"', "a mapping of latitude"),
        ("15:30", "25:30", 4, 7, "2026", "when", '"2026-10-20 25:30"', "24 hours"),
        ("2026-10-20", "2026-02-30", 4, 7, "2026", "when", '"2026-02-30 15:30"', "a day that exists"),
        ("2026-10-20 15:30", "tomorrow", 4, 7, "tomorrow", "when", '"tomorrow"', "such as 2026-10-20 15:30"),
        ("2026-10-20 15:30", "1900-10-20 15:30", 4, 7, "1900", "when", '"1900-10-20 15:30"', "1970 to 2199"),
        ("2026-10-20 15:30", "2026-03-29 01:30", 4, 7, "2026", "when", '"2026-03-29 01:30"', "write 2026-03-29 02:30"),
        (PLACE, "", 3, 7, "2026", "when", '"2026-10-20 15:30"', "Add place"),
    ],
    "body": [
        ("35.9 mm", "35.9", 8, 21, "35.9", "kit.body.sensor.width", '"35.9"', "Add the unit: 35.9 mm"),
        ("35.9 mm", "35,9 mm", 8, 21, "35,9", "kit.body.sensor.width", '"35,9 mm"', "Write 35.9 mm"),
        ("35.9 mm", "1.9 mm", 8, 21, "1.9 mm", "kit.body.sensor.width", '"1.9 mm"', "from 2 mm to 100 mm"),
        ("height: 24.0 mm", "height: 50 mm",
         8, 38, "50 mm", "kit.body.sensor.height", '"50 mm"', "change the two over"),
        ("[6000, 4000]", "[6000]", 8, 55, "[6000]", "kit.body.sensor.pixels", "1 entry", "two whole numbers"),
        ("[6000, 4000]", "6000", 8, 55, "6000", "kit.body.sensor.pixels", '"6000"', "two whole numbers"),
        ("[6000, 4000]", "[6000, 4500]", 8, 55, "[6000, 45", "kit.body.sensor.pixels", "[6000, 4500]", "within 5 %"),
        ("[6000, 4000]", "[6000, 4000.5]", 8, 62, "4000.5", "kit.body.sensor.pixels[2]", '"4000.5"', "a whole number"),
        ("[6000, 4000]", "[60000, 40000]", 8, 56, "60000", "kit.body.sensor.pixels[1]", '"60000"', "from 100 to 40000"),
        (", height: 24.0 mm", "", 8, 5, "sensor", "kit.body.sensor.height", "nothing", "Add `height: 24 mm`"),
        ("    name: demo body\n", "", 6, 3, "body", "kit.body.name", "nothing", "Add `name: demo body`"),
    ],
    "scales": [
        (ISO, "{from: 100, to: 25600}", 9, 5, "iso", "kit.body.iso.step", "nothing", "Add step"),
        (ISO, "{from: 110, to: 25600, step: 1/3}", 9, 17, "110", "kit.body.iso.from", '"110"', "The nearest is 100"),
        (ISO, "{from: 25600, to: 100, step: 1/3}",
         9, 17, "25600", "kit.body.iso.from", '"25600"', "Change the two over"),
        (ISO, "{from: 100, to: 25600, step: 1/4}", 9, 39, "1/4", "kit.body.iso.step", '"1/4"', "one of 1, 1/2, 1/3"),
        (ISO, "thirds", 9, 10, "thirds", "kit.body.iso", '"thirds"', "the word camera"),
        (ISO, "[100, 200]", 9, 10, "[100", "kit.body.iso", "[100, 200]", "the word camera"),
        (ISO, "camera",
         9, 10, "camera", "kit.body.iso", '"camera"', "takes its iso scale from the camera: connect one"),
        (ISO, "{marks: []}", 9, 18, "[]", "kit.body.iso.marks", "0 entries", "1 to 200 marks"),
        (ISO, "{marks: [100, auto, 6400]}", 9, 24, "auto", "kit.body.iso.marks[2]", '"auto"', "such as 800"),
        (ISO, "{marks: [100, 6400, 100.0]}", 9, 30, "100.0", "kit.body.iso.marks[3]", '"100.0"', "each mark once"),
        (ISO, "{marks: [100, 6400], step: 1}", 9, 10, "{marks", "kit.body.iso", "a mapping", "Keep either marks"),
        (ISO, ISO[:-1] + ", native: {from: 64}}",
         9, 59, "64", "kit.body.iso.native.from", '"64"', "The nearest is 100"),
        (ISO, ISO[:-1] + ", native: {form: 200}}",
         9, 53, "form", "kit.body.iso.native.form", '"form"', "Did you mean from?"),
        (ISO, ISO[:-1] + ", native: {from: 800, to: 200}}",
         9, 52, "{from", "kit.body.iso.native", "a mapping", "Change the two over"),
        (TIME, TIME[:-1] + ", native: {from: 1 s}}",
         10, 49, "native", "kit.body.time.native", '"native"', "one of from, to"),
        ("to: 30 s", "to: 30", 10, 32, "30", "kit.body.time.to", '"30"', "30 s, or 1/30 s"),
        ("1/8000 s", "1/0 s", 10, 18, "1/0", "kit.body.time.from", '"1/0 s"', "above zero"),
        ("f/1.8", "f/0", 11, 48, "f/0", "kit.lens.aperture.from", '"f/0"', "above f/0"),
        ("f/1.8", "f/-2", 11, 48, "f/-2", "kit.lens.aperture.from", '"f/-2"', "above f/0"),
        ("f/1.8", "f/\u0661", 11, 48, "f/\u0661", "kit.lens.aperture.from", '"f/\u0661"', "such as f/5.6"),
        ("f/1.8", "f/0.5", 11, 48, "f/0.5", "kit.lens.aperture.from", '"f/0.5"', "The nearest is f/0.7"),
    ],
    "lens, filters, support": [
        ("50 mm", "50", 11, 24, "50", "kit.lens.focal_length", '"50"', "Add the unit: 50 mm"),
        ("50 mm", "50 s", 11, 24, "50 s", "kit.lens.focal_length", '"50 s"', "no unit of length"),
        ("50 mm", "3 m", 11, 24, "3 m", "kit.lens.focal_length", '"3 m"', "from 1 mm to 2000 mm"),
        ("focal_length", "focal_lenght",
         11, 10, "focal_lenght", "kit.lens.focal_lenght", '"focal_lenght"', "Did you mean focal_length?"),
        ("0.45 m", "0.05 m", 11, 92, "0.05 m", "kit.lens.nearest_focus", '"0.05 m"', "above the focal length of 50 mm"),
        ("focus_by: hand", "focus_by: hands", 11, 110, "hands", "kit.lens.focus_by", '"hands"', "Did you mean hand?"),
        ("stops: 3", "stops: 31", 13, 27, "31", "kit.filters[1].stops", '"31"', "above 0 to 30"),
        ("stops: 3", "stops: 0", 13, 27, "0", "kit.filters[1].stops", '"0"', "above 0 to 30"),
        ("density: 1.8", "density: 1/8", 14, 30, "1/8", "kit.filters[2].density", '"1/8"', "not a fraction"),
        ("stops: 3", "stops: 3, density: 0.9", 13, 7, "{name", "kit.filters[1]", "both", "Delete one of the two"),
        (", stops: 3", "", 13, 7, "{name", "kit.filters[1]", "neither", "Add stops or density"),
        ("density: 1.8", "factor: 64",
         14, 21, "factor", "kit.filters[2].factor", '"factor"', "ND 64 takes 6 stops, density 1.8: write `stops: 6`"),
        ("density: 1.8", "factor: 400x",
         14, 21, "factor", "kit.filters[2].factor", '"factor"', "takes 8.6 stops, density 2.6"),
        ("density: 1.8", "factor: 2", 14, 21, "factor", "kit.filters[2].factor", '"factor"', "1 stop, density 0.3"),
        ("density: 1.8", "factor: much", 14, 21, "factor", "kit.filters[2].factor", '"factor"', "as stops or density"),
        ("density: 1.8", "stops: 6, factor: 64", 14, 31, "factor", "kit.filters[2].factor", '"factor"', "Delete it"),
        ("stops: 3", "stops: 8", 13, 27, "8", "kit.filters[1].stops", '"8"',
         "3 stops (density 0.9), which ND 8 takes. Write `stops: 3`, or name it otherwise if 8 is meant"),
        ("{name: ND 8, stops: 3}", "{name: old nd8x, density: 1.8}",
         13, 33, "1.8", "kit.filters[1].density", '"1.8"', "Write `density: 0.9`, or name it otherwise"),
        ("{name: ND 8, stops: 3}", "{name: ND 0.9, stops: 9}",
         13, 29, "9", "kit.filters[1].stops", '"9"', "3 stops (density 0.9), which ND 0.9 takes"),
        ("ND 64", "ND 8", 14, 14, "ND 8", "kit.filters[2].name", '"ND 8" again', "another name"),
        ("{name: ND 8, stops: 3}", "ND 8", 13, 7, "ND 8", "kit.filters[1]", '"ND 8"', "a mapping of name"),
        ("support: tripod", "support: Tripod", 15, 12, "Tripod", "kit.support", '"Tripod"', "Did you mean tripod?"),
        ("kit:\n", "kit: old\nbag:\n", 6, 1, "bag", "bag", '"bag"', "one of stopwright"),
    ],
    "scene": [
        (DISTANCE, "distance: -3 m", 19, 23, "-3 m", "scene.subjects.spout.distance", '"-3 m"', "above 0 m"),
        (DISTANCE, "distance: 0 m", 19, 23, "0 m", "scene.subjects.spout.distance", '"0 m"', "above 0 m"),
        (DISTANCE, "distance: 3", 19, 23, "3", "scene.subjects.spout.distance", '"3"', "Add the unit: 3 m"),
        (DISTANCE, "distance: 3,5 m", 19, 23, "3,5", "scene.subjects.spout.distance", '"3,5 m"', "Write 3.5 m"),
        (DISTANCE, 'distance: "3,5 m"', 19, 23, '"3,5', "scene.subjects.spout.distance", '"3,5 m"', "3.5"),
        (DISTANCE, "distance: 9**9**9 m",
         19, 23, "9**9", "scene.subjects.spout.distance", '"9**9**9 m"', "nothing is worked out"),
        (DISTANCE, "distance: 1e999 m", 19, 23, "1e999", "scene.subjects.spout.distance", '"1e999 m"', "exponent"),
        (DISTANCE, "distance: nan m", 19, 23, "nan", "scene.subjects.spout.distance", '"nan m"', "plain number"),
        (DISTANCE, "distance: inf", 19, 23, "inf", "scene.subjects.spout.distance", '"inf"', "plain number"),
        (DISTANCE, "distance: \u0661 m",
         19, 23, "\u0661", "scene.subjects.spout.distance", '"\u0661 m"', "digits 0 to 9"),
        (DISTANCE, f"distance: {'9' * 20} m",
         19, 23, "999", "scene.subjects.spout.distance", '"9999', "Write a distance within"),
        (DISTANCE, f"distance: {'9' * 21} m",
         19, 23, "999", "scene.subjects.spout.distance", '"9999', "at most 20 characters"),
        (DISTANCE, "distance: 8'",
         19, 23, "8'", "scene.subjects.spout.distance", '"8\'"', "one unit (mm, cm, m, km, in, ft), such as 2.5 m"),
        (DISTANCE, "distance: 8 ft 2 in",
         19, 23, "8 ft", "scene.subjects.spout.distance", '"8 ft 2 in"', "one unit (mm, cm, m, km, in, ft), such as"),
        (DISTANCE, "distance:2.5 m",
         19, 13, "distance:2", "scene.subjects.spout.distance:2.5 m", '"distance:2.5 m"', "space after the colon"),
        ("{ev100: 13}", "{}", 17, 3, "light", "scene.light.ev100", "nothing", "Add `ev100: 13`"),
        ("ev100: 13", "ev100:13", 17, 11, "ev100:13", "scene.light.ev100:13", '"ev100:13"', "a space after the colon"),
        (DISTANCE, "distance: [3 m]", 19, 23, "[3", "scene.subjects.spout.distance", "[3 m]", "Write one value"),
        (DISTANCE, "distance: 5 cm",
         19, 23, "5 cm", "scene.subjects.spout.distance", '"5 cm"', "focal length of 50 mm"),
        ("depth: 0.2 m", "depth: 4 m", 20, 35, "4 m", "scene.subjects.heron.depth", '"4 m"', "below 4 m"),
        ("depth: 0.2 m", "deep: 0.2 m", 20, 28, "deep", "scene.subjects.heron.deep", '"deep"', "Did you mean depth?"),
        ("speed: 3 m/s", "speed: 401 m/s", 19, 35, "401", "scene.subjects.spout.speed", '"401 m/s"', "to 400 m/s"),
        ("speed: 3 m/s", "speed: 3 kph", 19, 35, "3 kph", "scene.subjects.spout.speed", '"3 kph"', "km/h: 3 km/h"),
        ("{distance: 8 m}", "8 m", 21, 12, "8 m", "scene.subjects.hedge", '"8 m"', "a mapping of distance"),
        ("    hedge: {", "    hedge.1: {distance: 8 m}\n    hedge: {",
         21, 5, "hedge.1", "scene.subjects.hedge.1", '"hedge.1"', "letters from A to Z"),
        ("ev100: 13", "ev100: 23", 17, 18, "23", "scene.light.ev100", '"23"', "from -10 to 22"),
        ("{ev100: 13}", "{}", 17, 3, "light", "scene.light.ev100", "nothing", "Add `ev100"),
        ("  light: {ev100: 13}\n", "", 16, 1, "scene", "scene.light", "nothing", "a mapping of ev100"),
    ],
    "goals": [
        ("isolate: heron", "isolate: herron", 25, 14, "herron", "goals[2].isolate", '"herron"', "Did you mean heron?"),
        ("isolate: heron", "isolate: frog", 25, 14, "frog", "goals[2].isolate", '"frog"', "spout, heron, hedge"),
        ("isolate: heron", "isolte: heron", 25, 5, "isolte", "goals[2].isolte", '"isolte"', "Did you mean isolate?"),
        ("isolate: heron", "isolate: [heron]",
         25, 14, "[heron", "goals[2].isolate", "[heron]", "the name of a subject"),
        ("isolate: heron", "isolate: {}",
         25, 5, "isolate", "goals[2].isolate.subject", "nothing", "Add `subject: heron`"),
        ("isolate: heron", "isolate: heron\n    silk: spout",
         26, 5, "silk", "goals[2].silk", '"silk"', "Start a new entry"),
        ("- isolate: heron", "- isolate", 25, 5, "isolate", "goals[2]", '"isolate"', "- freeze: subject"),
        ("- isolate: heron", "- isolate:heron",
         25, 5, "isolate", "goals[2]", '"isolate:heron"', "Put a space after the colon: isolate: heron"),
        ("{freeze: spout}", "{freeze:spout}",
         23, 16, "freeze:", "goals[1].compare[1].freeze:spout", '"freeze:spout"', "after the colon: freeze: spout"),
        ("[aperture, focus]", "aperture, focus",
         24, 11, "aperture", "goals[1].hold", '"aperture, focus"', "Write several words as a list: [aperture, focus]"),
        ("- isolate: heron", "- {}", 25, 5, "{}", "goals[2]", "an empty mapping", "- freeze: subject"),
        ("isolate: heron", "isolate: heron\n    hold: focus",
         26, 5, "hold", "goals[2].hold", '"hold"', "beside compare"),
        ("from: heron, to: hedge", "from: hedge, to: heron",
         26, 29, "heron", "goals[3].deep.to", '"heron"', "farther away than hedge at 8 m"),
        ("from: heron, to: hedge", "from: heron", 26, 5, "deep", "goals[3].deep.to", "nothing", "Add `to"),
        ("{silk: spout}]", "{bracket: {}}]",
         23, 33, "bracket", "goals[1].compare[2].bracket", '"bracket"', "Only single goals"),
        ("silk: spout", "silk: {subject: spout, length: 0 m}",
         23, 64, "0 m", "goals[1].compare[2].silk.length", '"0 m"', "above 0 m to 1000 m"),
        (", {silk: spout}", "", 23, 14, "[", "goals[1].compare", "1 entry", "2 to 10"),
        ("[aperture, focus]", "[aperture, focal]",
         24, 22, "focal", "goals[1].hold[2]", '"focal"', "aperture, time, iso, focus, filters"),
        ("[aperture, focus]", "[focus, focus]", 24, 19, "focus", "goals[1].hold[2]", '"focus"', "each word once"),
        (LADDER, "by: 0, balance: time", 27, 36, "0", "goals[4].ladder.by", '"0"', "above 0 to 10"),
        (LADDER, "by: 1/2, balance: time", 27, 36, "1/2", "goals[4].ladder.by", '"1/2"', "whole multiples of 1/3 stop"),
        (LADDER, "by: 1, balance: aperture",
         27, 48, "aperture", "goals[4].ladder.balance", '"aperture"', "time or iso"),
        (LADDER, "by: 1, balance: time, hold: time", 27, 48, "time", "goals[4].ladder.balance", '"time"', "not held"),
        (LADDER, "by: 1, balance: time, hold: [aperture]",
         27, 60, "[ap", "goals[4].ladder.hold", "[aperture]", "not changed"),
        (LADDER, "by: 1, balance: time, from: f/1.4",
         27, 60, "f/1.4", "goals[4].ladder.from", '"f/1.4"', "this lens's aperture scale, f/1.8 to f/22"),
        (LADDER, "by: 1, balance: time, to: f/32",
         27, 58, "f/32", "goals[4].ladder.to", '"f/32"', "The nearest is f/22"),
        (LADDER, "by: 1, balance: time, from: f/0", 27, 60, "f/0", "goals[4].ladder.from", '"f/0"', "above f/0"),
        (LADDER, "by: 1, balance: time, from: f/2, to: f/2.0",
         27, 69, "f/2.0", "goals[4].ladder.to", '"f/2.0"', "two rungs"),
        ("balance: time, focus: heron", "balance: time",
         27, 5, "ladder", "goals[4].ladder.focus", "nothing", "Add `focus"),
        ("change: aperture, by", "change: shutter, by",
         27, 22, "shutter", "goals[4].ladder.change", '"shutter"', "aperture, time, iso"),
        ("hold: time, balance", "hold: time, filters, balance",
         28, 58, ",", "goals[5].ladder.filters", "nothing", "If it belongs to hold: write [time, filters]"),
        ("count: 5", "count: 4", 29, 43, "4", "goals[6].bracket.count", '"4"', "odd"),
        ("count: 5", "count: 17", 29, 43, "17", "goals[6].bracket.count", '"17"', "from 3 to 15"),
        ("goals:\n", "goals:\n" + "  - isolate: heron\n" * 95, 23, 3, "-", "goals", "101 entries", "1 to 100 goals"),
        (DEMO[DEMO.index("goals:\n") : DEMO.index("limits:")], "goals: []\n",
         22, 8, "[]", "goals", "0 entries", "1 to 100 goals"),
    ],
    "limits": [
        ("iso_at_most: 6400", "iso_at_most: 51200", 30, 23, "51200", "limits.iso_at_most", '"51200"', "100 to 25600"),
        ("spread: 1/6", "spread: 2/3", 30, 37, "2/3", "limits.spread", '"2/3"', "above 0 to 1/2"),
        ("spread: 1/6", "spread: 1/0", 30, 37, "1/0", "limits.spread", '"1/0"', "other than zero"),
        ("spread: 1/6", "spred: 1/6", 30, 29, "spred", "limits.spred", '"spred"', "Did you mean spread?"),
    ],
}  # fmt: skip
ROWS = [(part, *row) for part, rows in CASES.items() for row in rows]
IDS = [f"{part}: {row[1].strip()[:40]!r}" for part, rows in CASES.items() for row in rows]


@pytest.mark.parametrize(("part", "old", "new", "line", "column", "at", "field", "found", "says"), ROWS, ids=IDS)
def test_one_mistake_gives_one_complaint_with_its_place_and_what_to_do(
    part, old, new, line, column, at, field, found, says
):
    text = changed(old, new)
    extra = {"kit"} if new.startswith("kit: old") else set()
    told = [one for one in complaints(text) if one.field not in extra]
    assert len(told) == 1, "\n".join(map(str, told))
    complaint = told[0]
    assert (complaint.file, complaint.line, complaint.column) == ("fountain.yaml", line, column)
    assert text.split("\n")[line - 1][column - 1 :].startswith(at)
    assert complaint.field == field
    assert found in complaint.found
    assert says in f"{complaint.allowed}. {complaint.advice}"
    assert complaint.allowed
    for word in JARGON:
        assert word not in str(complaint)


REMEDIES = [
    ("{ev100: 13}", "{lux: 4000}", "{ev100: 13}"),
    ("density: 1.8", "factor: 64", "stops: 6"),
    ("density: 1.8", "factor: 64", "density: 1.8"),
    ("{name: ND 8, stops: 3}", "{name: ND 8, stops: 8}", "{name: ND 8, stops: 3}"),
    (DISTANCE, "distance: 8'", "distance: 2.5 m"),
    (DISTANCE, "distance: 8 ft 2 in", "distance: 8.2 ft"),
    (DISTANCE, 'distance: "3,5 m"', "distance: 3.5 m"),
    (DISTANCE, "distance: about three", "distance: 2.5 m"),
    (DISTANCE, "distance:2.5 m", "distance: 2.5 m"),
    ("{freeze: spout}", "{freeze:spout}", "{freeze: spout}"),
    ("[aperture, focus]", "aperture, focus", "[aperture, focus]"),
    ("[aperture, focus]", "aperture and focus", "[aperture, focus]"),
    ("by: 1, balance: time, ", "balance: time, ", "by: 1, balance: time, "),
]


@pytest.mark.parametrize(("old", "wrong", "right"), REMEDIES)
def test_what_a_complaint_says_to_write_is_in_it_and_is_accepted(old, wrong, right):
    said = " ".join(f"{one.allowed} {one.advice}" for one in complaints(changed(old, wrong)))
    core = right.strip("{}, ").split(", balance")[0].removeprefix("name: ND 8, ")
    assert core in said or core.removeprefix("distance: ") in said
    assert read_brief(changed(old, right), "fountain.yaml")


def test_a_missing_focus_is_advised_with_a_subject_that_is_in_the_scene():
    text = DEMO.replace("heron", "stork")
    advice = complaints(changed("balance: time, focus: stork", "balance: time", text))[0].advice
    assert advice == "Add `focus: spout`"


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("", "nothing"),
        (" \n\n", "nothing"),
        ("# later\n", "nothing"),
        ("---\n", "nothing"),
        ("a garden fountain", '"a garden fountain"'),
        ("- stopwright: 1\n", "a list of 1"),
        ("~", '"~"'),
    ],
)
def test_a_file_that_is_no_mapping_is_refused(text, found):
    told = complaints(text)
    assert [(one.field, one.found) for one in told] == [("the file", found)]
    assert told[0].line >= 1


def test_a_file_of_ten_megabytes_is_refused_before_it_is_parsed(monkeypatch):
    def parsed(*_):
        raise AssertionError("the text reached the parser")

    monkeypatch.setattr("plans.yaml_tree.yaml.SafeLoader", parsed)
    told = complaints(DEMO * 10_000)
    assert (len(told), told[0].line, told[0].field) == (1, 0, "the file")
    assert "256000 bytes" in told[0].allowed
    with pytest.raises(AssertionError, match="reached the parser"):
        read_brief(DEMO, "fountain.yaml")


def test_the_size_limit_counts_bytes_not_characters():
    padding = "# " + "\u00e9" * 127_500 + "\n"
    assert read_brief(DEMO + "# " + "e" * 127_500 + "\n", "fountain.yaml")
    assert "bytes" in complaints(DEMO + padding)[0].found


def test_all_mistakes_are_told_at_once_in_the_order_of_the_file():
    text = DEMO
    for old, new in [
        ("latitude: 52.0", "latitude: 99"),
        ("focal_length: 50 mm", "focal_length: 50"),
        ("stops: 3", "stops: -3"),
        ("support: tripod", "support: *stand"),
        ("distance: 2 m", "distance: -2 m"),
        ("isolate: heron", "isolate: herron"),
        ("by: 1, balance: time", "by: 1, balance: time, from: f/1.4"),
        ("count: 5", "count: 4"),
        ("spread: 1/6", "spread: 1"),
    ]:
        text = changed(old, new, text)
    told = complaints(text)
    assert [one.field for one in told] == [
        "place.latitude",
        "kit.lens.focal_length",
        "kit.filters[1].stops",
        "kit.support",
        "scene.subjects.heron.distance",
        "goals[2].isolate",
        "goals[4].ladder.from",
        "goals[6].bracket.count",
        "limits.spread",
    ]
    places = [(one.line, one.column) for one in told]
    assert places == sorted(places)


def test_a_missing_space_and_a_decimal_comma_in_one_value_are_both_told():
    told = complaints(changed("distance: 3 m", "distance:3,5 m"))
    assert [one.advice for one in told] == [
        "Put a space after the colon: distance: 3",
        "Write 3.5 m: a comma ends the value",
    ]


def test_a_brief_of_another_version_is_not_read_any_further():
    told = complaints(changed("stopwright: 1", "stopwright: 7\nnews: yes"))
    assert [one.field for one in told] == ["stopwright"]


def test_thousands_of_mistakes_are_cut_short_and_counted():
    told = complaints(DEMO + "".join(f"extra{n}: 1\n" for n in range(3000)))
    assert len(told) == 101
    assert told[-1].found == "2900 more errors"


def test_a_camera_without_a_scale_is_named():
    scales = {"iso": read_scale("iso", ["auto"])}
    told = complaints(changed(ISO, "camera"), camera_scales=scales)
    assert "lists no iso marks" in told[0].advice


# Kit files.


@pytest.mark.parametrize(
    ("old", "new", "line", "column", "field", "says"),
    [
        ("50 mm", "50", 7, 22, "kit.lens.focal_length", "Add the unit"),
        ("stopwright-kit: 1", "stopwright-kit: 2", 1, 17, "stopwright-kit", "Start the kit file with"),
        ("stopwright-kit: 1\n", "", 1, 1, "stopwright-kit", "Start the kit file with"),
        ("stopwright-kit: 1", "stopwright-kit:", 1, 16, "kit.stopwright-kit", "a value"),
        ("support: tripod", "support: tripod\nsupport: hand", 12, 1, "kit.support", "each key once"),
        ("support: tripod", "support: {", 11, 10, "the file", "Close it"),
        ("support: tripod", "suport: tripod", 11, 1, "kit.suport", "Did you mean support?"),
    ],
)
def test_a_mistake_in_a_kit_file_names_that_file_and_its_line(old, new, line, column, field, says):
    told = complaints(WITH_KIT_FILE, load_kit=lambda _: changed(old, new, KIT_FILE))
    assert [(one.file, one.line, one.column, one.field) for one in told] == [("garden-kit.yaml", line, column, field)]
    assert says in f"{told[0].allowed}. {told[0].advice}"


def test_the_key_of_a_kit_file_comes_first():
    first, _, rest = KIT_FILE.partition("\n")
    told = complaints(WITH_KIT_FILE, load_kit=lambda _: f"{rest}{first}\n")
    assert (told[0].file, told[0].line, told[0].field) == ("garden-kit.yaml", 11, "stopwright-kit")


def test_mistakes_in_brief_and_kit_file_are_told_together():
    text = changed("isolate: heron", "isolate: frog", WITH_KIT_FILE)
    told = complaints(text, load_kit=lambda _: changed("50 mm", "50", KIT_FILE))
    assert [(one.file, one.field) for one in told] == [
        ("fountain.yaml", "goals[2].isolate"),
        ("garden-kit.yaml", "kit.lens.focal_length"),
    ]


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (FileNotFoundError(2, "No such file or directory"), "No such file or directory"),
        (KeyError("garden-kit.yaml"), "cannot be read"),
        (UnicodeDecodeError("utf-8", b"\xff", 0, 1, "invalid start byte"), "cannot be read"),
    ],
)
def test_a_kit_file_that_cannot_be_read_is_told_at_its_name_in_the_brief(error, says):
    def load(_):
        raise error

    told = complaints(WITH_KIT_FILE, load_kit=load)
    assert [(one.file, one.line, one.column, one.field) for one in told] == [("fountain.yaml", 5, 6, "kit")]
    assert says in told[0].found


def test_a_whole_kit_cannot_be_the_cameras_even_where_kit_files_can_be_loaded():
    (told,) = complaints(changed("kit: garden-kit.yaml", "kit: camera", WITH_KIT_FILE), load_kit=lambda _: KIT_FILE)
    assert (told.line, told.field) == (5, "kit")
    assert "iso, time and aperture may each be camera" in told.advice


def test_without_a_way_to_load_kit_files_a_kit_must_be_written_out():
    assert "Write the kit out" in complaints(WITH_KIT_FILE)[0].advice


# Sources out of plans.


def nested(depth):
    tree = "x"
    for _ in range(depth):
        tree = {"a": tree}
    return tree


@pytest.mark.parametrize(
    "tree",
    [None, [], "text", 3, {}, {"stopwright": 1}, {"stopwright": None}, {1: "x"}, nested(5000), {"title": "\ud800"},
     {"kit": "camera", "stopwright": "1"}, {"goals": [{"freeze": True}]}, {"stopwright": "1", "goals": [["x"]]}],
)  # fmt: skip
def test_a_source_that_is_no_brief_is_refused(tree):
    with pytest.raises(BriefError) as caught:
        brief_from_tree(tree)
    assert all(one.file == "plan" and one.line == 0 for one in caught.value.complaints)


# Anything at all.

NASTY = [
    "", "''", "~", "null", "[]", "{}", "-", "- -", "[a, [b]]", "{a: b}", "?", ": ", "*a", "&a", "&a b",
    "!!python/none", "!x y", "%", "@", "`", "|", ">-", "'", '"', '"\\', "\\", "#", "\t", "\x00", "\x07", "\x85",
    "\u2028", "\u202e", "\ufeff", "\ud800", "\ufffe", "\u0661 m", "\u22123 m", "1e999", "1e999 m", "9**9**9 m", "nan",
    ".inf", "-inf m", "0", "-0 m", "-1", "1/0", "0/1", "1/3", "1 1/3", "0x1F", "0o17", "1_000", "1:30", "off", "yes",
    "=", "<<", "2026-13-45 99:99", "0000-00-00 00:00", "9999-12-31 23:59", "1/8000 s", "f/0", "f/", "f/1/2", "ISO",
    "ISO 0", "camera", "9" * 30 + " m", "1" * 5000, "a" * 5000, "[" * 500, "{a: " * 500, "- " * 300, "a\n b: c",
    "a: b: c", "a\n...\n---\nb", "3 m # m", "heron", "aperture", "{from: heron, to: heron}", "{subject: spout}",
    "{marks: [1, 2]}", "../../etc/passwd", "Europe", "localtime", "posixrules", "${HOME}", "{{x}}", "%s%s%n",
    "{allowed}", "{0}", "\U0001f409",
]  # fmt: skip
VALUES = [
    (match, match + len(word))
    for word in (
        "52.0", "Europe/London", "2026-10-20 15:30", "demo body", "35.9 mm", "[6000, 4000]", "6000", ISO, "25600",
        "1/3", "1/8000 s", "50 mm", "f/22", APERTURE, "0.45 m", "hand", "ND 64", "1.8", "tripod", "{ev100: 13}", "13",
        "3 m/s", "2 m, depth", "spout: {", "heron}", "compare", "[aperture, focus]", "isolate",
        "{from: heron, to: hedge}", "by: 1", "time, focus", "5, focus", "6400", "1/6", "kit", "scene", "goals",
    )
    for match in [DEMO.index(word)]
]  # fmt: skip


def only_a_brief_or_complaints(text, **more):
    try:
        brief = read_brief(text, "fountain.yaml", **more)
    except BriefError as error:
        assert error.complaints
        for one in error.complaints:
            assert one.allowed
            assert one.found
            assert not any(word in one.allowed + one.advice for word in JARGON), str(one)
            if one.line:
                line = (
                    (text.removeprefix("\ufeff") + "\n")
                    .replace("\r\n", "\n")
                    .replace("\r", "\n")
                    .split("\n")[one.line - 1]
                )
                assert 1 <= one.column <= len(line) + 1
        str(error).encode("utf-8")
    else:
        assert brief_from_tree(brief.source) == brief


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(VALUES), st.sampled_from(NASTY)), min_size=1, max_size=3))
def test_no_value_put_anywhere_does_more_than_give_a_brief_or_complaints(changes):
    text = DEMO
    for (start, end), nasty in sorted(changes, reverse=True):
        text = text[:start] + nasty + text[end:]
    only_a_brief_or_complaints(text)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_no_random_edit_does_more_than_give_a_brief_or_complaints(data):
    raw = bytearray(DEMO.encode("utf-8"))
    for _ in range(data.draw(st.integers(1, 6))):
        start = data.draw(st.integers(0, len(raw)))
        length = data.draw(st.sampled_from([0, 0, 1, 1, 2, 40]))
        raw[start : start + length] = data.draw(
            st.binary(max_size=3) | st.sampled_from([b"\n", b": ", b"{", b"]", b"- "])
        )
    only_a_brief_or_complaints(raw.decode("utf-8", "surrogateescape"))


@settings(max_examples=50, deadline=None)
@given(st.integers(0, len(KIT_FILE)), st.integers(0, 3), st.binary(max_size=3))
def test_no_random_edit_of_a_kit_file_does_more_than_give_a_brief_or_complaints(start, length, new):
    kit = KIT_FILE[:start] + new.decode("latin-1") + KIT_FILE[start + length :]
    try:
        read_brief(WITH_KIT_FILE, "fountain.yaml", load_kit=lambda _: kit)
    except BriefError as error:
        assert all(one.file in ("fountain.yaml", "garden-kit.yaml") for one in error.complaints)


@settings(max_examples=50, deadline=None)
@given(st.text(max_size=200))
def test_no_text_at_all_does_more_than_give_complaints(text):
    only_a_brief_or_complaints(text)
    only_a_brief_or_complaints("stopwright: 1\n" + text)
