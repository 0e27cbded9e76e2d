"""Faders and panels as Python sees them: gestures, undo, the lock, failures and heavy work."""

import asyncio
import json
import math
import re

import pytest
from ipywidgets.widgets.widget import _instances

from gainlib.audio import GainlibError
from gainlib.exercises.experiment import Choice, Slider
from gainlib.notebook import controls as moving
from gainlib.notebook import widgets
from gainlib.notebook.controls import Controls, Fader, Faders
from gainlib.notebook.errors import Panel, Progress, sentence_of
from gainlib.session import FaderLaw


def wire(widget, **changes):
    """Set traits as the browser does: over the serialised message."""
    widget.set_state(json.loads(json.dumps(changes, allow_nan=False)))


def test_what_looks_alike_is_one_and_looks_on_when_the_other_does_not():
    one, other = (widgets.Button(description=text, layout={"width": "auto"}) for text in ("one", "other"))
    assert one.layout is other.layout and one.style is other.style
    widgets.look(one, display="none")
    assert (one.layout.display, one.layout.width) == ("none", "auto")
    assert (other.layout.display, other.layout.width) == (None, "auto")
    widgets.look(one, display=None)
    assert one.layout is other.layout


def test_what_a_script_shows_keeps_its_layout_for_it_hears_of_no_other():
    faders, other = Faders(("kick",)), Faders(("bass",))
    layout = faders.layout
    widgets.look(faders, display="none")
    assert faders.layout is layout and (layout.display, other.layout.display) == ("none", None)


def test_a_file_is_one_model_for_all_widgets_it_shows():
    faders, other, controls = Faders(("kick",)), Faders(("bass",)), Controls([Slider("drive_db", "Drive", -18, 18)])
    assert faders.files == other.files and len(set(faders.files)) == 3
    assert set(faders.files) & set(controls.files) == {faders.files[0], faders.files[-1]}
    assert "_css" not in faders.get_state() and len(faders.get_state()["_esm"]) < 2000
    sent = [widget.text for widget in _instances.values() if isinstance(widget, widgets.File)]
    assert len(sent) == len(set(sent)) and all(sent)


def test_a_layout_that_somebody_closed_is_made_anew():
    widgets.Label("one").layout.close()
    assert widgets.Label("other").get_state()["layout"].startswith("IPY_MODEL_")


def test_silence_travels_as_a_word_because_json_has_no_infinity():
    faders = Faders(("kick", "bass"), (-math.inf, 2.5))
    state = faders.get_state(["values_db", "start_db"])
    assert json.dumps(state, allow_nan=False)
    assert state["values_db"] == ["-inf", 2.5]
    wire(faders, values_db=[-3.0, "-inf"])
    assert faders.values_db == [-3.0, -math.inf]


def test_a_gesture_arrives_as_one_change_then_one_release():
    faders, seen = Faders(("kick", "bass")), []
    faders.observe(lambda c: seen.append((c["name"], list(faders.values_db))), ["values_db", "released"])
    wire(faders, values_db=[-1.0, 0.0])
    wire(faders, values_db=[-2.0, 0.0], gesture=1)
    assert [n for n, _ in seen] == ["values_db", "values_db", "released"]
    assert seen[-1][1] == [-2.0, 0.0]


@pytest.mark.parametrize(
    ("names", "values", "message"),
    [
        ((), None, "at least one name"),
        (("a", "a"), None, "no name twice"),
        (("a", "b"), (0.0,), "1 values for 2 faders"),
        (("a",), (math.nan,), "a: nan dB"),
        (("a",), (10.2,), "a: 10.2 dB; a fader goes from −inf up to 9.995 dB"),
    ],
)
def test_bad_faders_are_refused(names, values, message):
    with pytest.raises(GainlibError, match=re.escape(message)):
        Faders(names, values)


def test_unknown_name_is_refused():
    with pytest.raises(GainlibError, match="no fader is called 'cowbell'"):
        Faders(("kick",)).set_values({"cowbell": 0})


def test_a_single_fader_follows_both_ways():
    fader = Fader("master", -3.0, law=FaderLaw(unity_mm=80, exponent=3, length_mm=100))
    wire(fader, values_db=["-inf"], gesture=1)
    assert fader.value_db == -math.inf
    fader.value_db = 1.0
    assert fader.values_db == [1.0]
    assert fader.law == {"unity_mm": 80, "exponent": 3, "length_mm": 100}


def test_outside_a_kernel_a_failure_goes_on_and_is_kept():
    panel = Panel()

    @panel.guarded
    def divide(by):
        return 1 / by

    with pytest.raises(ZeroDivisionError):
        divide(0)
    assert len(panel.failures) == 1
    assert "ZeroDivisionError: division by zero" in panel.notice.message
    assert divide(2) == 0.5 and panel.notice.message == ""


def test_another_callbacks_success_does_not_hide_a_failure():
    panel = Panel()
    bad = panel.guarded(lambda: 1 / 0)
    good = panel.guarded(lambda: "fine")
    with pytest.raises(ZeroDivisionError):
        bad()
    good()
    assert "ZeroDivisionError" in panel.notice.message


def test_our_own_errors_are_shown_as_the_sentence_they_are():
    assert sentence_of(GainlibError("kick: no frames; give one")) == "kick: no frames; give one"


def test_the_bar_stays_away_from_short_work():
    progress = Progress(after_s=10)
    with progress.of("Measuring …"):
        progress(0.9)
        assert progress.widget.layout.display == "none"
    with pytest.raises(GainlibError, match="outside of any work"):
        progress(0.5)


# ---- the controls of an experiment -----------------------------------------------------------------------------------


def controls():
    burst = Slider("burst_ms", "Burst", steps=(5.0, 50.0, 6000.0), start=6000.0, unit="ms", words={6000.0: "no end"})
    level = Slider("level_db", "Level", -40, 0, 0.1, -18.0)
    return Controls([burst, level, Choice("gates", "Gates", {"none": "none", "both": "both"}, "both")])


def test_controls_refuse_what_they_cannot_be():
    three = controls()
    assert three.values == {"burst_ms": 6000.0, "level_db": -18.0, "gates": "both"}
    for wrong, message in (
        ({"level": 3.0}, "no control is called 'level'; there is burst_ms, level_db, gates"),
        ({"burst_ms": 300.0}, "none of its steps, 5 to 6000"),
        ({"level_db": 0.5}, "it goes from -40 to 0"),
        ({"gates": "relative"}, "none of none, both"),
    ):
        with pytest.raises(GainlibError, match=re.escape(message)):
            three.set(**wrong)
    for places in ([6000.0, -18.0], [6000.0, -18.0, 2.0], [6000.0, -18.0, -1.0], [300.0, -18.0, 0.0]):
        with pytest.raises(GainlibError):
            three.places = places
    with pytest.raises(GainlibError, match="no name twice"):
        Controls([])


def test_a_gesture_on_the_page_is_one_release():
    three, seen = controls(), []
    three.observe(lambda change: seen.append(change["new"]), "released")
    three.places = [50.0, -18.0, 1.0]
    three.places = [5.0, -18.0, 1.0]
    assert seen == []
    three.gesture += 1
    assert seen == [1] and three.values["burst_ms"] == 5.0
    assert three.rows[0]["words"] == [[6000.0, "no end"]]


def test_of_moves_that_wait_only_the_newest_is_worked_through_and_a_state_outruns_them(monkeypatch):
    monkeypatch.setattr(moving, "IDLE_S", 10.0)  # whatever the machine does meanwhile
    faders, seen, told = Faders(("kick", "bass"), (0.0, 0.0)), [], []
    faders.send = lambda content: told.append(content["moved"])
    faders.observe(lambda change: seen.append(change["new"][0]), "values_db")

    async def moved():
        for number in range(1, 6):
            faders._heard(faders, {"do": "move", "number": number, "values": [-number, "-inf"]}, [])
        assert seen == [-1.0]  # nothing was under way before it
        await asyncio.sleep(0.1)
        assert seen == [-1.0, -5.0] and faders.values_db == [-5.0, -math.inf] and told == [1, 2, 3, 4, 5]
        for number in (6, 7):
            faders._heard(faders, {"do": "move", "number": number, "values": [-number, 0]}, [])
        faders.set_state({"values_db": [-8, 0], "gesture": 1})
        await asyncio.sleep(0.1)
        assert seen[-1] == -8.0 and -7.0 not in seen and faders.released == 1 and told == [1, 2, 3, 4, 5, 6, 7]
        for number in (8, 9):
            faders._heard(faders, {"do": "move", "number": number, "values": [-number, 0]}, [])
        faders.set_state({"mute": ["kick"]})
        assert seen[-1] == -9.0 and told[-1] == 9

    asyncio.run(moved())
