"""Material of one's own as a test signal: brought to a level, its active stretches, its notes and its pauses.

Active stretches are those of the active level: blocks of 100 ms, one every 25 ms, within 25 dB of the loudest.
"""

import numpy as np

from gainlib.audio import Audio, AudioFile, GainlibError
from gainlib.boxes.device_under_test import DeviceUnderTest
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.meters import active_level, levels_of, rms_dbfs

OPEN_DBFS = (-60.0, -40.0, -20.0, 0.0)
BLOCK_S, HOP_S, ACTIVE_RANGE_DB = 0.1, 0.025, 25.0
EXCERPT_S = 30.0
QUIETEST, FLOOR, FLOOR_DB = 10, 2, 6.0
SILENT_DBFS = -90.0


class Material:
    """A box fed material of one's own.

    Parameters
    ----------
    box : DeviceUnderTest
    audio : Audio or AudioFile
    """

    def __init__(self, box: DeviceUnderTest, audio: Audio | AudioFile):
        audio = audio.load() if hasattr(audio, "load") else audio
        self._box, self._rate_hz, self.name = box, audio.rate_hz, audio.name
        self.samples = np.asarray(audio.samples, dtype=np.float64)
        self.level = levels_of(audio.with_samples(self.samples), ("rms", "active"))
        if self.level.silent:
            raise GainlibError(f"{audio.name or 'the material'} is silent; it has no level to drive a box by")
        self._active = active_blocks(self.samples, audio.rate_hz)
        self._open: np.ndarray | None = None

    def at(self, level_dbfs: float) -> np.ndarray:
        """Return the samples brought to an active level."""
        return self.samples * db_to_ratio(level_dbfs - self.level.active_dbfs)

    def out(self, level_dbfs: float) -> np.ndarray:
        """Return what comes out at an active level."""
        return self._box.run(self.at(level_dbfs), self._rate_hz)

    def read(self, level_dbfs: float) -> tuple[float, float]:
        """Return the gain of the energy and the mean gain reduction over the active stretches, both in dB."""
        out = self.out(level_dbfs)
        fed_dbfs = self.level.energy_dbfs + level_dbfs - self.level.active_dbfs
        return rms_dbfs(Audio(out, self._rate_hz)) - fed_dbfs, self._reduction_db(out, level_dbfs)

    def reduction_db(self, level_dbfs: float) -> float:
        """Return the mean gain reduction over the active stretches in dB."""
        return self._reduction_db(None, level_dbfs)

    def _reduction_db(self, out, level_dbfs):
        tells = getattr(self._box.processor, "reduction_db", None)
        if tells is not None:
            reduction = tells(Audio(self.at(level_dbfs), self._rate_hz))
            return float(np.mean(block_means(reduction, self._rate_hz)[self._active]))
        if self._open is None:
            # What comes out, scaled back, at the drive where the box lets most through.
            runs = (self._powers(self.out(level), level) for level in OPEN_DBFS)
            self._open = max(runs, key=lambda powers: powers[self._active].sum())
        now = self._powers(self.out(level_dbfs) if out is None else out, level_dbfs)
        with np.errstate(divide="ignore", invalid="ignore"):
            reduction = 10.0 * np.log10(self._open / now)[self._active]
        return float(np.mean(np.maximum(reduction[~np.isnan(reduction)], 0.0)))

    def _powers(self, out, level_dbfs):
        """Return the powers of the blocks, scaled back."""
        return block_means(np.mean(out**2, axis=1), self._rate_hz) * db_to_ratio(-2.0 * level_dbfs)


def active_blocks(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return which blocks of 100 ms, one every 25 ms, lie within 25 dB of the loudest; shape (blocks,)."""
    powers = block_means(np.mean((samples - samples.mean(axis=0)) ** 2, axis=1), rate_hz)
    return powers >= powers.max() * 10.0 ** (-ACTIVE_RANGE_DB / 10.0)


def block_means(line: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return the means of a line over blocks of 100 ms, one every 25 ms; one block for what is shorter."""
    size, hop = min(round(BLOCK_S * rate_hz), len(line)), round(HOP_S * rate_hz)
    sums = np.concatenate([[0.0], np.cumsum(line)])
    starts = np.arange(0, len(line) - size + 1, hop)
    return np.maximum(sums[starts + size] - sums[starts], 0.0) / size


def excerpt(audio):
    """Return the loudest 30 s of longer material."""
    audio = audio.load() if hasattr(audio, "load") else audio
    if audio.duration_s <= EXCERPT_S:
        return audio
    powers = block_means(np.mean(np.asarray(audio.samples, dtype=np.float64) ** 2, axis=1), audio.rate_hz)
    count = round(EXCERPT_S / HOP_S)
    sums = np.concatenate([[0.0], np.cumsum(powers)])
    start = int(np.argmax(sums[count:] - sums[:-count])) * round(HOP_S * audio.rate_hz)
    return audio.with_samples(audio.samples[start : start + round(EXCERPT_S * audio.rate_hz)])


def noise_and_notes(audio):
    """Return active level, highest peak of the noise in the pauses and peak of the quietest notes, dBFS; or None.

    Pauses are the blocks within 6 dB of the quietest ones, if these are not active; the quietest notes are the lowest
    tenth of the active blocks. Peaks, because a gate opens with a sample.
    """
    samples = np.asarray(audio.samples, dtype=np.float64)
    active = active_blocks(samples, audio.rate_hz)
    size, hop = round(BLOCK_S * audio.rate_hz), round(HOP_S * audio.rate_hz)
    peaks = np.array([np.abs(samples[k * hop : k * hop + size]).max() for k in range(len(active))])
    powers = block_means(np.mean(samples**2, axis=1), audio.rate_hz)
    if active.all():
        return None
    floor = np.percentile(powers, FLOOR)
    pauses = ~active & (powers <= floor * 10.0 ** (FLOOR_DB / 10.0))
    noise, note = ratio_to_db(peaks[pauses].max()), ratio_to_db(np.percentile(peaks[active], QUIETEST))
    return active_level(audio)[0], noise if noise > SILENT_DBFS else -np.inf, note
