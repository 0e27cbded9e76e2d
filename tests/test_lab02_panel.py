"""The experiment on meters without a page: what it plays and reads, its settings, pictures, words and speed."""

import ast
import json
import math
import re
import time
from pathlib import Path

import numpy as np
import pytest

from gainlib.audio import GainlibError
from gainlib.exercises import exercise
from gainlib.exercises.metering import bench
from gainlib.exercises.metering.bench import STEADY, Setting
from gainlib.notebook.figures import make_figure
from gainlib.notebook.figures.blocks import BlockBars
from gainlib.notebook.figures.crest import CrestCurve
from gainlib.notebook.figures.needle import MeterRows, NeedleTrace
from gainlib.notebook.panels import lab02
from gainlib.notebook.panels.meterbench import RESTS, SIGNALS, MeterBench, told
from gainlib.notebook.panels.takeview import TakeView
from gainlib.notebook.settings import Settings, Steps

NOTEBOOK = Path(__file__).parent.parent / "labs" / "02-meters.ipynb"


# ---- what is played and read -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("signal", bench.SIGNALS)
@pytest.mark.parametrize("burst_s", [0.005, 0.3, STEADY])
def test_the_highest_sample_is_where_it_was_set(signal, burst_s):
    setting = Setting(signal, level_dbfs=-12.5, burst_s=burst_s, rest_db=-8.0, offset=0.07)
    heard = bench.heard(setting)
    assert np.abs(heard.samples).max() == pytest.approx(10 ** (-12.5 / 20), rel=1e-12)
    assert bench.sound(setting).samples == pytest.approx(heard.samples + 0.07)
    assert heard.duration_s == bench.SECONDS


# Of a wave with its peak at 0 dB. RMS sine-referred (AES17): mean squares 1/2, 1, 1/3. Needle (IEC 60268-17): rectified
# means 2/π, 1, 1/2 over that of a sine. True peak between samples of a tone at a quarter of the rate, 45° off: √2.
STEADY_READINGS = {
    "sine": (0.0, 0.0, 0.0),
    "square": (10 * math.log10(2), 20 * math.log10(math.pi / 2), None),
    "triangle": (10 * math.log10(2 / 3), 20 * math.log10(math.pi / 4), 0.0),
    "between": (10 * math.log10(2), 10 * math.log10(2), 10 * math.log10(2)),
}


@pytest.mark.parametrize("signal", STEADY_READINGS)
def test_steady_readings_against_closed_forms(signal):
    seen = bench.see(Setting(signal))
    rms, needle, true_peak = STEADY_READINGS[signal]
    assert seen.rms_dbfs - seen.sample_peak_dbfs == pytest.approx(rms, abs=0.02)
    rest = float(np.median(seen.needle.value))
    # at 12 kHz the needle is driven by sixteen points a turn, whose mean is 0.11 dB under that of the curve
    assert rest == pytest.approx(needle, abs=0.13 if signal == "between" else 0.03)
    assert 1.010 <= 10 ** ((seen.needle_max_vu - rest) / 20) <= 1.015, "overshoot of 1 to 1.5 %"
    if true_peak is not None:
        assert seen.true_peak_dbtp - seen.sample_peak_dbfs == pytest.approx(true_peak, abs=0.03)


def test_noise_reads_a_decibel_less_on_the_needle():
    """Gaussian noise of the RMS of a sine has a rectified mean 1.05 dB under the sine's (√(2/π) over 2√2/π)."""
    seen = bench.see(Setting("noise"))
    needle_dbfs = float(np.median(seen.needle.value[500:])) + seen.setting.alignment_dbfs
    assert needle_dbfs - seen.rms_dbfs == pytest.approx(20 * math.log10(math.sqrt(math.pi) / 2), abs=0.15)


def test_bursts_against_the_standard_and_against_energy():
    """IEC 60268-17: 99 % in 300 ms. A burst of b seconds has b/6 of the energy, and b/0.4 in one block of 400 ms."""
    seen = bench.bursts()
    assert 10 ** (seen[0.3].needle_max_vu / 20) == pytest.approx(0.99, abs=0.01)
    for length in (0.005, 0.05, 0.2):
        share = 10 * math.log10(length / bench.SECONDS)
        assert seen[length].rms_dbfs - seen[STEADY].rms_dbfs == pytest.approx(share, abs=0.01)
        momentary = seen[length].momentary_max_lufs - seen[STEADY].momentary_max_lufs
        assert momentary == pytest.approx(10 * math.log10(length / 0.4), abs=0.1)
    highest = [each.needle_max_vu for each in seen.values()]
    assert highest == sorted(highest) and {each.sample_peak_dbfs for each in seen.values()} == {-18.0}


def test_an_offset_moves_the_peaks_alone():
    plain, moved = bench.see(Setting()), bench.see(Setting(offset=0.1))
    assert moved.sample_peak_dbfs == pytest.approx(20 * math.log10(10 ** (-18 / 20) + 0.1), abs=1e-6)
    assert moved.rms_dbfs == pytest.approx(plain.rms_dbfs, abs=1e-6)
    assert float(np.median(moved.needle.value)) == pytest.approx(0.0, abs=0.05)
    assert moved.gating.loudness_lufs == pytest.approx(plain.gating.loudness_lufs, abs=0.1)


def test_the_parts_around_a_burst_and_the_gates():
    """BS.1770-4: 8 LU down stays in, 15 and 30 LU down fall under the second gate, silence under the first."""
    kept = {rest: bench.see(Setting(burst_s=2.0, rest_db=rest)).gating.kept.mean() for rest in RESTS}
    assert kept[-8.0] == 1.0 and all(kept[rest] < 0.45 for rest in (-math.inf, -30.0, -15.0))
    ungated = bench.see(Setting(burst_s=2.0, gates="none")).gating.loudness_lufs
    share = 4 * 2.0 / (57 * 0.4)  # blocks of 400 ms every 100 ms hold each instant of the burst four times; 57 in all
    assert ungated == pytest.approx(-21.01 + 10 * math.log10(share), abs=0.02)


def test_an_unknown_signal_is_refused():
    with pytest.raises(GainlibError, match="there is sine, square"):
        bench.sound(Setting("cowbell"))
    assert list(SIGNALS) == list(bench.SIGNALS)


# ---- settings --------------------------------------------------------------------------------------------------------


def settings():
    lengths = Steps("burst_s", "Burst", (0.005, 0.05, 2.0), ("5 ms", "50 ms", "2 s"), 2.0)
    return Settings([lengths, Steps("gates", "Gates", ("none", "both"), ("none", "both"), "both", listed=True)])


def test_settings_remember_together():
    both = settings()
    both.set(burst_s=0.005)
    both.set(gates="none", burst_s=0.05)
    assert both.values == {"burst_s": 0.05, "gates": "none"} and both.can_undo
    both.undo()
    assert both.values == {"burst_s": 0.005, "gates": "both"}
    both.reset()
    assert both.values == {"burst_s": 2.0, "gates": "both"}
    both.undo()
    both.undo()
    assert both.values == {"burst_s": 2.0, "gates": "both"} and not both.can_undo
    both.undo()
    assert both.places == both.start


def test_a_gesture_on_the_page_is_one_step_back():
    both, seen = settings(), []
    both.observe(lambda change: seen.append(change["new"]), "released")
    both.places = [1, 1]
    both.places = [0, 1]
    both.gesture += 1
    assert seen == [1]
    both.undo()
    assert both.value("burst_s") == 2.0


def test_settings_refuse_what_they_cannot_be():
    both = settings()
    with pytest.raises(GainlibError, match="no setting is called 'level'; there is burst_s, gates"):
        both.set(level=3)
    with pytest.raises(GainlibError, match="none of its steps"):
        both.set(burst_s=0.3)
    for places in ([3, 0], [0], [-1, 0]):
        with pytest.raises(GainlibError, match="do not fit"):
            both.places = places
    with pytest.raises(GainlibError, match="no name twice"):
        Settings([])
    with pytest.raises(GainlibError, match="none of its steps"):
        Steps("a", "A", (1, 2), ("1", "2"), 3)
    with pytest.raises(GainlibError, match="2 steps, 1 texts"):
        Steps("a", "A", (1, 2), ("1",), 1)


# ---- pictures and words ----------------------------------------------------------------------------------------------


def axes():
    return make_figure(400, 250).subplots()


def test_a_needle_off_its_scale_and_at_rest():
    trace = NeedleTrace(axes(), 2.0)
    assert trace.sentence() == "The needle stays at rest."
    trace.update([0.5, 1.0], [-20.0, 12.0], (0.5, 2.0))
    assert "+12.0 VU, off the end of its scale, 0.50 s after the burst begins" in trace.sentence()
    assert trace.table().rows[-1] == ("1.00 (highest)", "+12.0")
    with pytest.raises(GainlibError, match="2 times for 1 positions"):
        trace.update([0.5, 1.0], [-20.0], (0.0, 1.0))


def test_pictures_refuse_what_does_not_belong_together():
    with pytest.raises(GainlibError, match="give one each"):
        MeterRows(axes(), ("a", "b")).update([0.0], ["0"])
    with pytest.raises(GainlibError, match="give one place a value"):
        CrestCurve(axes()).update([0, 1], [0.0], [0], [0.0], (0, 0.0))
    with pytest.raises(GainlibError, match="give one a block"):
        BlockBars(axes()).update([-20.0], [True, False], -30.0, -20.0)


def test_blocks_and_their_table():
    bars = BlockBars(axes())
    assert bars.sentence() == "Loudness: no block is full yet."
    bars.update([-20.0, -20.0, -35.0, -math.inf], [True, True, False, False], -31.8, -20.0)
    assert bars.table().rows == (
        ("silent, or nearly", "0", "1"),
        ("−36 to −34", "0", "1"),
        ("−20 to −18", "2", "0"),
    )
    assert "−70 LUFS and at −31.8 LUFS" in bars.table().caption
    bars.update([-20.0], [True], -30.0, -20.0, gates="none")
    assert "no gate is at work" in bars.table().caption
    assert CrestCurve(axes()).sentence() == "There is no crest: the signal is silent."


@pytest.fixture(scope="module")
def panel():
    return MeterBench()


def test_the_panel_follows_its_settings(panel):
    panel.settings.reset()
    seen = {panel.live.widget.png}
    for change in (
        {"signal": "snare"},
        {"burst_s": 0.05},
        {"rest_db": -15.0},
        {"level_dbfs": -6.0},
        {"offset": 0.05},
        {"alignment_dbfs": -20.0},
        {"gates": "none"},
    ):
        panel.settings.set(**change)
        assert panel.live.widget.png not in seen, change
        seen.add(panel.live.widget.png)
    assert panel.setting == Setting("snare", -6.0, 0.05, -15.0, 0.05, -20.0, "none")
    assert len(panel.live.widget.alt) > 100 and len(panel.live.widget.tables) == 4
    assert told(bench.see(panel.setting)).startswith("Snare drum, a burst of 50 ms, around it the same 15 dB lower.")
    panel.settings.reset()
    assert panel.live.widget.png in seen


def test_all_that_is_heard_stays_under_the_ceiling_for_test_tones(panel):
    for level_dbfs in (-40.0, 0.0):
        panel.settings.set(level_dbfs=level_dbfs, signal="square")
        panel.player.volume_db = 24.0
        gains = panel.player.gains
        assert gains.true_peak_dbtp + panel.player.volume_db <= -20.0 + 1e-6
        assert gains.loudest_lufs + gains.start_db <= -30.0 + 1e-6
    panel.settings.reset()


def test_a_picture_takes_less_than_80_ms_of_work(panel):
    panel.settings.reset()
    panel.settings.places = [0, 0, 3, 40, 0, 1, 0]
    start = time.process_time()
    for step in range(10):
        panel.settings.places = [0, 0, 3, 41 + step, 0, 1, 0]
    each_ms = 1000 * (time.process_time() - start) / 10
    print(f"{each_ms:.0f} ms a picture")
    assert each_ms < 80
    panel.settings.reset()


def test_the_readings_shown_lead_to_the_answer():
    """From the table alone, as a learner works it out: peak without offset over plain RMS."""
    asked = exercise("02-1")
    given = asked.variant("anna")
    rows = [row[1] for row in TakeView(given).readings.table["rows"]]
    highest, lowest, offset, _, rms = (float(re.match(r"[−+]?[\d.]+", row)[0].replace("−", "-")) for row in rows)
    peak_dbfs = 20 * math.log10(max(highest - offset, offset - lowest))
    assert asked.solve(given) == pytest.approx(peak_dbfs - (rms - 3.01), abs=0.02)


def test_the_prediction_holds_the_choice_that_is_measured():
    cells = json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]
    source = next("".join(cell["source"]) for cell in cells if cell["id"] == "02-predict")
    choices = [argument.value for argument in ast.parse(source).body[0].value.args[1:]]
    outcome, sentence, table = lab02.compare()
    assert choices == list(lab02.CHOICES) and outcome == "about −11 VU" and outcome in choices
    assert "−11.1 VU" in sentence and len(table.rows) == 11
    with pytest.raises(GainlibError, match="it has 'meters'"):
        lab02.panel("bus", None)
