"""Does this box care how loud it is fed? Found out by feeding it, never by its name.

Four questions, each answered by running known signals through the box (see ``probing``):

- homogeneity: fed g times as loud, does it give g times as much? No gain is fitted: a gain that depends on level is the
  very thing looked for;
- superposition: is what it makes of a sum the sum of what it makes of the parts?
- repeatability and silence: does the same come out twice, and what comes out when nothing goes in?
- time shift: does the same sound a little later come out the same, only later?

Source: homogeneity, superposition and time invariance are the textbook definition of a linear time-invariant system
(any handbook of signals and systems).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from gainlib.boxes.probing import (
    EXACT_DB,
    NOISE_MARGIN_DB,
    Bench,
    DeviceUnderTest,
    level,
    noise,
    relative_db,
    two_tones,
    unit,
)
from gainlib.processors import Processor
from gainlib.words import number, quantity

SEARCH_STEPS = 13
SEARCH_DB, FARTHEST_DB = 6.0, 30.0
NEAR_DB, NOISY_DB = ((0.01, 0.02, 0.04), (0.05, 0.1, 0.2)), (0.25, 0.5, 1.0)
PLAIN_DB = -60.0
CORNER = 1.8

LEVELS_DBFS = (*(float(step) for step in range(-60, 1, 6)), 0.5)  # a ceiling at full scale shows only above it
LOWEST_LIMIT_DBFS = -40.0
APART_DB = 10.0
PARTS_DBFS = -12.0
STEP_DB = 6.0
CLOSE_DB = 0.1
SILENT_DBFS = -200.0

LINEAR, TIME_VARYING, NOISY = "linear", "linear, time-varying", "linear plus noise or offset"
UP_TO, NONLINEAR = "linear up to a level", "nonlinear"
# Verdicts on recordings alone.
AS_SHOWN, ROUNDED = "linear as far as the recording shows", "linear but for rounding"
LEVEL_DEPENDENT, CANNOT_TELL = "level-dependent", "cannot tell"
LEVEL_FREE = dict.fromkeys((LINEAR, TIME_VARYING, NOISY, AS_SHOWN), True) | {ROUNDED: None, CANNOT_TELL: None}
"""Whether the input level of a kind is free at all levels tested, or open; of all others it is not."""


class Row(NamedTuple):
    """How one stimulus came through at one peak level.

    Homogeneity is what is left when the output at the reference level, scaled, is taken off, relative to it; up to the
    floor that is rounding, or the box's own noise.
    """

    stimulus: str
    level_dbfs: float
    gain_db: float
    residual_db: float
    floor_db: float

    @property
    def passed(self) -> bool:
        """Whether nothing but rounding or noise is left."""
        return self.residual_db <= self.floor_db


class Onset(NamedTuple):
    """Where a box stops being straight: the highest peak level in dBFS that still passes.

    It does so at a corner if within a decibel what is left is plain to see, and its height grows in step with the
    excess, as behind a clip, a limiter or a compressor without a knee. In a knee or a bend it grows with the square of
    the excess, or faster. None is where that cannot be told. A sound is held back if its gain falls from there on,
    rather than rise as that of a gate.
    """

    level_dbfs: float
    corner: bool | None
    held_back: bool = True


@dataclass(frozen=True)
class Evidence:
    """What a verdict rests on.

    Attributes
    ----------
    rows : tuple of Row
        Homogeneity, stimulus by stimulus, from soft to loud.
    reference_dbfs : float
        Level that the others are compared with: the one whose neighbours agree best.
    repeatability_db : float
        Difference of two equal runs, relative; −inf if equal to the last bit.
    offset : float
        Mean of what comes out for silence, full scale 1.
    noise_dbfs : float
        Sine-referred RMS of what comes out for silence, offset taken off; −inf for none.
    superposition_db : float
        What a sum of noise and two tones makes beyond its parts, relative.
    parts_dbfs : float
        Peak level of each part in that test.
    shift_db : float or None
        What differs when the same comes later, relative; None where it was not asked or noise hides it.
    latency_s : float
        Delay of the output by cross-correlation.
    sentence : str
        The verdict in plain words.
    """

    rows: tuple[Row, ...]
    reference_dbfs: float
    repeatability_db: float
    offset: float
    noise_dbfs: float
    superposition_db: float
    parts_dbfs: float
    shift_db: float | None
    latency_s: float
    sentence: str

    def of(self, stimulus: str) -> tuple[Row, ...]:
        """Return the rows of one stimulus, from soft to loud."""
        return tuple(row for row in self.rows if row.stimulus == stimulus)


@dataclass(frozen=True)
class Linearity:
    """Whether a box cares about level.

    Attributes
    ----------
    kind : str
        "linear", "linear, time-varying", "linear plus noise or offset", "linear up to a level" or "nonlinear".
    linear_up_to_dbfs : float or None
        For "linear up to a level" the peak level of a sine where that ends, else None.
    evidence : Evidence
        What was measured.
    """

    kind: str
    linear_up_to_dbfs: float | None
    evidence: Evidence

    @property
    def linear(self) -> bool:
        """Whether its input level is free at all levels tested: the first three kinds."""
        return LEVEL_FREE.get(self.kind, False)

    def __str__(self):
        return f"{self.kind}: {self.evidence.sentence}"


def classify(
    processor: Processor | Callable[[np.ndarray, int], np.ndarray], rate_hz: int = 48000, seed: int = 0
) -> Linearity:
    """Find out by measurement whether a box cares how loud it is fed, from −60 to 0.5 dBFS of peak level.

    Parameters
    ----------
    processor : Processor or callable
        A processor, or a function of an array (frames,) or (frames, channels) and a sample rate that returns such an
        array. Its latency may be anything; it starts from rest at each call.
    rate_hz : int
        Sample rate of the test.
    seed : int
        Draws the noise among the test signals.

    Returns
    -------
    Linearity
        The kind, the level up to which a box with a ceiling is linear, and the evidence.

    Notes
    -----
    A box counts as linear if all residuals stay under −120 dB or drown in noise of its own. "Linear up to a level" asks
    for a level of −40 dBFS or more, residuals under −120 dB below it, a corner there rather than a bend (``Onset``),
    and that what exceeds it is held back, not let through as by a gate. What depends on frequency beyond these
    signals, and a memory longer than 0.3 s, stay unseen.

    Examples
    --------
    >>> from gainlib.processors import Filter, HardClip, Saturation
    >>> classify(Filter()).kind, classify(Saturation()).kind
    ('linear', 'nonlinear')
    >>> found = classify(HardClip(-6))
    >>> found.kind, round(found.linear_up_to_dbfs, 1)
    ('linear up to a level', -6.0)
    >>> classify(lambda samples, rate_hz: 0.5 * samples + 0.01).kind
    'linear plus noise or offset'
    """
    bench = Bench(DeviceUnderTest(processor), rate_hz, seed)
    reference, rows = _homogeneity(bench)
    if (
        not bench.noise_stays
        and not all(line[0].passed for line in rows.values())
        and _error_moves(bench, reference, rows)
    ):
        bench.noise_stays = True
        reference, rows = _homogeneity(bench)
    return _verdict(bench, reference, rows, seed)


# -------------------------------------------------------------------------------------------------------- homogeneity


def _homogeneity(bench):
    """Return the reference level and, for each stimulus, its rows from soft to loud."""
    names = tuple(bench.stimulus.parts)
    fed = [bench.response(bench.stimulus.line, step) for step in LEVELS_DBFS]
    reference = _best_agreement([_agreement(bench, *pair, names) for pair in zip(fed[1:], fed[:-1], strict=True)])
    rows = {
        name: [
            Row(name, step, bench.gain_db(each, name), *bench.compare(each, fed[reference], name))
            for step, each in zip(LEVELS_DBFS, fed, strict=True)
        ]
        for name in names
    }
    return LEVELS_DBFS[reference], rows


def _agreement(bench, louder, softer, names):
    """Return by how much neighbours disagree beyond rounding and noise, dB; not at all is 0."""
    if not softer.line.any() and louder.line.any():
        return np.inf
    left = [bench.compare(louder, softer, name) for name in names]
    return max(max(each.residual_db - each.floor_db, 0.0) for each in left)


def _best_agreement(steps):
    """Return the level whose neighbours agree best: inside the longest stretch that agrees, else at the best step."""
    best = min(steps)
    longest, start = (0, 0), 0
    for k, step in enumerate([*steps, np.inf]):
        if step > best or step == np.inf:
            longest, start = max(longest, (k - start, k)), k + 1
    return longest[1]


def _reach(line):
    """Return how many levels pass, counted from the softest."""
    return next((k for k, row in enumerate(line) if not row.passed), len(line))


# ---------------------------------------------------------------------------------------- time shift and superposition


def _shifted(bench, level_dbfs):
    """Return what differs when the same comes later, relative."""
    here = bench.response(bench.stimulus.line, level_dbfs)
    return max(
        bench.compare(bench.response(bench.stimulus.line, level_dbfs, lead), here).residual_db for lead in bench.later()
    )


def _error_moves(bench, reference, rows):
    """Tell whether the error of soft sounds changes with time, as noise does, rather than follow the sound."""
    soft = next((k for k in range(len(LEVELS_DBFS)) if any(line[k].gain_db > -np.inf for line in rows.values())), None)
    if soft is None or not _adds(bench):
        return False
    line, step = bench.stimulus.line, LEVELS_DBFS[soft]
    right, here = bench.response(line, reference), bench.response(line, step)
    moved = max(relative_db(bench.response(line, step, lead).line - here.line, right.line) for lead in bench.later())
    return moved > relative_db(here.line - right.line, right.line) - APART_DB


def _superposition(bench, parts_dbfs, seed):
    """Return what a sum makes beyond its parts."""
    frames = len(bench.stimulus.only("two tones"))
    one, other = (unit(line, bench.rate_hz) for line in (noise(frames, seed + 1), two_tones(frames, bench.rate_hz)))
    alone, beside, both = (bench.response(line, parts_dbfs) for line in (one, other, one + other))
    return bench.compare(both.less(alone), beside) if beside.line.any() else bench.compare(both, alone)


def _adds(bench):
    """Tell whether something comes out when nothing goes in."""
    return level(bench.silence().line) > SILENT_DBFS


# ---- where a linear stretch ends -------------------------------------------------------------------------------------


def _find_edge(bench, line, passed, failed) -> Onset:
    """Look for the end of a linear stretch, first between a level that should pass and a higher one that should not."""

    def fed(level_dbfs):
        return bench.response(line, level_dbfs)

    compare = bench.compare
    # Among other sounds a sound may pass where alone it does not, and the other way round: boxes have memories.
    lowest, highest = passed - FARTHEST_DB, failed + FARTHEST_DB
    while passed > lowest and not compare(fed(passed), fed(passed - SEARCH_DB)).passed:
        passed -= SEARCH_DB
    reference = fed(passed)
    while failed < highest and compare(fed(failed), reference).passed:
        failed += SEARCH_DB
    low, high = passed, failed
    for _ in range(SEARCH_STEPS):
        middle = (low + high) / 2.0
        if compare(fed(middle), reference).passed:
            low = middle
        else:
            high = middle
    above = fed(low + 1.0)
    left = compare(above, reference)
    noisy = left.floor_db > EXACT_DB
    if noisy:
        grown = _growth(_powers_in_noise([compare(fed(low + step), reference) for step in NOISY_DB]) ** 0.5)
    else:
        # The highest deviation: unlike a power, it does not grow with the number of crests that reach the edge.
        grown = min(
            _growth([np.abs(fed(low + step).line - reference.line).max() for step in steps]) for steps in NEAR_DB
        )
    plain = left.residual_db > max(PLAIN_DB, left.floor_db + 6.0)
    falls = np.sum(above.line**2) < np.sum(reference.line**2)
    return Onset(low, bool(plain and grown < CORNER), bool(falls))


def _growth(excess):
    """Return how the root of what is left grows over two doublings of the excess: 1.4 behind a corner, 2 for a square.

    For a square it is 2 wherever the excess is counted from; in noise, the edge is found late.
    """
    first, second = np.diff(np.sqrt(excess))
    return second / first if first > 0.0 else np.inf


def _powers_in_noise(left):
    """Return relative powers of what is left, noise taken off."""
    powers = [
        10.0 ** (min(each.residual_db, 200.0) / 10.0) - 10.0 ** ((each.floor_db - NOISE_MARGIN_DB) / 10.0)
        for each in left
    ]
    return np.maximum(powers, 0.0)


# ------------------------------------------------------------------------------------------------------------- verdict


def _verdict(bench, reference, rows, seed):
    kind, edge, shift = NONLINEAR, None, None
    parts, superposition = PARTS_DBFS, None
    if all(_reach(line) == len(LEVELS_DBFS) for line in rows.values()):
        parts = LEVELS_DBFS[-1] - STEP_DB
        superposition = _superposition(bench, parts, seed)
        if superposition.passed:
            kind, shift = _linear_kind(bench)
    else:
        edge = _edge(bench, rows)
        if edge is not None and edge.corner and edge.held_back:
            parts = _lowest(edge, rows) - STEP_DB - 1.0
            superposition = _superposition(bench, parts, seed)
            kind = UP_TO if superposition.passed else NONLINEAR
    if superposition is None:
        superposition = _superposition(bench, parts, seed)
    own = bench.silence().line
    offset = float(own.mean())
    table = tuple(row for line in rows.values() for row in line)
    evidence = Evidence(
        rows=table,
        reference_dbfs=reference,
        repeatability_db=bench.repeatability_db,
        offset=offset,
        noise_dbfs=level(own - offset),
        superposition_db=superposition.residual_db,
        parts_dbfs=parts,
        shift_db=shift,
        latency_s=bench.latency / bench.rate_hz,
        sentence=_sentence(kind, table, edge, superposition, own),
    )
    return Linearity(kind, edge.level_dbfs if kind == UP_TO else None, evidence)


def _linear_kind(bench):
    """Return the kind of a box that homogeneity and superposition let pass, and what a time shift showed."""
    if bench.sways():
        return TIME_VARYING, None
    if bench.noise_stays:
        return NOISY, None
    shift = _shifted(bench, LEVELS_DBFS[-1])
    if _adds(bench):
        return NOISY, shift
    return (TIME_VARYING if shift > EXACT_DB else LINEAR), shift


def _edge(bench, rows):
    """Return where linearity ends, for a sine if it ends for one; None if soft sounds already fail."""
    reach = {name: _reach(line) for name, line in rows.items()}
    if LEVELS_DBFS[min(reach.values()) - 1] < LOWEST_LIMIT_DBFS - STEP_DB or min(reach.values()) == 0:
        return None
    ends = [name for name in ("sine", "two tones", "noise") if reach[name] < len(LEVELS_DBFS)]
    line = bench.stimulus.line if bench.wanders else bench.stimulus.only(ends[0])
    last = reach[ends[0]] - 1
    edge = _find_edge(bench, line, LEVELS_DBFS[last], LEVELS_DBFS[last + 1])
    if edge.level_dbfs < LOWEST_LIMIT_DBFS:
        return None
    # A gate behind a compressor: held back at first, let through further up.
    rises = any(
        max(row.gain_db for row in line[_reach(line) :]) > line[_reach(line) - 1].gain_db + CLOSE_DB
        for line in rows.values()
        if _reach(line) < len(line)
    )
    return edge._replace(held_back=edge.held_back and not rises)


def _lowest(edge, rows):
    """Return a level at which every stimulus is still inside."""
    return min(edge.level_dbfs, *(line[_reach(line) - 1].level_dbfs for line in rows.values()))


# ---- in plain words --------------------------------------------------------------------------------------------------


def _sentence(kind, rows, edge, superposition, own):
    alike = alike_from(rows[0].level_dbfs, rows[-1].level_dbfs)
    if kind == LINEAR:
        return f"{alike}; its input level is free."
    if kind == TIME_VARYING:
        return f"{alike} at the same time, though not at all times; its input level is free."
    if kind == NOISY:
        return f"{alike} and adds {_own(own)} of its own; its level only sets how far the sound is above that."
    if kind == UP_TO:
        return held_back_from(edge.level_dbfs)
    worst = max(rows, key=lambda row: row.residual_db - row.floor_db)
    if worst.passed:
        return (
            f"Its output for a sum differs by {quantity(superposition.residual_db, 'dB', 0)} from the sum of its "
            f"outputs for the parts, so it matters what plays together."
        )
    return _of_nonlinear(worst, edge)


def alike_from(low_dbfs: float, high_dbfs: float) -> str:
    """Say that level makes no difference."""
    return f"Fed at any level from {number(low_dbfs)} to {quantity(high_dbfs, 'dBFS')}, it does the same"


def held_back_from(level_dbfs: float) -> str:
    """Say where a linear stretch ends."""
    level_text = quantity(level_dbfs, "dBFS", 1)
    return f"Up to a sine of {level_text} it works the same at any level; anything louder is held back."


def _of_nonlinear(worst, edge):
    heard = "the outputs have nothing in common"
    if worst.residual_db < np.inf:
        heard = f"the difference is {quantity(worst.residual_db, 'dB', 0)}"
    told = (
        f"Fed louder or softer, it works differently: with {worst.stimulus} at {quantity(worst.level_dbfs, 'dBFS')} "
        f"{heard}; its input level matters."
    )
    if edge is None:
        return told
    at = quantity(edge.level_dbfs, "dBFS", 1)
    return f"{told} {f'It sets in gradually, from {at} on' if edge.held_back else f'Its gain rises above {at}'}."


def _own(own):
    offset = float(own.mean())
    hiss, shift = level(own - offset), level(np.array([offset]))
    told = [f"noise at {quantity(hiss, 'dBFS', 1)}"] if hiss > SILENT_DBFS else []
    if shift > max(SILENT_DBFS, hiss):
        told.append(f"an offset of {number(offset)}")
    return " and ".join(told)
