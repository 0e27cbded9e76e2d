"""What a box does to a sound, against how loud it is fed; and the output gain that makes in and out equally loud.

Distortion is measured with a steady sine: its harmonics are fitted by least squares, so that any frequency will do.
Gain and gain reduction are measured with that sine or with material of one's own, brought to the same average level:
over its active stretches, blocks of 100 ms, one every 25 ms, within 25 dB of the loudest.

Sources: IEC 60268-3 clause 14.12 (total harmonic distortion; from memory, here relative to the fundamental),
AES17-2015 clause 6.3 (distortion and noise, 20 Hz to 20 kHz, relative to the whole).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from gainlib.audio import Audio, AudioFile, GainlibError
from gainlib.boxes.probing import DeviceUnderTest
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.meters import active_level, levels_of, rms_dbfs
from gainlib.processors import Processor
from gainlib.words import quantity

OPEN_DBFS = (-60.0, -40.0, -20.0, 0.0)
BLOCK_S, HOP_S, ACTIVE_RANGE_DB = 0.1, 0.025, 25.0
EXCERPT_S = 30.0
QUIETEST, FLOOR, FLOOR_DB = 10, 2, 6.0
SILENT_DBFS = -90.0

LEVELS_DBFS = tuple(float(step) for step in range(-60, 7, 3))
REFERENCE_HZ = 997.0
RATE_HZ = 48000
SETTLE_S, LONGER_SETTLE_S, MEASURE_S = 0.5, (2.0, 8.0, 64.0), 0.25
HARMONICS = 40
LOW_HZ, HIGH_HZ = 20.0, 20000.0


class Material:
    """A box fed material of one's own."""

    def __init__(self, box: DeviceUnderTest, audio: Audio | AudioFile):
        audio = audio.load()
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
        return rms_dbfs(Audio(out, self._rate_hz)) - fed_dbfs, self.reduction_db(level_dbfs, out)

    def reduction_db(self, level_dbfs: float, out: np.ndarray | None = None) -> float:
        """Return the mean gain reduction over the active stretches in dB; `out` is what comes out, where known."""
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
    audio = audio.load()
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


# ---- a sound, against how loud it is fed -----------------------------------------------------------------------------


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
    """A box fed a steady sine."""

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
    basis = waves(phase)
    return basis, *np.linalg.qr(basis)


def waves(phase: np.ndarray) -> np.ndarray:
    """Return a constant, and a cosine and a sine of each phase, as columns to be fitted."""
    pairs = np.stack([np.cos(phase), np.sin(phase)], axis=2).reshape(len(phase), -1)
    return np.concatenate([np.ones((len(phase), 1)), pairs], axis=1)


# ---- a bypass that changes nothing but what the box does -------------------------------------------------------------

# Louder is taken for better, so a box is judged only against a bypass of the same level. "The same" is energy or
# loudness, never peaks: a box that rounds off peaks would come back louder.
METERS = {"energy": ("rms", "rms_dbfs"), "loudness": ("loudness", "loudness_lufs")}
CLOSE_DB = 0.01
PASSES = 4
LOUD_PEAK_DBFS = -1.0


@dataclass(frozen=True)
class Match:
    """An output gain and what comes of it.

    Attributes
    ----------
    out_db : float
        Gain behind the box.
    peak_dbfs : float
        Highest sample behind that gain.
    difference_db : float
        Level behind it less level of the bypass, as measured afterwards, dB or LU.
    warning : str or None
        A sentence where the match asks for care.
    """

    out_db: float
    peak_dbfs: float
    difference_db: float
    warning: str | None


def matched_output(
    processor: Processor | Callable[[np.ndarray, int], np.ndarray],
    audio: Audio | AudioFile,
    in_db: float = 0.0,
    by: str = "energy",
) -> Match:
    """Find the gain behind a box that makes it as loud as its bypass.

    Parameters
    ----------
    processor : Processor or callable
        A processor, or a function of samples and sample rate.
    audio : Audio or AudioFile
        What arrives at the insert. The bypass is this very sound: it skips the gain in front, too.
    in_db : float
        Gain in front of the box.
    by : {"energy", "loudness"}
        Ungated energy (RMS of the whole without its offset), or integrated loudness by ITU-R BS.1770.

    Returns
    -------
    Match
        Levels agree within 0.1 dB or LU, as a second measurement shows.

    Raises
    ------
    GainlibError
        For another meter, silence at either end, or material too short or too soft to have a loudness.

    Examples
    --------
    >>> from gainlib.processors import Polarity, Saturation
    >>> from gainlib.signals import tone
    >>> round(matched_output(Polarity(), tone(997, -20.0), in_db=6.0).out_db, 2)
    -6.0
    >>> round(matched_output(Saturation(), tone(997, -6.0)).out_db, 2)
    3.04
    """
    if by not in METERS:
        raise GainlibError(f"matched by {by!r}; match by {' or '.join(METERS)}")
    audio = audio.load()
    samples = np.asarray(audio.samples, dtype=np.float64)
    out = DeviceUnderTest(processor).run(samples * db_to_ratio(in_db), audio.rate_hz)
    wanted = _level(samples, audio, by, "what goes in")
    out_db, off = 0.0, wanted - _level(out, audio, by, "what comes out")
    for _ in range(PASSES):
        # Loudness has an absolute gate, so that a gain may change it by a little more or less than itself.
        out_db += off
        off = wanted - _level(out * db_to_ratio(out_db), audio, by, "what comes out")
        if abs(off) <= CLOSE_DB:
            break
    peak = ratio_to_db(np.abs(out).max()) + out_db
    warning = None
    if peak > LOUD_PEAK_DBFS:
        warning = (
            f"Matched, peaks reach {quantity(peak, 'dBFS', 1)}: a float mixer passes them, but a converter, a file of "
            f"whole numbers or a stage that clips cuts them off. Feed the box less; the match then needs less, too."
        )
    return Match(out_db, peak, -off, warning)


def _level(samples, audio, by, which):
    meter, field = METERS[by]
    level = getattr(levels_of(audio.with_samples(samples), (meter,)), field)
    if level is None or level == -np.inf:
        raise GainlibError(f"{audio.name or 'the material'}: {which} has no {by} to match; it is silent or too short")
    return level
