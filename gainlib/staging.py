"""The names of :mod:`gainlib.boxes` and :mod:`gainlib.mix` in one place, loaded when first touched."""

from gainlib import boxes, mix

_ROOM_OF = {name: room for room in (boxes, mix) for name in room.__all__}
__all__ = sorted(_ROOM_OF)


def __getattr__(name):
    if name not in _ROOM_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(_ROOM_OF[name], name)


def __dir__():
    return __all__
