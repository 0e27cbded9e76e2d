"""The lab on routing without a page: what it measures against formulas and libraries, and what its exercises mark."""

import math

import numpy as np
import pytest
from daily import everything
from scipy import signal

from gainlib.exercises import exercise, mark
from gainlib.exercises.refrain import refrain
from gainlib.exercises.stems import bar
from gainlib.exercises.variants import pick
from gainlib.labs import lab10
from gainlib.labs.lab10 import INVERTED, OPEN, Ways, routed
from gainlib.notebook.panels import lab_module
from gainlib.session.routing import pan_pair

TASKS = {"10-2": lab10.SENDS, "10-4": lab10.NOTCH, "10-6": lab10.LOWER}
MANY = 2000


def ways(stem="05 bass", **moved):
    """Return what is read of a bar with some controls moved."""
    return Ways(routed(bar(stem), **moved))


# ---- against formulas and libraries ----------------------------------------------------------------------------------


@pytest.mark.parametrize("angle", [0, 10, 45, 70, 90])
def test_the_pan_laws_are_those_of_the_handbook(angle):
    """Worked by hand: cos θ and sin θ; linear 1 − θ/90 and θ/90; and the geometric mean of both."""
    theta, share = math.radians(angle), angle / 90
    sine, linear = (math.cos(theta), math.sin(theta)), (1 - share, share)
    wanted = {-3.0: sine, -6.0: linear, -4.5: [math.sqrt(a * b) for a, b in zip(sine, linear, strict=True)]}
    for law, gains in wanted.items():
        out = routed(bar("05 bass"), angle=angle, pan_law_db=law).render().audio("track/out").samples
        source = bar("05 bass").samples
        assert np.abs(out - source * np.array(gains)).max() < 1e-12
    assert pan_pair(0.0, 0.0, 1) == (1.0, 1.0)


@pytest.mark.parametrize("polarity", [OPEN, INVERTED])
@pytest.mark.parametrize("delay_ms", [1.0, 3.12, 10.0])
def test_notches_lie_where_the_formula_has_them(delay_ms, polarity):
    """Worked by hand: (2k + 1)/(2τ), inverted k/τ; 1 − 10^(−p/20) is left in them."""
    seen = ways(polarity=polarity, delay_ms=delay_ms, parallel_db=-6.0)
    places = [(2 * k + 1) / 2 if polarity == OPEN else k for k in range(lab10.NOTCHES)]
    assert [hz for hz, _ in seen.notches] == pytest.approx([1000 * each / delay_ms for each in places], abs=0.4)
    depth = 20 * math.log10(1 - 10 ** (-6 / 20))
    assert [db for _, db in seen.notches] == pytest.approx([depth] * lab10.NOTCHES, abs=0.02)
    hz, db = seen.comb
    share = 10 ** (-6 / 20) * (1 if polarity == OPEN else -1)
    formula = 20 * np.log10(np.abs(1 + share * np.exp(-2j * np.pi * hz * delay_ms / 1000)))
    below = hz < 15_000  # where the interpolation of the delay is flat
    assert np.abs(db - formula)[below].max() < 0.02


def test_no_notch_where_nothing_cancels():
    assert ways().notches == [] and ways(polarity=OPEN).notches == []
    assert ways(polarity=INVERTED).notches == [], "the same everywhere: silence has no lowest place"


@pytest.mark.parametrize("stem", ["05 bass", "02 snare", "09 lead vocal"])
def test_correlation_and_sum_agree_with_numpy_and_the_formula(stem):
    """Second opinion: numpy.corrcoef. Worked by hand: 10·log10(10^(a/10) + 10^(b/10) + 2ρ·10^((a+b)/20))."""
    seen = ways(stem, polarity=OPEN, delay_ms=2.5, parallel_db=-4.0)
    direct, late = (seen.trace.audio(f"{name}/out").samples[:, 0] for name in ("track", "parallel"))
    blocks, rho = seen.correlation
    assert rho == pytest.approx(np.corrcoef(direct, late)[0, 1], abs=1e-3), "the bar has hardly any offset"
    first, second = direct.reshape(-1, 2400), late.reshape(-1, 2400)
    k = int(np.argmax(np.sum(first**2, axis=1)))
    assert blocks[k] == pytest.approx(
        np.sum(first[k] * second[k]) / np.sqrt(np.sum(first[k] ** 2) * np.sum(second[k] ** 2))
    )
    assert np.isnan(blocks).any() == (stem == "02 snare"), "a gap where nothing plays"
    a, b = seen.levels["track/out"], seen.levels["parallel/out"]
    formula = 10 * math.log10(10 ** (a / 10) + 10 ** (b / 10) + 2 * rho * 10 ** ((a + b) / 20))
    assert seen.levels["group/in"] == pytest.approx(formula, abs=0.01)


def test_what_follows_what():
    """The whole lab in one table: trim, fader and group output against both sends."""
    before = ways()
    nodes = "track/out", "room/out", "echo/out", "group/out"
    for moved, wanted in (("trim_db", (6, 6, 6, 6)), ("fader_db", (6, 0, 6, 6)), ("group_db", (0, 0, 0, 6))):
        after = ways(**{moved: 6.0})
        assert [after.levels[node] - before.levels[node] for node in nodes] == pytest.approx(wanted, abs=1e-9)


def test_a_second_look_at_the_stems_finds_what_was_planted():
    """Second opinion: scipy.signal.correlate of the folded stems; the main peak's sign is the planted polarity."""
    overheads = refrain("03 overheads").samples.astype(float).mean(axis=1)
    for seed in range(4):
        given = exercise("10-5").variant(f"learner {seed}")
        inverted = set()
        for stem, name in lab10.DRUMS.items():
            ours = lab10._stem(stem, given).samples.mean(axis=1)
            found = signal.correlate(overheads, ours, method="fft")
            lags = signal.correlation_lags(overheads.size, ours.size)
            near = np.abs(lags) <= 480
            place = np.argmax(np.abs(found[near]))
            peak = found[near][place] / np.sqrt(ours @ ours * (overheads @ overheads))
            assert abs(peak) > 0.15, "far enough from chance to be told"
            natural_ms = {"02 snare": 110 / 48, "04 toms": 92 / 48}[stem]  # what the demo song delays its bleed by
            assert lags[near][place] / 48 == pytest.approx(natural_ms - given[f"{name}_ms"], abs=0.1)
            inverted |= {stem} if peak < 0 else set()
        assert {"both": set(lab10.DRUMS), "neither": set()}.get(given["inverted"], {given["inverted"]}) == inverted
        for stem, name in lab10.STEREO.items():
            left, right = lab10._stem(stem, given).samples.T
            assert np.corrcoef(left, right)[0, 1] == pytest.approx(given[name], abs=0.01)
            assert (given[name] < -0.5) == (given["one_side"] == stem)
            assert np.array_equal(left, right) == (given["dual"] == stem)


# ---- what is drawn and marked ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("id", [f"10-{k}" for k in range(1, 7)])
def test_two_thousand_learners_get_numbers(id):
    """By day a hundred for the exercise whose draw measures."""
    asked, count = exercise(id), MANY if everything() or id != "10-4" else 100
    drawn = [asked.variant(f"learner {k}", class_code="7b") for k in range(count)]
    assert all(asked.given.holds(given) for given in drawn[:20])
    assert len({str(each) for each in drawn}) > count // 2


@pytest.mark.parametrize("id", ["10-1", "10-3", "10-5"])
def test_every_wrong_way_is_refused_for_200_learners(id):
    asked = exercise(id)
    for k in range(200):
        given = asked.variant(f"learner {k}", 1)
        key = asked.values(asked.solve(given))
        for slip in asked.slips:
            wrong = asked.values(slip.answer(given))
            filled = [right if each is None else each for each, right in zip(wrong, key, strict=True)]
            verdict = mark(asked, given, asked.answer(filled))
            assert verdict.state in ("wrong", "partly") and slip.name in verdict.slips, (given, slip.name)
            spoken = [part.state for part, each in zip(verdict.parts, wrong, strict=True) if each is not None]
            assert "right" not in spoken, "a wrong way is wrong in every part it speaks of"


@pytest.mark.parametrize("id", TASKS)
def test_a_task_is_met_without_its_book_and_missed_as_found(id):
    """The solver knows the aims only; as found nothing is met, so that nothing is paid for."""
    asked, task = exercise(id), TASKS[id]
    for k in range(20 if everything() else 4):
        given = asked.variant(f"learner {k}", 2)
        found = task.answer(task.of(given).start, given)
        assert all(task.missed(found, given)), (given, task.missed(found, given))
        assert mark(asked, given, found).points == 0
    assert mark(asked, given, task.solve(given)).state == "right"


def test_any_setting_that_measures_right_is_right():
    """Less on the room's send and the fader the other way: what counts is what arrives."""
    asked = exercise("10-2")
    given = asked.variant("anna")
    right = asked.solve(given)["desk"]
    near = {name: value + 0.02 for name, value in right.items()}
    assert mark(asked, given, {"desk": near}).state == "right"
    verdict = mark(asked, given, {"desk": {**right, "room_db": right["room_db"] + 1.0}})
    assert (verdict.state, verdict.points) == ("partly", 2.0)
    assert "1.00 dB" in verdict.feedback or "0.95 dB too high" in verdict.feedback


def test_the_hole_is_matched_by_measuring_only():
    """The match is that of the whole bar: energy of the sum over energy of the direct path, by numpy."""
    asked = exercise("10-4")
    given = asked.variant("anna")
    desk = asked.solve(given)["desk"]
    trace = lab10.NOTCH.run({"desk": desk}, given).session.render()
    direct, both = (trace.audio(node).samples for node in ("track/out", "group/out"))
    assert 10 * np.log10(np.sum(both**2) / np.sum(direct**2)) == pytest.approx(0.0, abs=0.02)


def test_the_desk_of_an_exercise_is_its_answer():
    for id in TASKS:
        asked = exercise(id)
        given = asked.variant("anna")
        desk = lab_module("10").exercise_panel(asked, given, None)
        assert desk.controls() is None
        desk.set_controls(asked.solve(given))
        assert mark(asked, given, desk.controls()).state == "right"
        assert all(row[1] for row in desk.numbers.table["rows"])
        desk.set_controls({"desk": {name: 999.0 for name in desk.controls()["desk"]}})
        desk.set_controls({"desk": "junk"})
        assert desk.controls() == asked.solve(given)


# ---- the desk --------------------------------------------------------------------------------------------------------


def test_the_desk_says_what_it_shows():
    desk = lab_module("10").panel("routing", None)
    assert "The parallel path is closed" in desk.said.text and "parallel silent" in desk.pictures[0].widget.sentence
    off = dict(zip(desk.settings.values, desk.settings.off, strict=True))
    assert off["delay_ms"] == off["parallel_db"] == "the parallel path is closed" and off["fader_db"] == ""
    desk.set(polarity=OPEN)
    assert "ρ = −0.51" in desk.said.text and "lowest notch is at 83 Hz" in desk.said.text
    for tab, words in enumerate(("sum −19.5", "measured at −0.51", "notch at 83 Hz")):
        desk.bar.chosen = tab
        assert words in desk.pictures[tab].widget.sentence, desk.pictures[tab].widget.sentence
    assert desk.player.names == ["direct path", "both paths", "bus"]
    desk.set(polarity=INVERTED, delay_ms=0.0)
    assert "silent" in desk.said.text and "notch" not in desk.said.text
    desk.undo()
    desk.undo()
    assert desk.setting == lab10.routing().start


def test_the_prediction_is_compared_with_the_bass():
    outcome, sentence, table = lab_module("10").compare()
    assert outcome in lab10.CHOICES.values() and outcome == "hardly at all"
    assert "correlation" in sentence
    assert table.rows[0] == ("0", "+1.00", "+6.02", "+6.02")
    assert all(abs(float(row[2].replace("−", "-")) - float(row[3].replace("−", "-"))) <= 0.02 for row in table.rows)


def test_drums_judged_the_other_way_round():
    """The wrong options of 10-5: one of the two turned, or both."""
    options = [*lab10.DRUMS, "both", "neither"]
    for inverted in options:
        one, both = (lab10._other({"inverted": inverted}, *turned) for turned in (["04 toms"], list(lab10.DRUMS)))
        assert one != inverted != both and {one, both} <= set(options)
        assert lab10._other({"inverted": one}, "04 toms") == inverted == lab10._other({"inverted": both}, *lab10.DRUMS)
    assert pick(np.random.default_rng(0), options) in options
