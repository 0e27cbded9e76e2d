"""Pan laws: how much of a strip goes left and right.

Mono, with p from −1 (left) to +1 (right) and θ = (p + 1)·π/4:

- −3: sine/cosine, L = cos θ, R = sin θ: constant power, −3.01 dB a side in the centre.
- −6: linear, L = (1 − p)/2, R = (1 + p)/2: constant sum, −6.02 dB in the centre.
- −4.5: the geometric mean of these two, L = √(cos θ · (1 − p)/2): −4.52 dB in the centre.
- 0: L = min(1, 1 − p), R = min(1, 1 + p): both full in the centre, the far side attenuated.

Stereo is balanced by the law for 0 whatever the session's law. No standard fixes a pan law; these are common practice.
"""

import math

import numpy as np

from gainlib.audio import GainlibError

PAN_LAWS_DB = (-3.0, 0.0, -4.5, -6.0)


def pan_pair(pan: float, pan_law_db: float, channels: int) -> tuple[float, float]:
    """Return the gains of the left and the right output channel.

    Parameters
    ----------
    pan : float
        −1 … +1.
    pan_law_db : {−3, 0, −4.5, −6}
        Used for mono only; stereo is balanced.
    channels : {1, 2}

    Returns
    -------
    left, right : float
    """
    balance = min(1.0, 1.0 - pan), min(1.0, 1.0 + pan)
    if channels == 2 or pan_law_db == 0.0:
        return balance
    power = math.sin((1.0 - pan) * math.pi / 4), math.sin((1.0 + pan) * math.pi / 4)
    linear = (1.0 - pan) / 2, (1.0 + pan) / 2
    if pan_law_db == -3.0:
        return power
    if pan_law_db == -6.0:
        return linear
    if pan_law_db == -4.5:
        return math.sqrt(power[0] * linear[0]), math.sqrt(power[1] * linear[1])
    raise GainlibError(f"pan law {pan_law_db!r} dB; there is 0, −3, −4.5 and −6")


def pan_gains(pan: float, pan_law_db: float = -3.0, channels: int = 1) -> np.ndarray:
    """Return the matrix that takes `channels` to left and right.

    Parameters
    ----------
    pan : float
        −1 … +1.
    pan_law_db : {−3, 0, −4.5, −6}
    channels : {1, 2}

    Returns
    -------
    gains : array, shape (2, channels)
        Diagonal for stereo: a balance moves nothing across.

    Examples
    --------
    >>> pan_gains(0).round(4).tolist()
    [[0.7071], [0.7071]]
    >>> pan_gains(0.5, channels=2).tolist()
    [[0.5, 0.0], [0.0, 1.0]]
    """
    return spread(pan_pair(pan, pan_law_db, channels), channels)


def spread(pair: tuple[float, float], channels: int) -> np.ndarray:
    """Return a pair of left and right gains as a matrix of shape (2, channels)."""
    return np.array([[pair[0]], [pair[1]]]) if channels == 1 else np.diag(np.array(pair, dtype=float))
