"""Lab 00 against what stands outside: NIOSH's and the WHO's figures, scipy's binomial law, another loudness meter."""

import numpy as np
import pyloudnorm
import pytest
from scipy.stats import binom, binomtest

from gainlib.audio import GainlibError
from gainlib.exercises import clips, exercise, least_right, mark
from gainlib.exercises.listening import Run, percent
from gainlib.labs import lab00
from gainlib.levels.exposure import minutes_a_day, percent_of_day, percent_of_week

# NIOSH publication 98-126 (1998), table 1-1: duration per day by A-weighted level.
NIOSH_MINUTES = {85: 480, 88: 240, 91: 120, 94: 60, 97: 30, 100: 15}
# ITU-T H.870 (2018; 2022), equal energy, adults, from memory: hours a week.
H870_HOURS = {80: 40, 85: 12.65, 88: 6.34, 94: 1.59, 100: 0.40}
ANNA = {each: exercise(each).variant("anna", class_code="7b") for each in ("00-3", "00-4", "00-5", "00-6")}


@pytest.mark.parametrize(("level", "minutes"), NIOSH_MINUTES.items())
def test_a_day_is_niosh_s(level, minutes):
    assert minutes_a_day(level) == pytest.approx(minutes)
    assert percent_of_day(level, minutes / 60) == pytest.approx(100)


@pytest.mark.parametrize(("level", "hours"), H870_HOURS.items())
def test_a_week_is_the_who_s(level, hours):
    assert percent_of_week([(hours, level)]) == pytest.approx(100, rel=0.02)


def test_nonsense_is_refused():
    with pytest.raises(GainlibError, match="level_dba is nan"):
        minutes_a_day(float("nan"))
    with pytest.raises(GainlibError, match="-1 hours; give 0 or more"):
        percent_of_week([(-1, 80)])
    with pytest.raises(GainlibError, match="above 0"):
        minutes_a_day(90, exchange_db=0)
    with pytest.raises(GainlibError, match="no such run"):
        Run(11, 10)


@pytest.mark.parametrize("trials", [8, 10, 12, 16, 20, 24])
@pytest.mark.parametrize("runs", [1, 2, 4])
def test_a_run_says_what_scipy_computes(trials, runs):
    for right in range(trials + 1):
        run, test = Run(right, trials, runs), binomtest(right, trials, 0.5, alternative="greater")
        assert run.alone == pytest.approx(test.pvalue)
        assert run.probability == pytest.approx(min(1, runs * test.pvalue))
        assert run.shown is bool(runs * test.pvalue <= 0.05)
        two_sided = binomtest(right, trials).proportion_ci(0.95, method="wilson")
        assert run.interval == pytest.approx((two_sided.low, two_sided.high), abs=1e-6)


def test_the_words_of_a_run():
    """Significance of 9 of 10 and 12 of 16: scipy above. What is not shown is never said to be disproved."""
    shown, not_shown, sham = Run(9, 10).sentence(), Run(7, 10).sentence(), Run(10, 10, sham=True)
    assert "**you have shown a difference**" in shown and "p = 0.011" in shown and "60 to 98 %" in shown
    assert "**you have shown no audible difference**" in not_shown and "does not prove" in not_shown
    assert "17 % of all runs" in not_shown and "you needed 9" in not_shown
    assert not sham.shown and "any count is luck" in sham.sentence()
    second = Run(12, 16, 2)
    assert not second.shown and "2 × p = 0.077" in second.sentence()
    assert "no count would have been enough" in Run(5, 5, 3).sentence()
    assert percent(binom.sf(6, 10, 0.5)) == "17 %"


def loudness(audio):
    """Loudness from two loudspeakers as an independent meter reads it."""
    return pyloudnorm.Meter(audio.rate_hz).integrated_loudness(np.repeat(audio.samples, 2, axis=1).astype(float))


@pytest.mark.parametrize("name", clips.CLIPS)
def test_every_clip_is_as_loud(name):
    """Pyloudnorm's filter is 0.04 LU low against the standard."""
    clip = clips.clip(name)
    assert loudness(clip) == pytest.approx(clips.LOUDNESS_LUFS, abs=0.06)
    assert clip.channels == 1 and clip.duration_s == pytest.approx(5.0)
    assert np.abs(clip.samples[[0, -1]]).max() < 1e-3  # loops without a click


def test_the_five_pairs_differ_by_what_was_drawn():
    given = ANNA["00-3"]
    for (a, b), offset in zip(lab00.match_sounds(given), given["offsets_db"], strict=True):
        assert loudness(b) - loudness(a) == pytest.approx(offset, abs=0.01)
        assert max(loudness(a), loudness(b)) == pytest.approx(clips.LOUDNESS_LUFS, abs=0.06)
        assert 1.5 <= abs(offset) <= 6
    for reading, (a, b) in zip(lab00.match_readings(given), lab00.match_sounds(given), strict=True):
        assert reading[:2] == pytest.approx((loudness(a), loudness(b)), abs=0.06)
        assert reading[2:] == pytest.approx([20 * np.log10(np.abs(each.samples).max()) for each in (a, b)])
    told = [reading[0] - reading[1] for reading in lab00.match_readings(given)]
    assert told == pytest.approx(lab00.matched_db(given), abs=0.02)


def test_by_ear_one_decibel_and_by_meter_a_tenth():
    each, given = exercise("00-3"), ANNA["00-3"]
    right = np.array(lab00.matched_db(given))
    for off, state in ((0.5, "right"), (1.0, "right"), (1.1, "wrong")):
        assert mark(each, given, list(right + off)).state == state
    assert "a sharp ear" in mark(each, given, list(right - 0.25)).feedback
    assert "sharp" not in mark(each, given, list(right + 0.75)).feedback
    for off, state in ((0.05, "right"), (0.2, "wrong")):
        verdict = mark(each, given, {"silent": list(right + off)})
        assert verdict.state == state and "ear" not in verdict.feedback
    assert mark(each, given, {"silent": list(right)}).points == each.points
    assert "wrong direction" in mark(each, given, {"silent": list(-right)}).feedback
    assert "fixed beforehand" in mark(each, given, list(right[:3])).feedback


def test_a_null_of_three_decibels():
    """Handbook: B 3 dB below A leaves 1 − 10^(−3/20) of A; 3 dB above, 10^(3/20) − 1."""
    given = ANNA["00-4"]
    left = 20 * np.log10(abs(1 - 10 ** ((-3 if given["louder"] == "A" else 3) / 20)))
    for order, residual in zip(given["real"], lab00.abx_residuals_db(given), strict=True):
        assert residual == (-np.inf if order == "A" else pytest.approx(left, abs=1e-4))
    assert set(lab00.abx_residuals_db(given, "sham")) == {-np.inf}


def test_blind_runs_and_their_silent_way():
    each, given = exercise("00-4"), ANNA["00-4"]
    real, sham = list(given["real"]), list(given["sham"])
    flip = {"A": "B", "B": "A"}
    one_off = [flip[real[0]], *real[1:]]
    two_off = [flip[real[0]], flip[real[1]], *real[2:]]
    for picks, points in ((one_off, 4), (two_off, 2)):
        verdict = mark(each, given, [picks, [flip[name] for name in sham], "luck"])
        assert verdict.points == points
    assert "This run shows no audible difference" in verdict.feedback and "proved" not in verdict.feedback
    residuals = lab00.abx_residuals_db(given)
    ticked = [str(k) for k, value in enumerate(residuals, start=1) if value > -np.inf]
    assert mark(each, given, [{"silent": ticked}, {"silent": "nothing"}, "luck"]).points == each.points
    later = exercise("00-4").variant("anna", 4, class_code="7b")
    picks = [flip[later["real"][0]], *later["real"][1:]]
    assert least_right(10, 5) == 10  # 5 × 11/1024 > 0.05
    assert mark(each, later, [picks, sham, "luck"]).points == 2


def test_never_the_same_pick_throughout():
    for index in range(100):
        given = exercise("00-4").variant(f"learner {index}")
        for pick in "AB":
            assert mark(exercise("00-4"), given, [[pick] * 10, None, None]).points == 0


def test_a_share_is_taken_and_a_percentage_with_its_sign():
    each, given = exercise("00-5"), ANNA["00-5"]
    key = binom.sf(given["k"] - 1, given["n"], 0.5)
    assert mark(each, given, f"{key:.3f}").state == "right"
    assert mark(each, given, f"{100 * key:.1f}").state == "wrong"
    assert "between 0 and 1" in mark(each, given, 100 * key).feedback
    assert mark(each, given, f"{100 * key:.2f} %").state == "right"


def test_pairs_are_fit_by_loudness_alone():
    for index in range(50):
        given = exercise("00-6").variant(f"learner {index}")
        gaps = np.abs(np.subtract(given["a_lufs"], given["b_lufs"]))
        assert lab00.fit_pairs(given) == [str(k + 1) for k in np.flatnonzero(gaps < 0.1)]
        assert 2 <= len(lab00.fit_pairs(given)) <= 4
        assert np.all((gaps < 0.09) | (gaps > 0.11)) and np.any((gaps > 0.11) & (gaps < 0.31))
        equal_peaks = np.flatnonzero(np.abs(np.subtract(given["a_peak"], given["b_peak"])) < 0.11)
        assert sorted(gaps[equal_peaks] < 0.1) == [False, True]  # peaks mislead
        assert max(given["a_peak"] + given["b_peak"]) < 0
