"""Decibels as such: ratios, sums, and the checks that all level arithmetic shares."""

import numpy as np
from numpy.typing import ArrayLike

from gainlib.errors import GainlibError


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
    return plain(10.0 ** (numbers(level_db, "level") / 20.0))


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
    return plain(20.0 * log10(positive(ratio, "ratio")))


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
    levels = numbers(levels_db, "level").ravel()
    rho = float(numbers(correlation, "correlation"))
    if not -1.0 <= rho <= 1.0:
        raise GainlibError(f"a correlation of {rho:g}; it must lie from −1 to 1")
    loudest = levels.max(initial=-np.inf)
    if not np.isfinite(loudest):
        return float(loudest)
    volts = 10.0 ** ((levels - loudest) / 20.0)  # re the loudest, so that no level is too high to be squared
    power = (1.0 - rho) * np.sum(volts**2) + rho * np.sum(volts) ** 2
    if power < -1e-9 * len(volts):
        raise GainlibError(f"{len(volts)} signals cannot all have a correlation of {rho:g} with each other; give more")
    return float(loudest + 10.0 * log10(power)) if power > 1e-15 * len(volts) else -np.inf


def numbers(value: ArrayLike, what: str) -> np.ndarray:
    """Return `value` as float64, or raise with `what` it was meant to be: NaN, text and truth values are no numbers."""
    array = np.asarray(list(value) if hasattr(value, "__next__") else value)
    if array.size and (array.dtype.kind not in "iuf" or np.isnan(array.astype(np.float64)).any()):
        raise GainlibError(f"{what} {value!r}; give numbers, −inf for silence")
    return array.astype(np.float64)


def positive(value: ArrayLike, what: str) -> np.ndarray:
    """Return `value` as float64, or raise if any of it is negative."""
    array = numbers(value, what)
    if (array < 0).any():
        raise GainlibError(f"{what} {array.min():g}; it must be 0 or above")
    return array


def finite(value: ArrayLike, what: str) -> np.ndarray:
    """Return `value` as float64, or raise if any of it is infinite."""
    array = numbers(value, what)
    if not np.isfinite(array).all():
        raise GainlibError(f"{what} {value!r}; it must be finite")
    return array


def log10(value: np.ndarray) -> np.ndarray:
    """Take the logarithm; that of 0 is −inf without a warning."""
    with np.errstate(divide="ignore"):
        return np.log10(value)


def plain(value: np.ndarray) -> float | np.ndarray:
    """Give a number back for a number."""
    return float(value) if np.ndim(value) == 0 else value
