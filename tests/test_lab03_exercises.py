"""The lab on recording level without a page: levels, noise and bad takes against arithmetic; draws and marks."""

import math

import numpy as np
import pytest
from daily import everything

from gainlib.exercises import exercise, mark
from gainlib.exercises.recordings import MOST_DB, PADS_DB, Rig, Way, bad_take, crest, looked_at
from gainlib.labs import lab03
from gainlib.notebook.panels import lab_module
from gainlib.processors import Converter, Preamp

TASKS = {"03-4": lab03.KNEE, "03-6": lab03.PERFORM}
PLACES = {"03-4": 1, "03-6": 0}


@pytest.mark.parametrize("seed", range(6))
def test_a_take_is_what_the_formula_makes_of_it(seed):
    """Worked by hand: power sum of self-noise + 2.05 dB, EIN and converter noise; rendered within 0.2 dB of it."""
    rng = np.random.default_rng(seed)
    stem, spl, pad, gain = list(lab03.SOUNDS)[seed % 5], 80.0, float(rng.choice(PADS_DB)), float(rng.uniform(10, 50))
    own, ein, full, noise = (float(rng.uniform(*ends)) for ends in ((5, 25), (-130, -118), (12, 24), (-118, -98)))
    rig = Rig(stem, spl, Preamp(0.0, 0.0, ein, 60.0, 60.0, 8.0, own), Converter(full, noise))
    take = rig.take(pad, gain)
    microphone = 20 * math.log10(0.008 / math.sqrt(0.6)) - 94 - pad + gain - full
    powers = [10 ** (level / 10) for level in (microphone + own + 2.05, ein + gain - full, noise)]
    expected = microphone + spl - 10 * math.log10(sum(powers))
    assert take.way.signal_to_noise == pytest.approx(expected, abs=0.02)
    assert take.signal_to_noise == pytest.approx(expected, abs=0.2)
    assert take.way.costs == pytest.approx(10 * math.log10(sum(powers) / sum(powers[:2])), abs=0.02)
    assert take.added == pytest.approx(take.way.costs, abs=0.15)
    assert take.averages[2] == pytest.approx(microphone + spl, abs=0.1)
    assert take.rooms[1] == pytest.approx(-(microphone + spl + crest(stem)), abs=0.2)


def test_at_the_knee_the_converter_costs_0_41_decibels():
    """10·log₁₀ 1.1 = 0.414 dB (worked by hand)."""
    for own in (None, 10.0):
        way = Way(Preamp(20.0, sensitivity_mv=8.0, self_noise_dba=own), Converter(18.0), 80.0, 6.0)
        at = Way(Preamp(way.knee, sensitivity_mv=8.0, self_noise_dba=own), Converter(18.0), 80.0, 6.0)
        assert at.costs == pytest.approx(10 * math.log10(1.1), abs=1e-6) and at.knee == pytest.approx(way.knee)


def test_the_chance_is_that_of_a_normal_spread():
    """A room as large as the mean excess clips one time in two; 3 dB more one in 6.3 (tables of the normal law)."""
    way = Way(Preamp(40.0, sensitivity_mv=8.0, ceiling_dbu=40.0), Converter(18.0), 60.0, 10.0)
    room = min(way.rooms)
    assert way.chance(room) == pytest.approx(50.0)
    assert way.chance(room - 3) == pytest.approx(15.87, abs=0.01)
    assert way.chance(room + 3) == pytest.approx(84.13, abs=0.01)


@pytest.mark.parametrize("stem", ["01 kick", "06 guitar", "09 lead vocal"])
def test_bad_takes_differ_where_they_should(stem):
    """Over all kinds, amounts and levels: each reading parts what it is meant to part, by a wide margin."""
    rng, found = np.random.default_rng(1), {kind: [] for kind in lab03.KINDS}
    for kind, takes in found.items():
        for over in (3.0, 5.5, 8.0):
            takes.append(looked_at(bad_take(stem, kind, over, float(rng.integers(-12, 0)), int(rng.integers(9)))))
    clean, cut = [*found["good"], *found["low"]], [*found["preamp"], *found["converter"]]
    assert min(t["flat"] for t in found["converter"]) >= 4
    assert max(t["flat"] for t in [*clean, *found["preamp"]]) <= 2
    assert min(t["near"] for t in cut) > 4 * max(t["near"] for t in clean)
    assert max(t["noise"] for t in found["low"]) < 50 - 1
    assert min(t["noise"] for t in [*found["good"], *cut]) > 50 + 4


def test_the_best_take_is_not_beaten():
    """Any pad and gain that does not clip has at most the signal to noise of the best."""
    asked = exercise("03-6")
    for k in range(40 if everything() else 8):
        given, rng = asked.variant(f"learner {k}"), np.random.default_rng(k)
        rig = lab03._rig(given)
        best = rig.best(given["D"])[0]
        for _ in range(60):
            way = rig.way(float(rng.choice(PADS_DB)), float(rng.uniform(0, MOST_DB)), given["D"])
            assert min(way.rooms) < 0 or way.signal_to_noise <= best + 1e-9


def test_both_branches_come_up_and_need_another_pad():
    loud = [exercise("03-6").variant(f"learner {k}") for k in range(40)]
    pads = {each["loud"]: set() for each in loud}
    for each in loud:
        pads[each["loud"]].add(lab03._careful(each)[0])
    assert pads[False] == {0.0} and pads[True] and 0.0 not in pads[True]


@pytest.mark.parametrize("id", TASKS)
def test_a_task_is_met_without_its_book_and_missed_as_found(id):
    asked, task = exercise(id), TASKS[id]
    for k in range(20 if everything() else 4):
        given = asked.variant(f"learner {k}", 2)
        assert all(task.missed(task.answer(task.of(given).start, given), given))
        assert not any(task.missed(asked.values(asked.solve(given))[PLACES[id]], given))
    if everything() or id == "03-4":  # many renders in the other
        assert not any(task.missed(task.solve(given), given))


def test_the_take_is_louder_than_what_the_desk_shows():
    asked = exercise("03-6")
    given = asked.variant("anna")
    right = asked.solve(given)
    run = lab03.PERFORM.run(right, given)
    assert min(run.seen.rooms) - min(run.seen.take.rooms) == pytest.approx(given["D"], abs=0.1)
    assert "D" not in asked.statement_for(given).split() and f"{given['D']:g} dB louder" not in asked.statement_for(
        given
    )
    hot = mark(asked, given, lab03._set(given, *lab03._hot(given)))
    assert (hot.state, hot.points) == ("wrong", 0.0) and "which clips: there is nothing to measure" in hot.feedback
    low = mark(asked, given, {"desk": {**right["desk"], "gain_db": 1.0}})
    assert (low.state, low.points) == ("partly", 2.0) and "signal to noise of the take" in low.feedback.lower()


def test_the_desk_says_what_it_shows():
    desk = lab_module("03").panel("recording", None)
    assert "66.1 dB** as rendered, 66.1 dB by the formula" in desk.said.text and "costs 16.11 dB" in desk.said.text
    desk.set(gain_db=59.0)
    assert "**The converter clips by" in desk.said.text
    desk.set(ceiling_dbu=10.0)
    assert "**The preamp clips by" in desk.said.text
    for tab, words in enumerate(("the peak is", "Chance: take clips from 0.0 to")):
        desk.bar.chosen = tab
        assert words in desk.pictures[tab].widget.sentence, desk.pictures[tab].widget.sentence
    assert desk.player.names == ["microphone", "rehearsal", "take"]


def test_the_worked_figures_are_compared():
    """2 mV/Pa at 74 dB SPL, EIN −128 dBu, +18 dBu, −110 dBFS: worked by hand in the tests of the processors."""
    outcome, sentence, table = lab_module("03").compare()
    assert outcome == "by about 1 dB" and "**1.4 dB**" in sentence
    assert [float(row[2]) for row in table.rows] == pytest.approx([30.2, 49.3, 54.8, 56.1, 56.2], abs=0.05)
    assert [float(row[1]) for row in table.rows] == pytest.approx([30.2, 49.3, 54.8, 56.1, 56.2], abs=0.2)
