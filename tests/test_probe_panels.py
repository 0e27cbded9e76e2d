"""The panels of the round trip without a page: what they write, read, show and say."""

import json
from pathlib import Path

import numpy as np
import pytest
from roundtrips import RATE_HZ, hissing, played

from gainlib.audio import Audio, AudioFile, read, write
from gainlib.boxes import round_trips
from gainlib.boxes.repeated_gain import programme
from gainlib.notebook import RoundTrip
from gainlib.notebook.figures import make_figure
from gainlib.notebook.figures.histogram import ResidueBars
from gainlib.notebook.panels.nulling import NullPanel
from gainlib.notebook.panels.probe import ProbePanel
from gainlib.processors import Filter, Saturation

NOTEBOOK = Path(__file__).parent.parent / "labs" / "roundtrip.ipynb"


def taken(folder, box, spoil=lambda line: line, name="take.wav"):
    """Write a recording of the test file through a box."""
    out = box.process(Audio(played()[:, np.newaxis], RATE_HZ)).samples[:, 0]
    write(folder / name, Audio(spoil(out)[:, np.newaxis], RATE_HZ))
    return str(folder / name)


def test_the_caution_stands_first():
    text = ProbePanel()._middle.children[0].value
    assert "disconnect speakers and headphones" in text and "manual" in text


def test_the_test_file_is_written_as_asked(tmp_path):
    panel = ProbePanel()
    panel.write()
    assert panel.said.state == "wrong" and "the field is empty" in panel.said.text
    panel.file.value, panel.rate.value, panel.level.value = f'"{tmp_path / "out.wav"}"', 44100, "−12,5 dBFS"
    panel.write()
    assert panel.said.state == "right" and "Leave speakers and headphones off" in panel.said.text
    assert AudioFile(tmp_path / "out.wav").rate_hz == 44100
    assert 20 * np.log10(np.abs(read(tmp_path / "out.wav").samples).max()) == pytest.approx(-12.5, abs=0.1)
    panel.write()
    assert "exists already" in panel.said.text
    panel.level.value = "3"
    panel.write()
    assert "Up to: 3 is out of range; give −30 to 0 dBFS" in panel.said.text


@pytest.fixture(autouse=True)
def own(tmp_path, monkeypatch):
    """A folder of the user's own, with nothing in it."""
    monkeypatch.setenv("GAINLIB_BENCH", str(tmp_path / "own"))


def test_a_recording_is_read_shown_and_kept_in_the_rack(tmp_path):
    panel = ProbePanel()
    panel.enter.click()
    assert "there is no box to keep; read its recording first" in panel.said.text
    panel.recorded.value = taken(tmp_path, Saturation())
    panel.read()
    assert panel.said.text.startswith("Nonlinear: ") and "0.3 to 3 % distortion" in panel.said.text
    widget = panel.live.widget
    assert (
        "working range −23.3 to −12.9 dBFS, reference −18.0 dBFS"
        in widget.alt
        == f"{panel.live.title}. {widget.sentence}"
    )
    assert len(widget.tables[0]["rows"]) == 18 and widget.moving["marks"]
    assert "−18.0 dBFS" in panel.facts.value and "nonlinear" in panel.facts.value
    panel.enter.click()
    assert "the box has no name; give it one" in panel.said.text and not list(panel.song.rack)
    panel.name.value = "opto"
    panel.enter.click()
    wanted = "built for −18.0 dBFS on average, with +0.46 dB behind it for a matched bypass"
    assert panel.said.text == f"Kept: “opto”, {wanted}."
    assert panel.song.rack["opto"].box == panel.report.box("opto") and "opto" in panel.racked.value
    panel.remove.click()
    assert "“opto” is no longer in the rack" in panel.said.text and panel.racked.value == ""


def test_what_cannot_be_told_or_read_is_said(tmp_path):
    panel = ProbePanel()
    panel.recorded.value = taken(tmp_path, Filter("highpass", 100.0), hissing)
    panel.read()
    assert panel.said.word == "Linear as far as the recording shows" and panel.said.state == "right"
    assert "There is noise at −70.1 dBFS from somewhere" in panel.said.text
    assert "linear as far as the recording shows" in panel.facts.value and "is free" in panel.facts.value
    write(tmp_path / "without.wav", Audio(hissing(played())[:, np.newaxis], RATE_HZ))
    panel.without.value = str(tmp_path / "without.wav")
    panel.read()
    assert "is there without the box as well" in panel.said.text and panel.report.kind == "linear"
    write(tmp_path / "music.wav", programme())
    panel.recorded.value = str(tmp_path / "music.wav")
    panel.read()
    assert panel.said.state == "wrong" and "the marks at the end of the test file are missing" in panel.said.text
    assert panel.report is None and panel.facts.value == "" and panel._picture.children == ()
    assert panel.enter.disabled and panel.failures == []


def test_two_prints_are_subtracted(tmp_path):
    panel = NullPanel()
    panel.programme.value = str(tmp_path / "programme.wav")
    panel.write()
    np.testing.assert_array_equal(read(tmp_path / "programme.wav").samples, programme().samples)
    after = round_trips(programme(), 40.0, 20, "24 bit", dither=True)
    write(tmp_path / "after.wav", after.with_samples(0.5 * after.samples), "FLOAT")
    panel.first.value, panel.second.value = panel.programme.value, str(tmp_path / "after.wav")
    panel.subtract()
    assert panel.report.gain_db == pytest.approx(-6.02, abs=0.001)
    assert panel.report.residual_dbfs == pytest.approx(-91.5, abs=0.4)
    assert "the second is at −6.021 dB against the first" in panel.said.text and "−6.021 dB" in panel.facts.value
    assert "at the same speed" in panel.facts.value and "with the first" in panel.facts.value
    assert "millionths" not in panel.facts.value and "0.00 s and 0.00 s" in panel.facts.value
    assert panel.live.widget.alt.startswith("What remains of two prints. Highest: 16 kHz, ")
    panel.match.value = False
    panel.subtract()
    assert panel.report.depth_db == pytest.approx(20 * np.log10(0.5), abs=0.01)
    assert "does not prove that the difference can be heard" in panel.said.text


def test_rounds_of_ones_own_numbers():
    panel = NullPanel()
    panel.attenuation.value, panel.rounds.value = "40", "20"
    panel.turn()
    expected = {"24-bit": -109, "24-bit, dither": -91.5, "16-bit, dither": -43.3}
    for name, level in expected.items():
        assert panel.turn.found[2][name] == pytest.approx(level, abs=1.0)
    assert "most in 16-bit, dither −43.3 dB" in panel.said.text
    panel.rounds.value = "2,5"
    panel.turn()
    assert "give a whole number" in panel.said.text


def test_bars_say_what_they_show():
    bars = ResidueBars(make_figure(400, 300).subplots(), -100.0, 0.0, "Rest", "dB", "octave (Hz)")
    bars.update(["63", "125"], [-np.inf, -np.inf])
    assert bars.sentence() == "Nothing is left at all."
    bars.update(["63", "125"], [-120.0, -20.0], [np.nan, -21.0])
    assert bars.sentence() == "Highest: 125, −20.0 dB."
    assert bars.table().rows == (("63", "−120.0", ""), ("125", "−20.0", "−21.0"))


def test_what_was_read_and_turned_stands_there_again_after_a_reload(tmp_path):
    trip = RoundTrip()
    probe, null = trip.probe(), trip.null()
    probe.recorded.value, probe.name.value = taken(tmp_path, Saturation()), "opto"
    probe.read()
    null.attenuation.value, null.rounds.value = "40", "3"
    null.turn()
    trip._store.flush()
    again = RoundTrip()
    for before, after in ((probe, again.probe()), (null, again.null())):
        assert (after.said.text, after.said.state) == (before.said.text, before.said.state)
        assert after.standing() == before.standing()
    assert again.probe().facts.value == probe.facts.value and again.null().turn.found[2] == null.turn.found[2]
    assert again.probe().live.widget.alt == probe.live.widget.alt
    again.probe().enter.click()
    assert again.probe().song.rack["opto"].box == probe.report.box("opto")


def test_the_page_has_both_and_says_the_caution_before_them():
    trip = RoundTrip()
    assert trip.probe() is trip.probe() and trip.null() is trip.null()
    cells = json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]
    ids = [cell["id"] for cell in cells]
    text = "".join(line for cell in cells for line in cell["source"])
    assert "(04-word-length.ipynb)" in text and "(bench.ipynb)" in text
    assert ids.index("roundtrip-safety-text") < ids.index("roundtrip-probe")
    assert "disconnect speakers and headphones, until you have finished" in "".join(
        cells[ids.index("roundtrip-safety-text")]["source"]
    )
