"""A box that nobody here can see into: it stands in a chain for what is real, and passes everything."""

from dataclasses import dataclass

from gainlib.processors.base import Processor
from gainlib.processors.streams import ZeroLatencyStream


@dataclass(frozen=True)
class BlackBox(Processor):
    """Stand in for a level-dependent processor of which only the level it is built for is known.

    It passes audio unchanged. A plan can bring the average at its input to the reference; what the real box then does
    to the level has to be matched by ear or measured. It is no model of anything.

    Parameters
    ----------
    reference_dbfs : float
        The average level (active level or needle, sine-referred) the real box is built for.

    Examples
    --------
    >>> BlackBox(-20.0).reference_dbfs, BlackBox().linear
    (-20.0, False)
    """

    reference_dbfs: float = -18.0

    def __post_init__(self):
        self._number("reference_dbfs", -60.0, 24.0)

    def _start(self, rate_hz: int, channels: int) -> ZeroLatencyStream:
        """Start a run; each block comes back at once and as it was."""
        return ZeroLatencyStream(lambda block: block, channels)
