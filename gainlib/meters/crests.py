"""The highest crest of a signal under the glass: its samples, and the curve that they stand for.

Source: ITU-R BS.1770-4 Annex 2: the true peak is looked for on an interpolated signal, by the interpolator of
:mod:`gainlib.meters.peak`; here the same interpolator, four times finer.
"""

from dataclasses import dataclass

import numpy as np

from gainlib.audio import Audio
from gainlib.errors import GainlibError
from gainlib.meters.peak import TAPS, WINDOW_BETA, interpolator, windowed_sinc

FINER = 4
_BLOCK = 256
_SAME = 1e-4  # 0.001 dB


@dataclass(frozen=True, eq=False)
class Crest:
    """The samples around the highest crest, and the curve through them.

    Parameters
    ----------
    time_s : array, shape (2 · reach + 1,)
        When the samples are, from the start of the signal.
    samples : array, same shape
        Their values, full scale 1.
    curve_time_s, curve : array, shape (points,)
        The curve from the first to the last of these samples; it passes through all of them.
    peak_time_s, peak : float
        Where the crest is on the grid of the true-peak meter, and its value with its sign.
    channel : int
        Which channel, counted from 0.
    """

    time_s: np.ndarray
    samples: np.ndarray
    curve_time_s: np.ndarray
    curve: np.ndarray
    peak_time_s: float
    peak: float
    channel: int


def highest_crest(audio: Audio, reach: int = 12) -> Crest:
    """Return the surroundings of a signal's true peak.

    Parameters
    ----------
    audio : Audio
        What is looked at; of several crests within 0.001 dB of the highest the first is taken.
    reach : int
        Samples to either side of the crest; beyond the ends of the signal stands silence.

    Returns
    -------
    Crest

    Examples
    --------
    >>> from gainlib.signals import tone
    >>> crest = highest_crest(tone(12000, 0.0, 0.01, phase_deg=45))
    >>> round(float(abs(crest.samples).max()), 3), round(abs(crest.peak), 1)
    (0.707, 1.0)
    """
    if reach < 1:
        raise GainlibError(f"a reach of {reach} samples shows no crest; give 1 or more")
    meter = interpolator(audio.rate_hz)
    padded = meter.pad(audio.samples)
    heights = meter.block_peaks(padded, _BLOCK)
    block, channel = np.argwhere(heights >= heights.max() * (1.0 - _SAME))[0]
    start = int(block) * _BLOCK
    points = meter.between(padded[start : start + _BLOCK + TAPS - 1, channel : channel + 1])[:, 0]
    magnitudes = np.abs(points)
    place = int(np.argmax(magnitudes >= magnitudes.max() * (1.0 - _SAME)))
    at = start + place / meter.factor
    centre = round(at)
    wide = np.pad(audio.samples[:, channel].astype(np.float64), reach + TAPS)[centre : centre + 2 * (reach + TAPS) + 1]
    fine = FINER * meter.factor
    rows = windowed_sinc(fine, TAPS, WINDOW_BETA)
    windows = np.lib.stride_tricks.sliding_window_view(wide, TAPS)
    first = TAPS - meter.before  # the window whose eighth tap is the first sample shown
    curve = (windows[first : first + 2 * reach + 1] @ rows.T).ravel()[: 2 * reach * fine + 1]
    frames = centre + np.arange(-reach, reach + 1)
    return Crest(
        time_s=frames / audio.rate_hz,
        samples=wide[TAPS : TAPS + 2 * reach + 1].copy(),
        curve_time_s=(frames[0] + np.arange(len(curve)) / fine) / audio.rate_hz,
        curve=curve,
        peak_time_s=at / audio.rate_hz,
        peak=float(points[place]),
        channel=int(channel),
    )
