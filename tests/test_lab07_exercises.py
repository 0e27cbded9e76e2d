"""Lab 07's exercises against numbers from outside: closed forms, NumPy on the samples, SciPy's binomial, pyloudnorm."""

import numpy as np
import pyloudnorm
import pytest
from scipy.special import comb
from scipy.stats import binom

from gainlib.audio import Audio, GainlibError
from gainlib.exercises import bypass as runs
from gainlib.exercises import exercise, mark
from gainlib.exercises.stems import bar
from gainlib.labs import lab07
from gainlib.processors import AsymmetricSaturation, Saturation, Tape

ANNA = {f"07-{k}": exercise(f"07-{k}").variant("anna", class_code="7b") for k in range(1, 7)}
RATE_HZ = 48000


def plain_active_dbfs(samples):
    """Blocks of 100 ms every 25 ms, those within 25 dB of the loudest, sine-referred: written out in NumPy."""
    line = samples.astype(float) - samples.mean(axis=0, dtype=float)
    hop = RATE_HZ // 40
    powers = np.array([np.mean(line[at : at + 4 * hop] ** 2) for at in range(0, len(line) - 4 * hop + 1, hop)])
    kept = powers[powers >= powers.max() * 10**-2.5]
    return 10 * np.log10(2 * kept.mean())


def rms_dbfs(samples):
    """Sine-referred RMS of one channel, mean taken off."""
    return 10 * np.log10(2 * np.var(samples))


# ---- trims ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("learner", ["anna", "ben", "cem", "dora"])
def test_the_trimmed_stem_is_at_its_reference(learner):
    each = exercise("07-1")
    given = each.variant(learner)
    samples = each.material(given).samples
    assert plain_active_dbfs(samples) == pytest.approx(given["active"], abs=0.15)
    assert 20 * np.log10(np.abs(samples).max()) == pytest.approx(given["peak"], abs=0.06)
    trimmed = samples * 10 ** (each.solve(given) / 20)
    assert plain_active_dbfs(trimmed) == pytest.approx(given["reference"], abs=0.2)


@pytest.mark.parametrize("k", [1 / 3, 0.05])
def test_the_share_of_the_third_harmonic_grows_two_decibels_per_decibel(k):
    """Handbook: x − k·x³ has HD3 = (kA²/4)/(1 − 3kA²/4); the estimate is within 10 % while that is under 1 %."""
    each = exercise("07-2")
    for index in range(40):
        given = each.variant(f"learner {index}")
        # the amplitude at which this curve shows q, by inverting the formula, and the exact share after the change
        share = given["q"] / 100
        amplitude = np.sqrt(share / (k / 4 + 0.75 * k * share)) * 10 ** (given["delta"] / 20)
        time = np.arange(480) / 480
        x = amplitude * np.sin(2 * np.pi * 5 * time)
        lines = np.abs(np.fft.rfft(x - k * x**3))
        assert each.solve(given) == pytest.approx(100 * lines[15] / lines[5], rel=0.10)


def test_two_limits_and_the_smaller_trim():
    """By NumPy on the samples: behind the trim that binds both rules are kept, behind the other one is broken."""
    each, bound = exercise("07-6"), {"average": 0, "peak": 0}
    for index in range(60):
        given = each.variant(f"learner {index}")
        average, peak, rule = each.solve(given)
        bound[rule] += 1
        if index < 6:
            samples = each.material(given).samples
            level, highest = plain_active_dbfs(samples), 20 * np.log10(np.abs(samples).max())
            room = {"average": given["reference"] - level - average, "peak": given["limit"] - highest - peak}
            assert room == pytest.approx({"average": 0, "peak": 0}, abs=0.2)
            trims = {"average": average, "peak": peak}
            assert trims[rule] < max(trims.values()) - 0.9
    assert min(bound.values()) > 15, "neither rule can be guessed"


@pytest.mark.parametrize("learner", ["anna", "ben", "cem"])
def test_an_output_gain_matches_the_box_when_measured_from_outside(learner):
    each = exercise("07-3")
    given = each.variant(learner)
    made = lab07._box_with_a_gain(given, each.solve(given)["desk"]["out_db"]).render()
    before, after = (made.audio(node).samples[:, 0] for node in ("strip/trim", "strip/post"))
    assert rms_dbfs(after) == pytest.approx(rms_dbfs(before), abs=0.02)
    assert plain_active_dbfs(before[:, np.newaxis]) == pytest.approx(given["fed"], abs=0.1)
    assert mark(each, given, lab07.MATCH_TASK.solve(given)).state == "right"


def test_a_box_is_louder_for_some_and_softer_for_others():
    louder = [exercise("07-3").variant(f"learner {index}")["louder"] for index in range(40)]
    assert 8 < sum(each > 0 for each in louder) < 32


def test_second_order_distortion_grows_one_decibel_per_decibel():
    """By numpy.fft of the asymmetrical stage; worked by hand: x + k·x² has kA/2 of the fundamental, twice in 6 dB."""
    sine = np.sin(2 * np.pi * 997 * np.arange(RATE_HZ) / RATE_HZ)
    shares = []
    for level in (-36, -30, -24, -18):
        out = AsymmetricSaturation().process(Audio(10 ** (level / 20) * sine[:, np.newaxis], RATE_HZ)).samples[:, 0]
        lines = np.abs(np.fft.rfft(out))
        shares.append(100 * np.linalg.norm(lines[2 * 997 : 20000 : 997]) / lines[997])
    assert np.array(shares[1:]) / shares[:-1] == pytest.approx([2, 2, 2], rel=0.02)
    assert shares == pytest.approx([0.31, 0.62, 1.24, 2.47], abs=0.01), "as the page to take away has them"


# ---- three stages --------------------------------------------------------------------------------------------------


def outside(given, fields):
    """Send the bar through the three models with NumPy gains: levels into, ahead and behind, and in all."""
    kinds = {"symmetrical": (Saturation, 2.79), "asymmetrical": (AsymmetricSaturation, 2.0), "tape-like": (Tape, 2.0)}
    audio = bar(given["stem"])
    source = audio.samples[:, 0].astype(float)
    x = source * 10 ** (fields["trim_db"] / 20)
    into, differences = [], []
    for k, (kind, level) in enumerate(zip(given["kinds"], given["references"], strict=True), start=1):
        model, drive = kinds[kind]
        fed = x * 10 ** (fields[f"insert {k} in_db"] / 20)
        into.append(plain_active_dbfs(fed[:, np.newaxis]))
        out = model(drive * 10 ** ((-18 - level) / 20)).process(audio.with_samples(fed)).samples[:, 0]
        out = out * 10 ** (fields[f"insert {k} out_db"] / 20)
        differences.append(rms_dbfs(out) - rms_dbfs(x))
        x = out
    return into, differences, rms_dbfs(x * 10 ** (fields["post_trim_db"] / 20)) - rms_dbfs(source)


@pytest.mark.parametrize("learner", ["anna", "ben", "cem"])
def test_three_stages_are_fed_and_matched_when_measured_from_outside(learner):
    each = exercise("07-4")
    given = each.variant(learner)
    into, differences, total = outside(given, each.solve(given)[lab07.NAME])
    assert into == pytest.approx(given["references"], abs=0.1)
    assert differences == pytest.approx([0, 0, 0], abs=0.02) and total == pytest.approx(0, abs=0.02)


def test_stages_are_told_what_is_off():
    each, given = exercise("07-4"), ANNA["07-4"]
    key = each.solve(given)[lab07.NAME]

    def said(**changes):
        return mark(each, given, {lab07.NAME: {**key, **changes}}).feedback

    off = {"insert 3 out_db": key["insert 3 out_db"] + 1.0, "post_trim_db": key["post_trim_db"] - 1.0}
    assert "Stage 3 against its bypass: 1.00 dB is 0.80 dB too loud; aim for −0.20 to 0.20 dB." in said(**off)
    total = said(post_trim_db=key["post_trim_db"] - 2.0)
    assert total.startswith("The whole strip against the stem: −2.00 dB") and "too soft" in total
    assert "undo the trim" not in total.casefold(), "that slip is about an untouched one"
    assert mark(each, given, {lab07.NAME: key}).points == 4


def test_each_check_of_the_stages_pays_for_itself():
    """One stage badly fed: its own two checks and the strip's earn nothing, the other four earn theirs."""
    each, given = exercise("07-4"), ANNA["07-4"]
    key = each.solve(given)[lab07.NAME]

    def points(**by):
        return mark(each, given, {lab07.NAME: {name: value + by.get(name, 0.0) for name, value in key.items()}}).points

    assert points() == 4 and points(post_trim_db=0.4) == points(post_trim_db=-0.4) == 3
    assert points(**{"insert 3 out_db": 0.4, "post_trim_db": -0.4}) == 3.5
    assert points(**{"insert 3 in_db": 2.0, "insert 3 out_db": -2.0}) == pytest.approx(2.0)
    assert points(trim_db=0.01) == 4


def test_nothing_is_paid_for_stages_as_they_are_found():
    each = exercise("07-4")
    for index in range(10):
        given = each.variant(f"learner {index}")
        moved = {lab07.NAME: {"insert 3 in_db": 0.01}}
        assert mark(each, given, moved).points == 0, given


def test_a_gain_that_is_nought_has_no_sign_of_its_own():
    from gainlib.exercises.text import fill

    assert fill("{x:+.1f} {y:.2f} {z:+.1f}", {"x": -0.04, "y": -0.0, "z": -0.06}) == "+0.0 0.00 −0.1"


@pytest.mark.parametrize("attempt", [0, 1, 4, 9])
def test_the_count_that_a_run_needs_is_printed(attempt):
    """Second opinion: scipy's binomial tail, times the number of runs."""
    each = exercise("07-5")
    given = each.variant("anna", attempt)
    need = next(k for k in range(17) if (attempt + 1) * binom.sf(k - 1, 16, 0.5) <= 0.05)
    assert f"**{need} of 16**" in each.explain_for(given) and f"run {attempt + 1}" in each.explain_for(given)


def test_a_session_as_json_is_taken_and_another_is_not():
    from gainlib.exercises.practical import applied

    each, given = exercise("07-4"), ANNA["07-4"]
    done = applied(each.material(given), each.solve(given))
    assert mark(each, given, done.to_json()).state == "right"
    other = done.with_(lab07.NAME, fader_db=-3.0)
    assert "another session" in mark(each, given, other.to_json()).feedback
    with pytest.raises(GainlibError, match="no bar of '08 pad'"):
        bar("08 pad")
    with pytest.raises(GainlibError, match="no stage 'velvet'"):
        lab07.stage("velvet", -18.0)


# ---- runs ----------------------------------------------------------------------------------------------------------


def test_the_pairs_differ_by_level_alone():
    """Pyloudnorm's filter is 0.04 LU low against the standard, on both sides alike."""
    given = ANNA["07-5"]
    meter = pyloudnorm.Meter(RATE_HZ)
    for trial, louder in enumerate(given["louder"]):
        sounds = dict(zip("AB", runs.pair(given, trial), strict=True))
        levels = {
            k: meter.integrated_loudness(np.repeat(a.samples, 2, axis=1).astype(float)) for k, a in sounds.items()
        }
        other = {"A": "B", "B": "A"}[louder]
        assert levels[louder] - levels[other] == pytest.approx(given["louder_db"], abs=0.02)
        scaled = sounds[other].samples * 10 ** (given["louder_db"] / 20)
        assert np.abs(sounds[louder].samples - scaled).max() < 1e-6


@pytest.mark.parametrize("level", [-30.0, -18.0, -6.0])
def test_the_stage_is_matched_and_leaves_more_the_hotter_it_is_fed(level):
    made = runs.passed("bass", level)
    assert rms_dbfs(made.active.samples[:, 0]) == pytest.approx(rms_dbfs(made.bypass.samples[:, 0]), abs=0.001)
    apart = made.bypass.samples.astype(float) - made.active.samples
    ratio = np.linalg.norm(apart) / np.linalg.norm(made.bypass.samples.astype(float))
    assert made.residual_db == pytest.approx(20 * np.log10(ratio), abs=0.01)
    assert made.residual_db > runs.passed("bass", level - 3.0).residual_db + 2.0


def test_conclusions_follow_the_binomial_law():
    """12 of 16 in a first run, 13 in runs 2 to 4: p times the number of runs stays within 5 %."""
    for count in range(17):
        for number in (1, 2, 3, 4):
            shown = number * binom.sf(count - 1, 16, 0.5) <= 0.05
            assert runs.allowed(count, number) == (runs.SHOWN if shown else runs.NOT_SHOWN)
    assert sum(comb(16, k) for k in range(12, 17)) / 2**16 == pytest.approx(0.0384, abs=5e-5)


def test_a_conclusion_has_to_fit_the_learners_own_count():
    each, given = exercise("07-5"), ANNA["07-5"]
    right, first = list(given["order"]), list(given["louder"])
    flipped = [{"A": "B", "B": "A"}[pick] for pick in right]
    for wrong, verdict in ((4, runs.SHOWN), (5, runs.NOT_SHOWN), (16, runs.NOT_SHOWN)):
        picks = [*flipped[:wrong], *right[wrong:]]
        for said in runs.VERDICTS:
            earned = mark(each, given, [first, picks, "level", said]).points
            assert earned == (4 if said == verdict else 3), (wrong, said)
    later = each.variant("anna", 1, "7b")
    picks = [*({"A": "B", "B": "A"}[pick] for pick in later["order"][:4]), *later["order"][4:]]
    assert mark(each, later, [list(later["louder"]), picks, "level", runs.NOT_SHOWN]).points == 4, "12 in run 2"


def test_readings_give_the_same_points():
    each, given = exercise("07-5"), ANNA["07-5"]
    loud = [str(k) for k, (a, b) in enumerate(runs.loudness_of_pairs(given), start=1) if a > b]
    staged = [str(k) for k, left in enumerate(runs.residuals_db(given), start=1) if left > -np.inf]
    verdict = runs.SHOWN if given["other"] >= 12 else runs.NOT_SHOWN
    answer = [{"silent": loud}, {"silent": staged}, "level", verdict]
    assert mark(each, given, answer).points == each.points
    wrong = runs.NOT_SHOWN if verdict == runs.SHOWN else runs.SHOWN
    assert mark(each, given, [*answer[:3], wrong]).points == 3


def test_readings_are_drawn_from_stems_with_pauses():
    """Where nothing pauses, the RMS of the whole would be as right as the active level."""
    for stem in lab07.WITH_PAUSES:
        own = lab07.LEVELLED.read({"stem": stem, "gain_db": 0.0})
        assert own["active"] - own["whole"] >= 0.9, stem
