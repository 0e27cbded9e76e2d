"""Lab 09's panels without a page: what follows the hand, what is remembered, what is handed in."""

import math

import numpy as np
import pytest

from gainlib.audio import Audio
from gainlib.exercises import exercise, mark
from gainlib.meters import rms_dbfs
from gainlib.notebook.fader import EvenTravel, Faders
from gainlib.notebook.panels import lab09
from gainlib.notebook.panels.handover import NAME, HandOverPanel
from gainlib.notebook.panels.linked_controls import Together, Trims
from gainlib.notebook.panels.measured import MeasuredPanel
from gainlib.notebook.panels.travel import TravelPanel
from gainlib.notebook.slider import Slider
from gainlib.session import FaderLaw

RATE = 48000


class Desk:
    """Where a learner sits, as far as the panels look."""

    def __init__(self, learner):
        self.name, self.class_code = learner, "7b"


@pytest.fixture(scope="module")
def noise():
    rng = np.random.default_rng(3)
    return Audio(0.1 * rng.standard_normal((2 * RATE, 1)), RATE, "noise")


# ---- controls ------------------------------------------------------------------------------------------------------


def test_an_even_travel_has_two_ends_and_no_silence():
    trims = Trims(("a", "b"), (3.0, -24.0))
    trims.values_db = [24.0, -24.0]
    for bad in (24.02, -24.1, -math.inf, math.nan):
        with pytest.raises(Exception, match="a trim goes from -24 up to 24"):
            trims.values_db = [bad, 0.0]
    trims.move_all(-5.0)
    assert trims.values_db == [24.0, -24.0], "one is at its end, so none moves"
    with pytest.raises(Exception, match="the low end is first"):
        EvenTravel(3, -3)


def test_a_law_can_be_changed_and_the_level_stays():
    fader = Faders(("fader",), (9.9,), options=())
    fader.take_law(FaderLaw(exponent=2))
    assert fader.values_db[0] == pytest.approx(40 * math.log10(100 / 75)) and fader.law["exponent"] == 2
    fader.set_values([-12.0])
    fader.take_law(FaderLaw(exponent=5))
    assert fader.values_db == [-12.0]


def test_one_memory_for_all():
    slider, trim = Slider("k", 4, 1, 6, 0.1), Trims(("trim",))
    fader = Together(("fader",), (-20.0,), others=(trim, slider))
    fader.set_values([-10.0])
    trim.set_values([5.0])
    slider.value = 3.0
    slider.released += 1
    fader.undo()
    assert (fader.values_db, trim.values_db, slider.value) == ([-10.0], [5.0], 4.0)
    fader.undo()
    assert (fader.values_db, trim.values_db, slider.value) == ([-10.0], [0.0], 4.0)
    fader.reset()
    assert (fader.values_db, trim.values_db) == ([-20.0], [0.0])
    fader.undo()
    assert fader.values_db == [-10.0]


# ---- travel --------------------------------------------------------------------------------------------------------


def test_the_travel_panel_says_what_the_law_says(noise):
    panel = TravelPanel(noise)
    picture = panel.live.widget.png
    panel.fader.set_values([-30.0])
    assert panel.live.widget.png != picture
    # −30 dB on 80·log10(x/75): x = 31.6 mm, 34.744/x = 1.10 dB per mm, worked by hand
    assert "stands at 31.6 mm, −30.0 dB. Below 34.7 mm" in panel.live.widget.sentence
    assert "worth 1.10 dB" in panel.live.widget.sentence
    assert "from 0.0 dB by **−0.94 dB**, from −40.0 dB by **−3.06 dB**" in panel._status.text
    panel.exponent.value = 3.0
    panel.exponent.released += 1
    assert "Below 26.1 mm" in panel.live.widget.sentence, "8.686·3"
    rows = panel.live.widget.tables[0]["rows"]
    assert [row for row in rows if row[0] == "0.0"] == [["0.0", "75.0", "0.35"]], "26.058/75"
    panel.fader.reset()
    assert panel.exponent.value == 4.0 and panel.level_db == -12.0


def test_hits_spread_with_the_hand_and_a_closed_fader_has_none(noise):
    panel = TravelPanel(noise)
    spread = panel._hits.spreads
    panel.hand.value = 1.0
    assert panel._hits.spreads[0] == pytest.approx(2 * spread[0], rel=0.02)
    assert panel._hits.spreads[1] == pytest.approx(panel._hits.spreads[0] * math.sqrt(10), rel=0.05)
    before = panel._hits.spreads
    panel.throw_again()
    assert panel._hits.spreads != before
    panel.fader.set_values([-math.inf])
    assert len(panel._hits.places) == 2 and "silent" in panel.live.widget.sentence
    assert "The fader is closed." in panel.live.widget.sentence


def test_what_is_heard_steps_by_what_is_said(noise):
    panel = TravelPanel(noise)
    player = panel._player
    assert player.names == ["2 mm at 0.0 dB", "2 mm at −40.0 dB"] and not player.match
    assert "not matched" in player.match_text
    for audio, step in zip(player._sources.values(), (-0.94, -3.06), strict=True):
        first, second = (rms_dbfs(audio.with_samples(audio.samples[a:b])) for a, b in ((0, RATE), (RATE + 3000, None)))
        assert second - first == pytest.approx(step, abs=0.1)


# ---- one strip -----------------------------------------------------------------------------------------------------


def test_moved_gain_is_seen_where_it_is_rendered(noise):
    """The picture's levels against a rendered session, and only the send ahead of the fader goes along."""
    panel = HandOverPanel(noise, -22.0)
    panel.keep.value = True
    panel.fader.set_values([0.0])
    assert panel.trim.values_db == [-22.0]
    trace = panel.session.render()
    for node, level in zip(lab09_points(), panel._ladder.levels, strict=True):
        assert rms_dbfs(trace.audio(node)) == pytest.approx(level, abs=1e-6)
    said = panel.live.widget.sentence
    assert "into the processor unchanged" in said and "at the bus unchanged" in said
    assert "cue send, ahead of the fader −22.0 dB; effect send, behind it unchanged" in said
    assert "together **−22.0 dB**" in panel._status.text and "**0.46 dB**" in panel._status.text


def lab09_points():
    ends = ("insert 1/in", "insert 1/out", "send cue", "send effect", "out")
    return [f"{NAME}/{end}" for end in ends]


def test_the_kept_sum_and_its_ends(noise):
    panel = HandOverPanel(noise, -20.0)
    panel.keep.value = True
    panel.trim.set_values([10.0])
    assert panel.fader.values_db == [-30.0]
    panel.trim.set_values([-24.0])
    assert panel.fader.values_db == [4.0]
    panel.fader.set_values([9.0])
    assert panel.trim.values_db == [-24.0] and "at its end" in panel._status.text
    panel.fader.undo()
    assert (panel.fader.values_db, panel.trim.values_db) == ([4.0], [-24.0])
    panel.fader.reset()
    assert (panel.fader.values_db, panel.trim.values_db) == ([-20.0], [0.0])
    panel.fader.set_values([-math.inf])
    assert panel.trim.values_db == [0.0] and "silent" in panel.live.widget.sentence
    panel.keep.value = False
    panel.fader.set_values([0.0])
    assert panel.trim.values_db == [0.0] and "at the bus no longer silent" not in panel.live.widget.sentence
    assert "at the bus +20.0 dB" in panel.live.widget.sentence


def test_every_learner_begins_elsewhere():
    starts = [lab09.start_db(Desk(f"learner {index}")) for index in range(40)]
    assert len(set(starts)) > 8 and all(-23.5 <= start <= -16 for start in starts)
    assert lab09.start_db(Desk("Anna")) == lab09.start_db(Desk(" anna"))


# ---- eight strips --------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def far():
    asked = exercise("09-5")
    given = asked.variant("anna")
    return asked, given, lab09.exercise_panel(asked, given, Desk("anna"))


def test_the_far_mix_is_answered_from_its_controls(far):
    asked, given, panel = far
    assert panel.controls() is None
    answer = asked.solve(given)
    panel.set_controls(answer)
    assert panel.controls() == answer and mark(asked, given, panel.controls()).state == "right"
    said = panel.live.widget.sentence
    assert said == "All faders are within 3 dB of unity. Every level at the bus is kept. Both sends are kept."
    trims = [fields["post_trim_db"] for fields in answer.values()]
    panel.trims.set_values([trims[0] + 1.0, *trims[1:]])
    assert "Moved at the bus: kick +1.00 dB." in panel.live.widget.sentence
    panel.faders.undo()
    assert panel.live.widget.sentence == said
    panel.faders.reset()
    assert panel.controls() is None and "Still more than 3 dB from unity" in panel.live.widget.sentence


def test_the_far_mix_shows_the_trap(far):
    asked, given, panel = far
    slip = asked.slips[0]
    panel.set_controls(slip.answer(given))
    assert mark(asked, given, panel.controls()).slips == (slip.name,)
    stem = given["cue"].partition(" ")[2]
    assert f"Moved: cue send of {stem}" in panel.live.widget.sentence.replace(f"effect send of {stem}", "")
    panel.set_controls({"no such": {"fader_db": 0}, "01 kick": {"fader_db": "loud"}})
    assert panel.controls() == slip.answer(given), "what cannot be read leaves everything as it is"
    panel.faders.set_values([-math.inf, *panel.faders.values_db[1:]])
    assert mark(asked, given, panel.controls()).state == "invalid", "closed is below the range, and costs nothing"
    panel.faders.reset()


# ---- a measured fader ----------------------------------------------------------------------------------------------


def test_the_measured_panel_hands_in_the_law_and_own_points():
    asked = exercise("09-6")
    given = asked.variant("anna")
    panel = MeasuredPanel(given["mm"], given["db"])
    assert panel.controls() is None
    law, steep = asked.solve(given)
    panel.set_controls(law)
    assert mark(asked, given, [panel.controls(), steep]).state == "right" and "own" not in panel.controls()
    # the least misfit is at the fit: a little to any side it is larger
    least = panel._misfit
    for by in (-0.3, 0.3):
        panel.exponent.value += by
        assert panel._misfit > least
        panel.exponent.value -= by
    panel.points.value = "0 −∞\n10 −40\n20 -30,5\n30 −20\n40 −10\n50 −3\n60 2 dB"
    assert panel.controls()["own"]["mm"] == [0, 10, 20, 30, 40, 50, 60]
    assert panel.controls()["own"]["db"] == ["-inf", -40, -30.5, -20, -10, -3, 2]
    assert "6 points with a finite gain" in panel._said.text
    handed_in = panel.controls()
    panel.reset.click()
    assert panel.controls() is None
    panel.set_controls(handed_in)
    assert panel.controls() == handed_in


def test_points_that_cannot_be_read_are_told_and_handed_on():
    asked = exercise("09-6")
    given = asked.variant("anna")
    panel = MeasuredPanel(given["mm"], given["db"])
    panel.exponent.value = 4.0
    panel.points.value = "10 −40\ntwenty −30"
    assert "Line 2, “twenty −30”" in panel._said.text
    verdict = mark(asked, given, [panel.controls(), 30])
    assert verdict.state == "invalid" and "Line 2" in verdict.feedback
    panel.points.value = "10 −40\n20 −30"
    assert "at least 6 points" in panel._said.text


def test_the_prediction_is_borne_out_by_the_law():
    outcome, sentence, table = lab09.compare()
    assert outcome == "about 3 dB" and "3.06 dB" in sentence
    assert ("−40.0 dB", "23.7", "1.46", "−3.06") == table.rows[4][:4]
