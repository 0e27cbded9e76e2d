"""Working ranges: edges held against closed forms and published curves, and against what a box does there.

The limits themselves (0.3 to 3 % distortion, 2 to 6 dB of gain reduction, 6 dB over noise and 3 dB under notes for a
gate) are common practice, no source.
"""

import math

import numpy as np
import pytest
from boxes import label
from scipy import integrate, optimize

from gainlib.audio import Audio
from gainlib.boxes import working_range
from gainlib.boxes.drive import excerpt
from gainlib.levels import db_to_ratio
from gainlib.meters import active_level
from gainlib.processors import (
    AnalogueStage,
    AsymmetricSaturation,
    Compressor,
    DCBlock,
    Delay,
    Filter,
    Gate,
    HardClip,
    Limiter,
    Polarity,
    Quantiser,
    Reverb,
    Saturation,
    Tape,
    Tremolo,
)
from gainlib.signals import pink_noise, steps, white_noise

RATE_HZ = 48000


def thd_of_tanh(amplitude):
    """THD in percent of tanh(A sin t), from its energy and its fundamental (Parseval)."""
    power = integrate.quad(lambda t: math.tanh(amplitude * math.sin(t)) ** 2, 0, 2 * math.pi)[0] / math.pi
    first = integrate.quad(lambda t: math.tanh(amplitude * math.sin(t)) * math.sin(t), 0, 2 * math.pi)[0] / math.pi
    return 100 * math.sqrt(max(power - first**2, 0)) / first


# ---- what bends ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("drive", [1.0, 2.79, 8.0])
def test_edges_of_a_saturating_stage(drive):
    found = working_range(Saturation(drive))
    for percent, level in ((0.3, found.low_dbfs), (3.0, found.high_dbfs)):
        amplitude = optimize.brentq(lambda a, p=percent: thd_of_tanh(a) - p, 0.01, 3)
        assert level == pytest.approx(20 * math.log10(amplitude / drive), abs=0.05)
    assert "common practice, no source" in found.reason


def test_best_is_the_declared_level_where_that_lies_within():
    """−18 dBFS for drive 2.79; otherwise 1 % of distortion, and the sentence tells of both."""
    assert working_range(Saturation()).best_dbfs == -18.0
    assert working_range(Tape()).best_dbfs == -18.0
    assert working_range(AsymmetricSaturation()).best_dbfs == -18.0
    hot = working_range(Saturation(10.0))
    amplitude = optimize.brentq(lambda a: thd_of_tanh(a) - 1.0, 0.01, 3)
    assert hot.best_dbfs == pytest.approx(20 * math.log10(amplitude / 10), abs=0.05)
    assert "1 %" in hot.reason and "built for −18.0 dBFS" in hot.reason
    plain = working_range(lambda x, rate_hz: np.tanh(x))
    assert plain.best_dbfs == pytest.approx(20 * math.log10(amplitude), abs=0.05) and "built" not in plain.reason


def test_a_clip_is_a_ceiling():
    found = working_range(HardClip(-12))
    assert -12 < found.low_dbfs < found.best_dbfs < found.high_dbfs < -11
    assert "ceiling to stay below" in found.reason


@pytest.mark.parametrize(
    "box",
    [
        Filter(),
        Delay(0.01),
        Reverb(0.3),
        Tremolo(),
        Polarity(),
        DCBlock(),
        Quantiser(16, "tpdf"),
        Quantiser(16),
        Quantiser(8),
        Quantiser(2, "tpdf"),
        HardClip(3),
        Saturation(0.05),
        AnalogueStage(-80, 20),
        lambda x, rate_hz: 0.5 * x + 0.01,
        lambda x, rate_hz: 0 * x,
    ],
    ids=label,
)
def test_no_preference_is_no_range(box):
    assert working_range(box) is None


# ---- what turns down -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("threshold", "ratio"), [(-20, 3), (-30, 2), (-16, 8)])
def test_edges_of_a_compressor_on_a_tone(threshold, ratio):
    """Without a knee the reduction is (1 − 1/R)(L − T) (Giannoulis, Massberg, Reiss, 2012, eq. 2)."""
    found = working_range(Compressor(threshold, ratio, 0))
    slope = 1 - 1 / ratio
    assert found.low_dbfs == pytest.approx(threshold + 2 / slope, abs=0.08)
    assert found.high_dbfs == pytest.approx(threshold + 6 / slope, abs=0.08)
    assert found.best_dbfs == threshold + 6 if found.low_dbfs <= threshold + 6 <= found.high_dbfs else True
    assert "2 to 6 dB" in found.reason and "common practice, no source" in found.reason


def test_a_limiter_without_a_level_of_its_own_starts_in_the_middle():
    found = working_range(Limiter(-20))
    assert found[:3] == pytest.approx((-18, -16, -14), abs=0.1)


def test_material_moves_the_range():
    """Bursts of a tone: while it sounds it is the same tone. Drums peak far above their average and need less."""
    box = Compressor(-20, 4, 0)
    burst = steps([(-10.0, 2.0), (None, 1.0)] * 2)
    assert working_range(box, burst)[:3] == pytest.approx(working_range(box)[:3], abs=0.6)
    hits = white_noise(-20, 4.0, seed=1).samples * np.exp(-(np.arange(4 * RATE_HZ) % 24000) / 1500)[:, np.newaxis]
    spiky = working_range(box, Audio(hits, RATE_HZ, "hits"))
    assert spiky.high_dbfs < working_range(box).high_dbfs - 3
    assert spiky.reason.startswith("Fed at −") and "hits is turned down" in spiky.reason
    # At the edges the reduction is what it should be: output against input, block by block while it sounds.
    for level, wanted in ((spiky.low_dbfs, 2.0), (spiky.high_dbfs, 6.0)):
        fed = Audio(hits * db_to_ratio(level - active_level(Audio(hits, RATE_HZ))[0]), RATE_HZ)
        blocks = box.reduction_db(fed).reshape(-1, 1200).mean(axis=1)
        powers = (fed.samples**2).reshape(-1, 1200).mean(axis=1)
        whole = np.convolve(powers, np.ones(4) / 4, "valid")
        active = whole >= whole.max() * 10 ** (-2.5)
        assert np.convolve(blocks, np.ones(4) / 4, "valid")[active].mean() == pytest.approx(wanted, abs=0.05)


def test_the_loudest_half_minute_of_long_material_counts():
    soft, loud = pink_noise(-40, 20.0, RATE_HZ, seed=1).samples, pink_noise(-14, 30.0, seed=2).samples
    whole = np.concatenate([soft, loud, soft])
    cut = excerpt(Audio(whole, RATE_HZ, "long"))
    assert (cut.frames, cut.name) == (30 * RATE_HZ, "long")
    starts = range(round(19.9 * RATE_HZ), round(20.1 * RATE_HZ), round(0.025 * RATE_HZ))
    assert any(np.array_equal(cut.samples, whole[start : start + 30 * RATE_HZ]) for start in starts)
    assert excerpt(cut) is cut


# ---- what hisses, and gates ------------------------------------------------------------------------------------------


def test_edges_of_a_noisy_stage_on_a_tone():
    """A clip at c and noise: least just under c, 3 dB more where the tone is 3 dB softer, or where it clips as much."""
    noise = white_noise(-50, 5.0, seed=3).samples[:, 0]
    ceiling = -8.0
    found = working_range(lambda x, rate_hz: np.clip(x, -db_to_ratio(ceiling), db_to_ratio(ceiling)) + noise[: len(x)])
    assert ceiling - 0.7 < found.best_dbfs < ceiling + 0.3
    assert found.low_dbfs == pytest.approx(found.best_dbfs - 3.0, abs=0.6)
    assert found.best_dbfs < found.high_dbfs < ceiling + 0.5
    assert "noise" in found.reason and "peaks" in found.reason


def test_peaks_of_material_lower_the_range_of_a_noisy_stage():
    box = AnalogueStage(-70, 0)
    tone_range = working_range(box)
    material = working_range(box, pink_noise(-20, 4.0, seed=1, name="rain"))
    assert material.high_dbfs < tone_range.high_dbfs - 6 and material.low_dbfs < material.best_dbfs
    assert "rain" in material.reason


def notes(noise_dbfs, seed=1):
    """Return tones of −20 dBFS with pauses between, over steady noise."""
    played = steps([(-20.0, 0.4), (None, 0.6)] * 5).samples
    return Audio(played + white_noise(noise_dbfs, 5.0, seed=seed).samples, RATE_HZ, "notes")


def test_a_gate_opens_for_notes_and_not_for_noise_within_its_range():
    box, material = Gate(-40.0), notes(-75.0)
    assert working_range(box) is None, "a gate has no range without material"
    found = working_range(box, material)
    average = active_level(material)[0]
    assert found.low_dbfs == pytest.approx(average - 40 + 20 + 3, abs=0.4), "3 dB under notes that peak at −20"
    assert found.low_dbfs < found.best_dbfs < found.high_dbfs
    pauses = np.arange(5 * RATE_HZ) % RATE_HZ > 0.65 * RATE_HZ

    def opens(level_dbfs):
        reduction = box.reduction_db(Audio(material.samples * db_to_ratio(level_dbfs - average), RATE_HZ))
        return reduction[~pauses].min() < 1, reduction[pauses].min() < 1

    for level in (found.low_dbfs, found.best_dbfs, found.high_dbfs):
        assert opens(level) == (True, False)
    assert opens(found.low_dbfs - 4.0) == (False, False), "too soft: notes are lost"
    assert opens(found.high_dbfs + 7.0) == (True, True), "too loud: noise comes through"


def test_a_gate_without_room_or_without_pauses_has_no_range():
    assert working_range(Gate(-40.0), notes(-32.0)) is None
    assert working_range(Gate(-40.0), pink_noise(-20, 3.0, seed=1)) is None
    clean = working_range(Gate(-40.0), steps([(-20.0, 0.4), (None, 0.6)] * 5))
    assert clean.high_dbfs == 0.0 and "no noise" in clean.reason
