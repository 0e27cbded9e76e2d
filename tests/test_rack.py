"""A black box measured once by its recording and used wherever it stands, against the real box in its place."""

import json
from dataclasses import replace

import numpy as np
import pytest
from roundtrips import RATE_HZ, played
from scipy import signal

from gainlib.audio import Audio, GainlibError, write
from gainlib.boxes import Rack, RackBox, racked, read_probe, refreshed
from gainlib.mix import apply_chains, plan
from gainlib.mix.chainsfile import chains_text
from gainlib.mix.export import write_stems
from gainlib.mix.inserts import basis_of, settled, what_is_known
from gainlib.processors import BlackBox, Compressor, Filter, Saturation
from gainlib.session import Group, Insert, Session, Strip, from_json, open_folder, to_json

STEADY_DB = 2.9
DRIVE = 2.79 * 10.0 ** (-1.0 / 20.0)
GAINS = ((-50.0, 2.9), (-17.0, 2.5), (-8.0, -1.0))


def real_box(samples):
    """A saturating stage that is built for −17 dBFS and has 2.9 dB of gain where it is steady."""
    return Saturation(DRIVE).process(Audio(samples, RATE_HZ)).samples * 10.0 ** (STEADY_DB / 20.0)


@pytest.fixture(scope="module")
def report():
    return read_probe(Audio(real_box(played()[:, np.newaxis]), RATE_HZ, "take"))


def music(seed, level_dbfs=-30.0, seconds=4.0):
    """Return noise as bright as music, −3 dB an octave from 200 Hz on, with no silence in it, at an RMS level."""
    white = np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ))
    line = signal.sosfilt(signal.butter(1, 400, fs=RATE_HZ, output="sos"), white)
    line *= 10.0 ** (level_dbfs / 20.0) / np.sqrt(2.0 * np.mean(line**2))
    return Audio(line[:, np.newaxis], RATE_HZ)


def rms_dbfs(samples):
    return 10.0 * np.log10(2.0 * np.mean(np.asarray(samples, float) ** 2))


def song(box, **more):
    return Session([Strip("bass", music(1), inserts=(Insert(box),), **more), Strip("vocal", music(2))])


# ---- from the recording to the plan ----------------------------------------------------------------------------------


def test_what_the_recording_shows_is_what_the_plan_goes_by(report, tmp_path):
    """Steady gain, reference and output gain are those of the stage by its own formula; the plan sets them."""
    assert report.gain_db == pytest.approx(2.9, abs=0.02)
    assert report.reference_dbfs == pytest.approx(-17.0, abs=0.15)
    rack = Rack(tmp_path / "rack.json")
    rack.put(racked(report, "opto"))
    session, changed = refreshed(song(BlackBox(name="Opto")), rack)
    assert changed == ("opto",)
    made = plan(session)
    moves = {move.control: move for move in made.moves if move.strip == "bass"}
    assert moves["trim"].after_db == pytest.approx(-17.0 + 30.0, abs=0.3)  # the active meter against plain RMS
    assert moves["insert 1 out"].after_db == pytest.approx(report.output_gain_db, abs=0.05)
    assert "as measured" in moves["insert 1 out"].reason and not any("match its" in each for each in made.warnings)
    assert made.verification.verdict == "verified"
    assert {check.basis for check in made.verification.checks if "bass" in check.name} == {"known", "measured"}


def test_the_real_box_in_its_place_keeps_bypass_and_balance(report):
    """The plan as numpy would carry it out with the stage itself: matched bypass, and the level it had before."""
    session = song(report.box("opto"), trim_db=3.0)
    made = plan(session)
    stem, strip = session.strip("bass").audio.samples, made.session.strip("bass")
    fed = stem * 10.0 ** (strip.trim_db / 20.0)
    insert = strip.inserts[0]
    assert insert.in_db == 0.0
    out = real_box(fed) * 10.0 ** (insert.out_db / 20.0)
    assert rms_dbfs(out) - rms_dbfs(fed) == pytest.approx(0.0, abs=0.1)
    before = rms_dbfs(real_box(stem * 10.0 ** (3.0 / 20.0)))
    after = rms_dbfs(out) + strip.post_trim_db + strip.fader_db
    vocal = made.session.strip("vocal")
    moved = vocal.trim_db + vocal.post_trim_db + vocal.fader_db
    assert after - before == pytest.approx(moved, abs=0.1)


def test_staged_stems_add_up_outside_the_library(report, tmp_path):
    """Files read back by libsndfile alone: their sum is the bus, and the measured gain is in it."""
    import soundfile

    made = plan(song(report.box("opto")))
    export = write_stems(made, tmp_path / "stems", through="bus", subtype="FLOAT")
    whole = sum(soundfile.read(tmp_path / "stems" / each.name)[0] for each in export.files)
    bus = made.session.render().bus.samples
    assert np.abs(whole - bus).max() < 1e-6
    assert any("of a measured one they hold the change of level" in note for note in export.notes)
    upsampled = signal.resample_poly(whole, 8, 1, axis=0)
    assert 20.0 * np.log10(np.abs(upsampled).max()) == pytest.approx(-6.0, abs=0.05)


def test_one_that_nobody_measured_is_told_and_never_verified():
    made = plan(song(BlackBox(-18.0, "opto")))
    told = [check.name for check in made.verification.told]
    assert made.verification.passed and "bus true peak" in told and "bass, level against the others" in told
    assert "bass, input of processor 1, average" not in told and "vocal, level against the others" not in told
    assert made.verification.verdict.startswith("kept, not verified: ")
    (known,) = what_is_known(made.session)
    assert known.startswith("bass, processor 1, black box “opto”: you say that it is built for −18.0 dBFS")


def test_groups_and_master_count_as_well():
    strips = Strip("bass", music(1), to=("drums",)), Strip("vocal", music(2))
    session = Session(strips, [Group("drums", inserts=(Insert(BlackBox()),))])
    told = {check.name for check in plan(session).verification.told}
    assert told == {"bus true peak", "drums, level against the others"}
    measured = session.with_("drums", inserts=(Insert(BlackBox(gains=((-18.0, 1.0),))),))
    assert plan(measured).verification.verdict == "verified"
    on_master = Session(strips[1:]).with_("bus", inserts=(Insert(BlackBox()),))
    assert [check.name for check in plan(on_master).verification.told] == ["bus true peak"]


def test_a_ceiling_limits_what_is_fed_and_noise_is_told():
    box = BlackBox(-17.0, "opto", gains=GAINS, ceiling_dbfs=-12.0, noise_dbfs=-80.0)
    made = plan(song(box))
    peak = made.session.render().reading("bass/insert 1/in").sample_peak_dbfs
    assert peak == pytest.approx(-12.0, abs=0.05)
    assert any("its ceiling" in move.reason for move in made.moves)
    (known,) = what_is_known(made.session)
    out_db = made.session.strip("bass").inserts[0].out_db
    assert f"noise at −80.0 dBFS, {-80.0 + out_db:.1f} dBFS behind its output gain".replace("-", "−") in known
    assert "holds back peaks above −12.0 dBFS" in known


def test_a_box_whose_level_is_free_has_its_gain_and_no_more():
    box = BlackBox(None, "eq", level_free=True, gains=((-6.0, 2.0),))
    made = plan(Session([Strip("bass", music(1), inserts=(Insert(box), Insert(Saturation())))]))
    ahead = made.session.render().reading("bass/insert 2/in").active_dbfs
    assert ahead == pytest.approx(-18.0, abs=0.05)
    assert made.session.strip("bass").trim_db == pytest.approx(12.0 - 2.0, abs=0.3)
    assert made.verification.verdict == "verified"


def test_what_reaches_a_box_decides_its_gain():
    """Worked by hand: −20 dBFS lies a third of the way from −17 to −26, between gains of 2 and 5 dB."""
    box = BlackBox(-17.0, gains=((-26.0, 5.0), (-17.0, 2.0)))
    session = Session([Strip("bass", music(1, -20.0), inserts=(Insert(box),))])
    stands = settled(session).strip("bass").inserts[0].processor
    assert stands.gain_db == pytest.approx(3.0, abs=0.15) and box.gain_db == 2.0
    assert session.strip("bass").inserts[0].processor == box
    played = settled(session).render().reading("bass/post").rms_dbfs
    assert played == pytest.approx(-20.0 + stands.gain_db, abs=0.01)


# ---- the file --------------------------------------------------------------------------------------------------------


def entry(name="opto", **more):
    return RackBox(BlackBox(-17.0, name, gains=GAINS, **more), "2026-11-29", "nonlinear", 2.9)


def test_a_box_comes_back_as_it_was_kept_and_the_file_can_be_read_by_anybody(tmp_path):
    rack = Rack(tmp_path / "own" / "rack.json")
    assert len(rack) == 0
    rack.put(entry(noise_dbfs=-80.0))
    rack.put(entry("Röhre", ceiling_dbfs=-3.0))
    again = Rack(rack.path)
    assert list(again) == ["Röhre", "opto"] and again["OPTO"] == entry(noise_dbfs=-80.0)
    document = json.loads(rack.path.read_text(encoding="utf-8"))
    assert document["rack"] == 1 and document["boxes"]["opto"]["output_gain_db"] == -2.5
    again.remove("röhre")
    assert list(Rack(rack.path)) == ["opto"]
    with pytest.raises(GainlibError, match="no box is named 'opta'; did you mean 'opto'"):
        again.remove("opta")
    with pytest.raises(GainlibError, match="the box has no name"):
        again.put(entry(" "))
    assert sorted(each.name for each in rack.path.parent.iterdir()) == ["rack.json", "rack.json.lock"]


def test_two_pages_lose_nothing_of_each_other(tmp_path):
    one, other = Rack(tmp_path / "rack.json"), Rack(tmp_path / "rack.json")
    one.put(entry("opto"))
    other.put(entry("tube"))
    assert set(Rack(one.path)) == {"opto", "tube"}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "rack.json does not hold a rack of boxes"),
        ("[]", "it has no 'boxes'"),
        ('{"boxes": {}}', "it is in format None, and this release reads 1"),
        ('{"rack": 2, "boxes": {}}', "it is in format 2"),
        ('{"rack": 1, "boxes": {"opto": {"measured": 3}}}', "box 'opto': "),
        ('{"rack": 1, "boxes": {"opto": 3}}', "box 'opto': "),
        ("[" * 100_000, "rack.json does not hold a rack of boxes"),
    ],
)
def test_a_damaged_rack_is_refused_with_a_sentence_and_never_written_over(tmp_path, text, said):
    path = tmp_path / "rack.json"
    rack = Rack(path)
    path.write_text(text, encoding="utf-8")
    with pytest.raises(GainlibError, match=said) as told:
        rack.put(entry())
    assert "rack.json" in str(told.value) and "move it away and measure again" in str(told.value)
    assert path.read_text(encoding="utf-8") == text
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(GainlibError, match="does not hold a rack of boxes"):
        Rack(path)


@pytest.mark.parametrize("pairs", [[], [[-20.0, 1.0], [-30.0, 2.0]], [[-20.0, 1e999]]])
def test_gains_that_are_none_are_refused(tmp_path, pairs):
    rack = Rack(tmp_path / "rack.json")
    rack.put(entry())
    document = json.loads(rack.path.read_text(encoding="utf-8"))
    document["boxes"]["opto"]["gains"] = pairs
    rack.path.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(GainlibError, match="does not hold a rack of boxes"):
        Rack(rack.path)


# ---- names, sessions, chains files -----------------------------------------------------------------------------------


def test_a_chosen_reference_stays_until_the_box_is_measured_anew(tmp_path):
    rack = Rack(tmp_path / "rack.json")
    rack.put(entry())
    for reference, kept in ((-18.0, -17.0), (-22.0, -22.0)):
        session, changed = refreshed(song(BlackBox(reference, "opto")), rack)
        box = session.strip("bass").inserts[0].processor
        assert (box.reference_dbfs, box.gains, changed) == (kept, GAINS, ("opto",))
        assert refreshed(session, rack) == (session, ())
        anew, _ = refreshed(session, rack, "opto")
        assert anew.strip("bass").inserts[0].processor.reference_dbfs == -17.0
    assert refreshed(song(BlackBox(-18.0, "tube")), rack)[1] == ()


def test_a_session_holds_what_was_measured_and_old_ones_are_read(tmp_path):
    write(tmp_path / "bass.wav", music(1), "FLOAT")
    chains = '[stems.bass]\ninserts = [{box = "black box", name = "opto"}]'
    session, _ = apply_chains(open_folder(tmp_path), chains)
    rack = Rack(tmp_path / "rack.json")
    rack.put(entry(noise_dbfs=-80.0, ceiling_dbfs=-3.0))
    session, _ = refreshed(session, rack)
    assert from_json(to_json(session, tmp_path), tmp_path) == session
    assert apply_chains(open_folder(tmp_path), chains_text(session))[0] == session.with_(name=tmp_path.name)
    old = json.loads(to_json(session, tmp_path))
    old["strips"][0]["inserts"][0]["processor"] = {"type": "BlackBox", "reference_dbfs": -12.0, "name": "opto"}
    assert from_json(json.dumps(old), tmp_path).strip("bass").inserts[0].processor == BlackBox(-12.0, "opto")


def test_a_recording_that_cannot_tell_measures_no_box(report):
    with pytest.raises(GainlibError, match="opto: the recording does not show it"):
        racked(replace(report, kind="cannot tell", reason="The recording does not show it: hum"), "opto")


def test_models_are_known():
    assert basis_of([Insert(Compressor()), Insert(Filter())]) == "known"
