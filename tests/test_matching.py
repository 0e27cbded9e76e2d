"""A matched bypass is as loud as the box: energies by numpy, loudness by another library."""

import numpy as np
import pyloudnorm
import pytest
from boxes import label

from gainlib.audio import Audio, GainlibError
from gainlib.boxes import matched_output
from gainlib.levels import db_to_ratio
from gainlib.processors import Compressor, Filter, Gate, HardClip, Polarity, Saturation, Tape
from gainlib.signals import pink_noise, silence, tone, white_noise

RATE_HZ = 48000
BOXES = [
    Saturation(6.0),
    Compressor(-30, 4),
    Compressor(-30, 4, makeup_db=12),
    HardClip(-20),
    Tape(3.0),
    Filter("highshelf", 2000, 0.7, 9),
    lambda x, rate_hz: x[::-1] * 3.0,
]


def hits(channels=1):
    """Return 4 s of a made-up drum: noise in bursts that die away."""
    noise = white_noise(-14, 4.0, seed=1, channels=channels).samples
    return Audio(noise * np.exp(-(np.arange(4 * RATE_HZ) % 24000) / 1500)[:, np.newaxis], RATE_HZ, "hits")


def energy_db(samples):
    return 10 * np.log10(np.mean((samples - samples.mean(axis=0)) ** 2))


def through(box, samples, match, in_db):
    """Return what leaves the insert: gain in, box, matched gain out."""
    fed = samples * db_to_ratio(in_db)
    out = box(fed, RATE_HZ) if not hasattr(box, "process") else box.process(Audio(fed, RATE_HZ)).samples
    return out * db_to_ratio(match.out_db)


@pytest.mark.parametrize("in_db", [-9.0, 0.0, 7.5])
@pytest.mark.parametrize("box", BOXES, ids=label)
def test_energy_is_that_of_the_bypass(box, in_db):
    """The bypass skips the gain in front, too; the match is exact, not only within the 0.1 dB asked for."""
    for audio in (hits(), pink_noise(-20, 2.0, seed=2, channels=2)):
        match = matched_output(box, audio, in_db)
        out = through(box, audio.samples, match, in_db)
        assert energy_db(out) == pytest.approx(energy_db(audio.samples), abs=0.01)
        assert match.difference_db == pytest.approx(0.0, abs=0.01)
        assert match.peak_dbfs == pytest.approx(20 * np.log10(np.abs(out).max()), abs=1e-6)


@pytest.mark.parametrize("box", BOXES[:6], ids=label)
def test_loudness_is_that_of_the_bypass(box):
    """Within 0.1 LU by pyloudnorm, which shares nothing with the meter that the match is found by."""
    meter = pyloudnorm.Meter(RATE_HZ)
    audio = hits(2)
    match = matched_output(box, audio, 3.0, by="loudness")
    loudness = [meter.integrated_loudness(each) for each in (audio.samples, through(box, audio.samples, match, 3.0))]
    assert loudness[1] == pytest.approx(loudness[0], abs=0.1)


def test_energy_and_loudness_are_two_matches():
    """A bright box is louder than its energy tells: the ear's weighting lifts the treble (ITU-R BS.1770)."""
    bright = Filter("highshelf", 3000, 0.7, 12)
    by_energy, by_loudness = (matched_output(bright, pink_noise(-20, 3.0), by=by) for by in ("energy", "loudness"))
    assert by_loudness.out_db < by_energy.out_db - 0.3


def test_makeup_of_squeezed_hits_raises_their_peaks_and_warns():
    audio = Audio(hits().samples * 2.0, RATE_HZ)
    slow = Compressor(-40, 8, attack_s=0.03)
    match = matched_output(slow, audio)
    assert match.out_db > 6 and match.peak_dbfs > -1
    assert "converter" in match.warning and f"{match.peak_dbfs:.1f}" in match.warning
    assert matched_output(Polarity(), tone(997, -20)).warning is None


@pytest.mark.parametrize(("peak_dbfs", "warns"), [(-1.05, False), (-0.95, True)])
def test_the_warning_starts_at_minus_1(peak_dbfs, warns):
    match = matched_output(Polarity(), tone(1000, peak_dbfs))
    assert (match.warning is not None) == warns


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"by": "peak"}, "by 'peak'"),
        ({"audio": silence(1.0)}, "what goes in has no energy"),
        ({"audio": tone(997, -20, 0.2), "by": "loudness"}, "no loudness"),
        ({"audio": tone(997, -90, 2.0), "by": "loudness"}, "no loudness"),
        ({"processor": lambda x, rate_hz: 0 * x}, "what comes out has no energy"),
    ],
)
def test_what_cannot_be_matched_is_refused_in_a_sentence(arguments, says):
    with pytest.raises(GainlibError, match=says):
        matched_output(**{"processor": Gate(), "audio": tone(997, -20), **arguments})
