"""The one kind of error this package raises for bad input."""


class GainlibError(ValueError):
    """Bad input, said in one sentence that names the value and what would do."""

    __module__ = "gainlib.audio"  # where readers look for it, and the name that a traceback shows
