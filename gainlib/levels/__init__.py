"""Decibel arithmetic: ratios, sums, analogue and digital levels, microphones, noise.

Conventions
-----------
- 0 dBu is √0.6 V = 0.7746 V (1 mW in 600 Ω), 0 dBV is 1 V; all voltages are RMS.
- dBFS is sine-referred: a sine of full scale reads 0 dBFS (AES17), so K, the analogue level of 0 dBFS, is the level of
  a full-scale sine.
- Sound pressure levels are re 20 µPa. 1 Pa counts as 94 dB SPL (exactly 93.98), as makers' data do.
- Every function takes a number or an array and gives the same shape back; −inf is silence, NaN an error.

Contents
--------
- ratios: :func:`db_to_ratio`, :func:`ratio_to_db`, :func:`sum_levels_db`
- analogue: :func:`dbu_to_volts`, :func:`volts_to_dbu`, :func:`dbv_to_dbu`, :func:`dbu_to_dbv`
- alignment: :func:`dbfs_to_dbu`, :func:`dbu_to_dbfs`
- microphones: :func:`microphone_dbu`, :func:`sensitivity_db`, :func:`spl_to_pascal`
- noise: :func:`thermal_noise_volts`, :func:`thermal_noise_dbu`, :func:`noise_figure_db`

Sources
-------
Handbook formulas. 0 dBu: IEC 60027-3, from memory. Boltzmann constant: SI, exact since 2019. Sums of levels:
textbook power and voltage addition.
"""

import numpy as np
from numpy.typing import ArrayLike

from gainlib.errors import GainlibError

DBU_VOLTS = 0.6**0.5
BOLTZMANN = 1.380649e-23
REFERENCE_PASCAL = 20e-6
_PASCAL_SPL = 94.0


def db_to_ratio(level_db: ArrayLike) -> float | np.ndarray:
    """Turn a level difference into a voltage or sample ratio, 10^(L/20).

    Parameters
    ----------
    level_db : number or array
        Decibels; −inf gives 0.

    Returns
    -------
    float or array
        The ratio, 0 or above.

    Raises
    ------
    GainlibError
        For NaN or what is no number.

    Examples
    --------
    >>> round(db_to_ratio(6.0206), 4), db_to_ratio(float("-inf"))
    (2.0, 0.0)
    """
    return _plain(10.0 ** (_numbers(level_db, "level") / 20.0))


def ratio_to_db(ratio: ArrayLike) -> float | np.ndarray:
    """Turn a voltage or sample ratio into decibels, 20·log₁₀(r).

    Parameters
    ----------
    ratio : number or array
        0 or above; 0 gives −inf. Polarity is no level: take the magnitude first.

    Returns
    -------
    float or array
        Decibels.

    Raises
    ------
    GainlibError
        For a negative ratio, NaN or what is no number.

    Examples
    --------
    >>> round(ratio_to_db(0.5), 4), ratio_to_db(0)
    (-6.0206, -inf)
    """
    return _plain(20.0 * _log10(_positive(ratio, "ratio")))


def sum_levels_db(levels_db: ArrayLike, correlation: float = 0.0) -> float:
    """Add signals of given levels that are all equally alike.

    10·log₁₀(Σ 10^(Li/10) + 2ρ · Σ over pairs of 10^((Li + Lj)/20)).

    Parameters
    ----------
    levels_db : array, shape (n,)
        Levels in one unit; −inf adds nothing.
    correlation : float
        ρ of each pair, −1 to 1: 0 adds powers, 1 adds voltages, −1 subtracts two.

    Returns
    -------
    float
        The level of the sum, −inf for nothing at all.

    Raises
    ------
    GainlibError
        For ρ outside −1 to 1, or so negative that so many signals cannot have it.

    Examples
    --------
    >>> round(sum_levels_db([-20, -20]), 2), round(sum_levels_db([-20, -20], correlation=1), 2)
    (-16.99, -13.98)
    >>> sum_levels_db([-20, -20], correlation=-1)
    -inf
    """
    levels = _numbers(levels_db, "level").ravel()
    rho = float(_numbers(correlation, "correlation"))
    if not -1.0 <= rho <= 1.0:
        raise GainlibError(f"a correlation of {rho:g}; it must lie from −1 to 1")
    loudest = levels.max(initial=-np.inf)
    if not np.isfinite(loudest):
        return float(loudest)
    volts = 10.0 ** ((levels - loudest) / 20.0)  # re the loudest, so that no level is too high to be squared
    power = (1.0 - rho) * np.sum(volts**2) + rho * np.sum(volts) ** 2
    if power < -1e-9 * len(volts):
        raise GainlibError(f"{len(volts)} signals cannot all have a correlation of {rho:g} with each other; give more")
    return float(loudest + 10.0 * _log10(power)) if power > 1e-15 * len(volts) else -np.inf


# ---- voltages, alignment, microphones and noise ----------------------------------------------------------------------


def dbu_to_volts(level_dbu: ArrayLike) -> float | np.ndarray:
    """Turn dBu into volts RMS; 0 dBu is √0.6 V.

    Parameters
    ----------
    level_dbu : number or array
        dBu; −inf gives 0 V.

    Returns
    -------
    float or array
        Volts RMS.

    Examples
    --------
    >>> round(dbu_to_volts(4), 4)
    1.2277
    """
    return _plain(DBU_VOLTS * 10.0 ** (_numbers(level_dbu, "level") / 20.0))


def volts_to_dbu(volts: ArrayLike) -> float | np.ndarray:
    """Turn volts RMS into dBu; 0 dBu is √0.6 V.

    Parameters
    ----------
    volts : number or array
        0 or above; 0 gives −inf.

    Returns
    -------
    float or array
        dBu.

    Raises
    ------
    GainlibError
        For a negative voltage.

    Examples
    --------
    >>> round(volts_to_dbu(0.3162), 2)
    -7.78
    """
    return _plain(20.0 * _log10(_positive(volts, "voltage") / DBU_VOLTS))


def dbv_to_dbu(level_dbv: ArrayLike) -> float | np.ndarray:
    """Turn dBV into dBu; 1 V is 2.218 dBu.

    Parameters
    ----------
    level_dbv : number or array
        dB re 1 V.

    Returns
    -------
    float or array
        dBu.

    Examples
    --------
    >>> round(dbv_to_dbu(-10), 2)
    -7.78
    """
    return _plain(_numbers(level_dbv, "level") - 20.0 * np.log10(DBU_VOLTS))


def dbu_to_dbv(level_dbu: ArrayLike) -> float | np.ndarray:
    """Turn dBu into dBV; 0 dBu is −2.218 dBV.

    Examples
    --------
    >>> round(dbu_to_dbv(4), 3)
    1.782
    """
    return _plain(_numbers(level_dbu, "level") + 20.0 * np.log10(DBU_VOLTS))


def dbfs_to_dbu(level_dbfs: ArrayLike, full_scale_dbu: float = 18.0) -> float | np.ndarray:
    """Give the analogue level of a digital one.

    Parameters
    ----------
    level_dbfs : number or array
        Sine-referred dBFS.
    full_scale_dbu : float
        K, the level of a full-scale sine: +18 dBu in EBU R 68, +24 dBu with SMPTE RP 155 at +4 dBu.

    Returns
    -------
    float or array
        dBu.

    Examples
    --------
    >>> dbfs_to_dbu(-18), dbfs_to_dbu(-20, full_scale_dbu=24)
    (0.0, 4.0)
    """
    return _plain(_numbers(level_dbfs, "level") + _finite(full_scale_dbu, "full-scale level"))


def dbu_to_dbfs(level_dbu: ArrayLike, full_scale_dbu: float = 18.0) -> float | np.ndarray:
    """Give the digital level of an analogue one; the reverse of :func:`dbfs_to_dbu`.

    Parameters
    ----------
    level_dbu : number or array
        dBu.
    full_scale_dbu : float
        K, the level of a full-scale sine.

    Returns
    -------
    float or array
        Sine-referred dBFS.

    Examples
    --------
    >>> dbu_to_dbfs(4, full_scale_dbu=22)
    -18.0
    """
    return _plain(_numbers(level_dbu, "level") - _finite(full_scale_dbu, "full-scale level"))


def microphone_dbu(spl_db: ArrayLike, sensitivity_volts: ArrayLike) -> float | np.ndarray:
    """Give a microphone's output level without load, 20·log₁₀(S / 0.7746 V) + SPL − 94.

    Parameters
    ----------
    spl_db : number or array
        Sound pressure level at the microphone.
    sensitivity_volts : number or array
        S in volts per pascal; 20 mV/Pa is 0.020.

    Returns
    -------
    float or array
        dBu.

    Examples
    --------
    >>> round(microphone_dbu(94, 0.020), 2)
    -31.76
    """
    return _plain(
        20.0 * _log10(_positive(sensitivity_volts, "sensitivity") / DBU_VOLTS) + _numbers(spl_db, "level") - _PASCAL_SPL
    )


def sensitivity_db(sensitivity_volts: ArrayLike) -> float | np.ndarray:
    """Turn a sensitivity in volts per pascal into decibels re 1 V/Pa, as data sheets give it; a negative one raises.

    Examples
    --------
    >>> round(sensitivity_db(0.050), 1)
    -26.0
    """
    return _plain(20.0 * _log10(_positive(sensitivity_volts, "sensitivity")))


def spl_to_pascal(spl_db: ArrayLike) -> float | np.ndarray:
    """Turn a sound pressure level re 20 µPa into pascals RMS.

    Examples
    --------
    >>> round(spl_to_pascal(94), 4)
    1.0024
    """
    return _plain(REFERENCE_PASCAL * 10.0 ** (_numbers(spl_db, "level") / 20.0))


def thermal_noise_volts(
    resistance_ohm: ArrayLike, bandwidth_hz: float = 20_000.0, temperature_k: float = 290.0
) -> float | np.ndarray:
    """Give the noise voltage of a resistance, √(4·k·T·R·B).

    Parameters
    ----------
    resistance_ohm : number or array
        R, 0 or above.
    bandwidth_hz : float
        B.
    temperature_k : float
        T in kelvin.

    Returns
    -------
    float or array
        Volts RMS.

    Examples
    --------
    >>> f"{thermal_noise_volts(150):.3g}"
    '2.19e-07'
    """
    resistance = _positive(resistance_ohm, "resistance")
    bandwidth, temperature = _positive(bandwidth_hz, "bandwidth"), _positive(temperature_k, "temperature")
    return _plain(np.sqrt(4.0 * BOLTZMANN * temperature * resistance * bandwidth))


def thermal_noise_dbu(
    resistance_ohm: ArrayLike, bandwidth_hz: float = 20_000.0, temperature_k: float = 290.0
) -> float | np.ndarray:
    """Give the noise level of a resistance, 20·log₁₀(√(4·k·T·R·B) / 0.7746 V).

    Parameters
    ----------
    resistance_ohm, bandwidth_hz, temperature_k
        As in :func:`thermal_noise_volts`.

    Returns
    -------
    float or array
        dBu.

    Examples
    --------
    >>> round(thermal_noise_dbu(150), 2), round(thermal_noise_dbu(150, temperature_k=300), 2)
    (-130.96, -130.82)
    """
    return volts_to_dbu(thermal_noise_volts(resistance_ohm, bandwidth_hz, temperature_k))


def noise_figure_db(ein_dbu: ArrayLike, source_noise_dbu: ArrayLike) -> float | np.ndarray:
    """Give how much a preamplifier adds to the noise of its source: equivalent input noise less source noise.

    Parameters
    ----------
    ein_dbu : number or array
        Equivalent input noise: output noise less gain, measured with the source in place.
    source_noise_dbu : number or array
        Thermal noise of that source in the same bandwidth.

    Returns
    -------
    float or array
        Decibels.

    Examples
    --------
    >>> round(noise_figure_db(-128, thermal_noise_dbu(150)), 2)
    2.96
    """
    return _plain(_numbers(ein_dbu, "level") - _numbers(source_noise_dbu, "level"))


# ---- what comes in ---------------------------------------------------------------------------------------------------


def _numbers(value: ArrayLike, what: str) -> np.ndarray:
    """Return `value` as float64, or raise with `what` it was meant to be: NaN, text and truth values are no numbers."""
    array = np.asarray(list(value) if hasattr(value, "__next__") else value)
    if array.size and (array.dtype.kind not in "iuf" or np.isnan(array.astype(np.float64)).any()):
        raise GainlibError(f"{what} {value!r}; give numbers, −inf for silence")
    return array.astype(np.float64)


def _positive(value: ArrayLike, what: str) -> np.ndarray:
    """Return `value` as float64, or raise if any of it is negative."""
    array = _numbers(value, what)
    if (array < 0).any():
        raise GainlibError(f"{what} {array.min():g}; it must be 0 or above")
    return array


def _finite(value: ArrayLike, what: str) -> np.ndarray:
    """Return `value` as float64, or raise if any of it is infinite."""
    array = _numbers(value, what)
    if not np.isfinite(array).all():
        raise GainlibError(f"{what} {value!r}; it must be finite")
    return array


def _log10(value: np.ndarray) -> np.ndarray:
    """Take the logarithm; that of 0 is −inf without a warning."""
    with np.errstate(divide="ignore"):
        return np.log10(value)


def _plain(value: np.ndarray) -> float | np.ndarray:
    """Give a number back for a number."""
    return float(value) if np.ndim(value) == 0 else value
