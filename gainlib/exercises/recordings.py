"""Chains of preamplifiers and converters, measured; and recordings through a microphone and such a chain.

A recording is there by the formula, rendered, and gone wrong; levels ahead of its preamplifier are dB SPL of a bar of
the demo song.
"""

import math
from dataclasses import replace
from functools import cache, cached_property, lru_cache

import numpy as np

from gainlib.audio import Audio
from gainlib.exercises.stems import bar
from gainlib.levels import db_to_ratio, sum_levels_db
from gainlib.meters import rms_dbfs, sample_peak_dbfs
from gainlib.processors import Converter, Preamp
from gainlib.processors.recording import PASCAL_SPL
from gainlib.session import Insert, Session, Strip

HEARD_DBFS = -24.0
SPREAD_DB, KNEE_OVER_DB, TOP_DB = 3.0, 10.0, 0.5
LEAD_IN = 12_000
PADS_DB, MOST_DB = (0.0, 10.0, 20.0), 65.0


@cache
def silence(frames: int, channels: int, rate_hz: int) -> Audio:
    """Return so much of it."""
    return Audio(np.zeros((frames, channels)), rate_hz)


def gain_of(stage) -> float:
    """Return by how much a level rises in a stage, in the units it is given in on either side."""
    return -stage.full_scale_dbu if isinstance(stage, Converter) else stage.total_gain_db


def ceiling_of(stage) -> float:
    """Return where a stage cuts tops: dBu behind a preamplifier, 0 dBFS behind a converter."""
    return 0.0 if isinstance(stage, Converter) else stage.limit_dbu


class Chain:
    """What is read of the only strip of a session and its inserts, rendered with its sound and in silence.

    A level is that of the samples, sine-referred: dBu behind a preamplifier, dBFS behind a converter.

    Parameters
    ----------
    session : Session
        One strip, all inserts :class:`~gainlib.processors.Preamp` or :class:`~gainlib.processors.Converter`.
    """

    def __init__(self, session: Session):
        strip = session.strips[0]
        audio = strip.audio
        self.trace = session.render()
        self._quiet = session.with_(strip.name, audio=silence(audio.frames, audio.channels, audio.rate_hz)).render()
        self.stages = tuple(each.processor for each in strip.inserts)
        outputs = (f"{strip.name}/insert {k}/out" for k in range(1, len(self.stages) + 1))
        self.nodes = (f"{strip.name}/trim", *outputs)

    @cached_property
    def _levels(self):
        return list(self.trace.levels(self.nodes, ("sample_peak", "rms")).values())

    @property
    def averages(self) -> list[float]:
        """Average ahead of the chain and behind every stage, as rendered."""
        return [each.rms_dbfs for each in self._levels]

    @property
    def peaks(self) -> list[float]:
        """Peak ahead of the chain, and where it would come to behind every stage if that one had no ceiling."""
        at = [each.sample_peak_dbfs for each in self._levels]
        return [at[0], *(before + gain_of(stage) for before, stage in zip(at, self.stages, strict=False))]

    @cached_property
    def noises(self) -> list[float]:
        """Noise behind every stage, rendered in silence."""
        return [each.rms_dbfs for each in self._quiet.levels(self.nodes[1:], ("rms",)).values()]

    @property
    def ceilings(self) -> list[float]:
        """Where every stage cuts tops."""
        return [ceiling_of(stage) for stage in self.stages]

    @property
    def rooms(self) -> list[float]:
        """From the peak to the ceiling, stage by stage; negative where it clips."""
        return [ceiling - peak for ceiling, peak in zip(self.ceilings, self.peaks[1:], strict=True)]

    @property
    def signal_to_noise(self) -> float:
        """Of the output, rendered: what is there without the noise, over the noise."""
        return 10 * math.log10(max(10 ** ((self.averages[-1] - self.noises[-1]) / 10) - 1, 1e-12))

    def heard(self, **points: int) -> dict[str, Audio]:
        """Return the sound by name at some points, each brought to one average in dBFS."""
        found = {}
        for name, k in points.items():
            audio = self.trace.audio(self.nodes[k])
            gain = db_to_ratio(HEARD_DBFS - self.averages[k])
            found[name] = audio.with_samples((gain * audio.samples).astype(np.float32))
        return found


# ----------------------------------------------------------------------------------------------------------- recordings


@cache
def sound(stem: str) -> Audio:
    """Return a bar in mono, behind a quarter of a second of silence in which only noise is heard."""
    samples = np.asarray(bar(stem).samples, np.float64).mean(axis=1)
    return Audio(np.concatenate([np.zeros(LEAD_IN), samples]), 48_000, stem)


@cache
def crest(stem: str) -> float:
    """Return by how much its highest sample lies over its average, sine-referred, in dB."""
    return sample_peak_dbfs(sound(stem)) - rms_dbfs(sound(stem))


def recorded(stem, spl_db, preamp, converter) -> Session:
    """Return a sound of that average, recorded."""
    trim = spl_db - PASCAL_SPL - rms_dbfs(sound(stem))
    return Session((Strip("take", sound(stem), trim_db=trim, inserts=(Insert(preamp), Insert(converter))),))


class Way:
    """The way into a recording in closed form: levels and noise at the converter, in dBFS; `peak` over the average."""

    def __init__(self, preamp: Preamp, converter: Converter, spl_db: float, peak_db: float):
        self.preamp, self.converter, full = preamp, converter, converter.full_scale_dbu
        self.average = preamp.output_dbu(spl_db) - full
        self.noises = preamp.source_noise_dbu - full, preamp.ein_dbu + preamp.gain_db - full, converter.floor_dbfs
        self.signal_to_noise = self.average - sum_levels_db(self.noises)
        self.costs = sum_levels_db(self.noises) - sum_levels_db(self.noises[:2])
        self.knee = preamp.gain_db + self.noises[2] + KNEE_OVER_DB - sum_levels_db(self.noises[:2])
        self.rooms = preamp.limit_dbu - full - self.average - peak_db, -self.average - peak_db

    @property
    def under(self) -> list[float]:
        """Noise of microphone, preamplifier, converter and all against the average, NaN for none."""
        levels = np.array([*self.noises, sum_levels_db(self.noises)]) - self.average
        return np.where(np.isfinite(levels), levels, np.nan).tolist()

    def chance(self, louder_db=0.0) -> float:
        """Return the chance in percent that a take clips which is that much louder, give or take 3 dB."""
        return 50 * math.erfc((min(self.rooms) - louder_db) / (SPREAD_DB * math.sqrt(2)))


class Take(Chain):
    """A recording, rendered and by the formula."""

    def __init__(self, session: Session, spl_db: float):
        super().__init__(session)
        self.spl_db, self.peak_db, (preamp, converter) = spl_db, crest(session.strips[0].audio.name), self.stages
        self.way = Way(preamp, converter, spl_db, self.peak_db)

    def at(self, gain_db: float) -> Way:
        """Return the same with another gain."""
        preamp, converter = self.stages
        return Way(replace(preamp, gain_db=float(gain_db)), converter, self.spl_db, self.peak_db)

    @property
    def added(self) -> float:
        """By how much the converter raises the noise of all before it, rendered."""
        return self.noises[1] - (self.noises[0] - self.stages[1].full_scale_dbu)

    @cached_property
    def points(self) -> tuple[list, list, list, list]:
        """Average, peak, ceiling and noise in dBu: microphone, behind the pad, preamp, converter."""
        (preamp, converter), (air, behind, digital) = self.stages, self.averages
        full, first = converter.full_scale_dbu, air + preamp.total_gain_db + preamp.pad_db - preamp.gain_db
        averages = [first, first - preamp.pad_db, behind, digital + full]
        peaks = [averages[0] + self.peak_db, averages[1] + self.peak_db, self.peaks[1], self.peaks[2] + full]
        own = preamp.source_noise_dbu - preamp.gain_db
        noises = [own + preamp.pad_db, sum_levels_db([own, preamp.ein_dbu]), self.noises[0], self.noises[1] + full]
        return averages, peaks, [None, preamp.input_ceiling_dbu, preamp.ceiling_dbu, full], noises


@lru_cache(maxsize=16)
def bad_take(stem: str, kind: str, over: float, peak_dbfs: float, seed: int) -> Audio:
    """Return a take of one kind, brought to that peak afterwards; `over` is how far it clips, or is too low."""
    full, spl, seeds = 18.0, 90.0, {"seed": seed}
    ceiling = full - 5.0 if kind == "preamp" else full + 8.0
    peaks = {"preamp": ceiling + over, "converter": full + over, "good": full - 4 - over}
    peaks["low"] = full - 54.0 - over + crest(stem)  # an average that far below full scale
    gain = peaks[kind] - crest(stem) - Preamp(0.0, sensitivity_mv=8.0).output_dbu(spl)
    preamp = Preamp(gain, 0.0, -126.0, ceiling, 40.0, 8.0, 10.0, **seeds)
    take = recorded(stem, spl, preamp, Converter(full, -98.0, **seeds)).render().audio("take/post")
    return take.with_samples(take.samples * db_to_ratio(peak_dbfs - sample_peak_dbfs(take)))


def looked_at(take: Audio) -> dict[str, float]:
    """Return what tells bad takes apart: longest flat top, share near the peak, noise ahead of the first note."""
    x = take.samples[:, 0]
    peak = np.abs(x).max()
    top = np.concatenate([[0], np.abs(x) >= peak * (1 - 1e-7), [0]]).astype(int)
    begin, end = (np.flatnonzero(np.diff(top) == way) for way in (1, -1))
    near = np.mean(np.abs(x) >= peak * 10 ** (-TOP_DB / 20))
    average = rms_dbfs(take)
    quiet = rms_dbfs(Audio(x[: LEAD_IN - 2000], take.rate_hz))
    return {"peak": sample_peak_dbfs(take), "average": average, "flat": int((end - begin).max()),
            "near": 100 * near, "noise": average - quiet}  # fmt: skip


def around_peak(take: Audio, frames: int) -> np.ndarray:
    """Return so many frames on either side of the highest sample, as shares of it."""
    x = take.samples[:, 0]
    at = int(np.clip(np.abs(x).argmax(), frames, x.size - frames - 1))
    return x[at - frames : at + frames + 1] / np.abs(x).max()


class Rig:
    """A microphone, a preamplifier and a converter before a player; pad and gain are free.

    Parameters
    ----------
    stem : str
        What is played.
    spl_db : float
        Its average at the rehearsal, dB SPL.
    preamp, converter : Preamp, Converter
        As they are but for pad and gain.
    """

    def __init__(self, stem: str, spl_db: float, preamp: Preamp, converter: Converter):
        self.stem, self.spl_db, self.preamp, self.converter = stem, spl_db, preamp, converter

    def set_to(self, pad_db: float, gain_db: float) -> Preamp:
        """Return the preamplifier with pad and gain."""
        return replace(self.preamp, pad_db=float(pad_db), gain_db=float(gain_db))

    def way(self, pad_db: float, gain_db: float, louder_db: float = 0.0) -> Way:
        """Return what the formula makes of it, the player so much louder than at the rehearsal."""
        return Way(self.set_to(pad_db, gain_db), self.converter, self.spl_db + louder_db, crest(self.stem))

    def best(self, louder_db: float) -> tuple[float, float, float] | None:
        """Return signal to noise, pad and gain of the best take without a clip; None where every one clips."""
        found = []
        for pad in PADS_DB:
            peak = self.set_to(pad, 0.0).output_dbu(self.spl_db + louder_db) + crest(self.stem)
            gain = min(self.preamp.ceiling_dbu, self.converter.full_scale_dbu) - peak
            if peak <= self.preamp.input_ceiling_dbu and gain >= 0:
                gain = min(gain, MOST_DB)
                found.append((self.way(pad, gain, louder_db).signal_to_noise, pad, gain))
        return max(found, default=None)

    def take(self, pad_db: float, gain_db: float, louder_db: float = 0.0) -> Take:
        """Return it rendered, the player so much louder."""
        spl = self.spl_db + louder_db
        return Take(recorded(self.stem, spl, self.set_to(pad_db, gain_db), self.converter), spl)

    def rehearsal(self, pad_db: float, gain_db: float, louder_db: float) -> "Rehearsal":
        """Return the rehearsal rendered, with the take that follows it."""
        return Rehearsal(self, pad_db, gain_db, louder_db)


class Rehearsal(Take):
    """A rehearsal, and the take that follows it: the same, so much louder."""

    def __init__(self, rig: Rig, pad_db: float, gain_db: float, louder_db: float):
        super().__init__(recorded(rig.stem, rig.spl_db, rig.set_to(pad_db, gain_db), rig.converter), rig.spl_db)
        self._take = lambda: rig.take(pad_db, gain_db, louder_db)

    @cached_property
    def take(self) -> Take:
        """The take, rendered."""
        return self._take()

    def both_heard(self) -> dict[str, Audio]:
        """Return what is at the microphone, the rehearsal as recorded, and the take."""
        return self.heard(microphone=0, rehearsal=-1) | self.take.heard(take=-1)
