"""The table of synthesised compliance cases: signals, nominal values with tolerances, exact values, and readings.

Sources: EBU Tech 3341 Table 1 and Tech 3342 Table 1 (minimum requirements), ITU-R BS.1770-4 Annex 1 and 2,
IEC 60268-17 (VU), IEC 60268-10 (quasi-peak; windows marked "from memory" where no document was at hand), AES17.

``nominal`` and its tolerance are the standard's. ``exact`` is what an ideal meter reads: a closed form, or the same
definition worked out on the levels instead of the samples. Conformance is measured against the first, drift of the
implementation against the second. Real-programme cases cannot be synthesised; they are listed as not run.

Print it with ``python tests/compliance.py``.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from ideal import charged, ideal_integrated, ideal_range, ideal_windows, k_gain_db, movement_step
from scipy import optimize, signal

from gainlib import signals
from gainlib.audio import Audio
from gainlib.meters import (
    LoudnessMeter,
    k_weighted,
    quasi_peak,
    rms_dbfs,
    sample_peak_dbfs,
    true_peak_dbtp,
    vu_needle,
)

RATES_HZ = (44100, 48000, 88200, 96000)
NOT_RUN = {
    "Tech 3341 #7": "real programme, narrow range",
    "Tech 3341 #8": "real programme, wide range",
    "Tech 3342 #5": "real programme, narrow range",
    "Tech 3342 #6": "real programme, wide range",
}


@dataclass(frozen=True)
class Row:
    """One case at one rate; `below` and `above` are the tolerance, `drift` the most it may differ from `exact`."""

    case: str
    rate_hz: int
    unit: str
    nominal: float
    below: float
    above: float
    exact: float
    measured: float
    drift: float

    @property
    def deviation(self):
        """How far the reading is from the exact value."""
        return self.measured - self.exact

    @property
    def conforms(self):
        """Whether the reading is within the standard's tolerance."""
        return self.nominal - self.below - 1e-9 <= self.measured <= self.nominal + self.above + 1e-9

    def __str__(self):
        tolerance = f"±{self.above:g}" if self.above == self.below else f"+{self.above:g}/−{self.below:g}"
        return (
            f"{self.case:<34} {self.rate_hz:>6} {self.nominal:>8.2f} {tolerance:>11} {self.exact:>9.3f} "
            f"{self.measured:>9.3f} {self.deviation:>+8.3f} {self.unit:<5}{'' if self.conforms else ' FAILS'}"
        )


HEADER = f"{'case':<34} {'rate':>6} {'nominal':>8} {'tolerance':>11} {'exact':>9} {'measured':>9} {'deviat.':>8} unit"


# --------------------------------------------------------------------------------------------------------- the signals

STEPS = {
    1: [(-23.0, 20.0)],
    2: [(-33.0, 20.0)],
    3: [(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)],
    4: [(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)],
    5: [(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)],
    9: [(-20.0, 1.34), (-30.0, 1.66)] * 5,
    12: [(-20.0, 0.18), (-30.0, 0.22)] * 25,
}
RANGE_STEPS = {
    1: ([(-20.0, 20.0), (-30.0, 20.0)], 10.0),
    2: ([(-20.0, 20.0), (-15.0, 20.0)], 5.0),
    3: ([(-40.0, 20.0), (-20.0, 20.0)], 20.0),
    4: ([(-50.0, 20.0), (-35.0, 20.0), (-20.0, 20.0), (-35.0, 20.0), (-50.0, 20.0)], 15.0),
}
FIVE_LEVELS = (-28.0, -28.0, -24.0, -30.0, -30.0)


def late_file(index, late_s, tone_s):
    """Return the parts of one of the twenty files of cases 10 and 13."""
    return [(None, index * late_s), (-23.0, tone_s), (None, 1.0)]


def rising_file(late_s, tone_s):
    """Return the parts of the one file of cases 11 and 14: twenty units of twice the window."""
    units = ([(None, i * late_s), (-38.0 + i, tone_s), (None, tone_s - i * late_s)] for i in range(20))
    return [part for unit in units for part in unit]


def five_channels(rate_hz):
    """Return case 6: L R C Ls Rs with levels of their own."""
    lines = [signals.tone(1000, level, 20.0, rate_hz).samples[:, 0] for level in FIVE_LEVELS]
    return Audio(np.stack(lines, axis=1), rate_hz)


def faded(line, rate_hz):
    """Fade 10 ms in and out, as Tech 3341 asks of its true-peak tones."""
    frames = int(0.01 * rate_hz)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(frames) + 0.5) / frames)
    line = line.copy()
    line[:frames] *= ramp
    line[-frames:] *= ramp[::-1]
    return line


@lru_cache(maxsize=8)
def corner_at_four_times(rate_hz):
    """Return cases 20 to 23 before decimation: one period twice as high and as fast, band-limited, at 4 × rate."""
    low = 0.5 * np.sin(2 * np.pi * np.arange(24 * 2000) / 24)
    high = np.sin(2 * np.pi * np.arange(16) / 16)
    line = faded(np.concatenate([low, high, low]), 4 * rate_hz)
    # The table leaves the filter open; 22 kHz at 48 kHz keeps the peak within the tolerance.
    low_pass = signal.firwin(769, 22 / 48 * rate_hz, window=("kaiser", 9.0), fs=4 * rate_hz)
    return signal.fftconvolve(line, low_pass, mode="same")


def stereo(parts, rate_hz):
    """Return a stepping 1 kHz sine in both channels, in phase."""
    return signals.steps([part for part in parts if part[1] > 0], 1000, rate_hz, channels=2)


def metered(audio):
    """Run the loudness meter over `audio`."""
    meter = LoudnessMeter(audio.rate_hz, audio.channels)
    for block in audio.blocks():
        meter.push(block)
    return meter


# ------------------------------------------------------------------------------------------------------------ the table


def _loudness_row(case, rate_hz, nominal, exact, measured, tolerance=0.1, unit="LUFS"):
    return Row(case, rate_hz, unit, nominal, tolerance, tolerance, exact, measured, 0.01)


def _worst(case, rate_hz, triples):
    """Return the row of the signal whose reading is furthest from its nominal value."""
    nominal, exact, measured = max(triples, key=lambda triple: abs(triple[2] - triple[0]))
    return _loudness_row(case, rate_hz, float(nominal), float(exact), float(measured))


def integrated_rows(rate_hz):
    """Cases 1 to 6 of Tech 3341."""
    for number in (1, 2):
        level = STEPS[number][0][0]
        meter = metered(stereo(STEPS[number], rate_hz))
        exact = level - 0.691 + k_gain_db(1000)
        momentary, short = meter.momentary().value[40:], meter.short_term().value
        yield _worst(f"Tech 3341 #{number} M", rate_hz, [(level, exact, v) for v in momentary])
        yield _worst(f"Tech 3341 #{number} S", rate_hz, [(level, exact, v) for v in short])
        yield _loudness_row(f"Tech 3341 #{number} I", rate_hz, level, exact, meter.integrated_lufs())
    for number in (3, 4, 5):
        measured = metered(stereo(STEPS[number], rate_hz)).integrated_lufs()
        yield _loudness_row(f"Tech 3341 #{number} I", rate_hz, -23.0, ideal_integrated(STEPS[number]), measured)
    weights = (1.0, 1.0, 1.0, 1.41, 1.41)
    power = sum(w * 10 ** (level / 10) / 2 for w, level in zip(weights, FIVE_LEVELS, strict=True))
    exact = -0.691 + k_gain_db(1000) + 10 * math.log10(power)
    yield _loudness_row("Tech 3341 #6 I", rate_hz, -23.0, exact, metered(five_channels(rate_hz)).integrated_lufs())


def sliding_rows(rate_hz):
    """Cases 9 to 14 of Tech 3341."""
    for number, window_s, after_s, name in ((9, 3.0, 3.0, "S"), (12, 0.4, 1.0, "M")):
        meter = metered(stereo(STEPS[number], rate_hz))
        series = meter.short_term() if name == "S" else meter.momentary()
        ends, ideal = ideal_windows(STEPS[number], window_s, 0.01)
        steady = series.time_s >= after_s - 1e-9
        triples = [(-23.0, e, m) for e, m in zip(ideal[ends >= after_s - 1e-9], series.value[steady], strict=True)]
        yield _worst(f"Tech 3341 #{number} {name}", rate_hz, triples)
    for number, window_s, late_s, name in ((10, 3.0, 0.15, "S"), (13, 0.4, 0.02, "M")):
        triples = []
        for index in range(20):
            parts = late_file(index, late_s, window_s)
            meter = metered(stereo(parts, rate_hz))
            series = meter.short_term() if name == "S" else meter.momentary()
            triples.append((-23.0, ideal_windows(parts, window_s, 0.01)[1].max(), series.highest))
        yield _worst(f"Tech 3341 #{number} max {name}, 20 files", rate_hz, triples)
    for number, window_s, late_s, name in ((11, 3.0, 0.15, "S"), (14, 0.4, 0.02, "M")):
        parts = rising_file(late_s, window_s)
        meter = metered(stereo(parts, rate_hz))
        series = meter.short_term() if name == "S" else meter.momentary()
        ends, ideal = ideal_windows(parts, window_s, 0.01)
        unit = np.ceil(ends / (2 * window_s) - 1e-6).astype(int) - 1
        triples = [(-38.0 + i, ideal[unit == i].max(), series.value[unit == i].max()) for i in range(20)]
        yield _worst(f"Tech 3341 #{number} max {name}, 20 steps", rate_hz, triples)


def range_rows(rate_hz):
    """Cases 1 to 4 of Tech 3342."""
    for number, (parts, nominal) in RANGE_STEPS.items():
        measured = metered(stereo(parts, rate_hz)).range_lu()
        yield Row(f"Tech 3342 #{number}", rate_hz, "LU", nominal, 1.0, 1.0, ideal_range(parts), measured, 0.03)


def true_peak_rows(rate_hz):
    """Cases 15 to 23 of Tech 3341."""
    cases = ((15, 4, 0.5, 0.0), (16, 4, 0.5, 45.0), (17, 6, 0.5, 60.0), (18, 8, 0.5, 67.5), (19, 4, 1.41, 45.0))
    for number, divisor, amplitude, phase_deg in cases:
        line = amplitude * np.sin(2 * np.pi * (np.arange(rate_hz) / divisor + phase_deg / 360))
        audio = Audio(np.repeat(faded(line, rate_hz)[:, np.newaxis], 2, axis=1), rate_hz)
        exact = 20 * math.log10(amplitude)
        nominal, measured = float(round(exact)), true_peak_dbtp(audio)
        yield Row(f"Tech 3341 #{number} true peak", rate_hz, "dBTP", nominal, 0.4, 0.2, exact, measured, 0.05)
    line = corner_at_four_times(rate_hz)
    around = slice(line.size // 2 - 4000, line.size // 2 + 4000)
    exact = 20 * math.log10(np.abs(signal.resample_poly(line[around], 16, 1)).max())
    for offset in range(4):
        audio = Audio(line[offset::4].copy(), rate_hz)
        case = f"Tech 3341 #{20 + offset} true peak"
        yield Row(case, rate_hz, "dBTP", 0.0, 0.4, 0.2, exact, true_peak_dbtp(audio), 0.1)


def anchor_rows(rate_hz):
    """Anchors of BS.1770 and AES17, and the K curve."""
    sine = 10 * math.log10(0.5) - 0.691 + k_gain_db(997)
    for name, layout, nominal in (
        ("L", "10000", -3.01),
        ("R", "01000", -3.01),
        ("C", "00100", -3.01),
        ("L and R", "11000", 0.0),
    ):
        gains = np.array([float(digit) for digit in layout])
        audio = Audio(signals.tone(997, 0.0, 10.0, rate_hz).samples * gains, rate_hz)
        exact = sine + 10 * math.log10(gains.sum())
        measured = metered(audio).integrated_lufs()
        tolerance = 0.005 if rate_hz == 48000 else 0.02
        yield _loudness_row(f"BS.1770 997 Hz, 0 dBFS in {name}", rate_hz, nominal, exact, measured, tolerance)
    calibration = signals.tone(1000, -18.0, 10.0, rate_hz, channels=2)
    exact = -18.691 + k_gain_db(1000)  # worked by hand: −0.691 − 18 (mean square of both channels) + K at 1 kHz
    yield _loudness_row("Tech 3341 2.9, −18 dBFS, 1 kHz", rate_hz, -18.0, exact, metered(calibration).integrated_lufs())
    # Worked by hand: the response of the two filters tabulated in ITU-R BS.1770-5, Annex 1, at 48 kHz.
    published = {25: -10.393, 100: -1.133, 500: 0.042, 1000: 0.698, 2000: 3.071, 10000: 4.042}
    for frequency_hz, nominal in published.items():
        audio = signals.tone(frequency_hz, 0.0, 3.0, rate_hz)
        settled = k_weighted(audio.samples, rate_hz)[rate_hz:]
        measured = 10 * math.log10(2 * np.mean(settled**2))
        tolerance = 0.002 if rate_hz == 48000 else 0.02
        case, exact = f"BS.1770 K curve, {frequency_hz} Hz", k_gain_db(frequency_hz)
        yield Row(case, rate_hz, "dB", nominal, tolerance, tolerance, exact, measured, 0.01)
    sine, square = signals.tone(997, 0.0, 1.0, rate_hz), signals.waveform("square", rate_hz / 400, 0.0, 1.0, rate_hz)
    yield Row("AES17 full-scale sine, RMS", rate_hz, "dBFS", 0.0, 0.01, 0.01, 0.0, rms_dbfs(sine), 1e-6)
    exact = 10 * math.log10(2)
    yield Row("AES17 full-scale square, RMS", rate_hz, "dBFS", 3.01, 0.01, 0.01, exact, rms_dbfs(square), 1e-3)
    yield Row("AES17 full-scale sine, peak", rate_hz, "dBFS", 0.0, 0.01, 0.01, 0.0, sample_peak_dbfs(sine), 1e-3)


def needle_rows(rate_hz):
    """VU: rise, overshoot, fall and rectifier; IEC 60268-17 from memory."""
    needle = vu_needle(signals.steps([(-18.0, 2.0), (None, 1.0)], 1000, rate_hz))
    share = 10 ** (needle.value / 20)
    exact = 1000 * optimize.brentq(lambda t: movement_step(t) - 0.99, 0.2, 0.35)
    rise = 1000 * needle.time_s[np.argmax(share >= 0.99)]
    yield Row("IEC 60268-17 VU rise to 99 %", rate_hz, "ms", 300.0, 30.0, 30.0, exact, rise, 4.0)
    exact = 100 * (movement_step(np.linspace(0.3, 0.6, 3001)).max() - 1)
    measured = 100 * (share.max() - 1)
    yield Row("IEC 60268-17 VU overshoot", rate_hz, "%", 1.25, 0.25, 0.25, exact, measured, 0.15)
    exact = 1000 * optimize.brentq(lambda t: movement_step(t) - 0.99, 0.2, 0.35)
    fallen = 1000 * (needle.time_s[2000 + np.argmax(share[2000:] <= 0.01)] - 2.0)
    yield Row("IEC 60268-17 VU fall to 1 %", rate_hz, "ms", 300.0, 30.0, 30.0, exact, fallen, 4.0)
    form = math.pi / (2 * math.sqrt(2))
    noise = 10 ** (vu_needle(signals.white_noise(-18.0, 20.0, rate_hz)).value[1000:] / 20)
    exact = 20 * math.log10(math.sqrt(2 / math.pi) * form)
    measured = 20 * math.log10(noise.mean())
    yield Row("VU, Gaussian noise against RMS", rate_hz, "VU", -1.05, 0.05, 0.05, exact, measured, 0.02)
    square = vu_needle(signals.waveform("square", rate_hz / 400, -18.0, 2.0, rate_hz))
    exact = 20 * math.log10(form * math.sqrt(2))
    measured = float(square.value[-1])
    yield Row("VU, square wave against its peak", rate_hz, "VU", 3.92, 0.02, 0.02, exact, measured, 0.01)


# Burst in ms: nominal in dB, tolerance below and above. Type I but for 5 ms, and all tolerances: from memory.
BURSTS = {
    "I": (
        (1.36e-3,),
        20 / 1.7,
        {10: (-1.0, 0.5, 0.5), 5: (-2.0, 1.0, 1.0), 3: (-4.0, 1.0, 1.0), 0.4: (-15.0, 4.0, 4.0)},
    ),
    "II": (
        (1.116e-3, 4.935e-3),
        24 / 2.8,
        {
            100: (0.0, 0.5, 0.5),
            10: (-2.0, 1.0, 0.5),
            5: (-4.0, 0.75, 0.75),
            1.5: (-9.0, 1.0, 1.0),
            0.5: (-17.0, 2.0, 2.0),
        },
    ),
}
RETURNS = {"I": (20.0, 1.7, 0.3, 0.3), "II": (24.0, 2.8, 0.3, 0.3)}


def quasi_peak_rows(rate_hz):
    """Quasi-peak types I and II: steady reading, bursts and return."""
    for kind, (charge_s, fall, bursts) in BURSTS.items():
        steady = charged(400, charge_s, fall)
        for burst_ms, (nominal, below, above) in bursts.items():
            audio = signals.burst(5000, -10.0, burst_ms / 1000, before_s=0.01, after_s=0.02, rate_hz=rate_hz)
            exact = 20 * math.log10(charged(burst_ms, charge_s, fall) / steady)
            measured = quasi_peak(audio, kind).highest + 10.0
            case = f"IEC 60268-10 type {kind}, {burst_ms:g} ms"
            yield Row(case, rate_hz, "dB", nominal, below, above, exact, measured, 0.1)
        drop_db, nominal, below, above = RETURNS[kind]
        series = quasi_peak(signals.burst(1000, -10.0, 0.5, before_s=0.0, after_s=3.5, rate_hz=rate_hz), kind)
        after = series.time_s > 0.5
        measured = series.time_s[after][np.argmax(series.value[after] <= -10.0 - drop_db)] - 0.5
        case = f"IEC 60268-10 type {kind}, return {drop_db:g} dB"
        yield Row(case, rate_hz, "s", nominal, below, above, nominal, measured, 0.02)
        measured = float(series.value[~after][-1]) + 10.0
        yield Row(f"IEC 60268-10 type {kind}, steady sine", rate_hz, "dB", 0.0, 0.1, 0.1, 0.0, measured, 0.05)


GROUPS = (
    integrated_rows,
    sliding_rows,
    true_peak_rows,
    range_rows,
    anchor_rows,
    needle_rows,
    quasi_peak_rows,
)


@lru_cache(maxsize=len(RATES_HZ))
def rows(rate_hz):
    """Run every case at one rate, once."""
    return tuple(row for group in GROUPS for row in group(rate_hz))


def table(of_rows):
    """Return the table as text."""
    not_run = [f"{case:<34} not run: {reason}, audio not ours to ship" for case, reason in NOT_RUN.items()]
    return "\n".join([HEADER, *map(str, of_rows), *not_run])


if __name__ == "__main__":
    print(table([row for rate in RATES_HZ for row in rows(rate)]))
