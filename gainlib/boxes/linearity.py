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

import numpy as np

from gainlib.boxes.probing import (
    EXACT_DB,
    NOISE_MARGIN_DB,
    Bench,
    DeviceUnderTest,
    Residual,
    Response,
    level,
    noise,
    relative_db,
    two_tones,
    unit,
)
from gainlib.boxes.verdicts import (
    LINEAR,
    NOISY,
    NONLINEAR,
    SILENT_DBFS,
    TIME_VARYING,
    UP_TO,
    Evidence,
    Linearity,
    LinearityLimit,
    Row,
    sentence,
)
from gainlib.processors import Processor

SEARCH_STEPS = 13
SEARCH_DB, FARTHEST_DB = 6.0, 30.0
NEAR_DB, NOISY_DB = ((0.01, 0.02, 0.04), (0.05, 0.1, 0.2)), (0.25, 0.5, 1.0)
PLAIN_DB = -60.0
CORNER = 1.8

Fed = Callable[[float], Response]

LEVELS_DBFS = (*(float(step) for step in range(-60, 1, 6)), 0.5)  # a ceiling at full scale shows only above it
LOWEST_LIMIT_DBFS = -40.0
APART_DB = 10.0
PARTS_DBFS = -12.0
STEP_DB = 6.0
CLOSE_DB = 0.1


def find_edge(
    fed: Fed, compare: Callable[[Response, Response], Residual], passed: float, failed: float
) -> LinearityLimit:
    """Look for the end of a linear stretch between two levels.

    Parameters
    ----------
    fed : callable
        Gives the response at a peak level in dBFS.
    compare : callable
        Tells what is left of a response against another.
    passed, failed : float
        Where to look first: a level that should pass, and a higher one that should not.
    """
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
        grown = min(_growth([_height(fed(low + step), reference) for step in steps]) for steps in NEAR_DB)
    plain = left.residual_db > max(PLAIN_DB, left.floor_db + 6.0)
    falls = np.sum(above.line**2) < np.sum(reference.line**2)
    return LinearityLimit(low, bool(plain and grown < CORNER), bool(falls))


def _growth(excess):
    """Return how the root of what is left grows over two doublings of the excess: 1.4 behind a corner, 2 for a square.

    For a square it is 2 wherever the excess is counted from; in noise, the edge is found late.
    """
    first, second = np.diff(np.sqrt(excess))
    return second / first if first > 0.0 else np.inf


def _height(response, reference):
    """Return the highest deviation: unlike a power, it does not grow with the number of crests that reach the edge."""
    return np.abs(response.line - reference.line).max()


def _powers_in_noise(left):
    """Return relative powers of what is left, noise taken off."""
    powers = [
        10.0 ** (min(each.residual_db, 200.0) / 10.0) - 10.0 ** ((each.floor_db - NOISE_MARGIN_DB) / 10.0)
        for each in left
    ]
    return np.maximum(powers, 0.0)


# ---- the verdict, question by question -------------------------------------------------------------------------------


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
    for a level of −40 dBFS or more, residuals under −120 dB below it, a corner there rather than a bend (see ``edge``),
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
        if edge is not None and edge.ceiling:
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
        sentence=sentence(kind, table, edge, superposition, own),
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
    edge = find_edge(lambda step: bench.response(line, step), bench.compare, LEVELS_DBFS[last], LEVELS_DBFS[last + 1])
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
