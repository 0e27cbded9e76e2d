"""Stretches around the worst peaks against the rendered bus: whatever the faders, the same samples."""

import numpy as np
import pytest

from gainlib.audio import Audio, GainlibError
from gainlib.mix import contributions
from gainlib.mix.bus import Stretches
from gainlib.processors import HardClip
from gainlib.session import Group, Insert, Master, Send, Session, Strip

RATE = 48000


def mix(bus="float", **fields):
    """Make two seconds of five strips, mono and stereo, panned, trimmed, one by way of a group and a send."""
    rng = np.random.default_rng(5)
    noise = [rng.standard_normal((2 * RATE, 1 + index % 2)) * 0.25 for index in range(5)]
    strips = [
        Strip(f"s{index}", Audio(samples, RATE), pan=0.4 - index / 5, trim_db=index - 2.0, fader_db=-index)
        for index, samples in enumerate(noise)
    ]
    strips[3] = strips[3].with_(to=("group",), sends=(Send("group", -6.0, tap="pre"),))
    return Session(tuple(strips), groups=(Group("group", fader_db=-2.0),), bus=bus, **fields)


def at_frames(session, stretches):
    """Return the rendered bus at the frames of the stretches, shape (peaks, frames)."""
    samples = session.render().bus.samples
    peaks = contributions(mix()).peaks
    frames = np.round(stretches.offsets_s * RATE).astype(int)
    padded = np.pad(samples, ((RATE, RATE), (0, 0)))
    return np.array([padded[round(peak.time_s * RATE) + RATE + frames, peak.channel] for peak in peaks])


@pytest.mark.parametrize("seed", range(5))
def test_waves_are_those_of_the_rendered_bus(seed):
    rng = np.random.default_rng(seed)
    session = mix()
    stretches = Stretches(session, contributions(session).peaks)
    faders = {strip.name: float(rng.uniform(-30, 10)) for strip in session.strips}
    mute = tuple(name for name in faders if rng.random() < 0.3)
    followed = stretches.at(faders, mute=mute, master_trim_db=-3.0)
    moved = session.with_faders(faders).with_("bus", trim_db=-3.0)
    for name in mute:
        moved = moved.with_(name, mute=True)
    np.testing.assert_allclose(followed.waves, at_frames(moved, stretches), atol=1e-12)
    np.testing.assert_array_equal(followed.over, np.abs(followed.waves) > 1)
    middle = followed.waves.shape[1] // 2
    np.testing.assert_allclose(followed.parts.sum(axis=1), np.abs(followed.waves[:, middle]), atol=1e-12)


def test_a_fixed_bus_is_cut_ahead_of_the_master():
    session = mix().with_(strips=tuple(s.with_(to=("bus",), sends=()) for s in mix().strips), groups=())
    session = session.with_(bus="fixed").with_faders({strip.name: 6.0 for strip in session.strips})
    peaks = contributions(session).peaks
    stretches = Stretches(session, peaks)
    lowered = stretches.at(master_trim_db=-12.0)
    highest = 10 ** (-12 / 20)
    assert np.abs(lowered.waves).max() == pytest.approx(highest, abs=1e-12)
    rendered = session.with_("bus", trim_db=-12.0).render().bus.samples
    frames = np.round(stretches.offsets_s * RATE).astype(int)
    inside = [peak for peak in peaks if 200 < peak.time_s * RATE < 2 * RATE - 200]
    assert inside
    for row, peak in enumerate(peaks):
        if peak in inside:
            wanted = rendered[round(peak.time_s * RATE) + frames, peak.channel]
            np.testing.assert_allclose(lowered.waves[row], wanted, atol=1e-12)
            assert lowered.over[row].sum() == np.count_nonzero(np.abs(wanted) >= highest - 1e-12)
    wanted = [abs(peak.value) for peak in peaks]
    np.testing.assert_allclose(lowered.parts.sum(axis=1), wanted, atol=1e-12)
    as_float = stretches.at(master_trim_db=0.0, fixed=False)
    assert np.abs(as_float.waves).max() > 1.0


def test_what_depends_on_level_is_refused():
    session = mix(master=Master(inserts=(Insert(HardClip()),)))
    with pytest.raises(GainlibError, match="followed without rendering"):
        Stretches(session, ())
    with pytest.raises(GainlibError, match="may cut on their way"):
        Stretches(mix("fixed"), ()).at()
