"""The verbs over a scripted link: what real bodies are known to do and no camera in these tests does by itself."""

from __future__ import annotations

from pathlib import Path

import pytest
from support_camera import ScriptedLink

from daemon.camera.asking import Event, Pace, Widget
from daemon.camera.errors_map import LinkFault
from daemon.camera.session import Session
from daemon.errors import BatteryLow, CameraBusy, CameraError, CameraSilent, CardFull, SettingRefused, StoreError

PACE = Pace(poll_s=0.001, busy_s=0.2, shy_s=0.2, stable_s=0.1, walking_s=1.0, quiet_s=0.05, pair_s=0.1, lost_s=0.1)
FOLDER = "/store/DCIM/100STOPS"
DONE = Event("complete")


def picture(name: str) -> Event:
    return Event("file", FOLDER, name)


def choice(name: str, labels: str, current: str, writable: bool = True) -> Widget:
    return Widget(name, current, tuple(labels.split("|")), writable)


def link(*widgets: Widget, **more: object) -> ScriptedLink:
    return ScriptedLink({widget.name: widget for widget in widgets}, **more)  # type: ignore[arg-type]


def session(scripted: ScriptedLink, **more: bool) -> Session:
    return Session(scripted, lambda: None, pace=PACE, **more)


ISO = choice("iso", "Auto|100|200|400|800", "100")
TARGET = choice("capturetarget", "Internal RAM|Memory card", "Memory card")
PAIR = choice("imagequality", "JPEG Fine|NEF+Fine", "NEF+Fine")


# -- settings ---------------------------------------------------------------------------------------------------------


def test_a_setting_that_reads_as_asked_is_not_sent_again() -> None:
    scripted = link(ISO)
    assert session(scripted).apply({"iso": "100"}) == {"iso": "100"}
    assert scripted.sent == []


def test_a_body_that_walks_to_a_new_time_is_waited_for() -> None:
    labels = ["1/500", "1/400", "1/320", "1/250", "1/200", "1/160", "1/125"]

    class Walking(ScriptedLink):
        goal = "1/500"

        def widget(self, name: str) -> Widget | None:
            now = super().widget(name)
            if now is None or now.current == self.goal:
                return now
            place = labels.index(now.current)
            step = 1 if labels.index(self.goal) > place else -1
            self.widgets[name] = Widget(name, labels[place + step], now.labels, True)
            return now

        def send(self, name: str, value: str) -> None:
            self.sent.append((name, value))
            self.goal = value

    scripted = Walking({"shutterspeed": Widget("shutterspeed", "1/500", tuple(labels), True)})
    assert session(scripted).apply({"time": "1/125"}) == {"time": "1/125"}
    assert scripted.sent == [("shutterspeed", "1/125")]


def test_a_body_that_takes_a_number_for_a_place_in_the_list_is_given_the_place() -> None:
    def takes(name: str, value: str, widget: Widget) -> str:
        return widget.labels[min(int(value), len(widget.labels) - 1)]

    scripted = link(ISO, takes=takes)
    assert session(scripted).apply({"iso": "200"}) == {"iso": "200"}
    assert scripted.sent == [("iso", "200"), ("iso", "2")]


def test_a_value_that_snaps_elsewhere_is_never_answered_with_a_place() -> None:
    aperture = choice("f-number", "f/2|f/2.8|f/4|f/5.6", "f/2")
    scripted = link(aperture, takes=lambda name, value, widget: "f/4")
    with pytest.raises(SettingRefused) as refusal:
        session(scripted).apply({"aperture": "f/5.6"})
    assert refusal.value.found == "f/4"
    assert scripted.sent == [("f-number", "f/5.6"), ("f-number", "f/2")], "tried once, then put back as found"


def test_a_value_that_goes_back_a_moment_later_is_refused() -> None:
    class Reverting(ScriptedLink):
        reads = 0

        def widget(self, name: str) -> Widget | None:
            if name == "iso" and self.sent:
                self.reads += 1
                if self.reads > 1:
                    return ISO
            return super().widget(name)

    with pytest.raises(SettingRefused, match="for a moment and went back"):
        session(Reverting({"iso": ISO})).apply({"iso": "400"})


def test_nothing_is_sent_when_one_of_several_labels_is_not_offered() -> None:
    scripted = link(ISO, choice("f-number", "f/2|f/4", "f/2"))
    with pytest.raises(SettingRefused, match="f/3"):
        session(scripted).apply({"iso": "400", "aperture": "f/3"})
    assert scripted.sent == []


def test_a_read_only_setting_names_the_dial_and_is_not_tried() -> None:
    scripted = link(choice("shutterspeed", "1/60|1/125", "1/60", writable=False))
    with pytest.raises(SettingRefused, match="Turn the mode dial to M"):
        session(scripted).apply({"time": "1/125"})
    assert scripted.sent == []


def test_of_two_widgets_the_one_that_can_be_set_stands_for_the_setting() -> None:
    exact = Widget("shutterspeed2", "1/60", ("1/60",), False)
    coarse = choice("shutterspeed", "0.0166s|0.0080s", "0.0166s")
    assert session(link(exact, coarse)).state()["settings"]["time"]["widget"] == "shutterspeed"
    both = session(link(choice("shutterspeed2", "1/60|1/125", "1/60"), coarse))
    assert both.state()["settings"]["time"]["widget"] == "shutterspeed2"


def test_a_setting_that_went_away_is_told_from_a_camera_that_went_away() -> None:
    scripted = link(ISO, choice("shutterspeed", "1/60|1/125", "1/60"))
    opened = session(scripted)
    del scripted.widgets["shutterspeed"]
    state = opened.state()
    assert "time" not in state["settings"]
    assert state["untold"] == ["time"]
    del scripted.widgets["iso"]
    scripted.faults["free_bytes"] = [LinkFault(-7, "asking")]
    with pytest.raises(CameraError, match="link to the camera broke"):
        opened.state()


class Shy(ScriptedLink):
    """Does not tell a widget for so many reads; the library answers as if the camera had none such."""

    silent: int = 0
    shy_of: str = "iso"

    def widget(self, name: str) -> Widget | None:
        if name == self.shy_of and self.silent > 0:
            self.silent -= 1
            return None
        return super().widget(name)


@pytest.mark.parametrize("at_first", [True, False])
def test_a_setting_that_is_not_told_for_a_moment_is_asked_for_again(at_first: bool) -> None:
    scripted = Shy({"iso": ISO})
    scripted.silent = 3 if at_first else 0
    opened = session(scripted)
    scripted.silent = 0 if at_first else 3
    assert opened.apply({"iso": "400"}) == {"iso": "400"}
    scripted.silent = 0 if at_first else 3
    state = opened.state()
    assert (state["settings"]["iso"]["current"], state["untold"]) == ("400", [])


def test_a_setting_that_was_told_before_is_never_called_none_such() -> None:
    scripted = Shy({"iso": ISO})
    opened = session(scripted)
    scripted.silent = 100_000
    with pytest.raises(CameraError, match="has a setting for its iso and refuses to tell it") as refusal:
        opened.apply({"iso": "400"})
    assert not isinstance(refusal.value, SettingRefused | CameraSilent), "the run may wait for it, and the link is good"
    assert scripted.sent == []
    assert 0 < 100_000 - scripted.silent < 100, "asked again, and bounded"


def test_a_setting_that_is_told_to_nobody_costs_half_a_second_once() -> None:
    scripted = Shy({"iso": ISO})
    scripted.silent = 100_000
    opened = session(scripted)
    asked = 100_000 - scripted.silent
    assert asked > 3
    for _ in range(3):
        assert opened.state()["untold"] == ["iso"]
    assert 100_000 - scripted.silent == asked + 3
    scripted.silent = 0
    assert opened.state()["untold"] == []


def test_a_list_that_failed_is_not_asked_for_again_over_the_same_link() -> None:
    # The library would give what it had read so far as if it were all.
    class Poisoned(ScriptedLink):
        asked: int = 0

        def files(self, folder: str) -> list[str]:
            self.asked += 1
            if self.asked == 1:
                raise LinkFault(-110, "listing")
            return []

    scripted = Poisoned({})
    with pytest.raises(CameraBusy):
        session(scripted).card()
    assert scripted.asked == 1


def test_a_current_value_that_is_none_of_the_choices_is_shown_as_empty() -> None:
    scripted = link(Widget("f-number", "", ("f/2", "f/4"), True, "370"))
    shown = session(scripted).state()["settings"]["aperture"]
    assert (shown["current"], shown["raw"]) == ("", "370")


# -- exposures --------------------------------------------------------------------------------------------------------


def expose(opened: Session, exposure_s: float = 0.0) -> list[str]:
    return [file["name"] for file in opened.expose(exposure_s, 1.0, 0.2)]


def test_both_files_of_a_pair_are_waited_for_and_given() -> None:
    scripted = link(PAIR, events=[picture("A.NEF"), Event("none"), Event("none"), picture("A.JPG"), DONE])
    assert expose(session(scripted)) == ["A.NEF", "A.JPG"]


def test_a_pair_of_which_one_never_comes_gives_the_other() -> None:
    assert expose(session(link(PAIR, events=[picture("A.NEF"), DONE]))) == ["A.NEF"]


def test_a_file_announced_before_the_shutter_is_not_the_frame() -> None:
    scripted = link(late=[picture("OLD.JPG"), DONE], events=[picture("NEW.JPG"), DONE])
    opened = session(scripted)
    assert expose(opened) == ["NEW.JPG"]
    assert opened.take_late() == [f"{FOLDER}/OLD.JPG"]
    assert opened.take_late() == []


def test_a_stale_file_that_comes_along_is_told_by_its_time() -> None:
    announced = [picture("OLD.JPG"), picture("NEW.JPG"), DONE]
    apart = link(events=list(announced), made={"OLD.JPG": 1000, "NEW.JPG": 1100})
    assert expose(session(apart)) == ["NEW.JPG"]
    together = link(events=list(announced), made={"OLD.JPG": 1099, "NEW.JPG": 1100})
    assert expose(session(together)) == ["OLD.JPG", "NEW.JPG"], "two files of one moment may well be one frame's"


def test_silence_before_the_exposure_can_be_over_means_nothing() -> None:
    class Slow(ScriptedLink):
        calls = 0

        def event(self, timeout_ms: int) -> Event:
            self.calls += self.triggered
            return picture("A.JPG") if self.triggered and self.calls == 150 else Event("none")

    assert expose(session(Slow({})), 0.3) == ["A.JPG"]


def test_a_camera_that_says_done_without_a_picture_is_silent() -> None:
    with pytest.raises(CameraSilent, match="said that it had finished"):
        expose(session(link(events=[DONE])))


def test_a_camera_that_says_nothing_is_silent_when_its_time_is_up() -> None:
    with pytest.raises(CameraSilent, match="said nothing"):
        session(link()).expose(0.01, 0.1, 0.1)


def test_a_body_that_cannot_be_triggered_is_asked_for_a_whole_capture() -> None:
    scripted = link(faults={"trigger": [LinkFault(-6, "triggering")]})
    assert expose(session(scripted)) == ["CAP0001.JPG"]


def test_a_busy_body_is_asked_again_and_given_up_in_time() -> None:
    busy = [LinkFault(-110, "triggering"), LinkFault(-2, "triggering", 0x2019)]
    assert expose(session(link(faults={"trigger": busy}, events=[picture("A.JPG"), DONE]))) == ["A.JPG"]
    with pytest.raises(CameraBusy):
        expose(session(link(faults={"trigger": [LinkFault(-110, "triggering") for _ in range(500)]})))


@pytest.mark.parametrize(
    ("battery", "fault", "error"),
    [
        ("80%", LinkFault(-1, "triggering", 0x200C), CardFull),
        ("3%", LinkFault(-1, "triggering"), BatteryLow),
        ("80%", LinkFault(-1, "triggering"), CameraSilent),
        ("80%", LinkFault(-1, "triggering", 0xA002), CameraError),
    ],
)
def test_why_the_shutter_was_refused_is_found_out(battery: str, fault: LinkFault, error: type[CameraError]) -> None:
    scripted = link(Widget("batterylevel", battery, (), False), faults={"trigger": [fault]})
    with pytest.raises(CameraError) as refusal:
        expose(session(scripted))
    assert type(refusal.value) is error


# -- where pictures go ------------------------------------------------------------------------------------------------


def test_the_card_is_chosen_when_the_camera_is_opened() -> None:
    scripted = link(choice("capturetarget", "Internal RAM|Memory card", "Internal RAM"))
    assert session(scripted).state()["settings"]["capture_target"]["current"] == "Memory card"


def test_memory_alone_is_refused_unless_it_was_asked_for() -> None:
    memory = choice("capturetarget", "sdram", "sdram")
    scripted = link(memory, events=[picture("A.JPG"), DONE])
    with pytest.raises(SettingRefused, match="lost with the link"):
        expose(session(scripted))
    assert scripted.triggered == 0
    assert expose(session(link(memory, events=[picture("A.JPG"), DONE]), memory_only=True)) == ["A.JPG"]


def test_the_lens_is_not_driven_before_a_picture() -> None:
    scripted = link(choice("autofocus", "On|Off", "On"))
    session(scripted)
    assert scripted.sent == [("autofocus", "Off")]


def test_a_download_of_another_size_than_the_cards_is_thrown_away(tmp_path: Path) -> None:
    class Short(ScriptedLink):
        def download(self, folder: str, name: str, into: Path) -> int:
            into.write_bytes(b"half")
            return 4

    into = tmp_path / "a.jpg"
    with pytest.raises(CameraSilent, match="1000 bytes on the card, but 4 arrived"):
        session(Short({})).fetch(FOLDER, "A.JPG", into)
    assert not into.exists()


def test_a_full_disk_is_the_stores_matter(tmp_path: Path) -> None:
    class Full(ScriptedLink):
        def download(self, folder: str, name: str, into: Path) -> int:
            raise OSError(28, "No space left on device")

    with pytest.raises(StoreError, match="No space left"):
        session(Full({})).fetch(FOLDER, "A.JPG", tmp_path / "a.jpg")


# -- a shutter that is held open --------------------------------------------------------------------------------------

TIME = choice("shutterspeed", "30|1|bulb", "1")
SWITCH = Widget("bulb", "0", (), True)
RELEASE = choice("eosremoterelease", "None|Press Full|Release Full", "None")


def test_bulb_sets_its_mark_first_opens_waits_and_closes() -> None:
    scripted = link(TIME, SWITCH, events=[Event("none"), picture("A.JPG"), DONE])
    made = session(scripted).bulb(0.02, 1.0, 0.2)
    assert scripted.sent == [("shutterspeed", "bulb"), ("bulb", "1"), ("bulb", "0")]
    assert [file["name"] for file in made["files"]] == ["A.JPG"]
    assert made["held_s"] + made["within_s"] >= 0.02 and not made["ended_early"]


def test_a_body_without_the_first_switch_is_held_by_the_second() -> None:
    scripted = link(TIME, SWITCH, RELEASE, events=[picture("A.JPG"), DONE])
    scripted.faults["bulb"] = [LinkFault(-6, "setting bulb"), LinkFault(-6, "setting bulb")]
    assert session(scripted).bulb(0.02, 1.0, 0.2)["files"]
    assert scripted.sent[-2:] == [("bulb", "0"), ("eosremoterelease", "Release Full")]
    assert ("eosremoterelease", "Press Full") in scripted.sent


def test_a_body_that_ends_the_exposure_by_itself_is_believed_and_told_so() -> None:
    scripted = link(TIME, SWITCH, events=[picture("A.JPG"), DONE])
    made = session(scripted).bulb(20.0, 1.0, 0.2)
    assert made["ended_early"] and made["held_s"] < 2 and len(made["files"]) == 1


def test_a_shutter_is_closed_when_listening_fails() -> None:
    scripted = link(TIME, SWITCH)
    opened = session(scripted)
    scripted.faults["event"] = []
    opened.close_shutter()
    assert scripted.sent == [("bulb", "0")]

    def lose_the_link() -> None:
        scripted.faults["event"] = [LinkFault(-7, "listening")]

    scripted.takes = lambda name, value, widget: (lose_the_link() if value == "1" else None) or value
    with pytest.raises(CameraError):
        opened.bulb(1.0, 1.0, 0.2)
    assert scripted.sent[-2:] == [("bulb", "1"), ("bulb", "0")]


def test_a_body_without_a_mark_for_bulb_or_without_any_switch_says_so() -> None:
    with pytest.raises(SettingRefused, match="bulb"):
        session(link(choice("shutterspeed", "30|1", "1"), SWITCH)).bulb(1.0, 1.0, 0.2)
    scripted = link(TIME)
    with pytest.raises(CameraError, match="cannot be held open"):
        session(scripted).bulb(1.0, 1.0, 0.2)


def test_live_view_that_is_no_jpeg_is_refused_and_live_view_is_off_before_a_frame(tmp_path: Path) -> None:
    scripted = link(Widget("viewfinder", "0", (), True), events=[picture("A.JPG"), DONE], live=b"\xff\xd8 and so on")
    opened = session(scripted)
    assert opened.preview(tmp_path / "a.jpg") == len(scripted.live)
    opened.expose(0.01, 1.0, 0.2)
    assert scripted.sent == [("viewfinder", "0")]
    scripted.live = b"GIF89a"
    with pytest.raises(CameraError, match="no JPEG"):
        opened.preview(tmp_path / "b.jpg")
    assert not (tmp_path / "b.jpg").exists()
    with pytest.raises(StoreError, match="overwritten"):
        scripted.faults["preview"] = [FileExistsError()]  # type: ignore[list-item]
        opened.preview(tmp_path / "a.jpg")
