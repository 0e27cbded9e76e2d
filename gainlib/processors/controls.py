"""The settings of the models in words, for whoever lets somebody choose them: labels, units, choices.

They follow from the fields themselves: the unit is what a field's name ends in.
"""

import re
from dataclasses import MISSING, dataclass, fields
from decimal import Decimal

from gainlib.processors import Processor, names

UNITS = {"dbfs": "dBFS", "dbtp": "dBTP", "dbu": "dBu", "dba": "dBA", "db": "dB", "mv": "mV/Pa", "s": "s", "hz": "Hz"}
ABOUT = {
    "AnalogueStage": "noise floor and supply rails of an analogue stage",
    "AsymmetricSaturation": "saturating stage, the two halves of the wave unlike",
    "Compressor": "compressor",
    "Converter": "converter that can be overdriven",
    "DCBlock": "high-pass at a few hertz against DC",
    "Delay": "delay",
    "Filter": "equaliser band or filter",
    "Gate": "gate or expander",
    "HardClip": "clips at a ceiling",
    "Limiter": "limiter",
    "Polarity": "polarity switch",
    "Preamp": "microphone preamplifier",
    "Quantiser": "converter or short word length",
    "Reverb": "reverberation",
    "Saturation": "saturating stage",
    "Tape": "saturation that remembers, as on tape",
    "Tremolo": "level that swings to and fro",
    "BlackBox": "a black box, level-dependent",
}


NO_CONTROLS = ("name", "level_free", "gains", "fed_dbfs")


@dataclass(frozen=True)
class Control:
    """One setting of a processor: its field, the same in words without the unit, the unit if there is one, the default.

    A word has its choices; a number or a switch has none. What may be None can be left out.
    """

    field: str
    label: str
    unit: str
    default: float | int | bool | str | None
    choices: tuple[str, ...] = ()
    may_be_none: bool = False


def controls(kind: type[Processor]) -> tuple[Control, ...]:
    """Return the settings of a processor's class, in order; a name is none, and what was measured neither.

    Examples
    --------
    >>> from gainlib.processors import named
    >>> [(each.label, each.unit, each.default) for each in controls(named("Compressor"))][:2]
    [('threshold', 'dBFS', -20.0), ('ratio', '', 3.0)]
    >>> [each.choices[:2] for each in controls(named("Filter")) if each.choices]
    [('highpass', 'lowpass')]
    """
    return tuple(_control(each) for each in fields(kind) if each.name not in NO_CONTROLS)


def _control(field):
    words = field.name.split("_")
    unit = UNITS.get(words[-1], "") if len(words) > 1 else ""
    default = None if field.default is MISSING else field.default
    label = " ".join(words[:-1] if unit else words)
    return Control(field.name, label, unit, default, field.metadata.get("choices", ()), default is None)


def kinds_in_words() -> dict[str, str]:
    """Return every model's class name with what it is, "BlackBox" first.

    Examples
    --------
    >>> kinds = kinds_in_words()
    >>> list(kinds)[0], kinds["Limiter"]
    ('BlackBox', 'limiter')
    """
    return {name: ABOUT[name] for name in ("BlackBox", *names())}


def in_ms(seconds: float) -> float:
    """Return a time in milliseconds, the very decimal number.

    Examples
    --------
    >>> in_ms(0.0123), in_s(12.3)
    (12.3, 0.0123)
    """
    return float(Decimal(repr(float(seconds))) * 1000)


def in_s(milliseconds: float) -> float:
    """Return a time in seconds, the very decimal number."""
    return float(Decimal(repr(float(milliseconds))) / 1000)


def plain_name(kind: str) -> str:
    """Return the class name of a model as words.

    Examples
    --------
    >>> plain_name("HardClip"), plain_name("DCBlock"), plain_name("BlackBox")
    ('hard clip', 'DC block', 'black box')
    """
    words = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", kind).split()
    return " ".join(word if len(word) > 1 and word.isupper() else word.lower() for word in words)


def plain_names() -> tuple[str, ...]:
    """Return the names of all models as words, the black box first."""
    return tuple(map(plain_name, ("BlackBox", *names())))


def class_of(words: str) -> str | None:
    """Return the class name that words stand for, whatever their case and what stands between them, or None.

    Examples
    --------
    >>> class_of("Hard-clip"), class_of("HardClip"), class_of("opto")
    ('HardClip', 'HardClip', None)
    """
    folded = re.sub(r"[\s_-]", "", words.casefold())
    return next((kind for kind in ("BlackBox", *names()) if kind.casefold() == folded), None)
