"""Lab 05 against synthesised tracks, rendered mixes, and a second meter."""

import json
import math
import time

import numpy as np
import pytest
from scipy.signal import resample_poly

from gainlib.exercises import exercise, mark
from gainlib.exercises.refrain import STEMS, mix, refrain, rough_faders_db
from gainlib.labs import lab05
from gainlib.labs.lab05 import read_mix
from gainlib.processors import HardClip
from gainlib.session import Insert, Session

SECONDS = 10
RATE_HZ = 48_000


def noise(rng, level_dbfs):
    """Return noise at a sine-referred RMS level: a full-scale sine reads 0 (AES17)."""
    samples = rng.standard_normal(SECONDS * RATE_HZ)
    return samples * 10 ** (level_dbfs / 20) / np.sqrt(2 * np.mean(samples**2))


def level(samples):
    return 10 * math.log10(2 * np.mean(samples**2))


def true_peak(samples):
    """Second meter: eight times oversampled by scipy."""
    return 20 * math.log10(np.abs(resample_poly(samples, 8, 1, axis=0)).max())


@pytest.mark.parametrize("learner", range(6))
def test_sums_against_synthesised_tracks(learner):
    rng = np.random.default_rng(learner)
    many = exercise("05-1")
    given = many.variant(f"learner {learner}")
    total = sum(noise(rng, given["L"]) for _ in range(given["N"]))
    assert many.solve(given) == pytest.approx(level(total), abs=0.05)
    doubled = exercise("05-2")
    given = doubled.variant(f"learner {learner}")
    take = noise(rng, 0.0)
    same = take * 10 ** (given["a"] / 20) + take * 10 ** (given["b"] / 20)
    assert doubled.solve(given) == pytest.approx(
        level(same + noise(rng, given["c"]) + noise(rng, given["d"])), abs=0.05
    )


@pytest.mark.parametrize("learner", range(2))
def test_the_fader_back_and_all_moved_against_a_rendered_mix(learner):
    """The mix as it was before that fader was pulled down, only lower; and it reads the target on a second meter."""
    asked = exercise("05-3")
    given = asked.variant(f"learner {learner}")
    session = asked.material(given)
    before = session.with_faders({
        strip.name: strip.fader_db + given["y"] * (strip.name[3:] == given["track"]) for strip in session.strips
    }).render().bus.samples  # fmt: skip
    faders = {stem: fields["fader_db"] for stem, fields in asked.solve(given).items()}
    after = session.with_faders(faders).render().bus.samples
    assert true_peak(after) == pytest.approx(given["t"], abs=0.2), "a finer meter reads up to 0.17 dB more (BS.1770-5)"
    assert after == pytest.approx(before * 10 ** ((true_peak(after) - true_peak(before)) / 20), abs=0.001)


@pytest.mark.parametrize("learner", range(4))
def test_the_loud_source_against_rendered_mixes(learner):
    asked = exercise("05-4")
    given = asked.variant(f"learner {learner}")
    stem, attenuation = asked.solve(given)
    session = asked.material(given)

    def peak(**changes):
        name = changes.pop("stem", stem)
        return 20 * math.log10(np.abs(session.with_(name, **changes).render().bus.samples).max())

    assert 1 <= peak() <= 6
    assert peak(mute=True) <= -1.2
    assert peak(fader_db=-attenuation) <= -1.0 + 1e-4
    assert peak(fader_db=-attenuation + 0.11) > -1.0
    assert min(peak(stem=other, mute=True) for other in STEMS if other != stem) > 0
    assert attenuation >= 1
    own = {name: 20 * math.log10(np.abs(session.render().audio(f"{name}/out").samples).max()) for name in STEMS}
    assert own[stem] + 0.3 <= max(own.values()) < 0, "another track is higher on its own meter, and none is over"


def test_every_suspect_is_the_one_for_somebody():
    named = {exercise("05-4").solve(exercise("05-4").variant(f"learner {index}"))[0] for index in range(20)}
    assert named == set(lab05.LOUD)


@pytest.mark.parametrize("learner", range(4))
def test_all_faders_against_a_second_meter(learner):
    asked = exercise("05-5")
    given = asked.variant(f"learner {learner}")
    session = asked.material(given)
    shadow = session.with_(bus="float").render().bus.samples
    assert 2.9 <= true_peak(shadow) <= 9.1
    assert np.abs(session.render().bus.samples).max() == 1.0, "cut off at full scale"
    answer = asked.solve(given)
    faders = {stem: answer[stem]["fader_db"] for stem in STEMS}
    after = session.with_faders(faders).render()
    assert -7.0 <= true_peak(after.bus.samples) <= -6.0
    ratio = 10 ** (lab05.offset_db(given) / 20)
    assert np.allclose(after.bus.samples, shadow * ratio, atol=1e-9), "the same mix, only lower"
    assert all(-60 <= fader <= 10 for fader in (*faders.values(), *given["faders_db"]))


def test_a_master_fader_in_the_window_does_not_pass():
    """The reading is right and the balance kept, but the sum was cut off."""
    asked = exercise("05-5")
    given = asked.variant("anna")
    reading = read_mix(asked.material(given))
    verdict = mark(asked, given, {"master": {"fader_db": -6.5 - reading.true_peak_dbtp}})
    assert verdict.state == "wrong" and verdict.slips == ("master only",)
    assert "Samples cut off:" in verdict.feedback and "dBTP" not in verdict.feedback
    assert mark(asked, given, {"bus": {"fader_db": -6.5 - reading.true_peak_dbtp}}) == verdict


def test_other_ways_to_the_same_sound_pass():
    """What is heard counts: some of the move may sit on the master, once nothing is cut off ahead of it."""
    asked = exercise("05-5")
    given = asked.variant("anna")
    offset = lab05.offset_db(given)
    assert mark(asked, given, lab05.moved(given, offset + 3.0, master_db=-3.0)).state == "right"


def test_the_feedback_names_the_two_tracks():
    asked = exercise("05-5")
    given = asked.variant("anna")
    answer = asked.solve(given)
    answer["05 bass"]["fader_db"] += 1.0
    feedback = mark(asked, given, answer).feedback
    assert "Change of balance between bass and " in feedback
    assert ": 1.0 dB is 0.9 dB too much; aim for at most 0.1 dB" in feedback


def test_a_whole_session_is_an_answer():
    asked = exercise("05-5")
    given = asked.variant("anna")
    session = asked.material(given)
    offset = lab05.offset_db(given)
    handed_in = session.with_faders({strip.name: strip.fader_db + offset for strip in session.strips})
    assert mark(asked, given, handed_in.to_json()).state == "right"
    assert mark(asked, given, json.loads(handed_in.with_(name="mine", finished=True).to_json())).state == "right"
    assert mark(asked, given, session.to_json()).state == "wrong"


@pytest.mark.parametrize(
    "change",
    [
        lambda session: session.with_(bus="float"),
        lambda session: session.with_("01 kick", trim_db=-20.0),
        lambda session: session.with_("01 kick", mute=True),
        lambda session: session.with_("bus", inserts=(Insert(HardClip()),)),
        lambda session: session.with_("bus", trim_db=-3.0),
        lambda session: Session(session.strips[:-1], bus="fixed"),
        lambda session: session.with_("01 kick", audio=refrain("05 bass")),
    ],
)
def test_another_session_is_refused(change):
    asked = exercise("05-5")
    given = asked.variant("anna")
    verdict = mark(asked, given, change(asked.material(given)).to_json())
    assert verdict.state == "invalid"
    assert "session" in verdict.feedback


@pytest.mark.timed
def test_a_state_is_marked_in_a_second():
    asked = exercise("05-5")
    given = asked.variant("anna")
    answer = asked.solve(given)
    mark(asked, given, answer)
    start = time.process_time()
    for step in range(3):
        mark(asked, given, {**answer, "master": {"fader_db": -0.01 * (step + 1)}})
    assert (time.process_time() - start) / 3 < 1.0


CURED = {"float sum", "float group", "hot track", "bypassed ceiling", "raised master trim"}


@pytest.mark.parametrize("over_db", lab05.OVER_DB)
@pytest.mark.parametrize("name", lab05.SET_UPS)
def test_set_ups_do_what_their_text_says(name, over_db):
    """Rendered here once more: what comes out when the master is pulled, against the mix when nothing exceeds."""
    session = lab05.SET_UPS[name].build(over_db)
    trace = session.render()
    nodes = {node: 20 * math.log10(np.abs(trace.audio(node).samples).max()) for node in trace.nodes}
    assert lab05.residual_db(name, over_db, 0.0) > -60, "it clips as it stands"
    assert lab05.is_cured(name, over_db) is (name in CURED)
    if name in ("float sum", "bypassed ceiling", "ceiling on the master", "float group"):
        assert nodes["bus/in"] == pytest.approx(over_db, abs=0.01)
        assert max(nodes[f"{stem}/out"] for stem in lab05.PLAYED) < 0, "no track by itself"
    if name == "fixed sum":
        assert nodes["bus/in"] == pytest.approx(0.0, abs=1e-9)
    if name == "fixed group":
        assert nodes["group/in"] == pytest.approx(0.0, abs=1e-9) and nodes["bus/in"] < -2
    if name == "hot track":
        assert nodes["08 pad/out"] == pytest.approx(over_db, abs=0.01)
    if name == "ceiling on a track":
        assert nodes["08 pad/insert 1/in"] == pytest.approx(over_db, abs=0.01) and nodes["bus"] < 0
    if name == "raised master trim":
        assert nodes["bus/in"] < -2 and nodes["bus"] == pytest.approx(over_db, abs=0.01)


def test_six_set_ups_are_drawn_with_two_to_four_cured():
    asked = exercise("05-6")
    counts = []
    for index in range(60):
        given = asked.variant(f"learner {index}")
        assert len(set(given["set_ups"])) == 6 and lab05.TAKE in given["set_ups"]
        counts.append(len(asked.solve(given)))
    assert set(counts) == {2, 3, 4}


def test_the_refrain_is_cut_without_a_click_and_saved_by_name():
    for stem in STEMS:
        audio = refrain(stem)
        assert audio.duration_s == pytest.approx(10.01) and np.abs(audio.samples[0]).max() == 0
    session = mix(rough_faders_db())
    assert Session.from_json(session.to_json()) == session
    assert all(level_dbfs > -60 for level_dbfs in read_mix(session).levels_dbfs.values()), "every track plays"
