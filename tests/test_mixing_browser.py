"""The mix in the browser against the session: what leaves it, how it follows the hand, and what its meters read."""

import numpy as np
import pytest
from barepage import on_page

from gainlib.audio import Audio
from gainlib.levels import ratio_to_db
from gainlib.meters import momentary, true_peak_dbtp
from gainlib.notebook.controls import Faders, fader_ties
from gainlib.notebook.listen import CEILING_DBTP, CEILING_LUFS
from gainlib.notebook.mixing import MixPlayer
from gainlib.processors import Compressor, Delay, Polarity, Reverb, Saturation
from gainlib.session import Group, Insert, Send, Session, Strip
from gainlib.signals import pink_noise, tone

pytestmark = pytest.mark.browser
RATE, SECONDS = 48000, 0.64
SILENT_DB = -75.0  # 16 bit under the peak of each stem; bursts of noise have peaks 20 dB over their mean


def _burst(seed, channels, level_db):
    rng = np.random.default_rng(seed)
    samples = rng.standard_normal((round(SECONDS * RATE), channels)) * 10 ** (level_db / 20)
    samples *= np.exp(-6 * np.modf(np.arange(len(samples)) / 12000)[0])[:, np.newaxis]
    return Audio(samples + 0.01, RATE)  # with some DC, which RMS and needle leave out


def song(**more):
    drive = Insert(Saturation(), in_db=6.0, out_db=-4.0)
    strips = (
        Strip("kick", _burst(1, 1, -12), trim_db=2.0, pan=-0.4, fader_db=-3.0, to=("drums",)),
        Strip("snare", _burst(2, 1, -14), polarity=-1, pan=0.3, to=("drums", "late"), sends=(Send("room", -9, "pre"),)),
        Strip("pad", _burst(3, 2, -18), pan=-0.5, sends=(Send("room", -6.0),), post_trim_db=3.0),
        Strip("bass", tone(110, -20, SECONDS), inserts=(drive,), fader_db=-2.0),
        Strip("quiet", Audio(np.zeros(round(SECONDS * RATE)), RATE)),
    )  # fmt: skip
    groups = (
        Group("drums", trim_db=-1.0, pan=0.2, fader_db=1.0),
        Group("room", inserts=(Insert(Reverb(0.3, -3.0, dry=False), in_db=2.0),), fader_db=-4.0),
        Group("late", inserts=(Insert(Delay(0.004)), Insert(Polarity())), to=("drums",), fader_db=-2.0),
    )
    return Session(strips, groups, **more)


def crowded(session):
    """Return the session with a compressor in its drum group, and a bus that cuts off."""
    group = session.group("drums").with_(inserts=(Insert(Compressor(-30.0, 4.0), out_db=5.0),))
    return session.with_group(group).with_(bus="fixed").with_("bus", trim_db=12.0)


@pytest.fixture(scope="module")
def player():
    return MixPlayer({"as found": song(), "now": song()}, 0.0, SECONDS)


@pytest.fixture(scope="module")
def bare(player):
    with on_page(player) as bare:
        yield bare


ASK = """() => { const want = document.querySelector('.gl-player').gainlib.sound.want();
  if (want) window.outbox.push([[...window.models.keys()][0], want]); }"""


def fetched(bare):
    bare.wait("() => true")  # what has changed is in the page
    bare.page.evaluate(ASK)
    bare.wait("() => document.querySelector('.gl-player').gainlib.sound.ready")


def rendered(bare, moves=(), seconds=SECONDS):
    script = "([seconds, moves]) => document.querySelector('.gl-player').gainlib.offline(seconds, moves)"
    found = bare.page.evaluate(script, [seconds, list(moves)])
    return np.array(found["samples"]).T, found["meters"]


def null_db(found, wanted):
    return float(ratio_to_db(np.sqrt(np.sum((found - wanted) ** 2) / np.sum(wanted**2))))


CASES = {
    "as it stands": lambda s: s,
    "pans under another law": lambda s: s.with_(pan_law_db=-4.5).with_("kick", pan=0.9).with_("pad", pan=0.8),
    "linear law": lambda s: s.with_(pan_law_db=-6.0).with_("snare", pan=-1.0),
    "a soloed return": lambda s: s.with_("room", solo=True),
    "a soloed strip": lambda s: s.with_("snare", solo=True).with_("drums", mute=False),
    "muted": lambda s: s.with_("pad", mute=True).with_("late", mute=True),
    "closed and turned over": lambda s: s.with_("kick", fader_db=-np.inf).with_("pad", polarity=-1),
    "boxes bypassed": lambda s: s.with_("bass", inserts=(Insert(Saturation(), bypass=True),)),
    "a compressed group, cut off": crowded,
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_what_leaves_the_browser_is_the_bus_of_the_session(bare, player, case):
    session = CASES[case](song())
    player.update({"now": session})
    fetched(bare)
    found, meters = rendered(bare)
    trace = session.render()
    assert player.mixes[1]["match_db"] == 0.0  # the hand is heard as it moves
    assert null_db(found, trace.bus.samples) < SILENT_DB
    nodes = [f"{each['name']}/out" for each in player.channels[:-1]]
    for name, (peak, rms, needle) in zip([*nodes, "bus"], meters, strict=True):
        wanted = trace.reading(name)
        for got, value in ((peak, wanted.sample_peak_dbfs), (rms, wanted.rms_dbfs), (needle, wanted.needle_max_vu)):
            assert (got or -np.inf) == pytest.approx(value, abs=0.1) or value < -90 or value == got, (name, got, value)


def test_the_needle_reads_right_at_a_low_sample_rate():
    low = tone(22050 / 8, -20.0, SECONDS, 22050)  # 0, √½, 1, √½ average 0.46 dB below 2/π (worked by hand)
    player = MixPlayer({"now": Session([Strip("it", low)])}, 0.0, SECONDS)
    with on_page(player) as bare:
        fetched(bare)
        meters = rendered(bare)[1]
    wanted = player._sessions["now"].render().reading("bus").needle_max_vu
    assert meters[-1][2] == pytest.approx(wanted, abs=0.1)


def test_what_is_rendered_anew_while_it_plays_is_sent_unasked():
    found, told = song(), []
    player = MixPlayer({"now": found}, 0.0, SECONDS)
    player.send = lambda message, buffers: told.append(message["stamp"])
    player._beside = lambda work, show, *given: show(work(*given))  # at once, though a browser's loop is running
    player.update({"now": CASES["boxes bypassed"](found)})
    assert not told and player.span["coming"] == []
    player.playing = True
    player.update({"now": crowded(found)})
    assert told == player.span["coming"] == [player.mixes[0]["taps"]["drums"]]


def test_a_fader_is_heard_from_the_page_itself_and_without_a_click():
    """Two tones, so that whatever the hand adds lies elsewhere: a jump would fill the spectrum, a ramp does not."""
    strips = [Strip("low", tone(200, -12, SECONDS)), Strip("high", tone(3000, -90, SECONDS))]
    session, faders = Session(strips), Faders(("low", "high", "master"), options=("mute", "solo"))
    player = MixPlayer({"now": session}, 0.0, SECONDS, ties=fader_ties(faders, owners={"master": "bus"}))
    with on_page(player, faders) as bare:
        fetched(bare)
        steps = [
            [0.2, "low/fader_db", -6.0],
            [0.3, "low/mute", True],
            [0.4, "low/mute", False],
            [0.5, "bus/fader_db", 3],
        ]
        moved, _ = rendered(bare, steps)
        t = np.arange(len(moved)) / RATE
        still = moved[(t > 0.45) & (t < 0.49)]
        assert np.abs(moved[(t > 0.33) & (t < 0.39)]).max() < 1e-4  # muted
        assert ratio_to_db(np.abs(still).max()) == pytest.approx(-12 - 6 - 3.01, abs=0.05)
        steepest = np.abs(np.diff(moved, axis=0)).max()
        alone = 2 * np.pi * 200 / RATE * 10 ** ((-12 - 3.01) / 20)  # of the loudest tone at full level
        assert steepest < 1.4 * alone + 10 ** (-12 / 20) / (0.010 * RATE), "a ramp of 10 ms or longer"
        bare.page.evaluate("() => [...window.models.values()][1].set('values_db', [-20, 0, '-inf'])")
        bare.page.evaluate("() => [...window.models.values()][1].set('solo', ['high'])")
        hand = bare.page.evaluate("() => [...document.querySelector('.gl-player').gainlib.sound.hand]")
        assert dict(hand)["low/fader_db"] == -20 and dict(hand)["bus/fader_db"] == "-inf" and dict(hand)["high/solo"]


def test_nothing_louder_than_allowed_gets_past_the_limiter():
    loud = pink_noise(-9.0, 1.5, seed=5)
    player = MixPlayer({"now": Session([Strip("it", loud.with_samples(loud.samples * 2.0))])}, 0.0, 1.5)
    with on_page(player) as bare:
        script = """async ([guard, samples]) => {
          const context = new OfflineAudioContext(2, samples.length, 48000);
          await document.querySelector('.gl-player').gainlib.addSoundWork(context);
          const buffer = context.createBuffer(1, samples.length, 48000);
          buffer.copyToChannel(Float32Array.from(samples), 0);
          const source = new AudioBufferSourceNode(context, { buffer });
          source.connect(document.querySelector('.gl-player').gainlib.workletNode(context, 'gainlib-guard', 1, guard))
            .connect(context.destination);
          source.start();
          const made = await context.startRendering();
          return [Array.from(made.getChannelData(0)), Array.from(made.getChannelData(1))]; }"""
        for level_db in (0.0, -34.0):
            samples = player._sessions["now"].strips[0].audio.samples[:, 0] * 10 ** (level_db / 20)
            given = Audio(np.repeat(samples[:, np.newaxis], 2, axis=1), RATE)
            got = Audio(np.array(bare.page.evaluate(script, [player.guard, samples.tolist()])).T, RATE)
            if level_db:  # what is soft enough passes as it is, one block late
                np.testing.assert_allclose(got.samples[128:], given.samples[:-128], atol=1e-6)
                continue
            assert true_peak_dbtp(given) > 0 and true_peak_dbtp(got) <= CEILING_DBTP + 0.1
            assert momentary(given).value.max() > -6 and momentary(got).value.max() <= CEILING_LUFS + 0.1
            assert momentary(got).value.max() > CEILING_LUFS - 3.0, "and no more is taken off than has to be"
