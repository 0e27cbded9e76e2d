"""Voltages, alignment, microphones and noise: levels of the analogue world."""

import numpy as np
from numpy.typing import ArrayLike

from gainlib.levels.decibels import finite, log10, numbers, plain, positive

DBU_VOLTS = 0.6**0.5
BOLTZMANN = 1.380649e-23
REFERENCE_PASCAL = 20e-6
_PASCAL_SPL = 94.0


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
    return plain(DBU_VOLTS * 10.0 ** (numbers(level_dbu, "level") / 20.0))


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
    return plain(20.0 * log10(positive(volts, "voltage") / DBU_VOLTS))


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
    return plain(numbers(level_dbv, "level") - 20.0 * np.log10(DBU_VOLTS))


def dbu_to_dbv(level_dbu: ArrayLike) -> float | np.ndarray:
    """Turn dBu into dBV; 0 dBu is −2.218 dBV.

    Parameters
    ----------
    level_dbu : number or array
        dB re √0.6 V.

    Returns
    -------
    float or array
        dBV.

    Examples
    --------
    >>> round(dbu_to_dbv(4), 3)
    1.782
    """
    return plain(numbers(level_dbu, "level") + 20.0 * np.log10(DBU_VOLTS))


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
    return plain(numbers(level_dbfs, "level") + finite(full_scale_dbu, "full-scale level"))


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
    return plain(numbers(level_dbu, "level") - finite(full_scale_dbu, "full-scale level"))


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
    return plain(
        20.0 * log10(positive(sensitivity_volts, "sensitivity") / DBU_VOLTS) + numbers(spl_db, "level") - _PASCAL_SPL
    )


def sensitivity_db(sensitivity_volts: ArrayLike) -> float | np.ndarray:
    """Turn a sensitivity in volts per pascal into decibels re 1 V/Pa.

    Parameters
    ----------
    sensitivity_volts : number or array
        Volts per pascal.

    Returns
    -------
    float or array
        dB re 1 V/Pa, as data sheets give it.

    Raises
    ------
    GainlibError
        For a negative sensitivity.

    Examples
    --------
    >>> round(sensitivity_db(0.050), 1)
    -26.0
    """
    return plain(20.0 * log10(positive(sensitivity_volts, "sensitivity")))


def spl_to_pascal(spl_db: ArrayLike) -> float | np.ndarray:
    """Turn a sound pressure level re 20 µPa into pascals RMS.

    Parameters
    ----------
    spl_db : number or array
        dB SPL.

    Returns
    -------
    float or array
        Pascals RMS; 94 dB are 1.0024 Pa.

    Examples
    --------
    >>> round(spl_to_pascal(94), 4)
    1.0024
    """
    return plain(REFERENCE_PASCAL * 10.0 ** (numbers(spl_db, "level") / 20.0))


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
    resistance = positive(resistance_ohm, "resistance")
    bandwidth, temperature = positive(bandwidth_hz, "bandwidth"), positive(temperature_k, "temperature")
    return plain(np.sqrt(4.0 * BOLTZMANN * temperature * resistance * bandwidth))


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
    return plain(numbers(ein_dbu, "level") - numbers(source_noise_dbu, "level"))
