"""What goes wrong with a recording, as plain data, and how it is done to the samples.

Levels of hum and hiss are averages, sine-referred like every average in this package. The way of a signal is: played
in part, folded to one channel, wired the wrong way round, recorded too hot or too low, with hum and hiss, clipped,
turned down afterwards, offset.

Which stem bears which fault is assigned, or shuffled for a test of skill. A fault is drawn well clear of the floor at
which it begins to count, and a stem without it well clear on the other side: 1 dB, or a fifth of the floor. The floors
are this workbook's own choice:

- too hot: active level −13 dBFS or more; too low: −34 dBFS or less
- clipped: peaks cut by 3 dB or more
- DC: an offset of 1 to 8 % of full scale
- noisy: hum and hiss 22 to 36 dB below the active level, and pauses for at least 15 % of the time
- polarity: correlation with the overheads, or of left with right, −0.15 or less
- sparse: active for 15 % of the time or less
"""

from dataclasses import dataclass
from math import inf, log10, sqrt

import numpy as np

from gainlib.demo.recordings import BEAT_S, RATE_HZ, RECORDINGS
from gainlib.demo.rng import chance, noise, pick, uniform

TAGS = ("too hot", "too low", "clipped", "DC", "noisy", "polarity", "dual mono", "sparse", "silent", "none")
"""What a fault report may say of a stem; "polarity" also stands for one reversed side of a stereo stem."""

HUM_PARTIALS = (1, 2, 3, 5, 7)
FADE_S = 0.03

SHAKER, TOMS = "11 shaker", "04 toms"
SOUNDING = tuple(stem for stem in RECORDINGS if stem != SHAKER)
ALWAYS = {TOMS: "sparse", SHAKER: "silent"}

BEARERS = {
    "polarity": ("02 snare", "04 toms", "07 e-piano", "10 backing"),
    "sparse": ("02 snare", "06 guitar", "07 e-piano", "10 backing"),
    "noisy": ("01 kick", "02 snare", "06 guitar", "09 lead vocal", "10 backing"),
    "dual mono": ("01 kick", "02 snare", "05 bass", "06 guitar", "07 e-piano", "09 lead vocal"),
    "clipped": ("01 kick", "06 guitar", "07 e-piano", "08 pad", "09 lead vocal", "10 backing"),
    "DC": ("03 overheads", "05 bass", "06 guitar", "07 e-piano", "08 pad", "09 lead vocal", "10 backing"),
    "too low": ("02 snare", "05 bass", "06 guitar", "07 e-piano", "09 lead vocal", "10 backing"),
    "too hot": ("01 kick", "04 toms", "05 bass", "08 pad", "09 lead vocal", "10 backing"),
}
"""Who can bear what. Hot needs a crest small enough to stay unclipped, noise needs pauses to be heard in, and a clipped
bass would be offset as well, its two halves being so unlike."""

HOW_MANY = {
    "polarity": (1, 1), "sparse": (0, 1), "noisy": (1, 2), "clipped": (1, 2),
    "too low": (1, 2), "DC": (1, 2), "too hot": (2, 3), "dual mono": (1, 2),
}  # fmt: skip

APART = [
    {"too hot", "too low"}, {"too hot", "DC"}, {"too hot", "noisy"}, {"too low", "DC"}, {"too low", "clipped"},
    {"clipped", "DC"}, {"dual mono", "polarity"}, {"sparse", "noisy"}, {"sparse", "polarity"}, {"sparse", "too low"},
    {"sparse", "too hot"}, {"sparse", "clipped"},
]  # fmt: skip
"""Pairs no stem bears together: one would hide the other, or move its measure."""

KEPT_BARS = {"02 snare": (8, 12), "06 guitar": (11, 12), "07 e-piano": (3, 4), "10 backing": (13, 15)}


@dataclass(frozen=True)
class Faults:
    """The faults of one stem.

    Parameters
    ----------
    tags : frozenset of str
        The truth a fault report is held against; of ``TAGS``.
    only_s : (float, float) or None
        All that is left of the part, from and to, in seconds.
    dual_mono : bool
        One signal in both channels.
    reversed : {"", "all", "right"}
        Channels with reversed polarity.
    gain_db : float
        Recording gain against the clean stem.
    hum_dbfs, hum_hz : float
        Level of the mains hum's fundamental; its partials 2, 3, 5, 7 fall as 1/n.
    hiss_dbfs : float
        Level of the hiss in each channel.
    over_db : float or None
        How far the peaks of the clean stem would have stood above full scale; there they are cut. It takes the place
        of `gain_db`.
    lowered_db : float
        Gain after the cut.
    offset : float
        Direct voltage, as a share of full scale.

    Examples
    --------
    >>> Faults(frozenset({"clipped"}), over_db=6.0, lowered_db=-4.0).net_gain_db("10 backing")
    9.0
    """

    tags: frozenset[str] = frozenset({"none"})
    only_s: tuple[float, float] | None = None
    dual_mono: bool = False
    reversed: str = ""
    gain_db: float = 0.0
    hum_dbfs: float = -inf
    hum_hz: int = 50
    hiss_dbfs: float = -inf
    over_db: float | None = None
    lowered_db: float = 0.0
    offset: float = 0.0

    def net_gain_db(self, stem: str) -> float:
        """Return by how much this stem is louder in a mix at the same fader, the share that clipping took aside.

        A mono source made stereo counts 3.01 dB: at the centre it is no longer lowered by the pan law.
        """
        recording = RECORDINGS[stem]
        widened = 20 * log10(sqrt(2)) if self.dual_mono and recording.channels == 1 else 0.0
        return self._recording_gain_db(stem) + self.lowered_db + widened

    def _recording_gain_db(self, stem):
        return self.gain_db if self.over_db is None else self.over_db - RECORDINGS[stem].peak_dbfs

    def done_to(self, samples: np.ndarray, stem: str, source: np.random.PCG64) -> np.ndarray:
        """Return the faulty samples of a stem, float32 and read-only; its hiss comes from `source`.

        The clean stem is not changed, and it is returned itself if nothing is wrong with it.
        """
        out = samples
        if self.only_s is not None:
            out = _kept(out, *self.only_s)
        if self.dual_mono:
            out = out.mean(axis=1, keepdims=True)
        gain = 10 ** (self._recording_gain_db(stem) / 20)
        sides = {"": [gain], "all": [-gain], "right": [gain, -gain]}[self.reversed]
        if sides != [1.0]:
            out = out * np.array(sides, np.float32)
        if max(self.hum_dbfs, self.hiss_dbfs) > -inf:
            out = out + self._noise(*out.shape, source)
        if self.over_db is not None:
            out = np.clip(out, -1, 1) * np.float32(10 ** (self.lowered_db / 20))
        if self.offset:
            out = out + np.float32(self.offset)
        if self.dual_mono:
            out = np.repeat(out, 2, axis=1)
        out.flags.writeable = False
        return out

    def _noise(self, frames, channels, source):
        out = np.zeros((frames, channels), np.float32)
        if self.hum_dbfs > -inf:
            period = np.arange(RATE_HZ // self.hum_hz) * (2 * np.pi * self.hum_hz / RATE_HZ)
            hum = sum(np.sin(partial * period + partial) / partial for partial in HUM_PARTIALS)
            out += np.resize(hum * 10 ** (self.hum_dbfs / 20), (frames, 1)).astype(np.float32)
        if self.hiss_dbfs > -inf:
            rms = sqrt(0.5) * 10 ** (self.hiss_dbfs / 20)
            for channel in range(channels):
                out[:, channel] += (rms * noise(source, frames)).astype(np.float32)
        return out


def _kept(samples, start_s, stop_s):
    """Silence all but one stretch, with short fades at its ends."""
    start, stop, fade = (round(length * RATE_HZ) for length in (start_s, stop_s, FADE_S))
    out = np.zeros_like(samples)
    out[start:stop] = samples[start:stop]
    ramp = (0.5 - 0.5 * np.cos(np.linspace(0, np.pi, fade)))[:, np.newaxis].astype(np.float32)
    out[start : start + fade] *= ramp
    out[stop - fade : stop] *= ramp[::-1]
    return out


# ---- who bears what --------------------------------------------------------------------------------------------------


def standard(seed: int) -> dict[str, Faults]:
    """Return the standard assignment; `seed` draws small differences of degree, within the table of the demo."""
    sources = {stem: chance(seed, 1, number) for number, stem in enumerate(RECORDINGS)}
    return _standard(lambda stem, middle, spread: uniform(sources[stem], middle - spread, middle + spread))


def _standard(near):
    """Return the standard assignment with ``near(stem, middle, spread)`` for every degree."""

    def to_peak(stem, peak_dbfs, spread_db):
        return near(stem, peak_dbfs, spread_db) - RECORDINGS[stem].peak_dbfs

    return {
        "01 kick": _tagged("too hot", gain_db=to_peak("01 kick", -1.0, 0.12)),
        "02 snare": _tagged("polarity", reversed="all", gain_db=to_peak("02 snare", -8.0, 0.12)),
        "03 overheads": Faults(),
        TOMS: _tagged("sparse", hiss_dbfs=near(TOMS, -78, 1)),
        "05 bass": _tagged("too hot", gain_db=to_peak("05 bass", -1.5, 0.12)),
        "06 guitar": _tagged(
            "noisy", "dual mono", dual_mono=True,
            hum_dbfs=near("06 guitar", -58, 1.5), hiss_dbfs=near("06 guitar", -58, 1.5),
        ),
        "07 e-piano": _tagged("DC", offset=near("07 e-piano", 0.05, 0.004)),
        "08 pad": _tagged("too hot", gain_db=to_peak("08 pad", -0.1, 0.05)),
        "09 lead vocal": _tagged(
            "too low", gain_db=to_peak("09 lead vocal", -30.0, 0.2), hiss_dbfs=near("09 lead vocal", -86, 1)
        ),
        "10 backing": _tagged(
            "clipped", "too hot", over_db=near("10 backing", 6, 0.5), lowered_db=near("10 backing", -4, 0.15)
        ),
        SHAKER: _tagged("silent"),
    }  # fmt: skip


def usual() -> dict[str, Faults]:
    """Return the middle of the standard assignment, which no seed moves."""
    return _standard(lambda stem, middle, spread: middle)


def _tagged(*tags, **values):
    return Faults(frozenset(tags), **values)


def clean() -> dict[str, Faults]:
    """Return no faults at all; the toms are sparse and the shaker is silent by nature."""
    return {stem: _tagged(ALWAYS.get(stem, "none")) for stem in RECORDINGS}


def drawn(seed: int) -> dict[str, Faults]:
    """Return a shuffled assignment: who bears what, and how badly, is drawn; one stem or more stays without fault."""
    source = chance(seed, 2)
    tags = _drawn_tags(source)
    return {stem: _degree(stem, frozenset(tags[stem]), chance(seed, 3, n)) for n, stem in enumerate(RECORDINGS)}


def _drawn_tags(source: np.random.PCG64) -> dict[str, set[str]]:
    tags = {stem: set() for stem in RECORDINGS}
    control = pick(source, [stem for stem in SOUNDING if stem not in ALWAYS])
    for tag, (least, most) in HOW_MANY.items():
        for _ in range(pick(source, range(least, most + 1))):
            able = [stem for stem in BEARERS[tag] if stem != control and _bears(tags[stem], tag)]
            if able:
                tags[pick(source, able)].add(tag)
    for stem, tag in ALWAYS.items():
        tags[stem].add(tag)
    return {stem: borne or {"none"} for stem, borne in tags.items()}


def _bears(borne, tag):
    return tag not in borne and len(borne) < 2 and not any(pair <= borne | {tag} for pair in APART)


def _degree(stem, tags, source):
    """Draw how badly: every level is drawn as an active level and turned into a gain against the clean stem."""
    if "silent" in tags:
        return Faults(tags)
    recording = RECORDINGS[stem]
    over_db = uniform(source, 4.5, 8) if "clipped" in tags else None
    active_dbfs = _active(recording, tags, over_db, source)
    gain_db = active_dbfs - recording.active_dbfs
    values = {"gain_db": gain_db}
    if over_db is not None:
        values = {"over_db": over_db, "lowered_db": gain_db - (over_db - recording.peak_dbfs)}
    if "noisy" in tags:
        values |= _noises(active_dbfs - values.get("lowered_db", 0.0), source)
    elif "too low" in tags:
        values["hiss_dbfs"] = uniform(source, -88, -85)
    if "DC" in tags:
        values["offset"] = uniform(source, 0.015, 0.06) * pick(source, (-1, 1))
    if "polarity" in tags:
        values["reversed"] = "all" if stem in ("02 snare", TOMS) else "right"
    if "sparse" in tags and stem != TOMS:
        values["only_s"] = tuple(4 * bar * BEAT_S for bar in KEPT_BARS[stem])
    return Faults(tags, dual_mono="dual mono" in tags, **values)


def _active(recording, tags, over_db, source):
    """Draw the active level a stem shall have."""
    highest = recording.active_dbfs - recording.peak_dbfs - 0.2
    if over_db is not None:
        # The cut takes up to 2.7 dB of the level and leaves the peaks at full scale.
        highest += over_db
        low, high = (-9.2, -6.5) if "too hot" in tags else (-22, -15.5)
    elif "too hot" in tags:
        low, high = -11.8, -6.5
    elif "too low" in tags:
        low, high = -40.0, -35.4
    else:
        low, high = recording.active_dbfs - 1.5, recording.active_dbfs + 1.5
    return uniform(source, low, min(high, highest))


def _noises(active_dbfs, source):
    """Draw hum and hiss that together lie 25.5 to 34.5 dB below the active level, either of them the stronger."""
    total_dbfs = active_dbfs - uniform(source, 25.5, 34.5)
    hum_share = uniform(source, 0.2, 0.8)
    partials_db = 10 * np.log10(sum(1 / n**2 for n in HUM_PARTIALS))
    return {
        "hum_dbfs": total_dbfs + float(10 * np.log10(hum_share) - partials_db),
        "hum_hz": pick(source, (50, 60)),
        "hiss_dbfs": total_dbfs + float(10 * np.log10(1 - hum_share)),
    }
