"""Travel of a fader: millimetres against dB.

A power law of the travel x, g = (x/x₀)^k, so level = 20·k·log10(x/x₀) dB with unity at x₀, and its slope
d level/dx = 20·k/(x·ln 10) = 8.686·k/x dB per mm. An example law: no standard ties millimetres to dB.
"""

import math
from dataclasses import dataclass

from gainlib.audio import GainlibError

TOP_SLACK_DB = 0.01


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
        return math.inf if position_mm == 0 else 20 * self.exponent / (math.log(10) * position_mm)
