"""A black box, whatever it is, and known signals through it: what to feed it, and how to compare what comes out.

The stimulus is noise, then a sine of 997 Hz, then two tones of 60 Hz and 7 kHz at 4:1, each of true peak 1, so that a
level means the same peak for all three. Every run starts from rest. A box that does not repeat itself is run several
times and averaged; how far the runs scatter tells how well the average is known. Outputs are compared scaled back by
the gain of their input, and nothing else is fitted.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import scipy

from gainlib.audio import Audio, GainlibError
from gainlib.meters import upsample
from gainlib.processors import Processor

PROBE_FRAMES = 512

SINE_HZ = 997.0
LOW_HZ, HIGH_HZ, LOW_SHARE = 60.0, 7000.0, 0.8
NOISE_S, SINE_S, TONES_S, FADE_S = 0.08, 0.12, 0.12, 0.004
AHEAD_S, TAIL_S = 0.01, 0.08
LONGER_TAILS_S = (0.6, 4.0, 61.0)
AROUND_S = 0.03
LATER_S = (0.0371, 0.1003)
AVERAGES = 16
REPEATS_DB = -100.0
EXACT_DB = -120.0
NOISE_MARGIN_DB = 3.0
SWAY_MARGIN_DB = 10.0


class DeviceUnderTest:
    """Something that sound goes through, of which nothing but its output is known: a processor or a function.

    A function takes samples and rate and returns samples. It may take arrays of shape (frames,) or (frames, channels);
    which of the two is found out by trying. What it returns beyond the length it was given is cut off, what it lacks
    counts as silence.
    """

    def __init__(self, processor: Processor | Callable[[np.ndarray, int], np.ndarray]):
        if not hasattr(processor, "process") and not callable(processor):
            raise GainlibError(f"{processor!r} is not a processor; give one, or a function of samples and rate")
        self.processor = processor
        self._one_line: bool | None = None

    @property
    def reference_dbfs(self) -> float | None:
        """Average level the box says it is built for, if it says so."""
        return getattr(self.processor, "reference_dbfs", None)

    def run(self, samples: np.ndarray, rate_hz: int) -> np.ndarray:
        """Return what comes out, as float64 and in the shape of `samples`: (frames, channels)."""
        if hasattr(self.processor, "process"):
            return np.asarray(self.processor.process(Audio(samples, rate_hz)).samples, dtype=np.float64)
        if self._one_line is None:
            self._one_line = self._takes_one_line(rate_hz)
        if self._one_line:
            out = [_line(self.processor(line.copy(), rate_hz)) for line in samples.T]
            frames = min(len(line) for line in out)
            out = np.stack([line[:frames] for line in out], axis=1)
        else:
            out = np.asarray(self.processor(samples.copy(), rate_hz))
            if out.ndim != 2 or out.shape[1] != samples.shape[1]:
                raise GainlibError(
                    f"the function was given shape {samples.shape} and returned {out.shape}; "
                    "it must return as many channels as it gets"
                )
        return _as_long_as(out, len(samples))

    def run_line(self, samples: np.ndarray, rate_hz: int) -> np.ndarray:
        """Return what comes out for one channel, both of shape (frames,)."""
        return self.run(samples[:, np.newaxis], rate_hz)[:, 0]

    def _takes_one_line(self, rate_hz):
        """Try whether a function takes arrays of shape (frames,); if not, it must take (frames, channels)."""
        probe = 0.01 * np.sin(0.1 * np.arange(PROBE_FRAMES))
        try:
            _line(self.processor(probe.copy(), rate_hz))
        except Exception:  # anything may happen to a function that expects another shape
            return False
        return True


def _line(out):
    out = np.asarray(out)
    if out.ndim == 2 and out.shape[1] == 1 and out.shape[0] > 1:
        out = out[:, 0]
    if out.ndim != 1:
        raise GainlibError(f"the function was given one channel and returned shape {out.shape}")
    return out


def _as_long_as(out, frames):
    """Return a function's output checked, as float64, cut or filled up to a number of frames."""
    if len(out) == 0 or out.dtype.kind not in "fiu":
        raise GainlibError(f"the function returned {len(out)} frames of {out.dtype}; it must return real samples")
    if not np.isfinite(out).all():
        raise GainlibError("the function returned NaN or infinity; every sample must be finite")
    out = np.asarray(out[:frames], dtype=np.float64)
    return np.pad(out, ((0, frames - len(out)), (0, 0)))


# ---- known signals ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Stimulus:
    """A signal in parts, full scale 1: its line, of true peak 1 in each part, and where each part stands."""

    line: np.ndarray
    parts: dict[str, slice]

    def only(self, name: str) -> np.ndarray:
        """Return the samples of one part."""
        return self.line[self.parts[name]]


def stimulus(rate_hz: int, seed: int) -> Stimulus:
    """Return noise, a sine and two tones in a row; the seed draws the noise."""
    made = {
        "noise": noise(round(NOISE_S * rate_hz), seed),
        "sine": sine(SINE_HZ, round(SINE_S * rate_hz), rate_hz),
        "two tones": two_tones(round(TONES_S * rate_hz), rate_hz),
    }
    ends = np.cumsum([len(line) for line in made.values()])
    parts = {name: slice(int(end) - len(line), int(end)) for (name, line), end in zip(made.items(), ends, strict=True)}
    return Stimulus(np.concatenate([unit(line, rate_hz) for line in made.values()]), parts)


def noise(frames: int, seed: int) -> np.ndarray:
    """Return noise up to 0.4 of the sample rate: nothing where a converter's filter would already be at work."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(frames))
    spectrum[round(0.4 * frames) :] = 0.0
    return np.fft.irfft(spectrum, frames)


def sine(frequency_hz: float, frames: int, rate_hz: int) -> np.ndarray:
    """Return a sine of peak 1, of a lower frequency where the sample rate cannot hold it."""
    return np.sin(2.0 * np.pi * min(frequency_hz / rate_hz, 0.35) * np.arange(frames))


def two_tones(frames: int, rate_hz: int) -> np.ndarray:
    """Return 60 Hz and 7 kHz at 4:1."""
    return LOW_SHARE * sine(LOW_HZ, frames, rate_hz) + (1.0 - LOW_SHARE) * sine(HIGH_HZ, frames, rate_hz)


def unit(line: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return a line faded in and out, its true peak 1."""
    fade = round(FADE_S * rate_hz)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    line = line.copy()
    line[:fade] *= ramp
    line[-fade:] *= ramp[::-1]
    return line / np.abs(upsample(line[:, np.newaxis], rate_hz)).max()


class Response(NamedTuple):
    """What a box makes of a line, scaled back, and the variance that noise leaves in it; each of shape (frames,)."""

    line: np.ndarray
    doubt: np.ndarray

    def less(self, other: "Response") -> "Response":
        """Return the difference."""
        return Response(self.line - other.line, self.doubt + other.doubt)


class Residual(NamedTuple):
    """What a comparison leaves, relative: the residual, and up to where it is rounding or noise; both in dB."""

    residual_db: float
    floor_db: float

    @property
    def passed(self) -> bool:
        """Whether nothing but rounding or noise is left."""
        return self.residual_db <= self.floor_db


class Bench:
    """A box wired up for tests; the seed draws the noise of the stimulus.

    ``averages`` is how many runs are averaged, 1 for a box that repeats itself; ``repeatability_db`` the difference of
    two equal runs, relative; ``latency`` by how many frames the output is late. A box ``wanders`` if that differs from
    run to run, so that runs are lined up. ``noise_stays`` where noise of the box is left in what is compared: noise
    that is the same in every run and simply added goes when the output for silence is taken off; dither, for one, does
    not.
    """

    def __init__(self, box: DeviceUnderTest, rate_hz: int, seed: int):
        self._box, self.rate_hz = box, rate_hz
        self.stimulus = stimulus(rate_hz, seed)
        self.averages, self.wanders, self.noise_stays = 1, False, False
        self._silences: dict[tuple[int, int], Response] = {}
        self.latency = self._listen_long_enough()
        self.repeatability_db = self._try_again()
        self.noise_stays = self.averages > 1
        self._margin_db = SWAY_MARGIN_DB if self.sways() else NOISE_MARGIN_DB

    def response(self, line: np.ndarray, level_dbfs: float = 0.0, lead: int = 0) -> Response:
        """Return what the box makes of a line of peak 1 fed at a level, scaled back, its own sound taken off.

        Silence of `lead` frames is fed ahead, and taken off what comes out, which is longer than the line by what the
        box may need to finish.
        """
        gain = 10.0 ** (level_dbfs / 20.0)
        heard, own = self._heard(gain * line, lead), self.silence(len(line), lead)
        if not self.noise_stays:
            return Response((heard.line - own.line) / gain, np.zeros(len(heard.line)))
        offset = own.line.mean()
        # Without averages the doubt is the noise that silence shows then: noise may not depend on what is fed.
        doubt = heard.doubt if self.averages > 1 else _around((own.line - offset) ** 2, round(AROUND_S * self.rate_hz))
        return Response((heard.line - offset) / gain, doubt / gain**2)

    def compare(self, one: Response, other: Response, part: str | None = None) -> Residual:
        """Return what is left of `one` when `other` is taken off, relative to `other`; of a part of the stimulus."""
        place = slice(None) if part is None else self._place(part)
        left = one.less(other)
        noise_power, power = float(left.doubt[place].sum()), float(np.sum(other.line[place] ** 2))
        drowned_db = power_db(noise_power, power) + self._margin_db if noise_power > 0.0 else -np.inf
        return Residual(relative_db(left.line[place], other.line[place]), max(EXACT_DB, drowned_db))

    def gain_db(self, response: Response, part: str) -> float:
        """Return level out over level in for a part of the stimulus; −inf for silence."""
        return level(response.line[self._place(part)]) - level(self.stimulus.only(part))

    def silence(self, frames: int | None = None, lead: int = 0) -> Response:
        """Return what comes out for silence in place of a line of some frames; of the stimulus, unless told."""
        key = len(self.stimulus.line) if frames is None else frames, lead
        if key not in self._silences:
            self._silences[key] = self._heard(np.zeros(key[0]), lead)
        return self._silences[key]

    def later(self) -> tuple[int, ...]:
        """Return by how many frames a stimulus is delayed to see whether the box knows the time."""
        return tuple(round(lead * self.rate_hz) for lead in LATER_S)

    def sways(self) -> bool:
        """Tell whether a box that does not repeat itself differs in proportion to what it is fed."""
        if self.averages == 1:
            return False
        return float(self._heard(self.stimulus.line, 0).doubt.mean()) > 4.0 * float(self.silence().doubt.mean())

    def _place(self, part):
        """Return where a part of the stimulus comes out."""
        fed = self.stimulus.parts[part]
        return slice(fed.start + self.latency, fed.stop + self.latency)

    def _heard(self, line, lead):
        # A little silence ahead in any case: some functions treat the first samples in their own way.
        ahead = lead + round(AHEAD_S * self.rate_hz)
        whole = np.concatenate([np.zeros(ahead), line, np.zeros(self._tail)])
        runs = [self._lined_up(whole, self._box.run_line(whole, self.rate_hz))[ahead:] for _ in range(self.averages)]
        if len(runs) == 1:
            return Response(runs[0], np.zeros(len(runs[0])))
        return Response(np.mean(runs, axis=0), np.var(runs, axis=0, ddof=1) / len(runs))

    def _listen_long_enough(self):
        """Let silence follow until the end of the stimulus has come out; return the latency."""
        late = 0
        for tail_s in (TAIL_S, *LONGER_TAILS_S):
            self._tail = round(tail_s * self.rate_hz)
            self._silences.clear()
            own = self.silence().line
            fed = self._heard(self.stimulus.line, 0).line - own
            if level(fed) > level(own) + 6.0:
                late = max(0, lag(self.stimulus.line, fed))
                break
        self._tail = round(TAIL_S * self.rate_hz) + late
        self._silences.clear()
        return late

    def _try_again(self):
        first, again = (self._heard(self.stimulus.line, 0).line for _ in range(2))
        if lag(first, again) != 0:
            self.wanders = True
            first, again = (self._heard(self.stimulus.line, 0).line for _ in range(2))
        repeats = relative_db(again - first, first)
        self.averages = 1 if repeats <= REPEATS_DB else AVERAGES
        return repeats

    def _lined_up(self, fed, out):
        """Return a run moved to the latency of the first one; silence stays as it is."""
        if not self.wanders or not fed.any() or not out.any():
            return out
        late = lag(fed, out) - self.latency
        moved = np.roll(out, -late)
        moved[len(out) - late if late > 0 else 0 : len(out) if late > 0 else -late] = 0.0
        return moved


def lag(reference: np.ndarray, line: np.ndarray) -> int:
    """Return by how many frames `line` is later than `reference`, at the strongest cross-correlation of either sign."""
    # Steps from sample to sample rather than samples: a low tone looks much the same a little earlier or later.
    found = scipy.signal.correlate(np.diff(line), np.diff(reference), method="fft")
    return int(np.argmax(np.abs(found))) - (len(reference) - 2)


def level(line: np.ndarray) -> float:
    """Return a sine-referred RMS in dBFS, offset included; −inf for silence."""
    return power_db(2.0 * float(np.mean(line**2)))


def relative_db(difference: np.ndarray, reference: np.ndarray) -> float:
    """Return 20·log₁₀(‖difference‖ / ‖reference‖): −inf for no difference, +inf against silence."""
    return power_db(float(np.sum(difference**2)), float(np.sum(reference**2)))


def _around(line, frames):
    """Return the mean of each sample and its neighbours."""
    size = frames // 2 * 2 + 1
    sums, count = (scipy.ndimage.uniform_filter1d(each, size, mode="constant") for each in (line, np.ones(len(line))))
    return np.maximum(sums, 0.0) / count


def power_db(power: float, reference: float = 1.0) -> float:
    """Return a ratio of powers in dB: −inf for none, +inf against silence."""
    if power <= 0.0:
        return -np.inf
    return 10.0 * float(np.log10(power / reference)) if reference > 0.0 else np.inf
