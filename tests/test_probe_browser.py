"""The round trip in a real JupyterLab: a box of our own behind a delay, by mouse; prints by keyboard alone."""

import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from browser import opened
from labhand import LabHand, picture, sentence
from playwright.sync_api import expect

from gainlib.audio import read, write
from gainlib.boxes import round_trips
from gainlib.notebook.panels.nulling import programme
from gainlib.processors import Saturation

pytestmark = pytest.mark.browser
NOTEBOOK = Path(__file__).parent.parent / "labs" / "roundtrip.ipynb"
AT_REST = "() => !document.querySelector('.gl-bench [data-state=busy]')"
LONG_MS = 90_000


class TripHand(LabHand):
    """The page of the round trip under a hand."""

    def settled(self):
        """Wait until the work that was begun is done."""
        super().settled()
        if not self.page.evaluate(AT_REST):
            self.page.wait_for_function(AT_REST, timeout=LONG_MS)
            super().settled()

    def field(self, panel, label):
        """Return a field by what stands beside it."""
        return self.cell(panel).get_by_label(label)

    def fill(self, panel, label, text):
        """Type into a field that was clicked, and leave it."""
        self.field(panel, label).click()
        self.field(panel, label).fill(text)
        self.field(panel, label).press("Tab")
        self.settled()

    def click(self, panel, name):
        """Press a button with the mouse and wait for what it does."""
        self.settled()
        self.cell(panel).get_by_role("button", name=name, exact=True).click()
        self.page.wait_for_timeout(150)
        self.settled()

    def key(self, panel, name):
        """Tab to a button, press it and wait for what it does."""
        self.settled()
        self.tab_to(self.cell(panel).get_by_role("button", name=name, exact=True))
        self.press("Space")
        self.page.wait_for_timeout(150)
        self.settled()

    def enter(self, panel, label, text):
        """Tab to a field, type over what it holds, and leave it."""
        self.type_over(self.field(panel, label), text)
        self.press("Tab")
        self.settled()

    def says(self, panel, *texts):
        """Wait until one of a panel's lines says all of these."""
        for text in texts:
            expect(self.cell(panel).locator(".gl-said", has_text=text).first).to_be_visible(timeout=LONG_MS)


@pytest.fixture
def trip(tmp_path):
    """The page, open and run."""
    folder = tmp_path / "place"
    folder.mkdir()
    shutil.copy(NOTEBOOK, folder)
    with opened(folder / NOTEBOOK.name, height=1200) as page:
        page.run_all()
        hand = TripHand(page, "roundtrip")
        hand.settled()
        yield hand


def delayed_saturation(played, path):
    """Record the test file through a saturation, 37 ms late and inverted."""
    out = Saturation().process(played)
    late = np.pad(-out.samples, ((round(0.037 * out.rate_hz), 0), (0, 0)))
    write(path, out.with_samples(late))


def clean(trip):
    assert trip.problems() == []
    assert not re.search(r"\b(NaN|undefined|None)\b", trip.page.locator(".jp-Notebook").inner_text())


def test_a_box_is_measured_by_mouse(trip, tmp_path):
    probe, take = tmp_path / "probe.wav", tmp_path / "take.wav"
    assert "disconnect speakers and headphones" in trip.cell("probe").inner_text()
    trip.fill("probe", "Test file (.wav):", str(probe))
    trip.click("probe", "Write the test file")
    trip.says("probe", "Written")
    delayed_saturation(read(probe), take)
    trip.fill("probe", "Recording of what came out:", str(tmp_path / "none.wav"))
    trip.click("probe", "Read the recording")
    trip.says("probe", "no such file")
    trip.fill("probe", "Recording of what came out:", str(take))
    trip.click("probe", "Read the recording")
    trip.says("probe", "Nonlinear", "0.3 to 3 % distortion")
    found = trip.cell("probe")
    assert "working range −23.3 to −12.9 dBFS, reference −18.0 dBFS" in sentence(found)
    facts = found.locator(".gl-score").first.inner_text()
    assert re.search(r"reference\s+−18\.0 dBFS", facts) and re.search(r"polarity\s+inverted", facts)
    assert re.search(r"test file starts\s+37\.0\d ms into the recording", facts)
    assert re.search(r"recording against test file\s+as long\b", facts)
    before = picture(found)
    found.locator(".gl-image").first.scroll_into_view_if_needed()
    trip.shot("roundtrip-probe")
    write(tmp_path / "straight.wav", read(probe))
    trip.fill("probe", "Recording of what came out:", str(tmp_path / "straight.wav"))
    trip.click("probe", "Read the recording")
    trip.says("probe", "Linear")
    assert picture(trip.cell("probe")) != before
    clean(trip)


@pytest.mark.exhaustive
def test_boxes_and_prints_by_keyboard_alone(trip, tmp_path):
    probe, take = tmp_path / "probe.wav", tmp_path / "take.wav"
    trip.enter("probe", "Test file (.wav):", str(probe))
    trip.key("probe", "Write the test file")
    trip.says("probe", "Written")
    delayed_saturation(read(probe), take)
    trip.enter("probe", "Recording of what came out:", str(take))
    trip.key("probe", "Read the recording")
    trip.says("probe", "Nonlinear")

    trip.enter("null", "Down and up by", "40")
    trip.key("null", "Work it out")
    trip.says("null", "most in 16-bit, dither −43.3 dB")
    trip.enter("null", "Programme (.wav):", str(tmp_path / "programme.wav"))
    trip.key("null", "Write the programme")
    trip.says("null", "Written")
    write(tmp_path / "after.wav", round_trips(programme(), 40.0, 20, "24 bit", dither=True), "FLOAT")
    trip.enter("null", "First print:", str(tmp_path / "programme.wav"))
    trip.enter("null", "Second print:", str(tmp_path / "after.wav"))
    trip.key("null", "Subtract")
    trip.says("null", "Subtracted", "what remains is −76")
    assert sentence(trip.cell("null")).startswith("Highest: 16 kHz, ")
    trip.shot("roundtrip-null")
    clean(trip)
