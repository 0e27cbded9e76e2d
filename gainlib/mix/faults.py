"""What a finding stands for, before anybody has measured, and the figure that decides where there is none.

The limits are those of the detectors in :mod:`gainlib.mix.examine` and :mod:`gainlib.mix.relations`.
"""

import math
from collections.abc import Sequence

from gainlib.levels.printing import number, quantity
from gainlib.mix import examine, relations
from gainlib.mix.findings import Stem

LOW_DB, HIGH_DB = examine.FLOOR_RANGE_DB
FAULTS = {
    "too hot": f"active level of {quantity(examine.TOO_HOT_DBFS, 'dBFS')} or more",
    "too low": f"active level of {quantity(examine.TOO_LOW_DBFS, 'dBFS')} or less",
    "clipped": "flat tops at its own maximum",
    "DC": f"constant offset over {number(100 * examine.OFFSET)} % of full scale",
    "noisy": "steady hum or hiss in its pauses",
    "polarity": "upside down against another stem, or one side against the other",
    "dual mono": "two channels that are the same",
    "low activity": f"plays less than {number(100 * examine.SPARSE)} % of the time",
    "silent": "nothing above −90 dBFS, an offset aside",
    "high crest": f"peaks more than {quantity(examine.HIGH_CREST_DB, 'dB')} over its active level",
    "over full scale": "peak above 0 dBFS in a float file",
    "split stereo": "left or right side of a pair of mono files",
    "duplicate": "another stem over again",
    "mix print": "a mix among the stems",
    "length mismatch": "shorter than the longest stem",
}
"""What a finding stands for, by its tag, in the words of who has not measured yet."""


def against(stem: Stem, tag: str, stems: Sequence[Stem]) -> str:
    """Return what speaks against a fault that no detector has named, with the figure that decides.

    Parameters
    ----------
    stem : Stem
    tag : str
        One of `FAULTS`.
    stems : sequence of Stem
        All of the song.

    Returns
    -------
    str
        A sentence without its end.

    Examples
    --------
    >>> from gainlib.session import Strip
    >>> from gainlib.signals import tone
    >>> from gainlib.mix import checkup
    >>> stems = checkup([Strip("flute", tone(997, -20.0, 1.0))])
    >>> against(stems[0], "too low", stems)
    'nothing was measured that shows this: active level −20.00 dBFS, named at −34 dBFS or less'
    """
    if not math.isfinite(stem.reading.active_dbfs) and tag != "split stereo":
        return "nothing was measured that shows this: it is silent, and then only an offset is looked for"
    return f"nothing was measured that shows this: {_AGAINST[tag](stem, stems)}"


def _active(stem):
    return f"active level {quantity(stem.reading.active_dbfs, 'dBFS', 2)}"


def _floor(stem):
    low, high = (quantity(stem.reading.active_dbfs + edge, "dBFS", 1) for edge in (LOW_DB, HIGH_DB))
    return f"no steady floor between {low} and {high} in its quietest tenth"


def _polarity(stem):
    others = f"no other stem correlates with it by {number(-relations.REVERSED_PAIR, 2)} or lower within 10 ms"
    if stem.correlation is None:
        return others
    sides = f"left and right correlate by {number(stem.correlation, 2)}"
    return f"{sides}, named under {number(examine.REVERSED_SIDE, 2)}; {others}"


def _sides(stem):
    if stem.side_db is None:
        return "the file has one channel" if stem.channels == 1 else "one of its channels is silent"
    level = quantity(stem.side_db, "dB", 1)
    return f"left minus right stands at {level} against both, named under {quantity(examine.DUAL_MONO_DB, 'dB')}"


def _length(stem, stems):
    longest = max(stems, key=lambda each: each.frames / each.rate_hz)
    mine, most = (number(each.frames / each.rate_hz, 3) for each in (stem, longest))
    return f"{mine} s long; the longest, {longest.name}, is {most} s"


_AGAINST = {
    "too hot": lambda stem, _: f"{_active(stem)}, named at {quantity(examine.TOO_HOT_DBFS, 'dBFS')} or more",
    "too low": lambda stem, _: f"{_active(stem)}, named at {quantity(examine.TOO_LOW_DBFS, 'dBFS')} or less",
    "clipped": lambda stem, _: f"{stem.reading.flat_runs} flat tops, named from {examine.FLAT_RUNS} up",
    "DC": lambda stem, _: (
        f"offset {number(100 * stem.reading.dc_offset, 2, signed=True)} % of full scale, named over "
        f"{number(100 * examine.OFFSET)} %"
    ),
    "noisy": lambda stem, _: _floor(stem),
    "polarity": lambda stem, _: _polarity(stem),
    "dual mono": lambda stem, _: _sides(stem),
    "low activity": lambda stem, _: (
        f"plays {number(100 * stem.reading.activity, 0)} % of the time, named under {number(100 * examine.SPARSE)} %"
    ),
    "silent": lambda stem, _: f"{_active(stem)}, named with nothing above −90 dBFS",
    "high crest": lambda stem, _: (
        f"peaks stand {quantity(stem.reading.active_crest_db, 'dB', 2)} over its active level, named over "
        f"{quantity(examine.HIGH_CREST_DB, 'dB')}"
    ),
    "over full scale": lambda stem, _: f"peak {quantity(stem.reading.sample_peak_dbfs, 'dBFS', 1)}, named above 0 dBFS",
    "split stereo": lambda stem, _: (
        "no other mono file has its name but for left and right"
        if stem.channels == 1
        else f"{stem.channels} channels in the file"
    ),
    "duplicate": lambda stem, _: (
        f"no other stem is the same but for its level; a likeness over {number(relations.COPY)} is named"
    ),
    "mix print": lambda stem, _: (
        f"no sum of two or more other stems makes up {number(100 * relations.PRINT_SHARE)} % of it"
    ),
    "length mismatch": lambda stem, stems: _length(stem, stems),
}
