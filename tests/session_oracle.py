"""Random sessions, and a second way to render them: whole arrays, one function calling the next, nothing shared."""

from dataclasses import dataclass

import numpy as np
from hypothesis import strategies as st
from scipy.signal import butter, lfilter

from gainlib.audio import Audio
from gainlib.processors import HardClip, Processor
from gainlib.session import Group, Insert, Master, Send, Session, Strip

RATE_HZ = 48000


@dataclass(frozen=True)
class LookAhead(Processor):
    """Keeps frames back until it has seen what follows, then hands them out unchanged."""

    frames: int = 100

    def stream(self, rate_hz, channels):
        return _Held(self.frames, channels)


class _Held:
    def __init__(self, frames, channels):
        self._frames, self._held = frames, np.zeros((0, channels))

    def push(self, block):
        self._held = np.concatenate([self._held, block])
        ready = max(0, len(self._held) - self._frames)
        out, self._held = self._held[:ready], self._held[ready:]
        return out

    def flush(self):
        out, self._held = self._held, self._held[:0]
        return out


# --------------------------------------------------------------------------------------------------- random sessions

levels = st.one_of(st.just(0.0), st.just(-np.inf), st.floats(-24, 12))
pans = st.one_of(st.sampled_from([-1.0, 0.0, 1.0]), st.floats(-1, 1))
rarely = st.sampled_from([False, False, False, True])


@st.composite
def audios(draw, name):
    frames, channels, seed = draw(st.integers(1, 700)), draw(st.integers(1, 2)), draw(st.integers(0, 2**31))
    dtype = draw(st.sampled_from([np.float32, np.float64]))
    samples = np.random.default_rng(seed).uniform(-1.5, 1.5, (frames, channels)).astype(dtype)
    return Audio(samples, RATE_HZ, name)


def inserts(linear):
    processors = (
        st.just(LookAhead(60))
        if linear
        else st.one_of(st.floats(-12, 3).map(HardClip), st.integers(0, 150).map(LookAhead))
    )
    one = st.builds(Insert, processors, st.floats(-12, 12), st.floats(-12, 12), rarely)
    return st.lists(one, max_size=2).map(tuple)


@st.composite
def sessions(draw, linear=False, solo=True):
    """Draw up to four strips into up to three groups; `linear` leaves only plain gain behind the faders."""
    names = ["one", "two", "three"][: draw(st.integers(0, 3))]

    def channel(ahead):
        targets = draw(st.lists(st.sampled_from([*ahead, "bus"]), unique=True, max_size=2))
        taken = draw(st.lists(st.sampled_from(ahead), unique=True, max_size=2)) if ahead else []
        sends = tuple(Send(to, draw(levels), draw(st.sampled_from(["pre", "post"]))) for to in taken)
        return {
            "trim_db": draw(levels),
            "post_trim_db": draw(levels),
            "fader_db": draw(levels),
            "pan": draw(pans),
            "mute": draw(rarely),
            "solo": solo and draw(rarely),
            "sends": sends,
            "to": tuple(targets),
        }

    behind = st.just(()) if linear else inserts(False)
    groups = [Group(name, inserts=draw(behind), **channel(names[k + 1 :])) for k, name in enumerate(names)]
    strips = [
        Strip(
            name,
            draw(audios(name)),
            polarity=draw(st.sampled_from([1, -1])),
            dc_block=draw(rarely),
            inserts=draw(inserts(linear)),
            **channel(names),
        )
        for name in ["kick", "bass", "pad", "voice"][: draw(st.integers(1, 4))]
    ]
    return Session(
        tuple(strips),
        tuple(draw(st.permutations(groups))),
        Master(draw(st.floats(-12, 12)), draw(behind), draw(st.floats(-12, 12))),
        pan_law_db=draw(st.sampled_from([0.0, -3.0, -4.5, -6.0])),
        bus="float" if linear else draw(st.sampled_from(["float", "fixed"])),
    )


# ------------------------------------------------------------------------------------------------------- second way


def gain(level_db):
    return 10 ** (level_db / 20)


def sides(samples, pan, law):
    """Return mono or stereo samples as stereo; laws as in textbooks, from memory: sine/cosine, linear, their mean."""
    if samples.shape[1] == 2:
        return samples * np.array([1 - max(pan, 0), 1 + min(pan, 0)])
    angle = np.pi / 4 * (1 + pan)
    cosine, line = np.array([np.cos(angle), np.sin(angle)]), np.array([1 - pan, 1 + pan]) / 2
    laws = {-3.0: cosine, -6.0: line, -4.5: np.sqrt(np.abs(cosine * line)), 0.0: np.minimum(2 * line, 1)}
    return samples @ laws[law][np.newaxis]


def through(samples, parts):
    for insert in parts:
        if insert.bypass:
            continue
        samples = samples * gain(insert.in_db)
        if isinstance(insert.processor, HardClip):
            samples = insert.processor.process(Audio(samples, RATE_HZ)).samples
        samples = samples * gain(insert.out_db)
    return samples


class Oracle:
    """Nodes of a session without solo, by recursion."""

    def __init__(self, session):
        self.session = session
        self.frames = max(strip.audio.frames for strip in session.strips)

    def total(self, name):
        out = np.zeros((self.frames, 2))
        for channel in (*self.session.strips, *self.session.groups):
            if name in channel.to:
                out += self.out(channel)
            for send in channel.sends:
                if send.to == name:
                    out += self.send(channel, send)
        return np.clip(out, -1, 1) if self.session.bus == "fixed" else out

    def trimmed(self, channel):
        if isinstance(channel, Group):
            return self.total(channel.name) * gain(channel.trim_db)
        samples = np.zeros((self.frames, channel.audio.channels))
        samples[: channel.audio.frames] = channel.audio.samples
        samples = samples * channel.polarity
        if channel.dc_block:
            samples = lfilter(*butter(1, 5, "highpass", fs=RATE_HZ), samples, axis=0)
        return samples * gain(channel.trim_db)

    def post(self, channel):
        tap = through(self.trimmed(channel), channel.inserts) * gain(channel.post_trim_db)
        return tap * (not channel.mute)

    def out(self, channel):
        return sides(self.post(channel) * gain(channel.fader_db), channel.pan, self.session.pan_law_db)

    def send(self, channel, send):
        level_db = send.level_db + (channel.fader_db if send.tap == "post" else 0)
        return sides(self.post(channel) * gain(level_db), 0, self.session.pan_law_db)

    def bus(self):
        master = self.session.master
        return through(self.total("bus") * gain(master.trim_db), master.inserts) * gain(master.fader_db)
