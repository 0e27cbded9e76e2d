"""The lab on dynamics without a page: what its desk and its exercises measure, and its speed."""

import time

import numpy as np
import pytest

from gainlib.audio import Audio
from gainlib.exercises import exercise, mark, stems
from gainlib.labs import lab08
from gainlib.labs.lab08 import GATE, Squeezed, dynamics
from gainlib.notebook.panels import lab_module
from gainlib.processors import Compressor
from gainlib.signals import tone

DRAG_S = 0.080
TASKS = {"08-1": lab08.STEADY_TASK, "08-2": lab08.TRIM_TASK, "08-5": lab08.GROUP_TASK}


def settled_reduction_db(level_dbfs, compressor):
    """Return the reduction of a steady sine, as the model has it after the attack."""
    return float(compressor.reduction_db(tone(997, level_dbfs, 1.0))[-24000:].mean())


def run(**values):
    """Return the lab's experiment at work."""
    return dynamics().at(dynamics().setting(**values))


def test_the_answers_of_steady_levels_hold_on_the_model():
    """The key of 08-1 and 08-5 is what a sine through the compressor gives; static curve: Giannoulis et al., eq. 4."""
    for learner in range(6):
        given = exercise("08-1").variant(f"learner {learner}")
        set_so, *soft = exercise("08-1").solve(given)
        threshold = set_so["desk"]["threshold_dbfs"]
        assert settled_reduction_db(given["L"], Compressor(threshold, given["R"], 0.0)) == pytest.approx(
            given["g"], abs=0.05
        )
        knee = Compressor(threshold, given["R"], given["W"])
        measured = [settled_reduction_db(given[name], knee) for name in ("a", "b")]
        assert measured == pytest.approx(soft, abs=0.05)
        group = exercise("08-5").variant(f"learner {learner}")
        box = Compressor(group["T"], group["other"], 0.0)
        before, after = (settled_reduction_db(level, box) for level in (group["L"], group["L"] - group["x"]))
        assert -group["x"] + before - after == pytest.approx(exercise("08-5").solve(group)[1], abs=0.05)


def test_one_level_is_inside_the_knee_and_the_other_past_it():
    """So that neither the hard curve nor the bend is right for both; which comes first is drawn."""
    inside = []
    for learner in range(40):
        given = exercise("08-1").variant(f"learner {learner}")
        threshold = given["L"] - given["g"] * given["R"] / (given["R"] - 1)
        inside.append([abs(given[name] - threshold) < given["W"] / 2 for name in ("a", "b")])
    assert all(sum(each) == 1 for each in inside) and 8 < sum(first for first, _ in inside) < 32


def test_trim_threshold_and_makeup_move_together():
    """08-2 on the model: everything x dB down ahead, threshold with it, makeup up: the same sound comes out."""
    given = exercise("08-2").variant("anna")
    threshold, makeup = exercise("08-2").solve(given)["desk"].values()
    sound = stems.excerpt("02 snare")
    low = sound.with_samples(sound.samples * 10 ** (-given["x"] / 20))
    before = Compressor(given["T"], given["R"]).process(sound).samples
    after = Compressor(threshold, given["R"], makeup_db=makeup).process(low).samples
    assert np.abs(before - after).max() < 1e-12


@pytest.mark.parametrize("id", TASKS)
def test_a_task_is_met_without_its_book_and_missed_as_found(id):
    """The solver knows the aims only; as found nothing is met, so that nothing is paid for."""
    asked, task = exercise(id), TASKS[id]
    for k in range(4):
        given = asked.variant(f"learner {k}")
        assert all(task.missed(task.answer(task.of(given).start, given), given)), given
    found = [task.solve(given), *asked.values(asked.solve(given))[1:]]
    assert mark(asked, given, asked.answer(found)).state == "right"


def test_reduction_while_it_plays_leaves_pauses_out():
    rate, half = 48000, 24000
    samples = np.concatenate([tone(1000, -6.0, 0.5, rate).samples[:half], np.zeros((half, 1))])
    reduction = np.concatenate([np.full(half, 4.0), np.zeros(half)])
    sound = Squeezed(Audio(samples, rate), Audio(samples, rate), 0.0, reduction)
    assert sound.mean_while_playing_db == pytest.approx(4.0)


def test_matched_means_the_same_energy():
    listen = dynamics().listen
    for box in ("compressor", GATE):
        now = run(sound="02 snare", box=box, drive_db=6.0)
        energies = [np.mean((audio.samples - audio.samples.mean()) ** 2) for audio in listen.sounds(now).values()]
        assert 10 * np.log10(energies[1] / energies[0]) == pytest.approx(0.0, abs=0.01)
    match = lab08._match_whole(run(sound="02 snare"), None)
    assert abs(match.difference_db) <= 0.1 and match.out_db > 0


def test_drive_and_threshold_are_one_knob():
    first, second = run(drive_db=6.0).seen, run(threshold_dbfs=-26.0).seen
    assert first.reduction_db == pytest.approx(second.reduction_db, abs=1e-9)
    gates = [run(box=GATE, drive_db=d, threshold_dbfs=-30.0 + d).seen for d in (0.0, 6.0)]
    assert gates[0].reduction_db == pytest.approx(gates[1].reduction_db, abs=1e-6)


@pytest.mark.timed
def test_the_desk_follows_within_80_ms_and_says_what_it_shows():
    desk = lab_module("08").panel("dynamics", None)
    took, before = [], desk.pictures[0].widget.sentence
    for step in range(1, 7):
        places = list(desk.settings.places)
        places[3] = -step / 10
        begun = time.thread_time()
        desk.settings.places = places
        took.append(time.thread_time() - begun)
    assert min(took) < DRAG_S, took
    desk.set(threshold_dbfs=-30.0)
    assert desk.pictures[0].widget.sentence != before and "Turned down by" in desk.pictures[0].widget.sentence
    desk.undo()
    desk.reset()
    assert desk.setting == dynamics().start and desk.pictures[0].widget.sentence == before
    desk.set(box=GATE, threshold_dbfs=0.0)
    assert "**0 %** of the time" in desk.said.text, "a gate that never opens is no error"


def test_controls_without_effect_are_off_and_say_why():
    desk = lab_module("08").panel("dynamics", None)
    off = dict(zip(desk.settings.values, desk.settings.off, strict=True))
    assert off["hold_ms"] == off["hysteresis_db"] == "only the gate has it" and off["makeup_db"] == "follows the match"
    desk.set(box=GATE, matched=False)
    off = dict(zip(desk.settings.values, desk.settings.off, strict=True))
    assert off["ratio"] == off["knee_db"] == "only the compressor has it"
    assert off["hold_ms"] == off["makeup_db"] == off["drive_db"] == ""


def test_a_wrong_makeup_is_told_on_the_page():
    assert "louder** than bypass" in dynamics().told(run(matched=False, makeup_db=10.0))
    assert "as loud as bypass" in dynamics().told(run())


def test_the_compressor_is_answered_from_its_desk():
    asked = exercise("08-6")
    given = asked.variant("anna")
    desk = lab_module("08").exercise_panel(asked, given, None)
    assert desk.controls() is None
    assert mark(asked, given, {"compressor": {"makeup_db": 0.0}}).state == "wrong", "as it is found it is far too hot"
    desk.set_controls(asked.solve(given))
    assert mark(asked, given, desk.controls()).state == "right"
    desk.set_controls({"compressor": "junk"})
    desk.set_controls({"compressor": {"trim_db": 999.0}})
    desk.set_controls(None)
    assert desk.controls() == asked.solve(given)
    rows = {row[0]: row[1] for row in desk.numbers.table["rows"]}
    assert rows["peak at the output"] in ("−2.00 dBFS", "−1.99 dBFS") and rows["active against bypass"] == "0.00 dB"


def test_every_variant_of_the_task_can_be_met_without_its_book():
    """The solver knows the aims only; what it finds is right for the marking."""
    given = exercise("08-6").variant("ben")
    assert mark(exercise("08-6"), given, lab08.SET_TASK.solve(given)).state == "right"


@pytest.mark.parametrize("learner", ["learner-7464", "learner-1e5b"])
def test_a_learner_with_many_unfair_draws_gets_a_variant(learner):
    assert 6.0 <= exercise("08-3").variant(learner)["most"] <= 15.0


def test_every_stem_that_is_fair_comes():
    """Behind what sounds longer, active level and energy change alike, and neither could be told wrong."""
    drawn = [exercise("08-3").variant(f"learner {k}")["stem"] for k in range(30)]
    assert all(drawn.count(stem) >= 2 for stem in lab08.PLUCKED) and set(drawn) == set(lab08.PLUCKED)


def test_the_meters_of_the_desk_read_what_is_asked_about():
    asked = exercise("08-3")
    given = asked.variant("anna")
    desk = lab_module("08").exercise_panel(asked, given, None)
    out = desk.run.seen.after.samples
    plain = 10 * np.log10(np.mean((out - out.mean(axis=0)) ** 2)) + 3.0103  # worked by hand: a full-scale sine reads 0
    assert plain == pytest.approx(given["energy_out"], abs=0.01)
    words = desk.pictures[0].widget.sentence
    assert "at most" in words and desk.numbers is None, "read off the picture, printed nowhere else"
    assert f"RMS, in {given['energy_in']:.2f} dBFS".replace("-", "−") in words


def test_the_prediction_is_compared_with_the_drums():
    outcome, sentence, table = lab_module("08").compare()
    assert outcome in lab08.CHOICES.values() and outcome == "about 3 dB"
    assert table.rows[0][1:] == ("−6.00", "−6.00") and table.rows[2][1] == "−1.50"
    assert "takes back" in sentence
