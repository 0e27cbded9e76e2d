"""Guesses made before measuring, against what a look at the stems brings up: levels, and a list of faults.

Neither is graded. Both stand beside :func:`gainlib.mix.checkup` and use its readings, findings and limits. That a
guess within 3 dB is a good one, and that two of three will do, is a choice of this project.

The figure that decides where nothing was found has the limits of the detectors in :mod:`gainlib.mix.findings`.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from gainlib.audio import GainlibError
from gainlib.mix import findings
from gainlib.mix.findings import Stem
from gainlib.words import number, quantity

FAULTS = {
    "too hot": f"active level of {quantity(findings.TOO_HOT_DBFS, 'dBFS')} or more",
    "too low": f"active level of {quantity(findings.TOO_LOW_DBFS, 'dBFS')} or less",
    "clipped": "flat tops at its own maximum",
    "DC": f"constant offset over {number(100 * findings.OFFSET)} % of full scale",
    "noisy": "steady hum or hiss in its pauses",
    "polarity": "inverted against another stem, or one side against the other",
    "dual mono": "two channels that are the same",
    "low activity": f"plays less than {number(100 * findings.SPARSE)} % of the time",
    "silent": "nothing above −90 dBFS, an offset aside",
    "high crest": f"crest factor over {quantity(findings.HIGH_CREST_DB, 'dB')}",
    "over full scale": "peak above 0 dBFS in a float file",
    "split stereo": "left or right side of a pair of mono files",
    "duplicate": "the same as another stem",
    "mix print": "a mix among the stems",
    "length mismatch": "shorter than the longest stem",
}
"""What a finding stands for, by its tag, in the words of who has not measured yet."""

LIMIT_DB = 3.0
STEMS = 3
ENOUGH = 2
SHORTEST_S = 0.4  # one block of the standard (ITU-R BS.1770)
HALVES = ("duplicate", "split stereo")
"""Findings that stand with one of the two stems they are about."""


def against(stem: Stem, tag: str, stems: Sequence[Stem]) -> str:
    """Return what speaks against a fault that no detector has named, with the figure that decides.

    Examples
    --------
    >>> from gainlib.session import Strip
    >>> from gainlib.signals import tone
    >>> from gainlib.mix import checkup
    >>> stems = checkup([Strip("flute", tone(997, -20.0, 1.0))])
    >>> against(stems[0], "too low", stems)
    'no measurement shows this: active level −20.00 dBFS, named at −34 dBFS or less'
    """
    if not math.isfinite(stem.reading.active_dbfs) and tag != "split stereo":
        return "no measurement shows this: it is silent, and then only an offset is looked for"
    return f"no measurement shows this: {_deciding(stem, tag, stems)}"


def _deciding(stem, tag, stems):
    reading = stem.reading
    active = f"active level {quantity(reading.active_dbfs, 'dBFS', 2)}"
    match tag:
        case "too hot":
            return f"{active}, named at {quantity(findings.TOO_HOT_DBFS, 'dBFS')} or more"
        case "too low":
            return f"{active}, named at {quantity(findings.TOO_LOW_DBFS, 'dBFS')} or less"
        case "clipped":
            return f"{reading.flat_runs} flat tops, named from {findings.FLAT_RUNS} up"
        case "DC":
            offset = number(100 * reading.dc_offset, 2, signed=True)
            return f"offset {offset} % of full scale, named over {number(100 * findings.OFFSET)} %"
        case "noisy":
            low, high = (quantity(reading.active_dbfs + edge, "dBFS", 1) for edge in findings.FLOOR_RANGE_DB)
            return f"no steady floor between {low} and {high} in its quietest tenth"
        case "polarity":
            others = f"no other stem correlates with it by {number(-findings.REVERSED_PAIR, 2)} or lower within 10 ms"
            if stem.correlation is None:
                return others
            sides = f"left and right correlate by {number(stem.correlation, 2)}"
            return f"{sides}, named under {number(findings.REVERSED_SIDE, 2)}; {others}"
        case "dual mono":
            if stem.side_db is None:
                return "the file has one channel" if stem.channels == 1 else "one of its channels is silent"
            level, named = quantity(stem.side_db, "dB", 1), quantity(findings.DUAL_MONO_DB, "dB")
            return f"left minus right is at {level} against both, named under {named}"
        case "low activity":
            share = number(100 * reading.activity, 0)
            return f"plays {share} % of the time, named under {number(100 * findings.SPARSE)} %"
        case "silent":
            return f"{active}, named with nothing above −90 dBFS"
        case "high crest":
            crest, named = quantity(reading.active_crest_db, "dB", 2), quantity(findings.HIGH_CREST_DB, "dB")
            return f"crest factor {crest}, named over {named}"
        case "over full scale":
            return f"peak {quantity(reading.sample_peak_dbfs, 'dBFS', 1)}, named above 0 dBFS"
        case "split stereo":
            own = f"{stem.channels} channels in the file"
            return own if stem.channels > 1 else "no other mono file has the same name except for left and right"
        case "duplicate":
            return f"no other stem is the same except for its level; a likeness over {number(findings.COPY)} is named"
        case "mix print":
            return f"no sum of two or more other stems makes up {number(100 * findings.PRINT_SHARE)} % of it"
        case "length mismatch":
            longest = max(stems, key=lambda each: each.frames / each.rate_hz)
            mine, most = (number(each.frames / each.rate_hz, 3) for each in (stem, longest))
            return f"{mine} s long; the longest, {longest.name}, is {most} s"
    raise GainlibError(f"{tag!r} is no finding; there is {', '.join(FAULTS)}")


# ------------------------------------------------------------------------------------------------------------- levels


@dataclass(frozen=True)
class Figure:
    """A figure that can be guessed.

    Attributes
    ----------
    key : str
        Its name in a :class:`~gainlib.meters.Reading`.
    name, unit : str
    apart : str
        Unit of a difference.
    low, high : float
        What a guess may be.
    """

    key: str
    name: str
    unit: str
    apart: str
    low: float
    high: float


FIGURES = (
    Figure("active_dbfs", "active level", "dBFS", "dB", -100.0, 20.0),
    Figure("active_crest_db", "crest factor", "dB", "dB", 0.0, 80.0),
    Figure("loudness_lufs", "loudness", "LUFS", "LU", -100.0, 20.0),
)


@dataclass(frozen=True)
class Guess:
    """A figure as guessed and as measured."""

    strip: str
    figure: Figure
    guessed: float
    measured: float

    @property
    def off(self) -> float:
        """How far the guess is above what was measured, in tenths as a reader sees them."""
        return round(round(self.guessed, 1) - round(self.measured, 1), 1)

    @property
    def near(self) -> bool:
        """Whether it is within the limit."""
        return abs(self.off) <= LIMIT_DB


def why_not(stem: Stem) -> str:
    """Return why the levels of a stem cannot be guessed at, or nothing.

    Examples
    --------
    >>> from gainlib.session import Strip
    >>> from gainlib.signals import tone
    >>> from gainlib.mix import checkup
    >>> for stem in checkup([Strip("bass", tone(110, -20.0, 1.0)), Strip("click", tone(997, -20.0, 0.2))]):
    ...     print(stem.name, why_not(stem) or "can be guessed")
    bass can be guessed
    click is shorter than 0.4 s and has no loudness
    """
    reading = stem.reading
    if not math.isfinite(reading.active_dbfs) or reading.active_crest_db is None:
        return "is silent"
    if reading.loudness_lufs is None:
        return f"is shorter than {number(SHORTEST_S)} s and has no loudness"
    return "" if math.isfinite(reading.loudness_lufs) else "is too soft to have a loudness"


def compare_levels(guesses: Mapping[str, Sequence[float]], stems: Iterable[Stem]) -> tuple[Guess, ...]:
    """Set guesses, by strip one number for each of `FIGURES`, beside what was measured.

    Examples
    --------
    A sine of −20 dBFS; its peak is 3 dB above its plain average.

    >>> from gainlib.session import Strip
    >>> from gainlib.signals import tone
    >>> from gainlib.mix import checkup
    >>> stems = checkup([Strip("tone", tone(997, -20.0, 1.0))])
    >>> [(each.figure.name, each.off, each.near) for each in compare_levels({"tone": (-17.0, 10.0, -24.0)}, stems)]
    [('active level', 3.0, True), ('crest factor', 7.0, False), ('loudness', -1.0, True)]
    """
    readings = {stem.name: stem.reading for stem in stems}
    return tuple(
        Guess(strip, figure, float(values[place]), float(getattr(readings[strip], figure.key)))
        for place, figure in enumerate(FIGURES)
        for strip, values in guesses.items()
    )


def near_by_figure(guesses: Iterable[Guess]) -> dict[str, int]:
    """Return for each figure, by name, how many guesses are within the limit."""
    guesses = tuple(guesses)
    return {figure.name: sum(guess.near for guess in guesses if guess.figure is figure) for figure in FIGURES}


def calibrated(guesses: Iterable[Guess]) -> bool:
    """Return whether three stems were guessed, and for each figure at least two of them within the limit."""
    guesses = tuple(guesses)
    stems = {guess.strip for guess in guesses}
    return len(stems) == STEMS and all(near >= ENOUGH for near in near_by_figure(guesses).values())


# ------------------------------------------------------------------------------------------------------------- faults


@dataclass(frozen=True)
class Difference:
    """A fault that stands on one of two lists only.

    Attributes
    ----------
    strip, tag : str
    kind : str
        "found" by the detectors and not listed; "possible", the same where an innocent cause looks alike, which never
        counts against anybody; "listed" and not found.
    evidence : str
        What the detector measured, or the figure that decides against it.
    """

    strip: str
    tag: str
    kind: str
    evidence: str


@dataclass(frozen=True)
class Comparison:
    """A list of faults against that of the detectors.

    Attributes
    ----------
    agreed : tuple of (str, str, bool)
        Strip, tag, and whether the detector is sure.
    differences : tuple of Difference
        Found ones first, then possible ones, then those that were listed.
    """

    agreed: tuple[tuple[str, str, bool], ...]
    differences: tuple[Difference, ...]

    @property
    def counted(self) -> tuple[Difference, ...]:
        """The differences without those that are merely possible."""
        return tuple(each for each in self.differences if each.kind != "possible")


def compare_faults(listed: Iterable[tuple[str, str]], stems: Sequence[Stem]) -> Comparison:
    """Set a list of faults, by strip and tag, beside that of the detectors.

    Of a pair, or of a stem and its copy, either may be named.

    Examples
    --------
    >>> from gainlib.session import Strip
    >>> from gainlib.signals import tone
    >>> from gainlib.mix import checkup
    >>> stems = checkup([Strip("bass", tone(110, -6.0, 1.0)), Strip("flute", tone(997, -20.0, 1.0))])
    >>> found = compare_faults([("flute", "too low")], stems)
    >>> for each in found.differences:
    ...     print(f"{each.strip}, {each.tag}, {each.kind}: {each.evidence[:54]} …")
    bass, too hot, found: active level −6.0 dBFS, peak −6.0 dBFS; turn it down a …
    flute, too low, listed: no measurement shows this: active level −20.00 dBFS, n …
    """
    found = _by_key(stems)
    agreed, alone, met = [], [], set()
    for key in dict.fromkeys(listed):
        keys = [key] if key in found else _of_the_other(key, found)
        met.update(keys)
        if keys:
            agreed.append((*key, any(each.sure for each in found[keys[0]])))
        else:
            alone.append(key)
    left = [key for key in found if key not in met]
    sure = {key: any(each.sure for each in found[key]) for key in left}
    by_name = {stem.name: stem for stem in stems}
    differences = [
        *(Difference(*key, "found", _evidence(found[key])) for key in left if sure[key]),
        *(Difference(*key, "possible", _evidence(found[key])) for key in left if not sure[key]),
        *(Difference(*key, "listed", against(by_name[key[0]], key[1], stems)) for key in alone),
    ]
    return Comparison(tuple(agreed), tuple(differences))


def _by_key(stems):
    """Return the findings of all stems by strip and tag; a stem may have one with several partners."""
    found = {}
    for stem in stems:
        for finding in stem.findings:
            found.setdefault((stem.name, finding.tag), []).append(finding)
    return found


def _of_the_other(key, found):
    """Return where a finding about two stems stands, when the learner has named the other of the two."""
    name, tag = key
    if tag not in HALVES:
        return []
    return [key for key, findings in found.items() if key[1] == tag and any(name in each.others for each in findings)]


def _evidence(findings):
    return "; and ".join(each.sentence if len(each.shown_by) > 1 else each.words for each in findings)
