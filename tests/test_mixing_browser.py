"""The mix in the browser against the session: what leaves it, how it follows the hand, and what its meters read."""

import numpy as np
import pytest
from barepage import on_page

from gainlib.audio import Audio
from gainlib.levels import ratio_to_db
from gainlib.notebook.mixing import MixPlayer
from gainlib.processors import Compressor, Delay, Polarity, Reverb, Saturation
from gainlib.session import Group, Insert, Send, Session, Strip
from gainlib.signals import tone

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
