"""Textbook models of what sits in a signal path; none of any particular device.

Conventions
-----------
- Every processor is a frozen dataclass of plain numbers (see ``base``), says whether it is ``linear`` and which average
  level it is built for (``reference_dbfs``).
- ``process`` keeps frames, channels, rate and name; latency is cut, so a bypass lines up to the sample. A delay is no
  latency.
- Blocks of any size give the same as the whole in one go. Noise is drawn from the seed, whatever comes in: the output
  for silence is the noise itself.
- :func:`named` finds a class by its name, so that a session file can hold a processor.

Contents
--------
- ``saturation``: Saturation, AsymmetricSaturation, HardClip, Tape
- ``dynamics``: Compressor, Limiter, Gate
- ``linear``: Filter, Delay, Tremolo, Polarity, DCBlock, Reverb
- ``recording``: AnalogueStage, Quantiser, Preamp, Converter
- ``blackbox``: BlackBox, which is no model but holds the place of a black box; ``controls``: what can be set on each
"""

from difflib import get_close_matches

from gainlib.audio import GainlibError
from gainlib.processors.base import Processor, Stream
from gainlib.processors.blackbox import BlackBox
from gainlib.processors.dynamics import Compressor, Gate, Limiter
from gainlib.processors.linear import DCBlock, Delay, Filter, Polarity, Reverb, Tremolo
from gainlib.processors.recording import AnalogueStage, Converter, Preamp, Quantiser
from gainlib.processors.saturation import AsymmetricSaturation, HardClip, Saturation, Tape

__all__ = [
    "AnalogueStage",
    "AsymmetricSaturation",
    "BlackBox",
    "Compressor",
    "Converter",
    "DCBlock",
    "Delay",
    "Filter",
    "Gate",
    "HardClip",
    "Limiter",
    "Polarity",
    "Preamp",
    "Processor",
    "Quantiser",
    "Reverb",
    "Saturation",
    "Stream",
    "Tape",
    "Tremolo",
    "named",
    "names",
]

_BY_NAME: dict[str, type[Processor]] = {kind.__name__: kind for kind in Processor.__subclasses__()}
_FORMER = {"Unseen": "BlackBox"}  # names in files of an earlier version, read for one more


def names() -> tuple[str, ...]:
    """Return the class names of all models, sorted."""
    return tuple(sorted(_BY_NAME.keys() - {"BlackBox"}))


def named(name: str) -> type[Processor]:
    """Return the processor class of a name.

    Raises
    ------
    GainlibError
        For an unknown name; the nearest one is offered.

    Examples
    --------
    >>> named("HardClip")(ceiling_dbfs=-1)
    HardClip(ceiling_dbfs=-1)
    """
    name = _FORMER.get(name, name)
    if name in _BY_NAME:
        return _BY_NAME[name]
    close = get_close_matches(str(name), _BY_NAME, n=1, cutoff=0.5)
    hint = f"did you mean {close[0]!r}?" if close else f"there is {', '.join(names())}"
    raise GainlibError(f"no processor is named {name!r}; {hint}")
