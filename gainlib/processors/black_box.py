"""A black box: it stands in a chain for what is real, and passes everything."""

from dataclasses import dataclass

from gainlib.audio import GainlibError
from gainlib.processors.base import Processor
from gainlib.processors.streams import ZeroLatencyStream

_LONGEST = 60


@dataclass(frozen=True)
class BlackBox(Processor):
    """Stand in for a level-dependent processor of which only the level it is built for is known.

    It passes audio unchanged. A plan can bring the average at its input to the reference; what the real box then does
    to the level has to be matched by ear or measured. It is no model of anything.

    Parameters
    ----------
    reference_dbfs : float
        The average level (active level or needle, sine-referred) the real box is built for.
    name : str
        What its owner calls it.

    Examples
    --------
    >>> BlackBox(-20.0).reference_dbfs, BlackBox().linear
    (-20.0, False)
    """

    reference_dbfs: float = -18.0
    name: str = ""

    def __post_init__(self):
        self._number("reference_dbfs", -60.0, 24.0)
        if not isinstance(self.name, str) or not self.name.isprintable() or len(self.name) > _LONGEST:
            raise GainlibError(
                f"BlackBox: name is {self.name!r}; give up to {_LONGEST} letters on one line, such as 'opto'"
            )

    @property
    def called(self) -> str:
        """What it is called in a sentence.

        Examples
        --------
        >>> BlackBox().called, BlackBox(-20.0, "opto").called
        ('black box', 'black box “opto”')
        """
        return f"black box “{self.name}”" if self.name else "black box"

    def _start(self, rate_hz: int, channels: int) -> ZeroLatencyStream:
        """Start a run; each block comes back at once and as it was."""
        return ZeroLatencyStream(lambda block: block, channels)
