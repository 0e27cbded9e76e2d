"""What goes wrong with a recording, as plain data, and how it is done to the samples.

Levels of hum and hiss are averages, sine-referred like every average in this package. The way of a signal is: played
in part, folded to one channel, wired the wrong way round, recorded too hot or too low, with hum and hiss, clipped,
turned down afterwards, offset.
"""

from dataclasses import dataclass
from math import inf, log10, sqrt

import numpy as np

from gainlib.demo.recordings import RATE_HZ, RECORDINGS
from gainlib.demo.rng import noise

TAGS = ("too hot", "too low", "clipped", "DC", "noisy", "polarity", "dual mono", "sparse", "silent", "none")
"""What a fault report may say of a stem; "polarity" also stands for one reversed side of a stereo stem."""

HUM_PARTIALS = (1, 2, 3, 5, 7)
FADE_S = 0.03


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

    def channels(self, stem: str) -> int:
        """Return the number of channels of the faulty stem."""
        return 2 if self.dual_mono else RECORDINGS[stem].channels

    def _recording_gain_db(self, stem):
        return self.gain_db if self.over_db is None else self.over_db - RECORDINGS[stem].peak_dbfs

    def done_to(self, samples: np.ndarray, stem: str, source: np.random.PCG64) -> np.ndarray:
        """Return the faulty samples of a stem.

        Parameters
        ----------
        samples : array, shape (frames, channels), float32
            The clean stem; it is not changed, and it is returned itself if nothing is wrong with it.
        stem : str
            Its name.
        source : numpy.random.PCG64
            Where the hiss comes from.

        Returns
        -------
        array, shape (frames, channels), float32
            Read-only.
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
