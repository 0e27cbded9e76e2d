"""The lab on dynamics without a page: what its bench and its exercises measure, its panels and its speed."""

import time
from dataclasses import replace

import numpy as np
import pytest

from gainlib.audio import Audio
from gainlib.exercises import exercise, mark
from gainlib.exercises.dynamics import bench, readings, setting
from gainlib.exercises.dynamics.bench import GATE, Setting
from gainlib.notebook.panels import lab08
from gainlib.notebook.panels.dynamicsbench import DynamicsBench, told
from gainlib.notebook.panels.squeezed import SetCompressorPanel, SqueezeView
from gainlib.processors import Compressor
from gainlib.signals import tone

DRAG_S = 0.080


def settled_reduction_db(level_dbfs, compressor):
    """Return the reduction of a steady sine, as the model has it after the attack."""
    return float(compressor.reduction_db(tone(997, level_dbfs, 1.0))[-24000:].mean())


def test_the_answers_of_steady_levels_hold_on_the_model():
    """The key of 08-1 and 08-5 is what a sine through the compressor gives; static curve: Giannoulis et al., eq. 4."""
    for learner in range(6):
        given = exercise("08-1").variant(f"learner {learner}")
        boxes = [Compressor(given["T"], given["R"], knee) for knee in (0.0, given["W"])]
        measured = [settled_reduction_db(given["L"], box) for box in boxes]
        assert measured == pytest.approx(exercise("08-1").solve(given), abs=0.05)
        group = exercise("08-5").variant(f"learner {learner}")
        box = Compressor(group["T"], group["R"], 0.0)
        before, after = (settled_reduction_db(level, box) for level in (group["L"], group["L"] - group["x"]))
        change = -group["x"] + before - after
        assert [change, -group["x"] - change] == pytest.approx(exercise("08-5").solve(group), abs=0.05)


def test_trim_threshold_and_makeup_move_together():
    """08-2 on the model: everything x dB down ahead, threshold with it, makeup up: the same sound comes out."""
    given = exercise("08-2").variant("anna")
    threshold, makeup = exercise("08-2").solve(given)
    sound = bench.excerpt("02 snare")
    low = sound.with_samples(sound.samples * 10 ** (-given["x"] / 20))
    before = Compressor(given["T"], given["R"]).process(sound).samples
    after = Compressor(threshold, given["R"], makeup_db=makeup).process(low).samples
    assert np.abs(before - after).max() < 1e-12


def test_reduction_while_it_plays_leaves_pauses_out():
    rate, half = 48000, 24000
    samples = np.concatenate([tone(1000, -6.0, 0.5, rate).samples[:half], np.zeros((half, 1))])
    reduction = np.concatenate([np.full(half, 4.0), np.zeros(half)])
    sound = readings.Squeezed(Audio(samples, rate), Audio(samples, rate), reduction)
    assert readings.active_reduction_db(sound) == pytest.approx(4.0)


def test_matched_means_the_same_energy():
    for box in ("compressor", GATE):
        now = Setting("02 snare", box, drive_db=6.0)
        energies = [np.mean((audio.samples - audio.samples.mean()) ** 2) for audio in bench.heard(now)]
        assert 10 * np.log10(energies[1] / energies[0]) == pytest.approx(0.0, abs=0.01)
        seen = bench.see(replace(now, matched=False, makeup_db=3.0))
        assert seen.difference_db == pytest.approx(3.0 - bench.see(now).makeup_db)
    match = bench.match_whole("02 snare", 0.0, Setting().processor)
    assert abs(match.difference_db) <= 0.1 and match.out_db > 0


def test_drive_and_threshold_are_one_knob():
    first, second = bench.see(Setting(drive_db=6.0)), bench.see(Setting(threshold_dbfs=-26.0))
    assert first.reduction_db == pytest.approx(second.reduction_db, abs=1e-9)
    gates = [bench.see(Setting(box=GATE, drive_db=d, threshold_dbfs=-30.0 + d)) for d in (0.0, 6.0)]
    assert gates[0].reduction_db == pytest.approx(gates[1].reduction_db, abs=1e-6)


def test_the_panel_follows_within_80_ms_and_says_what_it_shows():
    panel = DynamicsBench()
    took, before = [], panel.pictures[0].widget.sentence
    for _ in range(6):
        panel.settings.places = [*panel.settings.places[:3], panel.settings.places[3] - 1, *panel.settings.places[4:]]
        begun = time.thread_time()
        panel._follow()
        took.append(time.thread_time() - begun)
    assert min(took) < DRAG_S, took
    panel.settings.set(threshold_dbfs=-30.0)
    assert panel.pictures[0].widget.sentence != before and "Turned down by" in panel.pictures[0].widget.sentence
    panel.settings.undo()
    panel.settings.reset()
    assert panel.setting == Setting() and panel.pictures[0].widget.sentence == before
    panel.settings.set(box=GATE, threshold_dbfs=0.0)
    assert "**0 %** of the time" in told(bench.see(panel.setting)), "a gate that never opens is no error"


def test_a_wrong_makeup_is_told_on_the_page():
    off = told(bench.see(Setting(matched=False, makeup_db=10.0)))
    assert "dB louder** than bypass" in off
    assert "as loud as bypass" in told(bench.see(Setting()))


def test_the_compressor_is_answered_from_its_panel():
    asked = exercise("08-6")
    given = asked.variant("anna")
    panel = SetCompressorPanel(given)
    assert panel.controls() is None
    assert mark(asked, given, {"compressor": {"makeup_db": 0.0}}).state == "wrong", "as it is found it is far too hot"
    panel.set_controls(asked.solve(given))
    assert mark(asked, given, panel.controls()).state == "right"
    panel.set_controls({"compressor": "junk"})
    panel.set_controls(None)
    assert panel.controls() == asked.solve(given)
    assert (
        dict(zip(*list(zip(*panel._table().rows, strict=True))[:2], strict=True))["peak at the output"] == "−2.00 dBFS"
    )
    found = setting.read(panel.controls(), given)
    assert found.peak_dbfs <= -1.0 and abs(found.difference_db) < 0.02


def test_the_readings_shown_are_the_readings_asked_about():
    given = exercise("08-3").variant("anna")
    view = SqueezeView(given)
    out = readings.through(given).after.samples
    plain = 10 * np.log10(np.mean((out - out.mean(axis=0)) ** 2)) + 3.0103
    assert plain == pytest.approx(given["energy_out"], abs=0.01)
    assert "at most" in view.live.widget.sentence


def test_the_prediction_is_compared_with_the_drums():
    outcome, sentence, table = lab08.compare()
    assert outcome in lab08.CHOICES.values() and outcome == "about 3 dB"
    assert table.rows[0][1:] == ("−6.00", "−6.00") and table.rows[2][1] == "−1.50"
    assert "takes back" in sentence
