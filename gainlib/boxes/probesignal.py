"""The test file for a box that cannot be run from here: what it holds, and where.

It starts soft and climbs once. On every step of the ladder stand a mark, a sine of about 997 Hz, noise and two tones of
about 60 Hz and 7 kHz at 4:1, all of the same true peak; then the sine swells in one go over 48 dB. Marks are chirps,
rising ones along the way and three falling ones at the end, whose distances tell the sample rate and the highest level.

Everything measured repeats with one period, a prime number of frames. What a box makes of it repeats as well, so it
falls on the multiples of one frequency: on those that were fed the gain is read, on the others distortion, and between
them lies what does not repeat, noise. The noise is a sum of sines on some of the odd multiples, of random phases.

Source: Pintelon, Schoukens, "System Identification: A Frequency Domain Approach", 2nd ed., 2012, chapters 2 and 4
(periodic excitation, detection lines for nonlinear distortion).
"""

import math
import os
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import NamedTuple

import numpy as np

from gainlib.audio import Audio, GainlibError, write
from gainlib.boxes.probing import HIGH_HZ, LOW_HZ, LOW_SHARE, SINE_HZ
from gainlib.levels import db_to_ratio
from gainlib.meters import upsample

RATES_HZ = (44100, 48000, 88200, 96000, 176400, 192000)
LOUDEST_DBFS, SOFTEST_TOP_DBFS = 0.0, -30.0
BELOW_TOP_DB = (*range(69, 33, -6), *range(33, -1, -3))
FAINT_DBFS = -97.0  # under half a step of 16 bit, where rounding without dither gives silence
PERIOD_S = 0.125
LEAD_S, TAIL_S, GAP_S, FADE_S = 0.6, 1.5, 0.2, 0.004
MARK_S, MARK_HZ, MARK_GAP_S = 0.1, (300.0, 8000.0), 0.12
START_BELOW_DB, END_BELOW_DB = 24.0, 6.0
RATE_CODE_S, LEVEL_CODE_S = (0.15, 0.02), (0.30, 0.01)
SWELL_DB, SWELL_S = 48.0, 8.0
SETTLING, RUN_ON = 2, 0.25  # periods before and after what is measured
PERIODS = {"sine": 3, "noise": 3, "two tones": 2, "faint sine": 8}
NOISE_HZ, CREST_DB, NOISE_SEED = (50.0, 12000.0), 8.0, 1


class Part(NamedTuple):
    """A stretch that repeats, settled: what, its peak level, where it starts and how many periods it lasts."""

    stimulus: str
    level_dbfs: float
    start: int
    periods: int


class Mark(NamedTuple):
    """A chirp: where it starts, its peak level, and whether it falls."""

    start: int
    level_dbfs: float
    falls: bool


@dataclass(frozen=True)
class Layout:
    """Where everything stands in the test file of a sample rate and a highest level; all places in frames.

    The rate is one of 44 100, 48 000, 88 200, 96 000, 176 400, 192 000 Hz, the highest peak level −30 to 0 dBFS, kept
    to 0.1 dB; others raise. ``parts`` is what is measured line by line, ``gaps`` are the silences between the steps;
    ``marks`` are a rising one at the start and one on each step, and three falling ones at the end.
    """

    rate_hz: int = 48000
    level_max_dbfs: float = -6.0
    parts: tuple[Part, ...] = field(init=False, compare=False, repr=False)
    marks: tuple[Mark, ...] = field(init=False, compare=False, repr=False)
    gaps: tuple[tuple[int, int], ...] = field(init=False, compare=False, repr=False)
    swell: tuple[int, int] = field(init=False, compare=False, repr=False)
    frames: int = field(init=False, compare=False, repr=False)

    def __post_init__(self):
        if isinstance(self.rate_hz, bool) or self.rate_hz not in RATES_HZ:
            rates = ", ".join(map(str, RATES_HZ))
            raise GainlibError(f"a test file at {self.rate_hz!r} Hz; write it at one of {rates} Hz")
        level = self.level_max_dbfs
        if isinstance(level, bool) or not isinstance(level, int | float | np.number) or not math.isfinite(level):
            raise GainlibError(f"a highest level of {level!r}; give a number of dBFS, such as -6")
        if not SOFTEST_TOP_DBFS <= level <= LOUDEST_DBFS:
            raise GainlibError(
                f"a highest level of {level:g} dBFS; give {SOFTEST_TOP_DBFS:g} to {LOUDEST_DBFS:g} dBFS, because a "
                f"softer one shows little about a box"
            )
        object.__setattr__(self, "level_max_dbfs", round(float(level), 1))
        for name, value in zip(("parts", "marks", "gaps", "swell", "frames"), self._planned(), strict=True):
            object.__setattr__(self, name, value)

    @property
    def period(self) -> int:
        """Frames after which everything repeats: a prime, so that no coder's frames fall in step with it."""
        return _prime_from(math.ceil(PERIOD_S * self.rate_hz))

    @property
    def levels_dbfs(self) -> tuple[float, ...]:
        """Peak levels of the ladder, from soft to loud."""
        return tuple(self.level_max_dbfs - below for below in BELOW_TOP_DB)

    def line_of(self, frequency_hz: float) -> int:
        """Return the odd multiple of the lowest frequency that is nearest to a frequency."""
        return 2 * round((frequency_hz * self.period / self.rate_hz - 1.0) / 2.0) + 1

    @cached_property
    def fed(self) -> dict[str, np.ndarray]:
        """Multiples of the lowest frequency that each stimulus consists of."""
        low, high = (self.line_of(frequency) for frequency in NOISE_HZ)
        odd = np.arange(low, high + 1, 2)
        chosen = np.random.default_rng(NOISE_SEED).random(len(odd)) < 0.5
        sine = np.array([self.line_of(SINE_HZ)])
        return {
            "sine": sine,
            "faint sine": sine,
            "two tones": np.array([self.line_of(LOW_HZ), self.line_of(HIGH_HZ)]),
            "noise": odd[chosen],
        }

    def one_period(self, stimulus: str) -> np.ndarray:
        """Return one period of a stimulus, true peak 1."""
        return _one_period(self, stimulus)

    def _planned(self):
        """Walk through the file once and note where everything starts."""
        at, parts, marks, gaps = self._frames(LEAD_S), [], [], []
        marks.append(Mark(at, self.level_max_dbfs - START_BELOW_DB, False))
        at += self._frames(MARK_S + GAP_S)
        at = self._add(parts, "faint sine", FAINT_DBFS, at)
        for level in self.levels_dbfs:
            gaps.append((at, at + self._frames(GAP_S)))
            at = gaps[-1][1]
            marks.append(Mark(at, level, False))
            at += self._frames(MARK_S + MARK_GAP_S)
            for stimulus in ("sine", "noise", "two tones"):
                at = self._add(parts, stimulus, level, at)
        at += self._frames(2 * GAP_S)
        swell = at, at + self._frames(SWELL_S)
        at = swell[1] + self._frames(2 * GAP_S)
        rate_s = RATE_CODE_S[0] + RATE_CODE_S[1] * RATES_HZ.index(self.rate_hz)
        level_s = LEVEL_CODE_S[0] - LEVEL_CODE_S[1] * self.level_max_dbfs
        for distance_s in (0.0, rate_s, level_s):
            at += self._frames(distance_s)
            marks.append(Mark(at, self.level_max_dbfs - END_BELOW_DB, True))
        end = at + self._frames(MARK_S + TAIL_S)
        return tuple(parts), tuple(marks), tuple(gaps), swell, end

    def _add(self, parts, stimulus, level, at):
        start = at + SETTLING * self.period
        parts.append(Part(stimulus, level, start, PERIODS[stimulus]))
        return start + self._sounding(PERIODS[stimulus]) - SETTLING * self.period

    def _sounding(self, periods):
        return round((SETTLING + periods + RUN_ON) * self.period)

    def _frames(self, seconds):
        return round(seconds * self.rate_hz)

    def swell_dbfs(self, frame: np.ndarray) -> np.ndarray:
        """Return the peak level of the swelling sine at frames counted from its start."""
        return self.level_max_dbfs - SWELL_DB * (1.0 - np.asarray(frame) / (self.swell[1] - self.swell[0]))

    def mark(self, falls: bool, stretch: float = 1.0) -> np.ndarray:
        """Return a chirp of peak 1, faded in and out; about its middle slower by `stretch`, if told."""
        frames = self._frames(MARK_S)
        seconds = (np.arange(frames) - (frames - 1) / 2.0) / (self.rate_hz * stretch) * (-1.0 if falls else 1.0)
        low, high = MARK_HZ
        turns = (low + high) / 2.0 * seconds + (high - low) / (2.0 * MARK_S) * seconds**2
        return np.sin(2.0 * np.pi * turns) * np.hanning(frames) ** 0.5

    def samples(self) -> np.ndarray:
        """Return the whole file, shape (frames,)."""
        line = np.zeros(self.frames)
        for mark in self.marks:
            chirp = self.mark(mark.falls)
            line[mark.start : mark.start + len(chirp)] += db_to_ratio(mark.level_dbfs) * chirp
        for part in self.parts:
            sound = np.resize(self.one_period(part.stimulus), self._sounding(part.periods))
            start = part.start - SETTLING * self.period
            line[start : start + len(sound)] += db_to_ratio(part.level_dbfs) * self._faded(sound)
        start, stop = self.swell
        frame = np.arange(stop - start)
        sine = np.sin(2.0 * np.pi * np.mod(self.line_of(SINE_HZ) * frame, self.period) / self.period)
        line[start:stop] += self._faded(db_to_ratio(self.swell_dbfs(frame)) * sine)
        return line

    def _faded(self, sound):
        frames = self._frames(FADE_S)
        ramp = np.sin(np.linspace(0.0, np.pi / 2.0, frames, endpoint=False)) ** 2
        sound = sound.copy()
        sound[:frames] *= ramp
        sound[-frames:] *= ramp[::-1]
        return sound


def write_probe(path: str | os.PathLike, rate_hz: int = 48000, *, level_max_dbfs: float = -6) -> None:
    """Write the test file for a box: play it through, record what comes out, and give the recording to ``read_probe``.

    Disconnect speakers and headphones before it is played: it holds steady tones up to
    `level_max_dbfs`. The maximum input level in the maker's manual comes first.

    Parameters
    ----------
    path : str or path
        A new file; the suffix names the format. 24 bit where the format holds that.
    rate_hz : int
        44 100, 48 000, 88 200, 96 000, 176 400 or 192 000.
    level_max_dbfs : float
        Highest peak level, −30 to 0 dBFS; the box is known up to there and no further.

    Raises
    ------
    GainlibError
        For another rate or level, a lossy format, or a path that exists or cannot be written.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> from gainlib.audio import AudioFile
    >>> path = pathlib.Path(tempfile.mkdtemp(), "probe.wav")
    >>> write_probe(path)
    >>> AudioFile(path).rate_hz, AudioFile(path).channels, round(AudioFile(path).duration_s)
    (48000, 1, 54)
    """
    layout = Layout(rate_hz, level_max_dbfs)
    if os.fspath(path).lower().endswith((".mp3", ".ogg", ".oga", ".opus")):
        raise GainlibError(f"{os.fspath(path)}: a lossy format changes the test file itself; write .wav or .flac")
    if os.path.exists(os.path.expanduser(path)):
        raise GainlibError(f"{os.fspath(path)} exists already; choose another name")
    write(path, Audio(layout.samples()[:, np.newaxis], rate_hz, "test file"))


@lru_cache(maxsize=16)
def _one_period(layout, stimulus):
    frame = np.arange(layout.period)
    fed = layout.fed[stimulus]
    if stimulus == "noise":
        line = _noise(layout, fed)
    else:
        shares = (LOW_SHARE, 1.0 - LOW_SHARE) if len(fed) == 2 else (1.0,)
        line = sum(
            share * np.sin(2.0 * np.pi * np.mod(each * frame, layout.period) / layout.period)
            for share, each in zip(shares, fed, strict=True)
        )
    whole = np.tile(line, 3)[:, np.newaxis]
    line = line / np.abs(upsample(whole, layout.rate_hz)).max()
    line.flags.writeable = False
    return line


def _noise(layout, fed):
    """Return a sum of sines, equal power per octave, whose phases are turned until few peaks stand out."""
    rng = np.random.default_rng(NOISE_SEED)
    size = 1.0 / np.sqrt(fed)
    spectrum = np.zeros(layout.period // 2 + 1, complex)
    spectrum[fed] = size * np.exp(2j * np.pi * rng.random(len(fed)))
    for _ in range(40):
        line = np.fft.irfft(spectrum, layout.period)
        highest = np.sqrt(np.mean(line**2)) * db_to_ratio(CREST_DB)
        if np.abs(line).max() <= highest:
            break
        turned = np.fft.rfft(np.clip(line, -0.9 * highest, 0.9 * highest))[fed]
        spectrum[fed] = size * turned / np.abs(turned)
    return np.fft.irfft(spectrum, layout.period)


def _prime_from(number):
    while any(number % divisor == 0 for divisor in range(2, math.isqrt(number) + 1)):
        number += 1
    return number
