"""The lab on decibels without a page: rendered levels and noise against the formula, what is drawn, what is marked."""

import math

import numpy as np
import pytest
from daily import everything

from gainlib.exercises import exercise, mark
from gainlib.exercises.stems import STEMS, bar
from gainlib.labs import lab01
from gainlib.labs.lab01 import Stages, chained
from gainlib.notebook.panels import lab_module

TASKS = {"01-4": lab01.TONE, "01-6": lab01.WAY}


def by_hand(source, gains, noises):
    """Worked by hand: Σ 10^((noise + gains from that stage on)/10) against 10^((source + all gains)/10)."""
    noise = sum(10 ** ((n + sum(gains[k:])) / 10) for k, n in enumerate(noises))
    return source + sum(gains) - 10 * math.log10(noise)


@pytest.mark.parametrize("seed", range(6))
def test_levels_and_noise_are_those_of_the_formula(seed):
    """Gains add up, and the noises add in power (worked by hand), within 0.2 dB of what is rendered."""
    rng = np.random.default_rng(seed)
    source, gains = float(rng.uniform(-60, -30)), [float(rng.uniform(15, 40)), *rng.uniform(-15, 5, 3)]
    noises, stem = [float(each) for each in rng.uniform(-128, -85, 4)], STEMS[seed % len(STEMS)]
    seen = Stages(chained(bar(stem), source, gains, noises, (40, 40, 40, 40)))
    assert seen.averages == pytest.approx(list(np.cumsum([source, *gains])), abs=0.05)
    assert seen.signal_to_noise == pytest.approx(by_hand(source, gains, noises), abs=0.2)
    assert seen.formula == pytest.approx(by_hand(source, gains, noises), abs=1e-6)
    assert seen.rooms == pytest.approx([40 - peak for peak in seen.peaks[1:]])


def test_a_clipped_stage_is_not_cured_by_the_next():
    """Room behind the clipped stage grows again, but the wave stays cut: its crest is gone."""
    straight, cut = (Stages(chained(bar("02 snare"), -40, (gain, -gain, 0, 0))) for gain in (30.0, 60.0))
    assert min(straight.rooms) > 0 > cut.rooms[0] and cut.rooms[3] > 20
    crests = [each.peaks[-1] - each.averages[-1] for each in (straight, cut)]
    assert crests[0] == pytest.approx(lab01.crest("02 snare"), abs=0.1) and crests[1] < crests[0] - 5


def test_no_setting_beats_the_closed_form():
    """Three hundred random settings a learner that keep the rooms and arrive: none has a better signal to noise."""
    asked = exercise("01-6")
    for k in range(200 if everything() else 2):
        g, rng = asked.variant(f"learner {k}"), np.random.default_rng(k)
        most = np.array([lab01._most(g, stage) for stage in range(3)])
        best = by_hand(g["u"], lab01._through(g, [*most, g["t"]]), lab01._of(g, "noise"))
        for _ in range(300):
            outputs = most - rng.exponential(6.0, 3)
            gains = lab01._through(g, [*outputs, g["t"]])
            assert by_hand(g["u"], gains, lab01._of(g, "noise")) <= best + 0.1


@pytest.mark.parametrize("id", TASKS)
def test_a_task_is_met_without_its_book_and_missed_as_found(id):
    asked, task = exercise(id), TASKS[id]
    for k in range(20 if everything() else 4):
        given = asked.variant(f"learner {k}", 2)
        assert all(task.missed(task.answer(task.of(given).start, given), given))
        assert not any(task.missed(asked.values(asked.solve(given))[0], given))
    if everything() or id == "01-4":  # a hundred renders in the other
        assert not any(task.missed(task.solve(given), given))


def test_points_come_check_by_check():
    asked = exercise("01-6")
    given = asked.variant("anna")
    evenly = mark(asked, given, lab01._set(given, lab01._evenly(given)))
    assert (evenly.state, evenly.points) == ("partly", 2.0) and "too late" in evenly.feedback
    cut = mark(asked, given, lab01._set(given, lab01._with_average(given)))
    assert cut.points == 4.0 and "peak that meets a ceiling" in cut.feedback


def test_six_levels_in_order_by_their_voltages():
    """Second opinion: each written as volts, by hand."""
    asked = exercise("01-5")
    for k in range(50):
        given = asked.variant(f"learner {k}")
        volts = []
        for unit, value in zip(given["units"], given["values"], strict=True):
            dbu = {"dBu": value, "dBFS": value + given["K"]}.get(unit, 0.0)
            made = {"V": value, "mV": value / 1000, "dBV": 10 ** (value / 20)} if unit in ("V", "mV", "dBV") else {}
            volts.append(made.get(unit, math.sqrt(0.6) * 10 ** (dbu / 20)))
        assert asked.solve(given) == ["abcdef"[place] for place in np.argsort(volts)]
        levels = np.sort(20 * np.log10(volts))
        assert np.diff(levels).min() >= 1.49


def test_the_desk_says_what_it_shows():
    desk = lab_module("01").panel("chain", None)
    assert "Out of the chain: **−5.0 dBu**" in desk.said.text and "76.4 dB** as rendered, 76.4 dB" in desk.said.text
    assert "the least room is at insert, 17.5 dB" in desk.pictures[0].widget.sentence
    desk.set(gain1_db=0.0, gain3_db=40.0)
    assert "**−5.0 dBu**" in desk.said.text and "made by the insert" in desk.said.text
    desk.set(gain1_db=60.0, gain3_db=-20.0)
    assert "**The insert clips: its peaks are" in desk.said.text
    assert desk.player.names == ["source", "out of the chain"]
    desk.undo()
    desk.undo()
    assert desk.setting == lab01.chain().start


def test_the_desk_of_the_way_is_its_answer():
    asked = exercise("01-6")
    given = asked.variant("anna")
    desk = lab_module("01").exercise_panel(asked, given, None)
    assert desk.controls() is None and "over its ceiling" not in desk.pictures[0].widget.sentence
    desk.set_controls(asked.solve(given))
    assert mark(asked, given, desk.controls()).state == "right"


def test_the_prediction_is_compared_with_54_decibels():
    outcome, sentence, table = lab_module("01").compare()
    assert outcome == "more than 20 dB" and "**40.0 dB**" in sentence
    assert [row[3:] for row in table.rows] == [("77.8", "77.8"), ("37.9", "37.9")]
