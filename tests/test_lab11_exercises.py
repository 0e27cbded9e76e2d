"""The lab on delivery without a page: masters and players against rules and other meters, and what is marked."""

import io
import math

import numpy as np
import pyloudnorm
import pytest
import soundfile
from daily import everything
from scipy import signal

from gainlib.exercises import exercise, mark, masters
from gainlib.exercises.masters import CLIP, LIMIT, OPEN, figures, handed_in, held, played_db
from gainlib.labs import lab11
from gainlib.meters import flat_runs
from gainlib.notebook.panels import lab_module

MANY = 2000
TASKS = {"11-1": lab11.ALONE, "11-6": lab11.MASTER}

# ---- against rules and other meters ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", masters.MIXES)
def test_a_mix_has_the_loudness_that_another_meter_reads(name):
    """Measured with library pyloudnorm, whose filter reads 0.04 LU low; true peak by scipy, EBU Tech 3341: +0.2 dB."""
    mix = handed_in(name)
    assert pyloudnorm.Meter(mix.rate_hz).integrated_loudness(mix.samples) == pytest.approx(-20.0, abs=0.1)
    limited = held(name, 9.0)
    fine = np.abs(signal.resample_poly(limited.samples, 8, 1)).max()
    assert 20 * math.log10(fine) <= -1.0 + 0.2


def test_a_clipper_lets_the_wave_go_over_and_a_limiter_does_not():
    """Second opinion: eight times oversampling by scipy; samples are cut at −1 dBFS exactly."""
    cut = held("drums", 8.0, CLIP)
    assert np.abs(cut.samples).max() == pytest.approx(10 ** (-1 / 20))
    fine = 20 * math.log10(np.abs(signal.resample_poly(cut.samples, 8, 1)).max())
    assert fine > 1.0
    assert figures("drums", 8.0, CLIP).true_peak == pytest.approx(fine, abs=0.3)
    assert figures("drums", 8.0).true_peak <= -0.95


def test_a_gain_keeps_the_ratio_of_peak_to_loudness_and_a_limiter_lowers_it():
    plain, moved, limited = (
        figures("drums", gain, holder) for gain, holder in ((0.0, OPEN), (9.0, OPEN), (9.0, LIMIT))
    )
    assert moved.plr == pytest.approx(plain.plr, abs=1e-6) and moved.reduction < 1e-9
    assert limited.plr < plain.plr - 3
    # worked by hand: the highest peak comes down from where the gain puts it to the ceiling
    assert limited.reduction == pytest.approx(plain.true_peak + 9.0 - limited.true_peak, abs=0.3)


@pytest.mark.parametrize(
    ("loudness", "true_peak", "target", "gain"),
    [
        (-9, -1, -16, -7),
        (-20, -9, -16, 4),
        (-19, -2.5, -16, 1.5),
        (-19, -0.5, -16, 0),
        (-16, -1, -16, 0),
        (-8, 1, -23, -15),
    ],
)
def test_what_a_player_does(loudness, true_peak, target, gain):
    """Worked by hand: T − L down; up the smaller of T − L and −1 − P, never below 0."""
    assert played_db(loudness, true_peak, target) == pytest.approx(gain)
    assert played_db(loudness, true_peak, target, up=False) == pytest.approx(min(gain, 0.0))


@pytest.mark.parametrize("bits", [16, 24])
def test_the_file_is_what_it_is_called_and_its_error_that_of_one_rounding(bits):
    """Worked by hand: q²/4 with triangular dither, q²/12 without (Lipshitz, Wannamaker, Vanderkooy 1992)."""
    q = 2.0 ** (1 - bits)
    for dithered, share in ((True, 4), (False, 12)):
        content, audio = masters.file_of("voices", 3.0, LIMIT, -1.1, bits, dithered)
        assert soundfile.info(io.BytesIO(content)).subtype == f"PCM_{bits}"
        error = audio.samples - held("voices", 3.0, LIMIT, -1.1).samples
        assert 10 * math.log10(np.mean(error**2)) == pytest.approx(10 * math.log10(q**2 / share), abs=0.3)


def test_only_what_comes_before_the_limiter_keeps_the_ceiling():
    found = masters.in_five_orders("drums", 6.0, -1.0)
    peaks = {order: peak for order, (peak, _, _) in found.items()}
    assert peaks["gain, limit, dither and word"] <= -0.95 < 0 < peaks["limit, gain, dither and word"]
    assert peaks["gain, limit, word, then 44.1 kHz"] > -0.95
    # worked by hand: q²/4 once; raised by the gain where the word comes first
    assert found["gain, limit, dither and word"][2] == pytest.approx(-96.3, abs=0.2)
    assert found["dither and word, gain, limit"][2] == pytest.approx(-96.3 + 6.0, abs=1.0)


def test_hand_off_files_are_told_by_measuring():
    """A file's kind follows from its readings alone."""
    asked = exercise("11-3")
    for k in range(30):
        given = asked.variant(f"learner {k}")
        for (name, audio), kind in zip(masters.files_of(given).items(), given["kinds"], strict=True):
            peak = np.abs(audio.samples).max()
            low, flat = peak < 10 ** (-40 / 20), flat_runs(audio) > 100
            found = "over" if peak > 1 else "clipped" if flat else "low" if low else "fine"
            assert found == kind, (given, name)
            word = given["words"]["ABCDE".index(name)]
            assert masters.word_in_use(audio).startswith(str(word))


# ---- what is drawn and marked ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("id", [f"11-{k}" for k in range(1, 7)])
def test_two_thousand_learners_get_numbers(id):
    asked, count = exercise(id), MANY if everything() else 60
    drawn = [asked.variant(f"learner {k}", class_code="7b") for k in range(count)]
    assert all(asked.given.holds(given) for given in drawn[:20])
    assert len({str(each) for each in drawn[:60]}) > 30


@pytest.mark.parametrize("id", TASKS)
def test_a_task_is_met_and_missed_as_found(id):
    asked, task = exercise(id), TASKS[id]
    for k in range(20 if everything() else 5):
        given = asked.variant(f"learner {k}", 2)
        assert not any(task.missed(asked.solve(given), given)), given
        found = task.answer(task.of(given).start, given)
        assert mark(asked, given, found).state != "right"


def test_both_limits_bind_once_in_every_draw():
    for k in range(60):
        given = exercise("11-1").variant(f"learner {k}")
        binding = [masters.plr_db(given[f"mix_{which}"]) > given["p"] - given["t"] for which in "ab"]
        assert sorted(binding) == [False, True]


def test_every_order_that_keeps_peaks_and_dither_is_taken():
    asked = exercise("11-4")
    given = asked.variant("anna")
    right = asked.solve(given)
    last = [each for each in right if each != "check"] + ["check"]
    assert mark(asked, given, right).state == mark(asked, given, last).state == "right"
    before = [each for each in right if each in ("eq", "gain", "rate")]
    assert mark(asked, given, [*reversed(before), *right[len(before) :]]).state == "right"
    between = [*(each for each in right if each not in ("check", "word")), "check", "word"]
    assert mark(asked, given, between).state == "wrong", "something comes between dither and rounding"


def test_the_desk_of_the_master_is_its_answer_and_gives_its_file_away():
    asked = exercise("11-6")
    given = asked.variant("anna")
    desk = lab_module("11").exercise_panel(asked, given, None)
    assert desk.controls() is None
    desk.set_controls(asked.solve(given))
    assert mark(asked, given, desk.controls()).state == "right"
    name, content = desk.experiment.take.make(desk.run)
    samples, rate_hz = soundfile.read(io.BytesIO(content), always_2d=True)
    loudness = pyloudnorm.Meter(rate_hz).integrated_loudness(samples)
    assert name == "master.wav" and loudness == pytest.approx(given["t"], abs=0.4)
    assert soundfile.info(io.BytesIO(content)).subtype == f"PCM_{given['word']}"


@pytest.mark.parametrize("id", ["11-2", "11-3", "11-5"])
def test_what_is_read_off_a_desk_is_called_by_its_name(id):
    asked = exercise(id)
    desk = lab_module("11").exercise_panel(asked, asked.variant("anna"), None)
    (control,) = desk.experiment.controls
    assert all(isinstance(name, str) for name in control.options.values())
    for key in control.options:
        desk.set(**{control.name: key})
        assert "nothing" not in desk.pictures[0].widget.sentence


# ---- the desk --------------------------------------------------------------------------------------------------------


def test_the_desk_says_what_it_shows():
    desk = lab_module("11").panel("delivery", None)
    assert "moves yours by **0.0 dB**" in desk.said.text
    desk.set(holder=OPEN)
    assert "come down by **0.0 dB**" in desk.said.text
    desk.undo()
    assert "sample at" in desk.pictures[0].widget.sentence
    desk.bar.chosen = 2
    assert "the other: loudness −16.00 LUFS" in desk.pictures[2].widget.sentence
    assert desk.player.names == ["your master", "the other"]
    for front, count in ((lab11.DRIVEN, 3), (lab11.ORDERS, 5)):
        run = desk.run
        run.front = front
        assert len(lab11._later_work(run, lambda *_: None)[1]) == count
    desk.undo()
    assert desk.setting == lab11.delivery().start


def test_the_prediction_is_compared_with_two_masters():
    outcome, _, table = lab_module("11").compare()
    assert outcome == "both alike" and outcome in lab11.CHOICES.values()
    assert table.rows[0][2] == table.rows[1][2] == "−16.0 LUFS" and table.rows[0][1] != table.rows[1][1]
