"""Lab 09 against simulated hands, rendered mixes, and scipy's regression."""

import json
import math

import numpy as np
import pytest
from school import Writer
from scipy.stats import linregress

from gainlib.exercises import exercise, mark
from gainlib.exercises.gradebook import gradebook
from gainlib.labs import lab09
from gainlib.labs.lab09 import STEMS
from gainlib.notebook.panels import lab_module
from gainlib.session import Session

LN_10 = math.log(10)
LEARNERS = [f"learner {index}" for index in range(6)]


def rms_dbfs(samples):
    """RMS in dBFS, a full-scale sine reads 0 (AES17)."""
    return 10 * math.log10(2 * np.mean((samples - samples.mean(axis=0)) ** 2))


def levels_dbfs(session):
    """RMS of every track as added to the bus and of every send, rendered."""
    nodes = [f"{strip.name}/out" for strip in session.strips]
    nodes += [f"{strip.name}/send {send.to}" for strip in session.strips for send in strip.sends]
    return {node: rms_dbfs(audio.samples) for node, audio in session.render().audios(nodes).items()}


@pytest.mark.parametrize("learner", LEARNERS)
def test_position_and_slope_by_numbers(learner):
    """The gain as a ratio, raised to a power and read in dB; the slope by walking a little way up and down."""
    given = exercise("09-1").variant(learner)
    ratio = (given["x"] / given["x0"]) ** given["k"]
    assert exercise("09-1").solve(given) == pytest.approx(20 * math.log10(ratio), abs=1e-9)

    given = exercise("09-2").variant(learner)
    travel = np.linspace(1, 100, 99_001)
    level = 20 * np.log10((travel / given["x0"]) ** given["k"])
    slope = np.gradient(level, travel)[np.argmin(np.abs(level - given["f"]))]
    assert exercise("09-2").solve(given) == pytest.approx(slope, rel=0.002)


@pytest.mark.parametrize("learner", LEARNERS)
def test_a_slope_read_off_the_desk_is_right(learner):
    """Positions to a tenth and gains to a hundredth, as the desk shows them, a few millimetres up and down."""
    given = exercise("09-2").variant(learner)
    desk = lab_module("09").exercise_panel(exercise("09-2"), given, None)
    law = next(each.law for each in desk.experiment.controls)(desk.setting)
    middle, read = round(law.mm_at(given["f"]), 1), []
    for mm in (middle - 3, middle + 3):
        desk.set(fader_db={lab09.FADER: law.db_at(mm)})
        read.append(float(desk.pictures[0].widget.sentence.rpartition("gain ")[2].split(" dB")[0].replace("−", "-")))
    assert mark(exercise("09-2"), given, (read[1] - read[0]) / 6).state == "right"


def test_the_strip_of_an_exercise_is_answered_on_its_desk():
    asked = exercise("09-3")
    given = asked.variant("anna")
    desk = lab_module("09").exercise_panel(asked, given, None)
    assert desk.controls() is None, "untouched is no answer"
    desk.set(fader_db=given["n"])
    assert mark(asked, given, desk.controls()).slips == ("trim left",)
    desk.set(post_trim_db=given["t"] + given["f"] - given["n"])
    assert mark(asked, given, desk.controls()).state == "right" and "at the bus unchanged" in (
        desk.pictures[0].widget.sentence
    )
    assert mark(asked, given, lab09.HANDED_TASK.solve(given)).state == "right", "by who knows the aims alone"


@pytest.mark.parametrize("learner", LEARNERS)
def test_trim_and_fader_on_samples(learner):
    given = exercise("09-3").variant(learner)
    samples = np.random.default_rng(0).standard_normal(1000)
    before = samples * 10 ** (given["t"] / 20) * 10 ** (given["f"] / 20)
    trim = exercise("09-3").solve(given)["desk"]["post_trim_db"]
    after = samples * 10 ** (trim / 20) * 10 ** (given["n"] / 20)
    assert np.allclose(before, after, rtol=1e-9)


@pytest.mark.parametrize("learner", LEARNERS)
def test_spread_against_a_simulated_hand(learner):
    """Two hundred thousand hits at either place, spread in mm and read in dB, with any place of unity."""
    given = exercise("09-4").variant(learner)
    hand = given["s"] * np.random.default_rng(7).standard_normal(200_000)
    spreads = []
    for level in (given["f1"], given["f2"]):
        place = 75 * 10 ** (level / (20 * given["k"]))
        hits = place + hand
        spreads.append(np.std(20 * given["k"] * np.log10(hits[hits > 0] / 75)))
    assert exercise("09-4").solve(given) == pytest.approx(spreads[0] / spreads[1], rel=0.02)


# ---- eight faders --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("learner", LEARNERS[:3])
def test_handed_over_the_mix_nulls(learner):
    """Rendered here: the bus and both sends come out as the same samples."""
    asked = exercise("09-5")
    given = asked.variant(learner)
    session = asked.material(given)
    answer = asked.solve(given)
    moved = session
    for stem, fields in answer.items():
        sends = tuple(
            type(send)(send.to, fields.get(f"send {send.to} level_db", send.level_db), send.tap)
            for send in session.strip(stem).sends
        )
        moved = moved.with_(stem, fader_db=fields["fader_db"], post_trim_db=fields["post_trim_db"], sends=sends)
    nodes = ["bus", f"{given['cue']}/send cue", f"{given['effect']}/send effect"]
    before, after = session.render().audios(nodes), moved.render().audios(nodes)
    for node in nodes:
        loudest = np.abs(before[node].samples).max()
        assert np.abs(after[node].samples - before[node].samples).max() < 1e-9 * loudest, node
    assert all(abs(fields["fader_db"]) <= 3 and abs(fields["post_trim_db"]) <= 24 for fields in answer.values())
    assert all(send.tap == "pre" for strip in session.strips for send in strip.sends)


def test_everybody_has_something_to_do_and_can_do_it():
    """Drawn within the ranges, two different tracks with a send, always far enough off that the trap is there."""
    drawn = [exercise("09-5").variant(f"learner {index}") for index in range(300)]
    for given in drawn:
        faders = dict(zip(STEMS, given["faders_db"], strict=True))
        assert all(-25 <= fader <= 8 for fader in faders.values()) and all(0 <= t <= 4 for t in given["trims_db"])
        assert given["cue"] != given["effect"] and min(abs(faders[given["cue"]]), abs(faders[given["effect"]])) >= 6
        assert sum(abs(fader) > 3 for fader in faders.values()) >= 5
        for fields in exercise("09-5").solve(given).values():
            assert -3 <= fields["fader_db"] <= 0 and -24 <= fields["post_trim_db"] <= 24
            assert all(-60 <= level <= 6 for name, level in fields.items() if name.startswith("send"))
    assert {given["cue"] for given in drawn} == {given["effect"] for given in drawn} == set(STEMS)
    sums = [np.add(given["faders_db"], given["trims_db"]).min() for given in drawn]
    assert min(sums) < -24, "somebody's trim reaches its end before the fader is at 0 dB"


def test_the_mix_handed_out_is_the_rough_balance():
    """The faders are all over the place, the levels at the bus are not."""
    first, second = (exercise("09-5").material(exercise("09-5").variant(name)) for name in ("anna", "ben"))
    levels = [levels_dbfs(session) for session in (first, second)]
    for stem in STEMS:
        assert levels[0][f"{stem}/out"] == pytest.approx(levels[1][f"{stem}/out"], abs=0.06)
        assert rms_dbfs(first.render().audio(f"{stem}/out").samples) == pytest.approx(
            levels[0][f"{stem}/out"], abs=0.01
        )


def test_feedback_names_the_track():
    asked = exercise("09-5")
    given = asked.variant("anna")
    answer = asked.solve(given)
    stem = lab09.far_stems(given)[0]
    answer[stem]["post_trim_db"] += 0.2
    feedback = mark(asked, given, answer).feedback
    assert f"Change of {stem[3:]} at the bus: 0.20 dB is 0.15 dB too much; aim for at most 0.05 dB" in feedback
    beyond = mark(asked, given, {stem: {"post_trim_db": -24.5}})
    assert beyond.state == "invalid" and "it goes from −24 to +24 dB" in beyond.feedback


def test_other_ways_to_the_same_sound_pass():
    """Within 3 dB of unity anything goes, as long as trim and send go along."""
    asked = exercise("09-5")
    given = asked.variant("anna")
    answer = asked.solve(given)
    for stem, fields in answer.items():
        by = 2.5 if fields["post_trim_db"] > -20 else -2.0
        by = max(by, fields["post_trim_db"] - 24)
        fields["fader_db"] += by
        fields["post_trim_db"] -= by
        for name in fields:
            if name.startswith("send"):
                fields[name] += by
        assert abs(fields["fader_db"]) <= 3 and abs(fields["post_trim_db"]) <= 24, stem
    assert mark(asked, given, answer).state == "right"


def test_a_send_moved_the_wrong_way_is_told():
    asked = exercise("09-5")
    given = asked.variant("anna")
    answer = lab09.handed_over(given, sends=0)
    right = asked.solve(given)
    name = "send cue level_db"
    as_found = answer[given["cue"]][name]
    answer[given["cue"]][name] = 2 * as_found - right[given["cue"]][name]
    assert -60 <= answer[given["cue"]][name] <= 40
    assert mark(asked, given, answer).slips == ("sends the wrong way",)
    answer[given["cue"]][name] = as_found
    assert mark(asked, given, answer).slips == ("sends forgotten",)


def test_a_whole_session_is_an_answer():
    asked = exercise("09-5")
    given = asked.variant("anna")
    session = asked.material(given)
    from gainlib.exercises.practical import applied

    handed_in = applied(session, asked.solve(given))
    assert Session.from_json(handed_in.to_json()) == handed_in
    assert mark(asked, given, handed_in.to_json()).state == "right"
    cheated = handed_in.with_(given["cue"], sends=())
    assert mark(asked, given, cheated.to_json()).state == "invalid"


# ---- a measured fader ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("learner", LEARNERS)
def test_the_law_against_scipy(learner):
    asked = exercise("09-6")
    given = asked.variant(learner)
    assert given["mm"][0] == 0 and given["db"][0] == "-inf"
    line = linregress(np.log10(given["mm"][1:]), given["db"][1:])
    answer, steep = asked.solve(given)
    assert answer["law"]["exponent"] == pytest.approx(line.slope / 20, abs=1e-5)
    assert answer["law"]["unity_mm"] == pytest.approx(10 ** (-line.intercept / line.slope), abs=1e-4)
    assert steep == pytest.approx(20 * answer["law"]["exponent"] / math.log(10), abs=1e-4)
    assert lab09.MEASURED_LAW.fit(None, given).misfit_db < 0.5


OWN = {"mm": [0, 8, 15, 22, 31, 40, 52, 60], "db": ["−∞", -52, -35.5, "-24,5", -14.2, -6.0, 1.5, 6]}


def test_a_fader_of_ones_own():
    """A shorter one that follows no power law quite: what counts is the fit of its own points."""
    asked = exercise("09-6")
    given = asked.variant("anna")
    mm, db = OWN["mm"][1:], [-52, -35.5, -24.5, -14.2, -6.0, 1.5, 6]
    line = linregress(np.log10(mm), db)
    law = {"exponent": line.slope / 20, "unity_mm": 10 ** (-line.intercept / line.slope)}
    steep = line.slope / math.log(10)
    assert mark(asked, given, [{"law": law, "own": OWN}, steep]).state == "right"
    assert mark(asked, given, [{"law": law, "own": OWN}, 1.2 * steep]).state == "partly"
    assert mark(asked, given, [{"law": law}, None]).state == "wrong", "not the fader that was printed"
    natural = {**law, "exponent": law["exponent"] / math.log(10)}
    assert mark(asked, given, [{"law": natural, "own": OWN}, None]).slips == ("natural logarithm",)
    assert mark(asked, given, [{"law": law, "own": OWN}, 20 * law["exponent"]]).slips == ("ln 10 forgotten",)
    again = json.loads(json.dumps([{"law": law, "own": OWN}, steep]))
    assert mark(asked, given, again).state == "right"


def test_points_of_ones_own_are_named_in_the_gradebook(tmp_path):
    """Nobody can check them: invented ones are as good for the marking."""
    asked, who = exercise("09-6"), Writer("anna")
    law = lab09.MEASURED_LAW.fit({"own": {"mm": OWN["mm"][1:], "db": [-52, -35.5, -24.5, -14.2, -6, 1.5, 6]}}, {})
    answer = [{"law": {"exponent": law.exponent, "unity_mm": law.unity_mm}, "own": OWN}, 20 * law.exponent / LN_10]
    who.answer(asked.id, answer)
    who.save(tmp_path)
    [row] = [row for row in gradebook(tmp_path).rows if row.exercise == asked.id]
    note = "through 8 points of the learner's own, 0 mm −∞ dB to 60 mm 6 dB, not checked"
    assert row.points == 3 and note in row.notes
    plain = Writer("ben")
    plain.answer(asked.id, plain.right(asked.id))
    plain.save(tmp_path)
    assert not [row for row in gradebook(tmp_path).rows if row.learner == "ben" and row.notes]


@pytest.mark.parametrize(
    ("own", "said"),
    [
        ({"mm": [10, 20, 30], "db": [-40, -20, -10]}, "at least 6 points with a finite level; you gave 3"),
        ({"mm": [0, 10, 20, 30, 40, 50], "db": ["-inf", -40, -30, -20, -10, 0]}, "you gave 5"),
        ({"mm": [10, 20], "db": [-40]}, "2 positions and 1 levels"),
        ({"mm": [10, 20, 30, 40, 50, 60], "db": [0, -1, -2, -3, -4, -5]}, "do not rise"),
        ({"mm": [-5, 20, 30, 40, 50, 60], "db": [-50, -4, -3, -2, -1, 0]}, "below 0"),
        ({"mm": list(range(1, 120)), "db": list(range(1, 120))}, "at most 100"),
        ({"mm": ["ten"] * 6, "db": [0] * 6}, "a number in mm"),
        ([[10, -40]], "two lists"),
    ],
)
def test_points_that_will_not_do(own, said):
    asked = exercise("09-6")
    given = asked.variant("anna")
    verdict = mark(asked, given, [{"law": {"exponent": 4}, "own": own}, 30])
    assert verdict.state == "invalid" and said in verdict.feedback
