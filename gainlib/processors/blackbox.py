"""The black box: a processor that nobody here can run, with what its owner says of it or has measured on it."""

import math
from dataclasses import dataclass, replace

import numpy as np

from gainlib.audio import GainlibError
from gainlib.processors.base import Aligned, Processor, flag, number

LONGEST = 60


@dataclass(frozen=True)
class BlackBox(Processor):
    """Stand in for a processor that cannot be run here.

    It changes the level as the real box does where that was measured, and is a wire else; it never changes the sound.

    Parameters
    ----------
    reference_dbfs : float or None
        The average level (active level or needle, sine-referred) the real box is built for; None where no level is
        better than another, or none is known.
    name : str
        What its owner calls it.
    level_free : bool
        Whether it was measured to do the same at every level.
    gains : tuple of (float, float)
        Average level at its input in dBFS and gain there in dB, as measured, from soft to loud; empty where nothing
        was.
    ceiling_dbfs : float or None
        Peak level at its input above which it holds back or clips, as measured.
    noise_dbfs : float or None
        Noise at its output, as measured, with that of the recording.
    fed_dbfs : float or None
        The average level that reaches it, where that is known; None is its reference.

    Examples
    --------
    >>> BlackBox(-20.0).reference_dbfs, BlackBox().linear
    (-20.0, False)
    >>> opto = BlackBox(-17.0, "opto", gains=((-40.0, 2.9), (-20.0, 2.7), (-10.0, -1.3)))
    >>> round(opto.gain_db, 2), round(opto.fed(-45.0).gain_db, 2)
    (1.5, 2.9)
    """

    reference_dbfs: float | None = number(-18.0, -60.0, 24.0, none=True)
    name: str = ""
    level_free: bool = flag(False)
    gains: tuple[tuple[float, float], ...] = ()
    ceiling_dbfs: float | None = number(None, -80.0, 24.0)
    noise_dbfs: float | None = number(None, -400.0, 24.0)
    fed_dbfs: float | None = number(None, -400.0, 60.0)

    def __post_init__(self):
        super().__post_init__()
        if not isinstance(self.name, str) or not self.name.isprintable() or len(self.name) > LONGEST:
            raise GainlibError(
                f"BlackBox: name is {self.name!r}; give up to {LONGEST} letters on one line, such as 'opto'"
            )
        try:
            curve = np.array(self.gains, float).reshape(-1, 2)
        except (TypeError, ValueError):
            curve = np.full((1, 2), np.nan)
        if not (np.isfinite(curve).all() and (np.diff(curve[:, 0]) > 0.0).all()):
            raise GainlibError(
                f"BlackBox: gains are {self.gains!r}; give pairs of a level in dBFS and a gain in dB, from soft to loud"
            )

    @property
    def linear(self) -> bool:
        """Whether its input level does not matter, as measured."""
        return self.level_free

    @property
    def measured(self) -> bool:
        """Whether its gain is known."""
        return bool(self.gains)

    @property
    def gain_db(self) -> float:
        """Gain at the level that reaches it, its highest where none is known; 0 where nothing was measured."""
        if not self.gains:
            return 0.0
        levels, gains = zip(*self.gains, strict=True)
        at = self.fed_dbfs if self.fed_dbfs is not None else self.reference_dbfs
        return max(gains) if at is None else float(np.interp(at, levels, gains))

    @property
    def output_gain_db(self) -> float | None:
        """What its output needs so that a bypass is level-matched, fed at its reference; None where none is known."""
        known = self.measured and (self.level_free or self.reference_dbfs is not None)
        return -replace(self, fed_dbfs=None).gain_db if known else None

    def fed(self, average_dbfs: float) -> "BlackBox":
        """Return it as it is when an average level reaches it; silence says nothing about that."""
        return replace(self, fed_dbfs=round(average_dbfs, 2) if math.isfinite(average_dbfs) else None)

    @property
    def called(self) -> str:
        """What it is called in a sentence.

        Examples
        --------
        >>> BlackBox().called, BlackBox(-20.0, "opto").called
        ('black box', 'black box “opto”')
        """
        return f"black box “{self.name}”" if self.name else "black box"

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        gain = 10.0 ** (self.gain_db / 20.0)
        return Aligned((lambda block: block * gain) if self.measured else (lambda block: block), channels)
