"""A chain of preamplifiers and converters, measured: levels, ceilings and noise behind every stage."""

import math
from functools import cache, cached_property

import numpy as np

from gainlib.audio import Audio
from gainlib.levels import db_to_ratio
from gainlib.processors import Converter
from gainlib.session import Session

HEARD_DBFS = -24.0


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
