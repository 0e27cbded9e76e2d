"""A signal in bursts, and what every meter makes of it: the experiment of the lab on meters.

Whatever is set, the highest sample of the sound lies at one level, before an offset is added: what else the meters read
is then no matter of turning it up or down.
"""

import math
from dataclasses import dataclass, replace
from functools import cache, lru_cache

import numpy as np

from gainlib import signals
from gainlib.audio import Audio
from gainlib.demo.recordings import BARS, BEAT_S, RATE_HZ, recorded
from gainlib.errors import GainlibError
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.meters import LoudnessMeter, NeedleMeter, Series, interpolator, true_peak_dbtp, upsample
from gainlib.meters.average import averages
from gainlib.meters.crests import Crest, highest_crest
from gainlib.meters.gating import Gating, gating_of
from gainlib.meters.series import feed

SECONDS = 6.0
BEFORE_S = 0.5
STEADY = math.inf
BETWEEN_HZ = RATE_HZ / 4
EDGE_S = 0.002
SNARE = "02 snare"

BURSTS_S = (0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0, 2.0)
PREDICTED_BURST_S = 0.05


@dataclass(frozen=True)
class Setting:
    """What is played, and how the meters are set.

    Parameters
    ----------
    signal : str
        One of `SIGNALS`.
    level_dbfs : float
        Highest sample, offset left aside.
    burst_s : float
        Length of the burst, which begins after half a second; infinity plays from end to end.
    rest_db : float
        What is left of the signal outside the burst; −inf is silence.
    offset : float
        Added to every sample, full scale 1.
    alignment_dbfs : float
        Level of a sine that reads 0 VU.
    gates : {"none", "absolute", "both"}
        Of the loudness meter.
    """

    signal: str = "sine"
    level_dbfs: float = -18.0
    burst_s: float = STEADY
    rest_db: float = -math.inf
    offset: float = 0.0
    alignment_dbfs: float = -18.0
    gates: str = "both"


@dataclass(frozen=True, eq=False)
class Measurement:
    """What the meters make of a setting.

    Attributes
    ----------
    setting : Setting
        What was set.
    audio : Audio
        The sound, offset included.
    sample_peak_dbfs, true_peak_dbtp, rms_dbfs, active_dbfs : float
        As :class:`gainlib.meters.Reading` has them.
    needle : Series
        In VU, over time.
    needle_max_vu : float
        Highest position of the needle.
    momentary_max_lufs : float
        Highest loudness over 400 ms.
    gating : Gating
        The loudness meter's blocks, and the integrated loudness with the gates as set.
    crest : Crest
        The surroundings of the true peak.
    """

    setting: Setting
    audio: Audio
    sample_peak_dbfs: float
    true_peak_dbtp: float
    rms_dbfs: float
    active_dbfs: float
    needle: Series
    needle_max_vu: float
    momentary_max_lufs: float
    gating: Gating
    crest: Crest

    @property
    def needle_max_dbfs(self) -> float:
        """Level of the steady sine that would hold the needle at its highest position."""
        return self.needle_max_vu + self.setting.alignment_dbfs


def _snare():
    """Return hits of the demo's snare, the first of them where a burst begins."""
    song = recorded(SNARE).samples[:, 0].astype(np.float64)
    refrain = round((BARS - 4) * 4 * BEAT_S * RATE_HZ)
    first = refrain + int(np.argmax(np.abs(song[refrain:]) > 0.1 * np.abs(song).max()))
    start = first - round(BEFORE_S * RATE_HZ)
    return song[start : start + round(SECONDS * RATE_HZ)]


SIGNALS = {
    "sine": lambda: signals.tone(1000.0, 0.0, SECONDS, RATE_HZ).samples[:, 0],
    "square": lambda: signals.waveform("square", 200.0, 0.0, SECONDS, RATE_HZ).samples[:, 0],
    "triangle": lambda: signals.waveform("triangle", 200.0, 0.0, SECONDS, RATE_HZ).samples[:, 0],
    "between": lambda: signals.tone(BETWEEN_HZ, 0.0, SECONDS, RATE_HZ, phase_deg=45.0).samples[:, 0],
    "noise": lambda: signals.pink_noise(-20.0, SECONDS, RATE_HZ, lowest_hz=20.0, seed=2).samples[:, 0],
    "snare": _snare,
}


@cache
def _line(name):
    if name not in SIGNALS:
        raise GainlibError(f"signal {name!r} is unknown; there is {', '.join(SIGNALS)}")
    return SIGNALS[name]()


@lru_cache(maxsize=64)
def _gain(burst_s, rest_db, edge_s):
    """Return the gain over time; where a cut in mid-swing would ring, its edges have a slope."""
    rest = db_to_ratio(rest_db)
    time_s = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    if burst_s == STEADY:
        corners = [0.0, edge_s, SECONDS - edge_s, SECONDS]
        return _slopes(time_s, corners) if edge_s else np.ones_like(time_s)
    end_s = BEFORE_S + burst_s
    if edge_s == 0.0:
        return np.where((time_s >= BEFORE_S - 1e-9) & (time_s < end_s - 1e-9), 1.0, rest)
    corners = [BEFORE_S - edge_s / 2, BEFORE_S + edge_s / 2, end_s - edge_s / 2, end_s + edge_s / 2]
    return rest + (1.0 - rest) * _slopes(time_s, corners)


def _slopes(time_s, corners):
    """Return a gain that rises from 0 to 1 between the first two corners and falls between the last two, smoothly."""
    return 0.5 - 0.5 * np.cos(np.pi * np.interp(time_s, corners, [0.0, 1.0, 1.0, 0.0]))


@lru_cache(maxsize=8)
def _without_offset(signal, level_dbfs, burst_s, rest_db):
    edge_s = EDGE_S if signal == "between" else 0.0
    line = _line(signal) * _gain(burst_s, rest_db, edge_s)
    return line * (db_to_ratio(level_dbfs) / np.abs(line).max())


def sound(setting: Setting) -> Audio:
    """Return what a setting plays, mono, offset included."""
    line = _without_offset(setting.signal, setting.level_dbfs, setting.burst_s, setting.rest_db)
    return Audio(line + setting.offset, RATE_HZ, setting.signal)


def heard(setting: Setting) -> Audio:
    """Return what is played to ears: without the offset, which would only push the cone out of its place."""
    return sound(replace(setting, offset=0.0))


def reference(setting: Setting) -> Audio:
    """Return a steady tone with its highest sample where that of the setting is."""
    return sound(Setting(level_dbfs=setting.level_dbfs))


@lru_cache(maxsize=4)
def see(setting: Setting) -> Measurement:
    """Return what the meters make of a setting."""
    audio = sound(setting)
    average = averages(audio)
    loudness = feed(LoudnessMeter(audio.rate_hz, audio.channels), audio)
    needle = _needle(setting, audio)
    return Measurement(
        setting=setting,
        audio=audio,
        sample_peak_dbfs=ratio_to_db(average.sample_peak),
        true_peak_dbtp=true_peak_dbtp(audio),
        rms_dbfs=average.rms_dbfs,
        active_dbfs=average.active_dbfs,
        needle=needle,
        needle_max_vu=needle.highest,
        momentary_max_lufs=loudness.momentary().highest,
        gating=gating_of(loudness, setting.gates),
        crest=highest_crest(audio),
    )


def _needle(setting, audio):
    """Return the needle over time; it rectifies a curve, which four samples a turn are too few to stand for."""
    if setting.signal == "between":
        audio = Audio(upsample(audio.samples, audio.rate_hz), interpolator(audio.rate_hz).factor * audio.rate_hz)
    return feed(NeedleMeter(audio.rate_hz, audio.channels, setting.alignment_dbfs), audio).series()


def bursts() -> dict[float, Measurement]:
    """Return what the meters make of a tone at the alignment level in bursts of every length, and of the steady one."""
    return {length: see(Setting(burst_s=length)) for length in (*BURSTS_S, STEADY)}
