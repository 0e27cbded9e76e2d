"""Travel of a fader: millimetres against dB, and a hand that misses by millimetres.

A power law of the travel x, g = (x/x₀)^k, so level = 20·k·log₁₀(x/x₀) dB with unity at x₀, and its slope
d level/dx = 20·k/(x·ln 10) = 8.686·k/x dB per mm. An example law: no standard ties millimetres to dB.
:func:`fit_law` finds the law of this kind that comes nearest to a fader somebody has measured.

A hand means a place and lands beside it. The millimetres by which it misses are the same all along the travel (σ of
half a millimetre is our own example figure); what they amount to in dB is the slope of the law at that place.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.levels import db_to_ratio

TOP_SLACK_DB = 0.01
DB_PER_NEPER = 20 / math.log(10)
RAMP_S = 0.030


@dataclass(frozen=True)
class FaderLaw:
    """A fader's travel.

    Parameters
    ----------
    unity_mm : float
        Position of 0 dB, from the bottom.
    exponent : float
        k of the law.
    length_mm : float
        Travel from the bottom (−∞ dB) to the top.

    Examples
    --------
    >>> law = FaderLaw()
    >>> law.db_at(75), round(law.db_at(100), 3), law.db_at(0)
    (0.0, 9.995, -inf)
    >>> round(law.mm_at(-20), 2)
    42.18
    >>> [round(law.db_per_mm(level_db), 2) for level_db in (0, -30, -60)]
    [0.46, 1.1, 2.61]
    """

    unity_mm: float = 75.0
    exponent: float = 4.0
    length_mm: float = 100.0

    def __post_init__(self):
        if not 0 < self.unity_mm <= self.length_mm < math.inf:
            raise GainlibError(
                f"fader: unity at {self.unity_mm} mm of {self.length_mm} mm; unity lies above 0 and within the travel"
            )
        if not 0 < self.exponent < math.inf:
            raise GainlibError(f"fader: exponent {self.exponent}; give a finite number above 0")

    @property
    def top_db(self) -> float:
        """Level at the top of the travel, in dB."""
        return self.db_at(self.length_mm)

    def db_at(self, position_mm: float) -> float:
        """Return the level in dB at a position in mm; −∞ at the bottom."""
        if not 0 <= position_mm <= self.length_mm:
            raise GainlibError(f"fader: {position_mm} mm lies outside the travel of 0 to {self.length_mm:g} mm")
        if position_mm == 0:
            return -math.inf
        return 20 * self.exponent * math.log10(position_mm / self.unity_mm)

    def mm_at(self, level_db: float) -> float:
        """Return the position in mm of a level in dB; up to 0.01 dB above the top reads as the top."""
        if not level_db <= self.top_db + TOP_SLACK_DB:
            raise GainlibError(f"fader: {level_db} dB lies above the top of the travel, {self.top_db:.3f} dB")
        return min(self.unity_mm * 10 ** (level_db / (20 * self.exponent)), self.length_mm)

    def db_per_mm(self, level_db: float) -> float:
        """Return the slope in dB per mm at a level in dB; infinite at the bottom."""
        position_mm = self.mm_at(level_db)
        return math.inf if position_mm == 0 else DB_PER_NEPER * self.exponent / position_mm


def law_up_to(level_db: float) -> FaderLaw:
    """Return the usual law, or one of the same travel that goes up to a level above its top.

    Returns
    -------
    FaderLaw
        Unity stays where it was; a higher top makes the travel coarser.

    Examples
    --------
    >>> law_up_to(6.0) == FaderLaw(), round(law_up_to(18.0).top_db, 3)
    (True, 18.0)
    """
    law = FaderLaw()
    if not level_db < math.inf:
        raise GainlibError(f"fader: {level_db} dB is no top of a travel; give a finite level")
    if level_db <= law.top_db + TOP_SLACK_DB:
        return law
    return FaderLaw(exponent=level_db / (20 * math.log10(law.length_mm / law.unity_mm)))


@dataclass(frozen=True)
class LawFit:
    """The power law of travel that comes nearest to measured points.

    Attributes
    ----------
    exponent : float
        k of the law.
    unity_mm : float
        Position of 0 dB in mm; may lie beyond the travel of a fader that only attenuates.
    misfit_db : float
        Root mean square of what is left between points and law, in dB.
    """

    exponent: float
    unity_mm: float
    misfit_db: float


def steep_mm(exponent: float, slope_db_per_mm: float = 1.0) -> float:
    """Return the position at which a power law of travel has a given slope; below it the fader is coarser.

    Parameters
    ----------
    exponent : float
        k of the law, above 0.
    slope_db_per_mm : float
        Above 0.

    Returns
    -------
    float
        8.686·k / slope, in mm: the slope does not depend on where unity lies.

    Examples
    --------
    >>> round(steep_mm(4), 2)
    34.74
    """
    if not (exponent > 0 and slope_db_per_mm > 0):
        raise GainlibError(f"exponent {exponent} and slope {slope_db_per_mm} dB per mm; both are above 0")
    return DB_PER_NEPER * exponent / slope_db_per_mm


def travel_db(exponent: float, unity_mm: float, positions_mm) -> np.ndarray:
    """Return the gain a power law of travel has at many positions.

    Parameters
    ----------
    exponent, unity_mm : float
        The law, both above 0.
    positions_mm : array_like
        0 or more.

    Returns
    -------
    array
        20·k·log₁₀(x/x₀) in dB, −∞ at 0.

    Examples
    --------
    >>> travel_db(4, 75, [0, 75, 100]).round(3).tolist()
    [-inf, 0.0, 9.995]
    """
    with np.errstate(divide="ignore"):
        return 20 * exponent * np.log10(np.asarray(positions_mm, float) / unity_mm)


def usable_points(positions_mm: Sequence[float], levels_db: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    """Return the points a law can be laid through: those above the bottom whose level is finite.

    Parameters
    ----------
    positions_mm, levels_db : sequence of float
        One level a position; −∞ is legal.

    Raises
    ------
    GainlibError
        For lists of different length, and for positions below 0 or not finite.
    """
    positions, levels = np.asarray(positions_mm, float), np.asarray(levels_db, float)
    if positions.ndim != 1 or positions.shape != levels.shape:
        raise GainlibError(f"{positions.size} positions and {levels.size} levels; give one level a position")
    if not (np.isfinite(positions).all() and (positions >= 0).all()):
        raise GainlibError("a position is below 0 or not finite; measure in mm from the bottom of the travel")
    kept = (positions > 0) & np.isfinite(levels)
    return positions[kept], levels[kept]


def misfit_db(exponent: float, unity_mm: float, positions_mm: Sequence[float], levels_db: Sequence[float]) -> float:
    """Return how far measured points lie from a power law of travel: root mean square, in dB.

    Parameters
    ----------
    exponent, unity_mm : float
        The law, both above 0.
    positions_mm, levels_db : sequence of float
        The points; those at the bottom and at −∞ dB are left out.

    Returns
    -------
    float
        In dB.

    Examples
    --------
    >>> misfit_db(4, 75, [0, 75, 100], [-np.inf, 0, 9.995]) < 0.001
    True
    """
    if not (exponent > 0 and unity_mm > 0):
        raise GainlibError(f"exponent {exponent} and unity at {unity_mm} mm; both are above 0")
    positions, levels = usable_points(positions_mm, levels_db)
    off = levels - travel_db(exponent, unity_mm, positions)
    return float(np.sqrt(np.mean(off**2))) if off.size else 0.0


def fit_law(positions_mm: Sequence[float], levels_db: Sequence[float]) -> LawFit:
    """Lay the power law of travel through measured points: least squares of the dB over the logarithm of the mm.

    In log x the law is a straight line, 20·k·log₁₀ x − 20·k·log₁₀ x₀: its slope gives k, its zero gives x₀.

    Parameters
    ----------
    positions_mm : sequence of float
        From the bottom of the travel, at least two different ones above 0.
    levels_db : sequence of float
        The gain at each; points at −∞ dB are left out.

    Returns
    -------
    LawFit
        Exponent, unity and what is left over.

    Raises
    ------
    GainlibError
        For too few points, or points that do not rise along the travel.

    Examples
    --------
    >>> law = FaderLaw(unity_mm=70, exponent=3)
    >>> found = fit_law([0, 20, 40, 70, 100], [law.db_at(mm) for mm in (0, 20, 40, 70, 100)])
    >>> round(found.exponent, 6), round(found.unity_mm, 6)
    (3.0, 70.0)
    """
    positions, levels = usable_points(positions_mm, levels_db)
    if len(set(positions.tolist())) < 2:
        raise GainlibError("a law needs at least two different positions above 0 mm with a finite level")
    logs = np.log10(positions)
    off_logs = logs - logs.mean()
    slope = float(off_logs @ (levels - levels.mean()) / (off_logs @ off_logs))
    if not slope > 0:
        raise GainlibError("these levels do not rise along the travel; measure the mm from the bottom up")
    exponent = slope / 20
    reach = logs.mean() - levels.mean() / slope
    if not abs(reach) < 6:
        raise GainlibError("these levels never come near 0 dB; give the gain of the fader, 0 dB at its unity mark")
    unity_mm = 10.0**reach
    return LawFit(exponent, float(unity_mm), misfit_db(exponent, unity_mm, positions, levels))


def hits_db(law: FaderLaw, level_db: float, sigma_mm: float = 0.5, count: int = 60, seed: int = 0) -> np.ndarray:
    """Return where a hand lands that means one level: hits spread normally in mm, read in dB.

    Parameters
    ----------
    law : FaderLaw
        Travel of the fader.
    level_db : float
        What is meant.
    sigma_mm : float
        Standard deviation of the hand, in mm.
    count : int
        Number of hits.
    seed : int
        The same seed gives the same hand at every place.

    Returns
    -------
    array, shape (count,)
        dB off what was meant; a hit past an end of the travel stops there, at the bottom that is −∞.

    Examples
    --------
    >>> law = FaderLaw()
    >>> [round(float(np.std(hits_db(law, level, 0.5, 4000))), 2) for level in (0, -40)]
    [0.23, 0.73]
    """
    if not 0 <= sigma_mm < math.inf:
        raise GainlibError(f"a hand of σ = {sigma_mm} mm; give a finite number, 0 or more")
    off_mm = sigma_mm * np.random.Generator(np.random.PCG64(seed)).standard_normal(count)
    return moved_db(law, level_db, off_mm)


def moved_db(law: FaderLaw, level_db: float, by_mm) -> np.ndarray:
    """Return what a move in mm changes at one place, in dB.

    Parameters
    ----------
    law : FaderLaw
        Travel of the fader.
    level_db : float
        Where it stands.
    by_mm : array_like
        Moves in mm, positive is up; the ends of the travel stop them.

    Returns
    -------
    array
        Changes in dB, −∞ at the bottom.

    Examples
    --------
    >>> law = FaderLaw()
    >>> moved_db(law, 0, -2).round(2).item(), moved_db(law, -40, -2).round(2).item()
    (-0.94, -3.06)
    """
    start_mm = law.mm_at(level_db)
    if start_mm == 0:
        raise GainlibError("a closed fader has no level to move away from; open it first")
    new_mm = np.clip(start_mm + np.asarray(by_mm, float), 0.0, law.length_mm)
    return travel_db(law.exponent, start_mm, new_mm)


def spread_db(off_db) -> float:
    """Return how far hits spread: their standard deviation in dB, those at −∞ left out; 0 without any.

    Parameters
    ----------
    off_db : array_like
        dB off what was meant.

    Examples
    --------
    >>> spread_db([-1.0, 1.0, float("-inf")])
    1.0
    """
    off = np.asarray(off_db, float)
    off = off[np.isfinite(off)]
    return float(np.std(off)) if off.size else 0.0


def nudged(audio: Audio, change_db: float, every_s: float = 1.0) -> Audio:
    """Return a sound whose level steps to and fro, as when a hand moves a fader a little and takes it back.

    Parameters
    ----------
    audio : Audio
        Any sound.
    change_db : float
        The change; the sound begins without it.
    every_s : float
        Time between two moves; each takes 30 ms, so that none clicks.

    Examples
    --------
    >>> steady = Audio(np.full(48000, 0.5), 48000)
    >>> moved = nudged(steady, -6.0206, every_s=0.5)
    >>> moved.samples[[0, -1], 0].round(3).tolist()
    [0.5, 0.25]
    """
    if not every_s > RAMP_S:
        raise GainlibError(f"moves every {every_s} s; each takes {RAMP_S} s, so give more")
    time_s = np.arange(audio.frames) / audio.rate_hz
    turn = np.floor(time_s / every_s)
    ramp = np.minimum((time_s - turn * every_s) / RAMP_S, 1.0)
    there = np.where(turn % 2 == 1, ramp, np.where(turn > 0, 1.0 - ramp, 0.0))
    gain = db_to_ratio(change_db * there)
    return audio.with_samples(audio.samples * gain[:, np.newaxis], audio.name)
