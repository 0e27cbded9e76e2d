"""K-weighting and channel weights: how BS.1770 hears the spectrum and the room.

Sources: ITU-R BS.1770-4 Annex 1, Tables 1 to 3; BS.1770-5 Annex 3 for rear channels.

The two filters are tabulated for 48 kHz only; at other rates the response must match. Each is taken back to the
continuous prototype the table stands for. From 44.1 kHz up it comes to the new rate by the bilinear transform with its
corner frequency held and the numerator scaled along, within 0.01 dB of the table. Below 44.1 kHz that transform bends
the shelf by up to 0.3 dB; there the poles are carried over as they are and the numerator is fitted to the tabulated
magnitude, within 0.03 dB at 8 kHz and 0.01 dB from 11 kHz up.
"""

import math
from functools import lru_cache

import numpy as np

from gainlib import kernels_meters
from gainlib.audio.types import checked_block, checked_run
from gainlib.errors import GainlibError

TABLE_RATE_HZ = 48000
SHELF_48K = (1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585)
HIGH_PASS_48K = (1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621)
LOWEST_BILINEAR_HZ = 44100
SURROUND_WEIGHT = 1.41

# L R C LFE and surrounds in the order of the WAVE channel mask; at the rear (135 degrees and beyond) the weight is 1.
_WEIGHTS = {
    1: (1.0,),
    2: (1.0, 1.0),
    3: (1.0, 1.0, 1.0),
    4: (1.0, 1.0, SURROUND_WEIGHT, SURROUND_WEIGHT),
    5: (1.0, 1.0, 1.0, SURROUND_WEIGHT, SURROUND_WEIGHT),
    6: (1.0, 1.0, 1.0, 0.0, SURROUND_WEIGHT, SURROUND_WEIGHT),
    7: (1.0, 1.0, 1.0, 0.0, 1.0, SURROUND_WEIGHT, SURROUND_WEIGHT),
    8: (1.0, 1.0, 1.0, 0.0, 1.0, 1.0, SURROUND_WEIGHT, SURROUND_WEIGHT),
}


def channel_weights(channels: int) -> np.ndarray:
    """Return the weight of each channel's power in the loudness sum.

    Parameters
    ----------
    channels : int
        1 to 8: mono; L R; L R C; L R Ls Rs; L R C Ls Rs; L R C LFE Ls Rs; L R C LFE, rear, Ls Rs; L R C LFE, two
        rears, Ls Rs.

    Returns
    -------
    array, shape (channels,)
        1.0 in front, 1.41 at the sides, 0.0 for LFE, 1.0 at the rear (BS.1770-5 Annex 1 Table 3 and Annex 3).

    Examples
    --------
    >>> channel_weights(6)
    array([1.  , 1.  , 1.  , 0.  , 1.41, 1.41])
    """
    if channels not in _WEIGHTS:
        raise GainlibError(f"{channels} channels; 1 to 8 have weights")
    return np.array(_WEIGHTS[channels])


@lru_cache(maxsize=32)
def k_coefficients(rate_hz: int) -> np.ndarray:
    """Return ``b0 b1 b2 a1 a2`` of both K-weighting filters at a sample rate, shape (10,), read-only."""
    if rate_hz == TABLE_RATE_HZ:
        shelf, high_pass = SHELF_48K, HIGH_PASS_48K
    else:
        shelf = (_bilinear if rate_hz >= LOWEST_BILINEAR_HZ else _fitted)(SHELF_48K, rate_hz)
        high_pass = _bilinear(HIGH_PASS_48K, rate_hz)
    both = np.array([*shelf, *high_pass])
    both.flags.writeable = False
    return both


def _prototype(section):
    """Return numerator and denominator of a 48 kHz section in powers of s / corner, and the corner in rad/s."""
    b0, b1, b2, a1, a2 = section
    # z⁻¹ = (1 − u) / (1 + u) with u = tan(ω/2); at the corner the denominator's outer terms are equal.
    numerator = np.array([b0 + b1 + b2, 2 * (b0 - b2), b0 - b1 + b2])
    denominator = np.array([1 + a1 + a2, 2 * (1 - a2), 1 - a1 + a2])
    corner = math.sqrt(denominator[0] / denominator[2])
    powers = corner ** np.arange(3)
    return numerator * powers, denominator * powers, 2.0 * TABLE_RATE_HZ * math.atan(corner)


def _bilinear(section, rate_hz):
    numerator, denominator, corner = _prototype(section)
    powers = math.tan(corner / (2.0 * rate_hz)) ** -np.arange(3.0)
    b, a = numerator * powers, denominator * powers
    b, a = ([c[0] + c[1] + c[2], 2 * (c[0] - c[2]), c[0] - c[1] + c[2]] for c in (b, a))
    return *(np.array(b) / a[0]), a[1] / a[0], a[2] / a[0]


def _fitted(section, rate_hz):
    _, denominator, corner = _prototype(section)
    poles = np.exp(np.roots(denominator[::-1] / denominator[2]) * corner / rate_hz)
    a = np.real(np.poly(poles))
    angle = np.linspace(0.0, np.pi, 200)
    wanted = _squared(section[:3], angle * rate_hz / TABLE_RATE_HZ) * _squared(a, angle)
    wanted /= _squared((1.0, *section[3:]), angle * rate_hz / TABLE_RATE_HZ)
    # |B|² is a sum of cosines: least squares of the relative error, then the half of its zeros inside the circle.
    cosines = np.stack([np.ones_like(angle), 2 * np.cos(angle), 2 * np.cos(2 * angle)], axis=1)
    r0, r1, r2 = np.linalg.lstsq(cosines / wanted[:, np.newaxis], np.ones_like(angle), rcond=None)[0]
    zeros = sorted(np.roots([r2, r1, r0, r1, r2]), key=abs)[:2]
    b = np.real(np.poly(zeros))
    return *(b * math.sqrt(r0 / (b @ b))), a[1], a[2]


def _squared(polynomial, angle):
    """Return the squared magnitude of a polynomial in z⁻¹ on the unit circle."""
    return np.abs(np.polyval(polynomial[::-1], np.exp(-1j * angle))) ** 2


class KFilter:
    """K-weighting at work: call it with block after block; the filters' memory is carried on.

    Parameters
    ----------
    rate_hz : int
        Sample rate.
    channels : int
        Number of channels.
    """

    def __init__(self, rate_hz: int, channels: int):
        rate_hz, self._channels = checked_run(rate_hz, channels)
        self._coefficients = k_coefficients(rate_hz)
        self._state = np.zeros((channels, 4))

    def __call__(self, block: np.ndarray) -> np.ndarray:
        """Return the weighted block, float64, shape (frames, channels)."""
        block = checked_block(block, self._channels)
        out = np.empty(block.shape)
        kernels_meters.two_biquads(block, self._coefficients, self._state, out)
        return out


def k_weighted(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    """Weight samples by the K curve of BS.1770-4 Annex 1, the filters starting at rest.

    Parameters
    ----------
    samples : array, shape (frames,) or (frames, channels)
        Samples in.
    rate_hz : int
        Sample rate.

    Returns
    -------
    array, float64, same shape
        Weighted samples; linear in the input. No channel weight is applied.
    """
    weighted = KFilter(rate_hz, 1 if np.ndim(samples) == 1 else samples.shape[1])(samples)
    return weighted[:, 0] if np.ndim(samples) == 1 else weighted
