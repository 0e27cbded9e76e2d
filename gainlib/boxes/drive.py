"""What a box does to a sound, against how loud it is fed.

Distortion is measured with a steady sine: its harmonics are fitted by least squares, so that any frequency will do.
Gain and gain reduction are measured with that sine or with material of one's own, brought to the same average level.

Sources: IEC 60268-3 clause 14.12 (total harmonic distortion, relative to the fundamental), AES17-2015 clause 6.3
(distortion and noise, 20 Hz to 20 kHz, relative to the whole).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from gainlib.audio import Audio, AudioFile, GainlibError
from gainlib.boxes.device_under_test import DeviceUnderTest
from gainlib.boxes.material import OPEN_DBFS, Material
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.processors import Processor

LEVELS_DBFS = tuple(float(step) for step in range(-60, 7, 3))
REFERENCE_HZ = 997.0
RATE_HZ = 48000
SETTLE_S, LONGER_SETTLE_S, MEASURE_S = 0.5, (2.0, 8.0, 64.0), 0.25
HARMONICS = 40
LOW_HZ, HIGH_HZ = 20.0, 20000.0


@dataclass(frozen=True, eq=False)
class DriveCurve:
    """What a box does at several drives; all arrays of one length.

    Attributes
    ----------
    level_dbfs : array
        Average level at the input, sine-referred: of the sine its peak, of material its active level.
    gain_db : array
        Of the sine's fundamental, or of the material's energy; −inf where nothing comes out.
    thd_percent : array
        Harmonics 2 to 40 below 20 kHz, of a sine at that level, relative to the fundamental; NaN where nothing comes
        out.
    thdn_percent : array
        All but the sine from 20 Hz to 20 kHz, relative to the whole.
    gain_reduction_db : array
        How far the gain lies under the highest this box has; on material its mean over the active stretches.
    """

    level_dbfs: np.ndarray
    gain_db: np.ndarray
    thd_percent: np.ndarray
    thdn_percent: np.ndarray
    gain_reduction_db: np.ndarray

    def __post_init__(self):
        for array in vars(self).values():
            array.flags.writeable = False


def drive_curve(
    processor: Processor | Callable[[np.ndarray, int], np.ndarray],
    levels_dbfs: Sequence[float] = LEVELS_DBFS,
    frequency_hz: float = REFERENCE_HZ,
    audio: Audio | AudioFile | None = None,
) -> DriveCurve:
    """Measure gain, distortion and gain reduction of a box against the level it is fed.

    Parameters
    ----------
    processor : Processor or callable
        A processor, or a function of samples and sample rate.
    levels_dbfs : sequence of float
        Average levels at the input.
    frequency_hz : float
        Of the sine that distortion is measured with; best no divisor of the sample rate, so that what folds back does
        not fall on harmonics.
    audio : Audio or AudioFile, optional
        Material to measure gain and gain reduction with, brought to each level by its active level; its sample rate is
        used throughout. Without it the sine is used, at 48 kHz.

    Returns
    -------
    DriveCurve

    Raises
    ------
    GainlibError
        For no levels, a frequency outside 20 Hz to 20 kHz or above 0.45 of the sample rate, silent material.

    Examples
    --------
    >>> from gainlib.processors import Saturation
    >>> curve = drive_curve(Saturation(), (-30, -18, -6), frequency_hz=100)
    >>> curve.thd_percent.round(2).tolist(), curve.gain_db.round(2).tolist()
    ([0.06, 1.0, 11.12], [-0.02, -0.26, -3.09])
    """
    levels = np.asarray(levels_dbfs, dtype=np.float64).ravel()
    if levels.size == 0 or not np.isfinite(levels).all():
        raise GainlibError(f"levels {levels_dbfs!r}; give one or more finite levels in dBFS")
    box = DeviceUnderTest(processor)
    tone = Tone(box, frequency_hz, RATE_HZ if audio is None else audio.rate_hz)
    read = [tone.read(level) for level in levels]
    gain_db, thd, thdn = (np.array(column) for column in zip(*read, strict=True))
    if audio is None:
        reduction = np.array([tone.reduction_db(gain) for gain in gain_db])
    else:
        material = Material(box, audio)
        gain_db, reduction = (np.array(column) for column in zip(*map(material.read, levels), strict=True))
    return DriveCurve(levels, gain_db, thd, thdn, reduction)


# --------------------------------------------------------------------------------------------------------- steady sine


class Tone:
    """A box fed a steady sine.

    Parameters
    ----------
    box : DeviceUnderTest
    frequency_hz : float
    rate_hz : int
    """

    def __init__(self, box: DeviceUnderTest, frequency_hz: float = REFERENCE_HZ, rate_hz: int = RATE_HZ):
        if not LOW_HZ <= frequency_hz <= min(HIGH_HZ, 0.45 * rate_hz):
            raise GainlibError(
                f"a sine of {frequency_hz:g} Hz at {rate_hz} Hz; give a frequency from {LOW_HZ:g} Hz to "
                f"{min(HIGH_HZ, 0.45 * rate_hz):g} Hz"
            )
        self._box, self._frequency_hz, self._rate_hz = box, float(frequency_hz), rate_hz
        self._frames = round(MEASURE_S * rate_hz)
        for settle_s in (SETTLE_S, *LONGER_SETTLE_S):  # what is silent at first may be late
            self._settle = round(settle_s * rate_hz)
            if self._steady(0.0).any():
                break
        else:
            self._settle = round(SETTLE_S * rate_hz)
        self._highest_db: float | None = None

    def read(self, level_dbfs: float) -> tuple[float, float, float]:
        """Return gain in dB, THD and THD+N in percent at a peak level."""
        out = self._steady(level_dbfs)
        lines, rest = self._fitted(out)
        if lines[0] == 0.0:
            return -np.inf, np.nan, np.nan
        spectrum = np.abs(np.fft.rfft(rest)) ** 2
        frequency = np.fft.rfftfreq(len(rest), 1.0 / self._rate_hz)
        residual = 2.0 * np.sum(spectrum[(frequency >= LOW_HZ) & (frequency <= HIGH_HZ)]) / len(rest) ** 2
        thd = np.sqrt(np.sum(lines[1:] ** 2)) / lines[0]
        thdn = np.sqrt(residual / (residual + lines[0] ** 2 / 2.0))
        return ratio_to_db(lines[0]) - level_dbfs, 100.0 * thd, 100.0 * thdn

    def reduction_db(self, gain_db: float) -> float:
        """Return how far a gain lies under the highest the box has for a sine."""
        if self._highest_db is None:
            self._highest_db = max(self.read(level)[0] for level in OPEN_DBFS)
        if self._highest_db == -np.inf:
            return 0.0  # it lets nothing through at all
        return max(0.0, self._highest_db - gain_db)

    def _steady(self, level_dbfs):
        turns = self._frequency_hz / self._rate_hz * np.arange(self._settle + self._frames)
        line = db_to_ratio(level_dbfs) * np.sin(2.0 * np.pi * turns)
        return self._box.run_line(line, self._rate_hz)[self._settle :]

    def _fitted(self, out):
        """Return the amplitudes of the harmonics, and what is left without offset and fundamental."""
        basis, orthogonal, triangle = _basis(self._frequency_hz, self._rate_hz, self._frames)
        parts = np.linalg.solve(triangle, orthogonal.T @ out)
        lines = np.hypot(parts[1::2], parts[2::2])
        return lines, out - basis[:, :3] @ parts[:3]


@lru_cache(maxsize=8)
def _basis(frequency_hz, rate_hz, frames):
    """Return an offset and the harmonics, two phases each, as columns, and their QR decomposition."""
    orders = np.arange(1, HARMONICS + 1)
    orders = orders[orders * frequency_hz <= min(HIGH_HZ, 0.499 * rate_hz)]
    phase = 2.0 * np.pi * np.mod(np.outer(np.arange(frames), orders) * (frequency_hz / rate_hz), 1.0)
    waves = np.stack([np.cos(phase), np.sin(phase)], axis=2).reshape(frames, -1)
    basis = np.concatenate([np.ones((frames, 1)), waves], axis=1)
    return basis, *np.linalg.qr(basis)
