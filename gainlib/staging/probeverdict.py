"""What a recording of the test file allows to be said about the box it went through.

The kinds are those of ``classify``. A recording shows less than a box at hand: its noise may be the box's or the
recorder's, and what lies under its floor may be anything. Where that leaves a verdict open, the kind is "cannot tell",
with the reason; whether the input level matters may be known all the same.
"""

from typing import NamedTuple

import numpy as np

from gainlib.levels.printing import number, quantity
from gainlib.staging.linearity import LOWEST_LIMIT_DBFS
from gainlib.staging.probelines import Lines
from gainlib.staging.probeswell import Onset, Swell, onset_of_bend, onset_of_gain, sway
from gainlib.staging.verdicts import LINEAR, NOISY, NONLINEAR, TIME_VARYING, UP_TO

CANNOT_TELL = "cannot tell"
SERIES = (("sine", 0), ("noise", 0), ("two tones", 0), ("two tones", 1))
SAME_DB, SAME_CODED_DB = 0.03, 0.25
SIGMAS = 5.0
STEADY_RUN, STEADY_DOUBT_DB = 3, 0.3
QUIET_DBFS = -144.0  # of 24 bit, silence gives nothing at all
OFFSET = 1e-6
SOFTEST_DBFS = -54.0
DISTINCT_DB = -46.0
PLAIN_GAIN_DB, PLAIN_BENT_DB, PLAIN_FROM_DBFS, GONE_DB = 0.3, -50.0, -45.0, 6.0
FAINT_DB, FAINT_DOUBT_DB = 0.6, 1.5
ENOUGH_FLOOR_DB, ENOUGH_DOUBT_DB = -60.0, 0.15
WANDERS = 3
ROUNDING_DBFS = -95.0
SAME_FLOOR_DB, MORE_FLOOR_DB = 1.0, 3.0
GROWS_DB = (3.0, 9.0)


class Heard(NamedTuple):
    """All that was measured on a recording.

    Attributes
    ----------
    rows : tuple of Lines
        In the order of the test file.
    swell : Swell
    noise_dbfs : float
        In the silences, sine-referred; −inf for none.
    offset : float
        In the silences, full scale 1.
    grid_bits : int or None
        Word length the samples stand on, if it is 16 to 23 bit.
    coded : bool
        Whether an error follows the sound without repeating, as behind a lossy coder.
    stray_db : float
        That error, relative to the sound.
    chain_noise_dbfs : float or None
        Noise of the recording without the box, if a recording of that was given.
    """

    rows: tuple[Lines, ...]
    swell: Swell
    noise_dbfs: float
    offset: float
    grid_bits: int | None
    coded: bool
    stray_db: float
    chain_noise_dbfs: float | None

    def of(self, stimulus: str) -> tuple[Lines, ...]:
        """Return the rows of one stimulus, from soft to loud."""
        return tuple(row for row in self.rows if row.part.stimulus == stimulus)


class Verdict(NamedTuple):
    """What is said.

    Attributes
    ----------
    kind : str
        As for ``classify``, or "cannot tell".
    linear : bool or None
        None where that is open, too.
    linear_up_to_dbfs : float or None
        For "linear up to a level".
    gain_db : float
        Of the sine where the gain is steady.
    reason : str
        In plain words.
    """

    kind: str
    linear: bool | None
    linear_up_to_dbfs: float | None
    gain_db: float
    reason: str


class _Series(NamedTuple):
    """One gain against level: where it is steady, how much there, and how far the others lie off."""

    gain: np.ndarray
    doubt: np.ndarray
    plain: float
    off: np.ndarray  # how far off, beyond what is allowed; positive fails


def verdict(heard: Heard) -> Verdict:
    """Decide on a kind, or say why it stays open.

    Parameters
    ----------
    heard : Heard

    Returns
    -------
    Verdict
    """
    swaying = sway(heard.swell)
    same = SAME_CODED_DB if heard.coded else SAME_DB
    if swaying:
        same = max(same, 1.3 * swaying[0])
    run = _steady_run(heard, same)
    series = {key: _series(heard, key, run, same) for key in SERIES}
    gain = series["sine", 0].plain
    told = _told(heard, series, swaying, gain)  # what stays open names no gain of its own
    return Verdict(told.kind, told.linear, told.linear_up_to_dbfs, gain, told.reason)


def _told(heard, series, swaying, gain):
    fails = _failing(heard, series)
    levels = [row.part.level_dbfs for row in heard.of("sine")]
    failed = [level for level, each in zip(levels, fails, strict=True) if each]
    if not failed:
        return _linear(heard, swaying, gain)
    if not swaying and _wanders(heard, series):
        return _open(
            None,
            "its gain goes up and down from step to step with no distortion and no order, so it moves with time, and "
            "whether it moves with level as well does not show; record again with the box's modulation off",
        )
    if heard.coded:
        fails &= _not_by_coder(heard, series)
    if heard.coded and not _plain_to_see(heard, series):
        return _open(None, f"{_coder(heard)}, and what else it does is no more than that may hide")
    if all(level < SOFTEST_DBFS for level in failed) and (heard.coded or heard.grid_bits):
        what = _coder(heard) if heard.coded else _grid(heard)
        return _open(None, f"only the softest sounds come out otherwise than the rest, and {what}")
    if _rounds(heard, series):
        return _open(
            None,
            "all that differs is an error of the size that rounding to 16 bit without dither leaves, and the recording "
            "may have done that as well as the box; record with 24 bit",
        )
    return _not_linear(heard, series, fails, levels, gain)


# ------------------------------------------------------------------------------------------------- what differs where


def _steady_run(heard, same):
    """Return first and last step of the stretch where the sine's gain is steady; of several, the one with most gain."""
    gain, doubt = _gains(heard, ("sine", 0))
    runs, start = [], 0
    for k in range(1, len(gain) + 1):
        if k == len(gain) or not abs(gain[k] - gain[k - 1]) <= max(same, SIGMAS * np.hypot(doubt[k], doubt[k - 1])):
            runs.append((start, k))
            start = k
    known = [run for run in runs if run[1] - run[0] >= STEADY_RUN and doubt[run[0] : run[1]].min() < STEADY_DOUBT_DB]
    if known:
        return max(known, key=lambda run: np.average(gain[slice(*run)], weights=doubt[slice(*run)] ** -2.0))
    return max(runs, key=lambda run: run[1] - run[0])


def _gains(heard, key):
    rows = heard.of(key[0])
    gain = np.array([row.gain_db[key[1]] for row in rows])
    doubt = np.array([row.doubt_db[key[1]] for row in rows])
    return np.maximum(gain, -300.0), np.maximum(doubt, 1e-4)


def _series(heard, key, run, same):
    gain, doubt = _gains(heard, key)
    # The best known half of the stretch: soft sounds may drown.
    near = np.arange(*run)
    near = near[doubt[near] <= np.median(doubt[near])]
    plain = float(np.average(gain[near], weights=doubt[near] ** -2.0))
    off = np.abs(gain - plain) - np.maximum(same, SIGMAS * np.hypot(doubt, doubt[near].min()))
    return _Series(gain, doubt, plain, off)


def _trusted(heard):
    """Return the stimuli that a recording carries: a coder treats noise too roughly."""
    return ("sine", "two tones") if heard.coded else ("sine", "noise", "two tones")


def _failing(heard, series):
    """Return for each step whether anything there is not as it should be."""
    trusted = _trusted(heard)
    fails = np.zeros(len(heard.of("sine")), bool)
    for key in SERIES:
        if key[0] in trusted:
            fails |= series[key].off > 0.0
    for stimulus in trusted:
        fails |= _bent(heard, stimulus)
    return fails


def _bent(heard, stimulus):
    return np.array([not row.straight for row in heard.of(stimulus)])


def _wanders(heard, series):
    """Tell whether the sine's gain turns back time and again though the sine stays clean."""
    gain, doubt = series["sine", 0].gain, series["sine", 0].doubt
    steps = np.diff(gain)
    sure = np.abs(steps) > np.maximum(0.1, SIGMAS * np.hypot(doubt[1:], doubt[:-1]))
    turns = np.sum(np.diff(np.sign(steps[sure])) != 0)
    return turns >= WANDERS and not _bent(heard, "sine")[gain > -100.0].any()


def _not_by_coder(heard, series):
    """Return on which steps a lossy coder leaves a sine alone, or more is missing than it would take."""
    levels = np.array([row.part.level_dbfs for row in heard.of("sine")])
    gone = np.abs(series["sine", 0].gain - series["sine", 0].plain) > GONE_DB
    return (levels >= PLAIN_FROM_DBFS) | (gone & (series["sine", 0].off > 0.0))


def _plain_to_see(heard, series):
    """Tell whether a sine of some level is bent or held back by more than a coder would."""
    rows = heard.of("sine")
    loud = np.array([row.part.level_dbfs >= PLAIN_FROM_DBFS for row in rows])
    bent = np.array([row.bent_db > max(row.floor_db + 6.0, PLAIN_BENT_DB) for row in rows])
    gain = np.abs(series["sine", 0].gain - series["sine", 0].plain) > PLAIN_GAIN_DB
    return bool(np.sum(loud & (bent | (gain & (series["sine", 0].off > 0.0)))) >= 1)


def _rounds(heard, series):
    """Tell whether all that fails is an error of one small size, whatever the level."""
    if any((series[key].off > 0.0)[-9:].any() for key in SERIES if key[0] in _trusted(heard)):
        return False
    size = [row.bent_db + row.gain_db[0] + row.part.level_dbfs for row in heard.of("noise") if not row.straight]
    sine = [row.bent_db + row.gain_db[0] + row.part.level_dbfs for row in heard.of("sine") if not row.straight]
    return bool(size) and max(size + sine) < ROUNDING_DBFS + max(0.0, series["sine", 0].plain)


# ---------------------------------------------------------------------------------------------------------- sentences


def _open(linear, reason):
    return Verdict(CANNOT_TELL, linear, None, np.nan, f"Cannot tell: {reason}.")


def _coder(heard):
    return (
        f"the recording carries an error of {quantity(heard.stray_db, 'dB', 0)} that follows the sound without "
        "repeating, as a lossy coder makes; record into WAV or FLAC"
    )


def _grid(heard):
    return (
        f"its samples stand on the steps of {heard.grid_bits} bit, so that a box which rounds like that looks like one "
        "which does not; record with 24 bit"
    )


def _levels(heard):
    rows = heard.of("sine")
    return f"{number(rows[0].part.level_dbfs)} to {quantity(rows[-1].part.level_dbfs, 'dBFS')}"


# ------------------------------------------------------------------------------------------------------- linear boxes


def _linear(heard, swaying, gain):
    """Return what is said of a box that does the same at every level."""
    alike = f"Fed at any level from {_levels(heard)}, it does the same"
    rows = heard.of("sine")
    upper = rows[len(rows) // 2 :]
    floor, doubt = rows[-1].floor_db, max(row.doubt_db[0] for row in upper)
    if not swaying and (floor > ENOUGH_FLOOR_DB or doubt > ENOUGH_DOUBT_DB):
        what = _coder(heard) if heard.coded else "what does not repeat is too loud; record with less noise"
        return _open(
            None, f"distortion would show only above {quantity(floor, 'dB', 0)} of the loudest sine, because {what}"
        )
    (faint,) = heard.of("faint sine")
    # How well it would be known if it came through as loud as it should.
    doubt = faint.doubt_db[0] * 10.0 ** (max(faint.gain_db[0] - gain, -100.0) / 20.0)
    known = doubt < FAINT_DOUBT_DB
    same = 0.0 if not swaying else 2.0 * swaying[0]
    heard_faint = abs(faint.gain_db[0] - gain) <= max(FAINT_DB, SIGMAS * doubt) + same
    if not (known and heard_faint):
        if heard.grid_bits:
            return _open(None, _grid(heard))
        if heard.coded:
            return _open(None, _coder(heard))
        return _open(
            None,
            f"a sine of {quantity(faint.part.level_dbfs, 'dBFS', 0)} "
            + (
                "does not come through, as behind rounding without dither, which may be the recording's; record with "
                "24 bit"
                if known
                else "drowns in noise; record with less of it"
            ),
        )
    if swaying:
        return Verdict(
            TIME_VARYING,
            True,
            None,
            gain,
            f"{alike} at the same time, though its gain sways by {quantity(swaying[0], 'dB', 1)} to either side at "
            f"{number(swaying[1], 1)} Hz; its input level is free.",
        )
    free = f"{alike}, as far as distortion above {quantity(floor, 'dB', 0)} would show; its input level is free"
    if heard.coded:
        return Verdict(
            CANNOT_TELL, True, None, gain, f"{free}. Cannot tell whether it adds noise of its own: {_coder(heard)}."
        )
    return _noise(heard, gain, free)


def _noise(heard, gain, free):
    """Return what is said of noise and offset: whose they are, a recording of the box alone does not show."""
    noise, chain = heard.noise_dbfs, heard.chain_noise_dbfs
    if noise <= QUIET_DBFS and abs(heard.offset) <= OFFSET:
        return Verdict(LINEAR, True, None, gain, f"{free}.")
    found = f"noise at {quantity(noise, 'dBFS', 1)}" if noise > QUIET_DBFS else f"offset of {heard.offset:.2g}"
    if chain is not None and chain > QUIET_DBFS and noise > QUIET_DBFS:
        if noise < chain + SAME_FLOOR_DB:
            told = f"{free}. The {found} is there without the box as well."
            return Verdict(LINEAR, True, None, gain, told)
        if noise > chain + MORE_FLOOR_DB:
            told = f"{free}. It adds {found} to it, where the recording alone has {quantity(chain, 'dBFS', 1)}."
            return Verdict(NOISY, True, None, gain, told)
    return Verdict(
        CANNOT_TELL,
        True,
        None,
        gain,
        f"{free}. Cannot tell whether the {found} is its own or the recording's: record the test file once more "
        "without the box, and give that in place of the test file.",
    )


# ---------------------------------------------------------------------------------------------------- all other boxes


def _not_linear(heard, series, fails, levels, gain):
    """Tell a box with a ceiling from one that bends."""
    matters = "Fed louder or softer, it does something else"
    first = int(np.argmax(fails))
    worst = _worst(heard, series)
    told = f"{matters}: {worst}; its input level matters."
    sine = series["sine", 0]
    rises = any(
        np.any((each.gain - each.plain > SAME_DB) & (each.off > 0.0))
        for key, each in series.items()
        if key[0] in _trusted(heard)
    ) or bool(np.any((sine.gain[:first] - sine.plain < -SAME_DB) & (sine.off[:first] > 0.0)))
    if first == 0 or levels[first - 1] < LOWEST_LIMIT_DBFS - 6.0 or rises or fails[first:].sum() < len(fails) - first:
        return Verdict(NONLINEAR, False, None, gain, told)
    onset = _onset(heard, series, first)
    if onset is None or onset.corner is None:
        return _open(
            False,
            f"{worst}, so its input level matters; but whether it is straight up to there or bends from softer levels "
            f"on, {'the coder hides' if heard.coded else 'the recording does not show'}",
        )
    if onset.corner and onset.level_dbfs >= LOWEST_LIMIT_DBFS and onset.level_dbfs >= levels[first - 1] - 1.0:
        up_to = round(onset.level_dbfs, 1)
        return Verdict(
            UP_TO,
            False,
            up_to,
            gain,
            f"Up to a sine of {quantity(up_to, 'dBFS', 1)} it does the same at any level; what is louder is held back.",
        )
    if onset.corner:
        return _open(False, f"{worst}, so its input level matters; but the steps and the swell do not agree on where")
    return Verdict(NONLINEAR, False, None, gain, f"{told} It sets in gradually.")


def _onset(heard, series, first) -> Onset | None:
    rows = heard.of("sine")[first : first + 2]
    if max(row.bent_db for row in rows) > DISTINCT_DB or not (series["sine", 0].off[first : first + 2] > 0.0).any():
        found = onset_of_bend(heard.swell)
        if (found is None or found.corner is None) and _grows_steadily(heard):
            return Onset(rows[0].part.level_dbfs, False)
        return found
    return onset_of_gain(heard.swell, series["sine", 0].plain)


def _grows_steadily(heard):
    """Tell whether a sine's distortion is seen to grow over three steps in a row, by no more than a bend's."""
    rows = heard.of("sine")
    seen = np.array([not row.straight and row.part.level_dbfs > LOWEST_LIMIT_DBFS for row in rows])
    grown = np.diff([row.bent_db for row in rows])
    good = seen[1:] & seen[:-1] & (grown > GROWS_DB[0]) & (grown < GROWS_DB[1])
    good &= np.array([row.bent_db < DISTINCT_DB for row in rows[:-1]])
    return bool(np.any(good[1:] & good[:-1]))


def _worst(heard, series):
    """Say what is plainest."""
    bent = max((row for row in heard.of("sine") if not row.straight), key=lambda row: row.bent_db, default=None)
    sine = series["sine", 0]
    k = int(np.argmax(np.where(sine.off > 0.0, np.abs(sine.gain - sine.plain), 0.0)))
    said = []
    if sine.off[k] > 0.0:
        level = quantity(heard.of("sine")[k].part.level_dbfs, "dBFS")
        change = max(sine.gain[k], -120.0) - sine.plain
        said.append(
            f"at {level} a sine has {quantity(change, 'dB', 1, signed=True)} of gain against where it is steady"
        )
    if bent is not None:
        level = quantity(bent.part.level_dbfs, "dBFS")
        said.append(f"at {level} its harmonics stand at {quantity(bent.bent_db, 'dB', 0)}")
    if not said:
        said.append("noise or two tones come out otherwise at one level than at another")
    return " and ".join(said)
