"""Lab 09's panels without a page: what follows the hand, what is remembered, what is handed in."""

import math

import numpy as np
import pytest

from gainlib.exercises import exercise, mark
from gainlib.labs import lab09
from gainlib.meters import rms_dbfs
from gainlib.notebook.controls import EvenTravel, Faders
from gainlib.notebook.panels import lab_module
from gainlib.session import FaderLaw
from gainlib.session.fader import moved_db, nudged

RATE = 48000


class Learner:
    """Who works, as far as a panel looks."""

    def __init__(self, learner):
        self.name, self.class_code = learner, "7b"


def start_db(learner):
    """Return where the strip's fader stands at first."""
    return lab_module("09").panel("strip", Learner(learner)).setting.fader_db["fader"]


def travel():
    return lab_module("09").panel("travel", None)


def words(desk):
    return desk.pictures[0].widget.sentence


# ---- controls ------------------------------------------------------------------------------------------------------


def test_an_even_travel_has_two_ends_and_no_silence():
    trims = Faders(("a", "b"), (3.0, -24.0), law=EvenTravel(-24.0, 24.0), options=())
    trims.values_db = [24.0, -24.0]
    for bad in (24.02, -24.1, -math.inf, math.nan):
        with pytest.raises(Exception, match="a trim goes from -24 up to 24"):
            trims.values_db = [bad, 0.0]
    with pytest.raises(Exception, match="the low end is first"):
        EvenTravel(3, -3)


def test_a_law_can_be_changed_and_the_level_stays():
    fader = Faders(("fader",), (9.9,), options=())
    fader.take_law(FaderLaw(exponent=2))
    assert fader.values_db[0] == pytest.approx(40 * math.log10(100 / 75)) and fader.law["exponent"] == 2
    fader.set_values([-12.0])
    fader.take_law(FaderLaw(exponent=5))
    assert fader.values_db == [-12.0]


# ---- travel --------------------------------------------------------------------------------------------------------


def test_the_travel_desk_says_what_the_law_says():
    desk = travel()
    picture = desk.pictures[0].widget.moving
    desk.mixers["fader_db"].set_values([-30.0])
    assert desk.pictures[0].widget.moving != picture
    # −30 dB on 80·log10(x/75): x = 31.6 mm, 34.744/x = 1.10 dB per mm, worked by hand
    assert "is at 31.6 mm, −30.0 dB. Below 34.7 mm" in words(desk)
    assert "worth 1.10 dB" in words(desk)
    assert "from 0.0 dB by **−0.94 dB**, from −40.0 dB by **−3.06 dB**" in desk.said.text
    desk.settings.set(exponent=3.0)
    assert "Below 26.1 mm" in words(desk), "8.686·3"
    assert desk.mixers["fader_db"].law["exponent"] == 3.0, "the travel under the hand is that of the picture"
    rows = desk.pictures[0].widget.tables[0]["rows"]
    assert [row for row in rows if row[0] == "0.0"] == [["0.0", "75.0", "0.35"]], "26.058/75"
    desk.reset()
    assert desk.setting == lab09.travel().start and desk.mixers["fader_db"].law["exponent"] == 4.0


def test_hits_spread_with_the_hand_and_a_closed_fader_has_none():
    desk = travel()

    def spreads():
        return [float(row[1]) for row in desk.pictures[0].widget.tables[1]["rows"]]

    spread = spreads()
    desk.settings.set(hand_mm=1.0)
    assert spreads()[0] == pytest.approx(2 * spread[0], rel=0.05)
    assert spreads()[1] == pytest.approx(spreads()[0] * math.sqrt(10), rel=0.05)
    before = spreads()
    desk.press("hits")
    assert spreads() != before
    desk.undo()
    assert spreads() == before
    desk.mixers["fader_db"].set_values([-math.inf])
    assert len(spreads()) == 2 and "silent" in words(desk)
    assert "The fader is closed." in words(desk)


def test_what_is_heard_steps_by_what_is_said():
    player = travel().player
    assert player.names == ["2 mm at 0.0 dB", "2 mm at −40.0 dB"] and not player.match
    assert "not matched" in player.match_text
    rng = np.random.default_rng(3)
    steady = lab09.sound().with_samples(0.1 * rng.standard_normal((2 * RATE, 1)))
    for db, step in ((0.0, -0.94), (-40.0, -3.06)):
        audio = nudged(steady, moved_db(FaderLaw(), db, -2.0).item())
        first, second = (rms_dbfs(audio.with_samples(audio.samples[a:b])) for a, b in ((0, RATE), (RATE + 3000, None)))
        assert second - first == pytest.approx(step, abs=0.1)
        loud = np.abs(lab09.sound().samples) > 1e-3
        steps = (
            player._sources[f"2 mm at {'−' if db else ''}{abs(db):.1f} dB"].samples[loud] / lab09.sound().samples[loud]
        )
        later = np.nonzero(loud)[0]
        assert 20 * np.log10(np.median(steps[(later > RATE + 3000) & (later < 2 * RATE)])) == pytest.approx(
            step, abs=0.01
        )


# ---- one strip -----------------------------------------------------------------------------------------------------


@pytest.fixture
def strip():
    desk = lab_module("09").panel("strip", Learner("anna"))
    desk.set(fader_db={"fader": -22.0})
    return desk


def test_moved_gain_is_seen_where_it_is_rendered(strip):
    """The picture's levels against a rendered session, and only the send ahead of the fader goes along."""
    assert start_db("anna") == -22.0, "drawn for her"
    strip.set(keep=True)
    strip.mixers["fader_db"].set_values([0.0])
    assert strip.setting.post_trim_db == -22.0
    trace = strip.run.session.render()
    for node in lab09.POINTS.values():
        assert rms_dbfs(trace.audio(node)) == pytest.approx(strip.run.seen[node], abs=1e-6)
    said = words(strip)
    assert "into the processor unchanged" in said and "at the bus unchanged" in said
    assert "cue send, ahead of the fader −22.0 dB; effect send, behind it unchanged" in said
    assert "together **−22.0 dB**" in strip.said.text and "**0.46 dB**" in strip.said.text


def test_the_kept_sum_and_its_ends(strip):
    strip.set(fader_db={"fader": -20.0})
    strip.set(keep=True)
    fader = strip.mixers["fader_db"]
    strip.settings.places = [1.0, 10.0, *strip.settings.places[2:]]
    assert fader.values_db == [-30.0]
    strip.settings.places = [1.0, -24.0, *strip.settings.places[2:]]
    assert fader.values_db == [4.0]
    strip.settings.released += 1
    fader.set_values([9.0])
    assert strip.setting.post_trim_db == -24.0 and "at its end" in strip.said.text
    strip.undo()
    assert (fader.values_db, strip.setting.post_trim_db) == ([4.0], -24.0)
    strip.reset()
    assert strip.setting.post_trim_db == 0.0 and not strip.setting.keep
    fader.set_values([-math.inf])
    assert strip.setting.post_trim_db == 0.0 and "silent" in words(strip)
    fader.set_values([0.0])
    assert strip.setting.post_trim_db == 0.0 and "no longer silent" not in words(strip)
    assert f"at the bus +{-start_db('anna'):.1f} dB" in words(strip)


def test_every_learner_begins_elsewhere():
    starts = [lab09.strip(np.random.default_rng(seed)).start.fader_db["fader"] for seed in range(40)]
    assert len(set(starts)) > 8 and all(-23.5 <= start <= -16 for start in starts)
    assert start_db("Anna") == start_db(" anna")


# ---- eight strips --------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def far():
    asked = exercise("09-5")
    given = asked.variant("anna")
    return asked, given, lab_module("09").exercise_panel(asked, given, Learner("anna"))


def test_the_far_mix_is_answered_from_its_controls(far):
    asked, given, desk = far
    assert desk.controls() is None
    answer = asked.solve(given)
    desk.set_controls(answer)
    assert desk.controls() == answer and mark(asked, given, desk.controls()).state == "right"
    kept = words(desk)
    assert kept == "All faders are within 3 dB of unity. Every level at the bus is unchanged. Both sends are unchanged."
    assert [row[1] for row in desk.numbers.table["rows"]][1:] == ["0.00 dB", "0.00 dB"]
    trims = desk.mixers["post_trims_db"]
    trims.set_values([trims.values_db[0] + 1.0, *trims.values_db[1:]])
    assert "Moved at the bus: kick +1.00 dB." in words(desk)
    moved = desk.run.session.render().audio("01 kick/out"), asked.material(given).render().audio("01 kick/out")
    assert rms_dbfs(moved[0]) - rms_dbfs(moved[1]) == pytest.approx(1.0, abs=1e-6), "as rendered"
    desk.undo()
    assert words(desk) == kept
    desk.reset()
    assert desk.controls() is None and "Still more than 3 dB from unity" in words(desk)


def test_the_far_mix_shows_the_trap(far):
    asked, given, desk = far
    slip = asked.slips[0]
    desk.set_controls(slip.answer(given))
    assert mark(asked, given, desk.controls()).slips == (slip.name,)
    stem = given["cue"].partition(" ")[2]
    assert f"Moved: cue send of {stem}" in words(desk).replace(f"effect send of {stem}", "")
    desk.set_controls({"no such": {"fader_db": 0}, "01 kick": {"fader_db": "loud"}})
    assert desk.controls() == slip.answer(given), "what cannot be read leaves everything as it is"
    faders = desk.mixers["faders_db"]
    faders.set_values([-math.inf, *faders.values_db[1:]])
    assert mark(asked, given, desk.controls()).state == "invalid", "closed is below the range, and costs nothing"
    desk.reset()


# ---- a measured fader ----------------------------------------------------------------------------------------------


def test_the_measured_desk_hands_in_the_law_and_own_points():
    asked = exercise("09-6")
    given = asked.variant("anna")
    desk = lab_module("09").exercise_panel(asked, given, None)
    assert desk.controls() is None
    law, steep = asked.solve(given)
    desk.set_controls(law)
    assert mark(asked, given, [desk.controls(), steep]).state == "right" and "own" not in desk.controls()
    # the least misfit is at the fit: a little to any side it is larger
    least, exponent = desk.run.seen[2], desk.setting.exponent
    for by in (-0.3, 0.3):
        desk.settings.set(exponent=exponent + by)
        assert desk.run.seen[2] > least
    desk.settings.set(exponent=exponent)
    desk.texts["points"].value = "0 −∞\n10 −40\n20 -30,5\n30 −20\n40 −10\n50 −3\n60 2 dB"
    assert desk.controls()["own"]["mm"] == [0, 10, 20, 30, 40, 50, 60]
    assert desk.controls()["own"]["db"] == ["-inf", -40, -30.5, -20, -10, -3, 2]
    assert "6 points with a finite gain" in desk.said.text and len(desk.pictures[0].widget.tables[0]["rows"]) == 6
    handed_in = desk.controls()
    desk.reset()
    assert desk.controls() is None
    desk.set_controls(handed_in)
    assert desk.controls() == handed_in


def test_points_that_cannot_be_read_are_told_and_handed_on():
    asked = exercise("09-6")
    given = asked.variant("anna")
    desk = lab_module("09").exercise_panel(asked, given, None)
    desk.settings.set(exponent=4.0)
    before = desk.pictures[0].widget.sentence
    desk.texts["points"].value = "10 −40\ntwenty −30"
    assert "Line 2, “twenty −30”" in desk.said.text and desk.pictures[0].widget.sentence == before
    verdict = mark(asked, given, [desk.controls(), 30])
    assert verdict.state == "invalid" and "Line 2" in verdict.feedback
    desk.texts["points"].value = "10 −40\n20 −30"
    assert "at least 6 points" in desk.said.text


def test_the_prediction_is_borne_out_by_the_law():
    outcome, sentence, table = lab09.compare()
    assert outcome == "about 3 dB" and "3.06 dB" in sentence
    assert ("−40.0 dB", "23.7", "1.46", "−3.06") == table.rows[4][:4]
