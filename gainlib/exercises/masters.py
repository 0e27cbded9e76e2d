"""Mixes that are made into masters: a gain, something that holds the peaks, a file; and what a player makes of them."""

import io
from functools import cache, lru_cache
from math import inf

import numpy as np
import soundfile

from gainlib.audio import Audio, wav_bytes
from gainlib.exercises.refrain import STEMS, mix, rough_faders_db
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.meters import integrated_lufs, sample_peak_dbfs, true_peak_dbtp
from gainlib.processors import Limiter

BAR_S, HANDED_LUFS, BROADCAST_LUFS, CEILING_DBTP = 2.5, -20.0, -23.0, -1.0
MIXES = {  # stems, and by how much they go over the rough balance
    "song": dict.fromkeys(STEMS, 0.0),
    "ballad": dict.fromkeys(("06 guitar", "07 e-piano", "08 pad", "09 lead vocal"), 0.0),
    "drums": {"01 kick": 0.0, "02 snare": 3.0, "03 overheads": 18.0},
    "voices": {"03 overheads": 14.0, "06 guitar": 0.0, "07 e-piano": 0.0, "09 lead vocal": 0.0, "10 backing": 0.0},
}
LOUD_MIXES = ("drums", "voices")
OPEN, CLIP, LIMIT = "open", "clip", "limit"


@cache
def handed_in(name: str) -> Audio:
    """Return the second bar of a mix at −20 LUFS, stereo; the first has a crash that alone would set the loudness."""
    faders = [fader if stem in MIXES[name] else -inf for stem, fader in zip(STEMS, rough_faders_db(), strict=True)]
    bus = mix(faders, [MIXES[name].get(stem, 0.0) for stem in STEMS]).render().bus
    frames = round(BAR_S * bus.rate_hz)
    audio = bus.with_samples(np.array(bus.samples[frames : 2 * frames], np.float64), name)
    return moved(audio, HANDED_LUFS - integrated_lufs(audio))


def moved(audio: Audio, by_db: float) -> Audio:
    """Return audio, louder or softer."""
    return audio.with_samples(audio.samples * db_to_ratio(by_db))


@lru_cache(maxsize=24)
def held(name: str, gain_db: float, holder: str = LIMIT, ceiling_db: float = CEILING_DBTP) -> Audio:
    """Return a mix, moved by a gain, its peaks held."""
    loud = moved(handed_in(name), gain_db)
    if holder == LIMIT:
        return Limiter(ceiling_db).process(loud)
    return clipped(loud, ceiling_db) if holder == CLIP else loud


def clipped(audio: Audio, ceiling_db: float = 0.0) -> Audio:
    """Return audio with every sample cut at a ceiling, as a converter or a file of whole numbers does."""
    top = db_to_ratio(ceiling_db)
    return audio.with_samples(np.clip(audio.samples, -top, top))


class Figures:
    """What the meters read of a master, and by how much its peaks were turned down."""

    def __init__(self, audio: Audio, before: Audio | None = None):
        self.loudness, self.true_peak = integrated_lufs(audio), true_peak_dbtp(audio)
        self.peak, self.plr, self.reduction = sample_peak_dbfs(audio), self.true_peak - self.loudness, 0.0
        if before is not None:
            heard = np.abs(before.samples) > 1e-3
            shares = np.abs(audio.samples[heard]) / np.abs(before.samples[heard])
            self.reduction = max(0.0, -float(ratio_to_db(shares.min())))


@lru_cache(maxsize=4096)
def figures(name: str, gain_db: float, holder: str = LIMIT, ceiling_db: float = CEILING_DBTP) -> Figures:
    """Return the figures of a master."""
    return Figures(held(name, gain_db, holder, ceiling_db), moved(handed_in(name), gain_db))


def played_db(loudness: float, true_peak: float, target: float, up: bool = True) -> float:
    """Return the gain of a player that normalises to a target, and turns up only as far as −1 dBTP."""
    wanted = target - loudness
    return min(wanted, 0.0) if wanted <= 0 or not up else max(0.0, min(wanted, CEILING_DBTP - true_peak))


@lru_cache(maxsize=8)
def file_of(
    name: str, gain_db: float, holder: str, ceiling_db: float, bits: int, dithered: bool
) -> tuple[bytes, Audio]:
    """Return the file of a master as its bytes, and as somebody reads it."""
    master, whole = held(name, gain_db, holder, ceiling_db), bits < 32
    more = {"dither": "tpdf" if dithered and whole else None, "clip": whole}
    content = wav_bytes(master, f"PCM_{bits}" if whole else "FLOAT", "master.wav", **more)
    samples, rate_hz = soundfile.read(io.BytesIO(content), dtype="float64", always_2d=True)
    return content, Audio(samples, rate_hz, "master")


@cache
def plr_db(name: str) -> float:
    """Return the peak-to-loudness ratio of a mix."""
    return Figures(handed_in(name)).plr


SAFE_DBTP = -1.1


@cache
def gain_for(name: str, lufs: float) -> float:
    """Return the gain, to 0.1 dB, at which a mix behind the limiter has a loudness."""
    gain = lufs - HANDED_LUFS
    for _ in range(8):
        off = lufs - figures(name, round(gain, 1), LIMIT, SAFE_DBTP).loudness
        if abs(off) < 0.06:
            break
        gain = round(gain + 1.3 * off, 1)
    return round(gain, 1)
