"""The lab on word length without a page: rounds against formulas and plain NumPy, and what its exercises mark."""

import io
import math

import numpy as np
import pytest
import soundfile
from daily import everything

from gainlib.audio import Audio, wav_bytes
from gainlib.boxes.repeated_gain import each_round, predicted_dbfs, programme, residuals_dbfs
from gainlib.exercises import exercise, mark, rounds
from gainlib.exercises.rounds import residuals, three
from gainlib.labs import lab04
from gainlib.notebook.panels import lab_module

MANY = 2000

# ---- against formulas and NumPy --------------------------------------------------------------------------------------


def by_hand(samples, down_db, rounds):
    """Return the residual in dB after 1, 2, … rounds in 32-bit float, statement by statement."""
    g, h, y, found = np.float32(10 ** (-down_db / 20)), np.float32(10 ** (down_db / 20)), samples.copy(), []
    for _ in range(rounds):
        y = y * g
        y = y * h
        found.append(10 * math.log10(np.mean((y.astype(np.float64) - samples) ** 2)))
    return found


@pytest.mark.parametrize("down_db", [24.08, 7.31, 40.0])
def test_rounds_in_32_bit_float_agree_with_plain_numpy(down_db):
    found = residuals_dbfs(programme(), -down_db, 12)
    assert found == pytest.approx(by_hand(programme().samples, down_db, 12), abs=1e-9)


@pytest.mark.parametrize("bits", [12, 16, 20, 24])
def test_dithered_words_leave_what_the_formula_says(bits):
    """Worked by hand: 10·log10(q²/4) + d + 10·log10(R); Lipshitz, Wannamaker, Vanderkooy 1992."""
    found = residuals_dbfs(rounds.SHORT, -24.0, 16, f"{bits} bit", dither=True)
    q = 2.0 ** (1 - bits)
    assert found[15] == pytest.approx(10 * math.log10(q**2 / 4) + 24 + 10 * math.log10(16), abs=0.2)
    assert found[15] - found[3] == pytest.approx(6.02, abs=0.3)
    assert predicted_dbfs(24.0, 16, bits) == pytest.approx(found[15], abs=0.2)


def test_what_goes_over_full_scale_is_kept_in_float_until_something_clips():
    loud = Audio(np.linspace(-0.9, 0.9, 1001), 48000)
    for clip, lost in ((False, False), (True, True)):
        held, after = (next(made) for made in [each_round(loud, 12.0, clip=clip)] for _ in range(2))
        assert (np.abs(after - held).max() > 0.1) == lost


def test_every_listed_attenuation_adds_the_same_error_every_round():
    """Worked by hand: 20·log10(4) = 12.04 dB from ten to forty rounds."""
    for down_db in rounds.COHERENT:
        found = by_hand(rounds.SHORT.samples, down_db, 40)
        assert found[39] - found[9] == pytest.approx(12.04, abs=0.5), down_db


def test_the_ratio_of_a_word_is_that_of_a_rounded_sine():
    """Second opinion: a 997 Hz sine rounded by NumPy, with and without triangular dither."""
    rng, n = np.random.default_rng(4), np.arange(192_000)
    for b, p in ((12, -3.0), (16, -12.0), (20, -20.0)):
        sine, q = 10 ** (p / 20) * np.sin(2 * np.pi * 997 * n / 48000), 2.0 ** (1 - b)
        plain = np.round(sine / q) * q - sine
        noise = rng.random(n.size) - rng.random(n.size)
        dithered = np.round(sine / q + noise) * q - sine
        measured = [10 * math.log10(np.mean(sine**2) / np.mean(each**2)) for each in (plain, dithered)]
        assert exercise("04-2").solve({"b": b, "p": p}) == pytest.approx(measured, abs=0.1)


def test_the_file_to_take_away_is_the_programme():
    name, content = lab04.FILE.make(None)
    read, rate_hz = soundfile.read(io.BytesIO(content), dtype="float32", always_2d=True)
    assert name.endswith(".wav") and rate_hz == programme().rate_hz
    assert np.array_equal(read, programme().samples)
    assert soundfile.info(io.BytesIO(wav_bytes(programme(), "PCM_16", dither="tpdf"))).subtype == "PCM_16"


# ---- what is drawn and marked ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("id", [f"04-{k}" for k in range(1, 7)])
def test_two_thousand_learners_get_numbers(id):
    asked, count = exercise(id), MANY if everything() else 60
    drawn = [asked.variant(f"learner {k}", class_code="7b") for k in range(count)]
    assert all(asked.given.holds(given) for given in drawn[:20])
    assert len({str(each) for each in drawn[:60]}) > 30


def test_ten_rounds_foretell_forty_by_three_rules():
    """Worked by hand: 0, 6.02 and 12.04 dB more; each of the three is asked for once, in a drawn order."""
    asked = exercise("04-1")
    grown = {"flat": 0.0, "fresh": 6.02, "same": 12.04}
    for k in range(30):
        given = asked.variant(f"learner {k}")
        ten = [residuals(arithmetic, down)[9] for _, arithmetic, down in three(given)]
        foretold = [float(level + grown[kind]) for kind, level in zip(given["order"].split(), ten, strict=True)]
        assert mark(asked, given, foretold).state == "right", (given, foretold, asked.solve(given))


def test_the_desk_of_ten_rounds_never_shows_forty():
    asked = exercise("04-1")
    given = asked.variant("anna")
    desk = lab_module("04").exercise_panel(asked, given, None)
    assert max(each.high for each in desk.experiment.controls if hasattr(each, "high")) == 10
    for name, forty in zip("ABC", asked.solve(given), strict=True):
        desk.set(mixer=name, rounds=10)
        found = residuals(*next(rest for each, *rest in three(given) if each == name))
        assert f"{abs(found[9]):.2f}" in desk.said.text
        if abs(forty - found[9]) > 1:
            assert f"{abs(forty):.1f}" not in desk.said.text + desk.pictures[0].widget.sentence


def test_equal_residuals_are_met_by_the_formula_and_missed_as_found():
    asked, task = exercise("04-3"), lab04.EQUAL
    for k in range(40):
        given = asked.variant(f"learner {k}")
        assert mark(asked, given, asked.solve(given)).state == "right", given
        found = task.answer(task.of(given).start, given)
        assert mark(asked, given, found).points < asked.points


def test_the_sentence_follows_from_both_counts():
    asked = exercise("04-5")
    given = asked.variant("anna")
    right = {name: list(given[name]) for name in ("order_1", "order_2")}
    turned = {name: ["B" if each == "A" else "A" for each in order] for name, order in right.items()}
    wanted = {(True, True): "both", (False, True): "second"}
    for (first, second), sentence in wanted.items():
        answer = [(right if first else turned)["order_1"], (right if second else turned)["order_2"], sentence]
        assert mark(asked, given, answer).state == "right"
        for other in set(rounds.SENTENCES) - {sentence}:
            assert mark(asked, given, [*answer[:2], other]).state == "partly"
    silent = [
        {"silent": [str(k) for k, each in enumerate(given[name], 1) if each == "B"]} for name in ("order_1", "order_2")
    ]
    # worked by hand: 7 of 8 and 10 of 12 are the least that guessing reaches in fewer than 5 of 100 runs
    shown = given["other_1"] >= 7, given["other_2"] >= 10
    sentence = {(False, False): "neither", (True, False): "first", (False, True): "second"}.get(shown, "both")
    assert mark(asked, given, [*silent, sentence]).state == "right"


def test_readings_of_the_blind_runs_tell_what_x_is():
    given = exercise("04-5").variant("anna")
    quiet, loud = (rounds.left_of_trials(given, *which) for which in (("order_1", "float32"), ("order_2", "16 bit")))
    assert [each > -np.inf for each in quiet] == [each == "B" for each in given["order_1"]]
    assert max(quiet) < -120 and max(loud) > -40


def test_no_chain_is_near_the_limit():
    """A chain is clear of −80 dB by 5 dB or more, so that no machine marks it otherwise."""
    asked = exercise("04-6")
    for k in range(60 if everything() else 15):
        given = asked.variant(f"learner {k}")
        assert min(abs(harm - rounds.HARMED_DB) for harm in rounds.harms(given).values()) > 5
        assert 2 <= len(asked.solve(given)) <= 6


# ---- the desk --------------------------------------------------------------------------------------------------------


def test_the_desk_says_what_it_shows():
    desk = lab_module("04").panel("rounds", None)
    assert "−170" in desk.said.text
    off = dict(zip(desk.settings.values, desk.settings.off, strict=True))
    assert off["dither"] and not off["clip"]
    desk.set(arithmetic="16 bit", dither=True)
    assert "fresh error" in desk.said.text
    for tab, words in enumerate(("this step from", "residual from", "16-bit, dither −63")):
        desk.bar.chosen = tab
        assert words in desk.pictures[tab].widget.sentence, desk.pictures[tab].widget.sentence
    assert desk.player.names == ["original", "after the rounds", "residual, raised"]
    desk.set(arithmetic="float32", first_db=0.0)
    assert "Nothing at all" in desk.said.text
    desk.undo()
    desk.undo()
    assert desk.setting == lab04.rounds().start


def test_the_prediction_is_compared_with_the_bass():
    outcome, _, table = lab_module("04").compare()
    assert outcome == "under −120 dB" and outcome in lab04.CHOICES.values()
    assert [row[2] for row in table.rows if "dither" in row[0]] != ["–", "–"]
