"""Checks that every part of a session makes of what it is given, and the names it offers instead."""

import math
from difflib import get_close_matches
from numbers import Integral

from gainlib.audio import GainlibError

HIGHEST_DB = 200.0  # a choice, no source: far above any control's, and a whole row of such gains still fits a float


def nearest(name: str, known) -> str:
    """Return a half sentence that names what was probably meant, or lists what there is.

    Examples
    --------
    >>> nearest("kik", ["kick", "snare"])
    "did you mean 'kick'?"
    >>> nearest("zither", ["kick", "snare"])
    "there is 'kick', 'snare'"
    """
    known = [str(each) for each in known]
    lowered = {each.casefold(): each for each in known}
    close = get_close_matches(str(name).casefold(), lowered, n=1, cutoff=0.55)
    if close:
        return f"did you mean {lowered[close[0]]!r}?"
    shown = ", ".join(repr(each) for each in known[:8])
    return f"there is {shown}{' …' if len(known) > 8 else ''}" if known else "there is none"


def number(value, label):
    """Return `value` as a float; `label` says what it is when it is no number."""
    if isinstance(value, bool) or not hasattr(type(value), "__float__"):
        raise GainlibError(f"{label} is {value!r}; give a number")
    try:
        return float(value)
    except (TypeError, ValueError):
        raise GainlibError(f"{label} is {value!r}; give one number") from None
    except OverflowError:
        raise GainlibError(f"{label} is beyond all floating-point numbers; give a smaller one") from None


def decibels(value, label):
    """Return a level in dB as a float: finite and up to `HIGHEST_DB`, or −inf for silence."""
    level = number(value, label)
    if math.isnan(level) or level == math.inf:
        raise GainlibError(f"{label} is {level}; give a finite level or −inf for silence")
    if level > HIGHEST_DB:
        raise GainlibError(f"{label} is {level:g} dB; give a level up to +{HIGHEST_DB:g} dB, or −inf for silence")
    return level


def position(value, label):
    """Return a pan as a float from −1 to +1."""
    pan = number(value, label)
    if not -1.0 <= pan <= 1.0:
        raise GainlibError(f"{label} is {pan:g}; it runs from −1 (left) to +1 (right)")
    return pan


def names(value, label):
    """Return one name or several as a tuple of text."""
    try:
        listed = (value,) if isinstance(value, str) else tuple(value)
    except TypeError:
        listed = (None,)
    if not all(isinstance(name, str) for name in listed):
        raise GainlibError(f"{label} is {value!r}; give the names of strips or groups as text")
    return listed


def count(value, label):
    """Return a number of frames or the like, 1 or more."""
    if isinstance(value, bool) or not isinstance(value, Integral) or value < 1:
        raise GainlibError(f"{label} is {value!r}; give a whole number from 1 up")
    return int(value)


def flag(value, label):
    """Refuse anything but True and False."""
    if not isinstance(value, bool):
        raise GainlibError(f"{label} is {value!r}; it is True or False")


def check_name(name):
    """Refuse names that node names could not hold."""
    if not isinstance(name, str) or not name.strip():
        raise GainlibError(f"a strip or group is named {name!r}; give it a name as text")
    if "/" in name:
        raise GainlibError(f"the name {name!r} holds a '/'; that sign divides node names, leave it out")
    if name == "bus":
        raise GainlibError("a strip or group is named 'bus'; that name is taken by the sum, choose another")


def parts(value, kind, label):
    """Return one `kind` or a list of them as a tuple."""
    whole = (value,) if isinstance(value, kind) else value
    if not isinstance(whole, tuple | list) or not all(isinstance(part, kind) for part in whole):
        raise GainlibError(f"{label} is {value!r}; give a tuple of {kind.__name__}")
    return tuple(whole)
