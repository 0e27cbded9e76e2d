"""Processors against closed forms and published figures: ``python tests/benchmarks/closed_forms.py``.

A 1 kHz sine passes each model; harmonics come from the spectrum of one second after it has settled. The other column
is worked out without this package: Fourier integrals of the curve (scipy), the clipped sine's closed form (harmonics
over half the rate fold back, hence the wider tolerance), the compressor's static curve (Giannoulis, Massberg, Reiss,
JAES 60(6), 2012, eq. 4), the cookbook's peak gain (W3C Audio EQ Cookbook), and the noise of a dithered word (Lipshitz,
Wannamaker, Vanderkooy 1992).
"""

import math

import numpy as np
from scipy import integrate

from gainlib.audio import Audio
from gainlib.processors import Compressor, Filter, HardClip, Quantiser, Saturation

RATE_HZ, TONE_HZ = 48000, 1000


def harmonics(processor, level_dbfs: float, count: int = 9) -> np.ndarray:
    """Return the amplitudes of the first harmonics behind a processor, for a sine of this peak level."""
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    tone = 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * TONE_HZ * time_s)
    settled = processor.process(Audio(tone, RATE_HZ)).samples[RATE_HZ:, 0]
    return 2 * np.abs(np.fft.rfft(settled))[TONE_HZ * np.arange(1, count + 1)] / RATE_HZ


def of_curve(curve, amplitude: float, n: int) -> float:
    """Return the n-th harmonic of a curve driven by a sine, by its Fourier integral."""
    return abs(integrate.quad(lambda t: curve(amplitude * math.sin(t)) * math.sin(n * t), 0, math.pi)[0]) * 2 / math.pi


def clipped(over_db: float, n: int) -> float:
    """Return the n-th harmonic of a unit sine clipped `over_db` under its peak, in closed form."""
    c = 10 ** (-over_db / 20)
    t0 = math.asin(c)
    if n == 1:
        return 2 / math.pi * (t0 + c * math.cos(t0))
    parts = (math.sin((n - 1) * t0) / (n - 1) - math.sin((n + 1) * t0) / (n + 1)) / 2 + c * math.cos(n * t0) / n
    return abs(4 / math.pi * parts)


def rows():
    """Yield what is compared: label, unit, measured, closed form, tolerance."""
    for drive, level in ((2.79, -18.0), (2.79, -6.0), (1.5, -6.0)):
        found, amplitude = harmonics(Saturation(drive), level), 10 ** (level / 20)
        first, third = (of_curve(lambda x, d=drive: math.tanh(d * x) / d, amplitude, n) for n in (1, 3))
        yield (
            f"tanh, drive {drive:g}, {level:g} dBFS: third harmonic",
            "%",
            100 * found[2] / found[0],
            (100 * third / first),
            0.01,
        )
        gain = 20 * math.log10(first / amplitude)
        yield f"tanh, drive {drive:g}, {level:g} dBFS: gain", "dB", 20 * math.log10(found[0] / amplitude), gain, 0.01
    for over in (1.0, 3.0, 6.0):
        found = harmonics(HardClip(-over), 0.0)
        wanted = 100 * clipped(over, 3) / clipped(over, 1)
        yield (
            f"clip {over:g} dB under the peak: third harmonic",
            "%",
            100 * found[2] / found[0],
            wanted,
            0.3,
        )  # folded harmonics
    for level, knee in ((-10.0, 0.0), (-18.0, 12.0), (-20.0, 12.0)):
        box = Compressor(-20.0, 4.0, knee)
        over = level + 20.0
        soft = 0.75 * (over + knee / 2) ** 2 / (2 * knee) if knee and 2 * abs(over) <= knee else None
        reduced = soft if soft is not None else max(0.0, over) * 0.75
        found = 20 * math.log10(harmonics(box, level)[0])
        yield f"compressor −20 dB, 4:1, knee {knee:g}, at {level:g} dBFS: out", "dB", found, level - reduced, 0.1
    found = 20 * math.log10(harmonics(Filter("peaking", TONE_HZ, 1.0, 6.0), -20.0)[0]) + 20
    yield "peaking filter at its centre", "dB", found, 6.0, 0.001
    silence = Audio(np.zeros(4 * RATE_HZ), RATE_HZ)
    for bits in (16, 24):
        power = float(np.mean(Quantiser(bits, "tpdf").process(silence).samples ** 2))
        wanted = 10 * math.log10(2.0 ** (2 - 2 * bits) / 4)
        yield f"{bits} bit with triangular dither: noise re ±1", "dB", 10 * math.log10(power), wanted, 0.05


def main() -> None:
    """Print the table."""
    print(f"{'model and figure':56} {'measured':>10} {'closed form':>12} {'within':>7}  unit")
    for label, unit, measured, wanted, tolerance in rows():
        verdict = "" if abs(measured - wanted) <= tolerance else "  OFF"
        print(f"{label:56} {measured:10.4f} {wanted:12.4f} {tolerance:7.3f}  {unit}{verdict}")


if __name__ == "__main__":
    main()
