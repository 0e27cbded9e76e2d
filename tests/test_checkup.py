"""Faults are found where they were planted, and nowhere else."""

import re

import numpy as np
import pytest
from daily import daily

from gainlib.audio import Audio
from gainlib.demo import demo_session, fault_list
from gainlib.mix import checkup
from gainlib.mix.findings import RANKS, ranked
from gainlib.mix.guesses import FAULTS
from gainlib.session import Strip

RATE_HZ = 48000
PLANTED = {"too hot", "too low", "clipped", "DC", "noisy", "polarity", "dual mono", "low activity", "silent"}


def noise(seed, seconds=6.0, width=1, level=0.1):
    rng = np.random.default_rng(seed)
    return level * rng.standard_normal((int(seconds * RATE_HZ), width))


def strip(name, samples):
    return Strip(name, Audio(np.ascontiguousarray(samples, dtype=np.float32), RATE_HZ))


def truth_of(seed, faults):
    """Return the demo's faults by the tags of findings; only one of them has another key there."""
    found = fault_list(seed, faults).items()
    return {name: {"low activity" if tag == "sparse" else tag for tag in tags} for name, tags in found}


def tags(*strips):
    return {stem.name: set(stem.tags) for stem in checkup(strips)}


@pytest.mark.parametrize(("seed", "faults"), [*daily([(1, True), (2, "drawn"), (7, "drawn"), (11, "drawn")], 2)])
def test_planted_faults_are_named(seed, faults):
    truth = truth_of(seed, faults)
    for stem in checkup(demo_session(seed, faults).strips):
        wanted, found = truth[stem.name] - {"none"}, set(stem.tags) & PLANTED
        partner = "polarity" in found and stem.name == "03 overheads"  # of a reversed pair, either may be the one
        assert found - ({"polarity"} if partner else set()) == wanted, stem.name


def test_clean_stems_have_no_planted_fault_but_what_the_music_brings():
    for stem in checkup(demo_session(1, faults=False).strips):
        assert set(stem.tags) & PLANTED <= truth_of(1, False)[stem.name] | {"too hot"}, stem.name


@pytest.mark.parametrize("hz", [30, 50, 100, 300])
def test_a_steady_low_tone_is_not_called_clipped(hz):
    wave = np.sin(2 * np.pi * hz * np.arange(3 * RATE_HZ) / RATE_HZ)[:, np.newaxis]
    assert "clipped" not in tags(strip("sub", 0.5 * wave))["sub"]
    assert "clipped" in tags(strip("sub", np.clip(0.8 * wave, -0.5, 0.5)))["sub"]


def test_the_first_flat_tops_are_told_with_their_times():
    wave = 0.3 * np.sin(2 * np.pi * 100 * np.arange(90 * RATE_HZ) / RATE_HZ)[:, np.newaxis]
    for start_s in (61.25, 63.0, 89.0):
        wave[round(start_s * RATE_HZ) : round((start_s + 0.5) * RATE_HZ)] *= 4.0
    (stem,) = checkup([strip("bass", np.clip(wave, -0.8, 0.8))])
    (sentence,) = (finding.sentence for finding in stem.findings if finding.tag == "clipped")
    assert "the first at 1:01.3, 1:03.0, 1:29.0;" in sentence


def test_nothing_but_an_offset_is_called_that():
    (stem,) = checkup([strip("cable", np.full((RATE_HZ, 1), 0.25))])
    assert stem.tags == ("silent", "DC")
    assert "nothing but a constant offset" in stem.findings[0].sentence and "+25" in stem.findings[1].sentence


def test_a_mix_print_among_its_stems():
    parts = [noise(k, width=2, level=0.05 + 0.02 * k) for k in range(4)]
    found = tags(*(strip(f"stem {k}", part) for k, part in enumerate(parts)), strip("mix", sum(parts)))
    assert "mix print" in found["mix"]
    assert all("mix print" not in found[f"stem {k}"] for k in range(3))


def test_copies_of_one_stem_are_no_mix_print():
    one = noise(3)
    found = tags(
        strip("bass", one), strip("bass again", one / 5), strip("bass once more", one / 2), strip("s", noise(4))
    )
    assert found["bass once more"] == {"duplicate"} and not any("mix print" in each for each in found.values())


def test_unrelated_stems_hold_no_print_and_no_reversed_pair():
    found = tags(*(strip(f"stem {k}", noise(k)) for k in range(5)))
    assert all(each == set() for each in found.values()), found


@pytest.mark.parametrize("delay", [0, 37, 400])
def test_a_reversed_copy_is_found_at_its_delay(delay):
    one = noise(3)
    other = -np.roll(one, delay, axis=0) + noise(4, level=0.05)
    stems = checkup([strip("near", one), strip("far", other)])
    sentence = next(finding.sentence for finding in stems[0].findings if finding.tag == "polarity")
    assert "far" in sentence and f"{1000 * delay / RATE_HZ:.1f} ms" in sentence
    assert "polarity" not in tags(strip("near", one), strip("far", -other))["near"]


def test_left_and_right_files_of_one_pair():
    found = tags(strip("piano L", noise(1)), strip("piano R", noise(2)), strip("hall", noise(3)))
    assert "split stereo" in found["piano L"] and "split stereo" not in found["hall"]


def test_stems_of_other_lengths_are_one_finding():
    stems = checkup([strip("long", noise(1)), *(strip(f"short {n}", noise(n, seconds=n)) for n in (3, 4, 5))])
    assert "length mismatch" not in stems[0].tags and all("length mismatch" in stem.tags for stem in stems[1:])
    (finding,) = (each for each in ranked(stems) if each.tag == "length mismatch")
    assert finding.sentence.startswith("short 3, short 4, short 5: 1.000 to 3.000 s shorter than long; ")


def test_every_finding_is_told_once_and_proven_ones_first():
    one = noise(3)
    stems = checkup(
        [strip("near", one), strip("far", -one), strip("hot", noise(1, level=0.6)), strip("s", noise(2, 1))]
    )
    found = ranked(stems)
    assert [(each.sure, each.tag) for each in found] == [
        (True, "over full scale"), (True, "too hot"), (False, "polarity"), (False, "length mismatch"),
    ]  # fmt: skip
    assert sorted(FAULTS) == sorted(RANKS), "each once"


@pytest.mark.parametrize(("apart_db", "more_db"), [(0.0, "6.0"), (14.0, "1.6"), (-14.0, "1.6"), (6.0, "3.5")])
def test_copies_add_what_their_levels_make(apart_db, more_db):
    """Worked by hand: equal signals add as amplitudes, 20·log10(1 + 10^(−14/20)) = 1.58, with 6 dB apart 3.53."""
    one = noise(3)
    (_, copy) = checkup([strip("bass", one), strip("again", one * 10 ** (-apart_db / 20))])
    (finding,) = (each for each in copy.findings if each.tag == "duplicate")
    assert f"both together are {more_db} dB louder than the louder one alone" in finding.sentence
    level = f", {abs(apart_db):.1f} dB {'softer' if apart_db > 0 else 'louder'};" if apart_db else ";"
    assert f"the same as bass{level}" in finding.sentence


def test_the_crest_that_is_told_is_the_difference_of_the_levels_beside_it():
    """A click over a soft tone; peak and active level are rounded as printed, and so their difference has to fit."""
    wave = 0.05 * np.sin(2 * np.pi * 440 * np.arange(6 * RATE_HZ) / RATE_HZ)[:, np.newaxis]
    wave[RATE_HZ] = 0.85
    (finding,) = checkup([strip("loop", wave)])[0].findings
    peak, crest, active = (float(each) for each in re.findall(r"-?[\d.]+", finding.words.replace("−", "-"))[:3])
    assert finding.tag == "high crest" and round(peak - active, 1) == crest == pytest.approx(24.6, abs=0.1)


def test_no_pauses_is_not_called_clean():
    (stem,) = checkup([strip("drone", noise(1))])
    assert stem.noise_dbfs is None


def test_samples_over_full_scale_are_told():
    assert "over full scale" in tags(strip("hot", noise(1, level=0.6)))["hot"]


def test_one_inverted_side():
    side = noise(5)
    assert "polarity" in tags(strip("wide", np.hstack([side, -side])))["wide"]


def test_every_sentence_names_its_strip():
    for stem in checkup(demo_session(1).strips):
        heads = [finding.sentence.partition(": ")[0].split(", ") for finding in stem.findings]
        assert all(stem.name in head for head in heads)
