"""Reports put into JSON and taken out again, so that what was read stands on the page after a reload."""

import logging
import math
from typing import Any

import msgspec
import numpy as np

log = logging.getLogger(__name__)


def to_kept(report) -> Any:
    """Return a report as JSON; what is no finite number becomes text."""
    return _written(msgspec.to_builtins(report, enc_hook=lambda value: value.tolist()))


def from_kept(kind: Any, kept: Any) -> Any:
    """Return the report, of some type, that was kept; None where it does not fit any more.

    Examples
    --------
    >>> from_kept(dict[float, float], to_kept({63.0: -math.inf, 125.0: np.float64(-70.5)}))
    {63.0: -inf, 125.0: -70.5}
    """
    try:
        return msgspec.convert(kept, kind, strict=False, dec_hook=lambda _kind, values: np.array(values, float))
    except (msgspec.ValidationError, ValueError, TypeError) as problem:
        log.warning("what was read last does not fit any more (%s)", problem)
        return None


def _written(value):
    if isinstance(value, dict):
        return {str(key): _written(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_written(each) for each in value]
    return repr(value) if isinstance(value, float) and not math.isfinite(value) else value
