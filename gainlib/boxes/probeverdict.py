"""What a recording of the test file shows, step by step, and what that allows to be said about the box.

The kinds are those of ``classify``. A recording shows less than a box at hand: its noise may be the box's or the
recorder's, and what lies under its floor may be anything. So three kinds say as much as a recording can show, and no
more: linear as far as it shows, with noise from somewhere; linear but for rounding, by the box or by the recorder;
level-dependent, be it from some level on or everywhere. Where it does not even show whether the input level matters,
the kind is "cannot tell", with the reason.
"""

from typing import NamedTuple

import numpy as np

from gainlib.boxes.linearity import (
    AS_SHOWN,
    CANNOT_TELL,
    LEVEL_DEPENDENT,
    LEVEL_FREE,
    LINEAR,
    LOWEST_LIMIT_DBFS,
    NOISY,
    NONLINEAR,
    ROUNDED,
    TIME_VARYING,
    UP_TO,
    Onset,
    alike_from,
    held_back_from,
)
from gainlib.boxes.spectral_lines import LevelSweep, Lines, Sway, onset_of_bend, onset_of_gain
from gainlib.words import number, quantity

SERIES = (("sine", 0), ("noise", 0), ("two tones", 0), ("two tones", 1))
SAME_DB, SAME_CODED_DB = 0.03, 0.25
SIGMAS, DB_OF_A_SHARE = 5.0, 8.686
CODED_BENT_DB = -65.0
STEADY_RUN, STEADY_DOUBT_DB = 3, 0.3
DISTINCT_DB = -46.0
PLAIN_GAIN_DB, PLAIN_BENT_DB, PLAIN_FROM_DBFS, GONE_DB = 0.3, -50.0, -45.0, 6.0
WANDERS = 3
MOVED_DB, MOVED_CODED_DB, MOVED_SHARE = 0.015, 0.25, 0.25  # choices of this project, no source
ROUNDING_DBFS = -95.0
GROWS_DB = (3.0, 9.0)
QUIET_DBFS = -144.0  # of 24 bit, silence gives nothing at all
OFFSET, PLAIN_OFFSET = 1e-6, 1e-4  # choices of this project, no source
RECORDERS_OFFSET = 0.02  # common practice, no source: converters stay under a percent
SOFTEST_DBFS = -54.0
FAINT_DB, FAINT_DOUBT_DB, FAINT_SIGMAS = 0.6, 1.5, 3.0  # noise alone passes for the sine once in 400 times at worst
ENOUGH_FLOOR_DB, ENOUGH_DOUBT_DB = -60.0, 0.15
TAIL_DB = 10.0
SAME_FLOOR_DB, MORE_FLOOR_DB = 1.0, 3.0


class Heard(NamedTuple):
    """All that was measured on a recording; levels in dBFS, sine-referred, the offset as a share of full scale.

    The rows stand in the order of the test file. ``grid_bits`` is the word length the samples stand on, if it is 16 to
    23 bit; ``stray_db`` what does not repeat, relative to the sound, and ``coded`` whether it follows the sound, as
    behind a lossy coder; ``moved_db`` by how much the gain differs where the same level comes again. Noise and offset
    of the chain are those of a recording without the box, if one was given; a slow ``sway`` is taken out of the gains.
    """

    rows: tuple[Lines, ...]
    swell: LevelSweep
    noise_dbfs: float
    offset: float
    grid_bits: int | None
    coded: bool
    stray_db: float
    chain_noise_dbfs: float | None
    chain_offset: float | None
    moved_db: float
    sway: Sway | None

    def of(self, stimulus: str) -> tuple[Lines, ...]:
        """Return the rows of one stimulus, from soft to loud."""
        return tuple(row for row in self.rows if row.part.stimulus == stimulus)

    @property
    def levels_dbfs(self) -> np.ndarray:
        """Peak levels of the steps, from soft to loud."""
        return np.array([row.part.level_dbfs for row in self.of("sine")])

    def gains(self, stimulus: str, which: int = 0) -> tuple[np.ndarray, np.ndarray]:
        """Return one gain of a stimulus on each step, and its doubt, in dB; silence as −300 dB."""
        read = [(row.gain_db[which], row.doubt_db[which]) for row in self.of(stimulus)]
        gain, doubt = np.array(read).T
        return np.maximum(gain, -300.0), np.maximum(doubt, 1e-4)

    @property
    def carries(self) -> tuple[str, ...]:
        """Stimuli that it carries: a coder treats noise too roughly."""
        return ("sine", "two tones") if self.coded else ("sine", "noise", "two tones")

    def bent(self, stimulus: str) -> np.ndarray:
        """Return for each step whether something lies where nothing was fed."""
        rows = self.of(stimulus)
        if self.coded:  # what a coder adds may fall on harmonics as well
            return np.array([row.bent_db > max(row.floor_db + 6.0, CODED_BENT_DB) for row in rows])
        return np.array([not row.straight for row in rows])


class Series(NamedTuple):
    """One gain against level: where it is steady, how much there, and how far the others lie off."""

    gain: np.ndarray
    doubt: np.ndarray
    plain: float
    off: np.ndarray  # how far off, beyond what is allowed, as a share of the amplitude; positive fails

    @property
    def fails(self) -> np.ndarray:
        """For each step whether its gain is another."""
        return self.off > 0.0


def _steady_run(heard, same):
    """Return first and last step of the stretch where the sine's gain is steady; of several, the one with most gain."""
    gain, doubt = heard.gains("sine")
    runs, start = [], 0
    for k in range(1, len(gain) + 1):
        if k == len(gain) or not abs(gain[k] - gain[k - 1]) <= max(same, SIGMAS * np.hypot(doubt[k], doubt[k - 1])):
            runs.append((start, k))
            start = k
    known = [run for run in runs if run[1] - run[0] >= STEADY_RUN and doubt[run[0] : run[1]].min() < STEADY_DOUBT_DB]
    if known:
        return max(known, key=lambda run: np.average(gain[slice(*run)], weights=doubt[slice(*run)] ** -2.0))
    return max(runs, key=lambda run: run[1] - run[0])


def _series_of(heard, key, run, same):
    """Return one gain against level, held against a steady stretch of steps; `same` is a difference that is none."""
    gain, doubt = heard.gains(*key)
    # The best known half of the stretch: soft sounds may drown.
    near = np.arange(*run)
    near = near[doubt[near] <= np.median(doubt[near])]
    plain = float(np.average(gain[near], weights=doubt[near] ** -2.0))
    # Held against what should come out: what is gone may drown in noise that would not have mattered.
    share = 10.0 ** ((gain - plain) / 20.0)
    known = SIGMAS * np.hypot(share * doubt, doubt[near].min()) / DB_OF_A_SHARE
    off = np.abs(share - 1.0) - np.maximum(same / DB_OF_A_SHARE, known)
    return Series(gain, doubt, plain, off)


def _failing(heard, series):
    """Return for each step whether anything there is not as it should be."""
    gains = [series[key].fails for key in SERIES if key[0] in heard.carries]
    return np.any([*gains, *(heard.bent(stimulus) for stimulus in heard.carries)], axis=0)


def _moves(heard, series):
    """Tell whether the gain differs at equal levels by so much that time may account for all of what level seems to.

    A box that follows the level may trail behind or settle slowly, and still does by far the most from step to step.
    """
    least = MOVED_CODED_DB if heard.coded else MOVED_DB
    apart = [np.abs(each.gain - each.plain)[each.fails].max(initial=0.0) for each in series.values()]
    return max(apart) > 0.0 and heard.moved_db > max(least, MOVED_SHARE * max(apart))


def _wanders(heard, series):
    """Tell whether a gain turns back time and again though nothing is bent."""
    there = series["sine", 0].gain > -100.0
    bent = {stimulus: heard.bent(stimulus)[there].any() for stimulus in heard.carries}
    # A coder's own ups and downs spare the sine.
    carried = ("sine",) if heard.coded or any(bent.values()) else tuple(bent)
    return not bent["sine"] and any(_turns(each) >= WANDERS for key, each in series.items() if key[0] in carried)


def _turns(series):
    steps = np.diff(series.gain)
    sure = np.abs(steps) > np.maximum(0.1, SIGMAS * np.hypot(series.doubt[1:], series.doubt[:-1]))
    return int(np.sum(np.diff(np.sign(steps[sure])) != 0))


def _beyond_a_coder(heard, sine):
    """Return on which steps a lossy coder leaves a sine alone, or more is missing than it would take."""
    gone = np.abs(sine.gain - sine.plain) > GONE_DB
    return (heard.levels_dbfs >= PLAIN_FROM_DBFS) | (gone & sine.fails)


def _plain_to_see(heard, sine):
    """Tell whether a sine of some level is bent or held back by more than a coder would."""
    bent = np.array([row.bent_db > max(row.floor_db + 6.0, PLAIN_BENT_DB) for row in heard.of("sine")])
    held_back = (np.abs(sine.gain - sine.plain) > PLAIN_GAIN_DB) & sine.fails
    return bool(np.any((heard.levels_dbfs >= PLAIN_FROM_DBFS) & (bent | held_back)))


def _only_rounds(heard, series):
    """Tell whether all that fails is an error of one small size, whatever the level."""
    if any(series[key].fails[-9:].any() for key in SERIES if key[0] in heard.carries):
        return False
    size, sine = (
        [row.bent_db + row.gain_db[0] + row.part.level_dbfs for row in heard.of(stimulus) if not row.straight]
        for stimulus in ("noise", "sine")
    )
    return bool(size) and max(size + sine) < ROUNDING_DBFS + max(0.0, series["sine", 0].plain)


def _grows_steadily(heard):
    """Tell whether a sine's distortion is seen to grow over three steps in a row, by no more than a bend's."""
    rows = heard.of("sine")
    seen = np.array([not row.straight and row.part.level_dbfs > LOWEST_LIMIT_DBFS for row in rows])
    grown = np.diff([max(row.bent_db, -300.0) for row in rows])
    good = seen[1:] & seen[:-1] & (grown > GROWS_DB[0]) & (grown < GROWS_DB[1])
    good &= np.array([row.bent_db < DISTINCT_DB for row in rows[:-1]])
    return bool(np.any(good[1:] & good[:-1]))


# ---- the verdict -----------------------------------------------------------------------------------------------------


class Verdict(NamedTuple):
    """What is said: a kind, why in plain words, and for "linear up to a level" up to which.

    Where the gain moved with time, figures of it against level mean nothing. ``gain_db`` is that of the sine where it
    is steady.
    """

    kind: str
    reason: str
    linear_up_to_dbfs: float | None = None
    moved: bool = False
    gain_db: float = np.nan

    @property
    def linear(self) -> bool | None:
        """Whether the level is free; None where that is open, as for rounding, which may be the recorder's."""
        return LEVEL_FREE.get(self.kind, False)


def verdict(heard: Heard) -> Verdict:
    """Decide on a kind, or say why it stays open."""
    same = SAME_CODED_DB if heard.coded else SAME_DB
    if heard.sway:
        same = max(same, 1.3 * heard.sway.left_db)
    run = _steady_run(heard, same)
    series = {key: _series_of(heard, key, run, same) for key in SERIES}
    return _told(heard, series)._replace(gain_db=series["sine", 0].plain)


def _told(heard, series):
    fails, sine = _failing(heard, series), series["sine", 0]
    if not fails.any():
        return _linear(heard, sine.plain)
    if not heard.sway and _moves(heard, series):
        return _moved(heard, series)
    if not heard.sway and _wanders(heard, series):
        return _open(
            "its gain goes up and down from step to step with no distortion and no order, so it changes in time, and "
            "the recording does not show whether it depends on level as well; record again with the box's modulation "
            "off, and player and recorder on one clock",
        )
    small = max(row.bent_db for row in heard.of("sine")) < CODED_BENT_DB
    if heard.sway and small and not any(each.fails.any() for each in series.values()):
        return _open(
            f"its gain {_sways(heard.sway)}, and the little distortion beside that may be the recording's; record as "
            f"24-bit WAV or FLAC",
        )
    softest = heard.levels_dbfs[fails].max() < SOFTEST_DBFS
    if heard.coded:
        fails &= _beyond_a_coder(heard, sine)
        if not _plain_to_see(heard, sine):
            return _open(f"{_coder(heard)}, and what else it does is no more than that may hide")
    if softest and (heard.coded or heard.grid_bits):
        what = _coder(heard) if heard.coded else _grid(heard)
        return _open(f"only the softest sounds come out different from the rest, and {what}")
    if _only_rounds(heard, series):
        return _rounded(
            heard, "all that differs is an error of the size that rounding to 16 bits without dither leaves"
        )
    return _not_linear(heard, series, fails)


# ---------------------------------------------------------------------------------------------------------- sentences


def _open(reason, moved=False):
    return Verdict(CANNOT_TELL, f"The recording does not show it: {reason}.", moved=moved)


def _matters(reason, moved=False):
    """Return what is said where the level matters, and no more is known of it."""
    return Verdict(LEVEL_DEPENDENT, f"{reason[:1].upper()}{reason[1:]}.", moved=moved)


def _rounded(heard, reason):
    alike = f"{alike_from(heard.levels_dbfs[0], heard.levels_dbfs[-1])} but for rounding"
    sways = f" Its gain {_sways(heard.sway)}." if heard.sway else ""
    return Verdict(
        ROUNDED,
        f"{alike}: {reason}.{sways} The recording does not show whether it is the box that rounds or the recorder: "
        f"record at 24 bits.",
    )


def _moved(heard, series):
    moved = f"the gain moved by {quantity(heard.moved_db, 'dB', 2)} while it was recorded, between equal levels"
    bent = heard.bent("sine")
    if np.any(bent[1:] & bent[:-1]):  # on two steps in a row, as no gain that moves slowly or once gives it
        return _matters(
            f"{_worst(heard, series)}, so its input level matters; but {moved}, and the recording does not show from "
            f"which level on",
            moved=True,
        )
    return _open(
        f"{moved}, so the recording does not show whether it depends on level as well; let everything warm up, switch "
        f"off whatever modulates or rides the level, and record again",
        moved=True,
    )


def _coder(heard):
    return (
        f"the recording carries an error of {quantity(heard.stray_db, 'dB', 0)} that follows the sound without "
        "repeating, as a lossy coder makes; record into WAV or FLAC"
    )


def _sways(sway):
    return f"sways by {quantity(sway.depth_db, 'dB', 1)} to either side at {number(sway.hz, 1)} Hz"


def _grid(heard):
    return (
        f"its samples lie on the steps of {heard.grid_bits} bits, so a box that rounds like that looks like one that "
        f"does not; record at 24 bits"
    )


# ------------------------------------------------------------------------------------------------------- linear boxes


def _linear(heard, gain):
    """Return what is said of a box that does the same at every level."""
    alike = alike_from(heard.levels_dbfs[0], heard.levels_dbfs[-1])
    rows = heard.of("sine")
    upper = rows[len(rows) // 2 :]
    floor, doubt = rows[-1].floor_db, max(row.doubt_db[0] for row in upper)
    if not heard.sway and (floor > ENOUGH_FLOOR_DB or doubt > ENOUGH_DOUBT_DB):
        what = _coder(heard) if heard.coded else _not_repeating(heard, rows[-1])
        return _open(f"distortion would show only above {quantity(floor, 'dB', 0)} of the loudest sine, because {what}")
    (faint,) = heard.of("faint sine")
    # How well it would be known if it came through as loud as it should.
    doubt = faint.doubt_db[0] * 10.0 ** (max(faint.gain_db[0] - gain, -100.0) / 20.0)
    known = doubt < FAINT_DOUBT_DB
    same = 2.0 * heard.sway.left_db if heard.sway else 0.0
    heard_faint = abs(faint.gain_db[0] - gain) <= max(FAINT_DB, FAINT_SIGMAS * doubt) + same
    if heard.grid_bits and (not heard_faint or heard.noise_dbfs <= QUIET_DBFS):
        # A noise would have turned the steps into one.
        return _rounded(heard, f"its samples lie on steps of {heard.grid_bits} bits")
    if not (known and heard_faint):
        if heard.coded:
            return _open(_coder(heard))
        return _open(
            f"the faint sine ahead of the steps, of {quantity(faint.part.level_dbfs, 'dBFS', 0)}, "
            + (
                "does not come through, as behind rounding without dither, which may come from the recording; record "
                "at 24 bits"
                if known
                else "is lost in noise, and nothing louder would show a box that rounds; record with less noise"
            ),
        )
    if heard.sway:
        return Verdict(
            TIME_VARYING,
            f"{alike} at the same time, though its gain {_sways(heard.sway)}; its input level is free.",
        )
    if heard.coded:  # it may have left faint harmonics out
        return _open(_coder(heard))
    free = f"{alike}, as far as distortion above {quantity(floor, 'dB', 0)} would show; its input level is free"
    return _noise(heard, free)


def _not_repeating(heard, loudest):
    if loudest.stray_dbfs > heard.noise_dbfs + TAIL_DB:
        return (
            "what does not repeat is far louder there than in the silences, as reverberation or a modulation of the "
            "box leaves it; turn that off if the box allows"
        )
    return "what does not repeat is too loud; record with less noise"


def _noise(heard, free):
    """Return what is said of noise and offset: whose they are, a recording of the box alone does not show."""
    noise, chain = heard.noise_dbfs, heard.chain_noise_dbfs
    noisy = noise > QUIET_DBFS
    if not noisy and abs(heard.offset) <= OFFSET:
        return Verdict(LINEAR, f"{free}.")
    found = [f"noise at {quantity(noise, 'dBFS', 1)}"] if noisy else []
    if _offset_is_its_own(heard):
        also = f" The {found[0]} comes from somewhere: the recording does not show from where." if found else ""
        told = f"{free}. It adds an offset of {number(heard.offset, 3)}, more than a recorder does.{also}"
        return Verdict(NOISY, told)
    if not noisy or abs(heard.offset) > PLAIN_OFFSET:
        found.append(f"offset of {number(float(f'{heard.offset:.2g}'))}")
    found = " and the ".join(found)
    if chain is not None and chain > QUIET_DBFS and noisy:
        if noise < chain + SAME_FLOOR_DB:
            told = f"{free}. The {found} is there without the box as well."
            return Verdict(LINEAR, told)
        if noise > chain + MORE_FLOOR_DB:
            told = f"{free}. It adds {found} to it, where the recording alone has {quantity(chain, 'dBFS', 1)}."
            return Verdict(NOISY, told)
    return Verdict(
        AS_SHOWN,
        f"{free}. There is {found} from somewhere. The recording does not show whether it comes from the box: record "
        f"the test file once more without the box, and give that in place of the test file.",
    )


def _offset_is_its_own(heard):
    """Tell whether the recording without the box has no such offset; or, not knowing that, whether no recorder has."""
    if heard.chain_noise_dbfs is not None and heard.chain_noise_dbfs > QUIET_DBFS:
        return abs(heard.offset - heard.chain_offset) > max(PLAIN_OFFSET, abs(heard.chain_offset))
    return abs(heard.offset) > RECORDERS_OFFSET


# ---------------------------------------------------------------------------------------------------- all other boxes


def _not_linear(heard, series, fails):
    """Tell a box with a ceiling from one that bends."""
    matters = "Fed louder or softer, it works differently"
    first, levels = int(np.argmax(fails)), heard.levels_dbfs
    worst = _worst(heard, series)
    told = f"{matters}: {worst}; its input level matters."
    sine = series["sine", 0]
    rises = any(
        np.any((each.gain - each.plain > SAME_DB) & each.fails)
        for key, each in series.items()
        if key[0] in heard.carries
    ) or np.any((sine.gain[:first] - sine.plain < -SAME_DB) & sine.fails[:first])
    if first == 0 or levels[first - 1] < LOWEST_LIMIT_DBFS - 6.0 or rises or fails[first:].sum() < len(fails) - first:
        return Verdict(NONLINEAR, told)
    onset = _onset(heard, series, first)
    if onset is None or onset.corner is None:
        return _matters(
            f"{worst}, so its input level matters; but whether it is linear up to there or distorts from softer levels "
            f"on, {'the coder hides' if heard.coded else 'the recording does not show'}"
        )
    if onset.corner and onset.level_dbfs >= LOWEST_LIMIT_DBFS and onset.level_dbfs >= levels[first - 1] - 1.0:
        up_to = round(onset.level_dbfs, 1)
        return Verdict(UP_TO, held_back_from(up_to), up_to)
    if onset.corner:
        return _matters(f"{worst}, so its input level matters; but the steps and the swell do not agree on where")
    return Verdict(NONLINEAR, f"{told} It sets in gradually.")


def _onset(heard, series, first) -> Onset | None:
    rows = heard.of("sine")[first : first + 2]
    if max(row.bent_db for row in rows) > DISTINCT_DB or not series["sine", 0].fails[first : first + 2].any():
        found = onset_of_bend(heard.swell)
        if (found is None or found.corner is None) and _grows_steadily(heard):
            return Onset(rows[0].part.level_dbfs, False)
        return found
    return onset_of_gain(heard.swell, series["sine", 0].plain)


def _worst(heard, series):
    """Say what is plainest."""
    bent = max((row for row in heard.of("sine") if not row.straight), key=lambda row: row.bent_db, default=None)
    sine = series["sine", 0]
    k = int(np.argmax(np.where(sine.fails, np.abs(sine.gain - sine.plain), 0.0)))
    said = []
    if sine.fails[k]:
        level = quantity(heard.levels_dbfs[k], "dBFS")
        change = max(sine.gain[k], -120.0) - sine.plain
        said.append(
            f"at {level} a sine has {quantity(change, 'dB', 1, signed=True)} of gain against where it is steady"
        )
    if bent is not None:
        level = quantity(bent.part.level_dbfs, "dBFS")
        said.append(f"at {level} its harmonics are at {quantity(bent.bent_db, 'dB', 0)}")
    if not said:
        said.append("noise or two tones come out differently at different levels")
    return " and ".join(said)
