"""A black box: a processor, or any function of samples and rate, run one way whatever it is."""

from collections.abc import Callable

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.processors import Processor

PROBE_FRAMES = 512


class DeviceUnderTest:
    """Something that sound goes through, of which nothing but its output is known.

    Parameters
    ----------
    processor : Processor or callable
        A processor, or a function of samples and sample rate that returns samples. A function may take arrays of shape
        (frames,) or (frames, channels); which of the two is found out by trying. What it returns beyond the length it
        was given is cut off, what it lacks counts as silence.
    """

    def __init__(self, processor: Processor | Callable[[np.ndarray, int], np.ndarray]):
        if not hasattr(processor, "process") and not callable(processor):
            raise GainlibError(f"{processor!r} is no processor; give one, or a function of samples and rate")
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
