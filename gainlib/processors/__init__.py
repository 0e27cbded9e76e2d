"""Textbook models of what sits in a signal path; none of any particular device.

Every processor is a frozen dataclass of plain numbers (see ``base``). :func:`named` finds the class by its name, so
that a session file can hold one.

- ``linear``: what scales with its input.
- ``saturation``: static stages.
"""

from difflib import get_close_matches

from gainlib.audio import GainlibError
from gainlib.processors.base import Processor, Stream
from gainlib.processors.linear import DCBlock
from gainlib.processors.saturation import HardClip

__all__ = ["DCBlock", "HardClip", "Processor", "Stream", "named", "names"]

_BY_NAME: dict[str, type[Processor]] = {kind.__name__: kind for kind in (DCBlock, HardClip)}


def names() -> tuple[str, ...]:
    """Return the class names of all processors, sorted."""
    return tuple(sorted(_BY_NAME))


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
    if name in _BY_NAME:
        return _BY_NAME[name]
    close = get_close_matches(str(name), _BY_NAME, n=1, cutoff=0.5)
    hint = f"did you mean {close[0]!r}?" if close else f"there is {', '.join(names())}"
    raise GainlibError(f"no processor is named {name!r}; {hint}")
