"""What the bench asks the rooms below for: stretches of the bus, pasted paths, settings in words, a saved balance."""

import math
from pathlib import Path

import numpy as np
import pytest

from gainlib import processors
from gainlib.audio import Audio, GainlibError
from gainlib.mix import checkup, live, paths, plan, sheet_of
from gainlib.mix.channels import take_balance
from gainlib.mix.live import bus_excerpt
from gainlib.mix.paths import pasted_path
from gainlib.notebook.background import Work
from gainlib.processors import Compressor, Filter
from gainlib.processors.controls import controls, kinds_in_words
from gainlib.session import Session, Strip
from gainlib.session.fader import FaderLaw, law_up_to

RATE = 8000


def song(*inserts, seconds=30.0):
    """Return two strips of noise, the second one shorter, both through a chain."""
    rng = np.random.default_rng(5)
    long, short = (rng.standard_normal((round(s * RATE), 1)) * 0.1 for s in (seconds, seconds * 0.6))
    return Session(
        [Strip("long", Audio(long, RATE), inserts=inserts), Strip("short", Audio(short, RATE), fader_db=-3.0)]
    )


def rest_db(got, wanted):
    """Return 20·log10 of what is left when two arrays are subtracted, against the second."""
    rest = np.sum((got - wanted) ** 2) / np.sum(wanted**2)
    return 10 * math.log10(rest) if rest else -math.inf


@pytest.mark.parametrize("start_s", [0.0, 4.0, 14.5, 17.0, 28.0])
def test_a_stretch_of_the_bus_is_that_of_the_whole_render(start_s):
    """Linear chains: to the last digit, whatever lies before, behind, or has ended."""
    session = song()
    whole = session.render().bus.samples
    part = bus_excerpt(session, start_s, 4.0).samples
    first = round(start_s * RATE)
    np.testing.assert_allclose(part, whole[first : first + 4 * RATE], atol=1e-15)


@pytest.mark.parametrize("processor", [Compressor(-40.0, 4.0), Filter("highpass", 20.0)])
def test_what_holds_back_and_rings_on_has_settled_when_a_stretch_begins(processor, monkeypatch):
    """Ten seconds are far above a release of 0.12 s and a filter at 20 Hz; without them the beginning is another."""
    session = song(processor)
    whole = session.render().bus.samples[20 * RATE : 20 * RATE + RATE // 2]
    assert rest_db(bus_excerpt(session, 20.0, 0.5).samples, whole) < -80.0
    monkeypatch.setattr(live, "AHEAD_S", 0.0)
    assert rest_db(bus_excerpt(session, 20.0, 0.5).samples, whole) > -60.0


def test_a_stretch_behind_the_end_is_refused():
    with pytest.raises(GainlibError, match=r"30\.0 s long"):
        bus_excerpt(song(), 31.0, 4.0)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        (r"C:\Music\My Song", "c/Music/My Song"),
        ('"C:/Music/My Song"', "c/Music/My Song"),
        ("file:///C:/Music/My%20Song", "c/Music/My Song"),
        ("\u202aC:\\Music\\Ä", "c/Music/Ä"),
    ],
)
def test_a_drive_of_windows_is_found_where_linux_inside_windows_has_it(text, wanted, tmp_path, monkeypatch):
    (tmp_path / "c").mkdir()
    monkeypatch.setattr(paths, "WINDOWS_DRIVES", tmp_path)
    monkeypatch.setattr(paths.os, "name", "posix")
    assert pasted_path(text) == tmp_path / wanted


def test_a_share_keeps_its_server():
    assert pasted_path("file://server/share/My%20Song").as_posix().endswith("/server/share/My Song")
    assert pasted_path("~/x") == Path.home() / "x"


@pytest.mark.parametrize("name", ["BlackBox", *processors.names()])
def test_every_model_has_its_settings_in_words(name):
    """What the fields say is what the model takes: built from its own defaults it is the model itself."""
    kind = processors.named(name)
    assert name in kinds_in_words()
    defaults = {each.field: each.default for each in controls(kind)}
    assert kind(**defaults) == kind()
    for each in controls(kind):
        assert each.label and (not each.choices or each.default in each.choices)
        assert each.field.endswith(f"_{each.unit.lower().partition('/')[0]}") or not each.unit


def test_a_higher_top_leaves_unity_where_it_was():
    """Power law: level = 20·k·log10(x/x₀), so k = top/(20·log10(100/75)) at the end of the travel."""
    law = law_up_to(24.0)
    assert law.mm_at(0.0) == FaderLaw().mm_at(0.0)
    assert law.exponent == pytest.approx(24.0 / (20 * math.log10(100 / 75)))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "not JSON"),
        ("[]", "not a saved song"),
        ('{"strips": [{"name": "long", "fader_db": "loud"}]}', "fader_db"),
        ('{"strips": [{"name": "long", "pan": 3}]}', "pan"),
    ],
)
def test_what_is_no_balance_is_refused(text, words):
    with pytest.raises(GainlibError, match=words):
        take_balance(song(), text)


def test_a_copy_is_named_and_a_mere_likeness_is_not():
    """The same samples at another level are a copy; the same with a tenth of something else is none."""
    rng = np.random.default_rng(2)
    one, other = rng.standard_normal((2, 3 * RATE, 1)) * 0.1
    stems = {"one": one, "half": one / 2, "like": one + 0.1 * other, "other": other}
    found = checkup([Strip(name, Audio(samples, RATE)) for name, samples in stems.items()])
    assert {stem.name for stem in found if "duplicate" in stem.tags} == {"half"}


def test_a_bar_never_goes_back():
    shares, told = [], []

    def work(tell):
        planned = plan(song(seconds=2.0), checked=False)
        return sheet_of(song(seconds=2.0), planned, progress=lambda *row: (told.append(row), tell(*row)))

    for each in (work, lambda tell: [tell("check", 4, 4), tell("bus report", 0, 2), tell("bus report", 2, 2)]):
        shares.clear()
        Work().now(each, lambda _: None, lambda share, _text: shares.append(share))
        assert shares == sorted(shares) and shares[-1] == 1.0
    assert [done for _, done, _ in told] == sorted(done for _, done, _ in told) and {row[2] for row in told} == {4}
