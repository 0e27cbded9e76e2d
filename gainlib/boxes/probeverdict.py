"""What a recording of the test file allows to be said about the box it went through.

The kinds are those of ``classify``. A recording shows less than a box at hand: its noise may be the box's or the
recorder's, and what lies under its floor may be anything. So three kinds say as much as a recording can show, and no
more: linear as far as it shows, with noise from somewhere; linear but for rounding, by the box or by the recorder;
level-dependent, be it from some level on or everywhere. Where it does not even show whether the input level matters,
the kind is "cannot tell", with the reason.
"""

from typing import NamedTuple

import numpy as np

from gainlib.boxes.linearity import LOWEST_LIMIT_DBFS
from gainlib.boxes.probecurve import (
    CODED_BENT_DB,
    DISTINCT_DB,
    SAME_CODED_DB,
    SAME_DB,
    SERIES,
    Heard,
    beyond_a_coder,
    failing,
    grows_steadily,
    moves,
    only_rounds,
    plain_to_see,
    plainly_bent,
    series_of,
    steady_run,
    trusted,
    wanders,
)
from gainlib.boxes.spectral_lines import Onset, onset_of_bend, onset_of_gain, sway
from gainlib.boxes.verdicts import (
    AS_SHOWN,
    CANNOT_TELL,
    LEVEL_DEPENDENT,
    LINEAR,
    NOISY,
    NONLINEAR,
    ROUNDED,
    TIME_VARYING,
    UP_TO,
)
from gainlib.levels.printing import number, quantity

QUIET_DBFS = -144.0  # of 24 bit, silence gives nothing at all
OFFSET, PLAIN_OFFSET = 1e-6, 1e-4  # choices of this project, no source
RECORDERS_OFFSET = 0.02  # common practice, no source: converters stay under a percent
SOFTEST_DBFS = -54.0
FAINT_DB, FAINT_DOUBT_DB, FAINT_SIGMAS = 0.6, 1.5, 3.0  # noise alone passes for the sine once in 400 times at worst
ENOUGH_FLOOR_DB, ENOUGH_DOUBT_DB = -60.0, 0.15
TAIL_DB = 10.0
SAME_FLOOR_DB, MORE_FLOOR_DB = 1.0, 3.0


class Verdict(NamedTuple):
    """What is said.

    Attributes
    ----------
    kind : str
        As for ``classify``, or "cannot tell", or one of the three that a recording leaves at that.
    linear : bool or None
        None where that is open; and for rounding, which is under all that was fed and may be the recorder's.
    linear_up_to_dbfs : float or None
        For "linear up to a level".
    gain_db : float
        Of the sine where the gain is steady.
    reason : str
        In plain words.
    moved : bool
        Whether the gain moved with time, so that figures of it against level mean nothing.
    """

    kind: str
    linear: bool | None
    linear_up_to_dbfs: float | None
    gain_db: float
    reason: str
    moved: bool = False


def verdict(heard: Heard) -> Verdict:
    """Decide on a kind, or say why it stays open."""
    swaying = sway(heard.swell)
    same = SAME_CODED_DB if heard.coded else SAME_DB
    if swaying:
        same = max(same, 1.3 * swaying[0])
    run = steady_run(heard, same)
    series = {key: series_of(heard, key, run, same) for key in SERIES}
    gain = series["sine", 0].plain
    told = _told(heard, series, swaying, gain)  # what stays open names no gain of its own
    return told._replace(gain_db=gain)


def _told(heard, series, swaying, gain):
    fails = failing(heard, series)
    levels = [row.part.level_dbfs for row in heard.of("sine")]
    failed = [level for level, each in zip(levels, fails, strict=True) if each]
    if not failed:
        return _linear(heard, swaying, gain)
    if not swaying and moves(heard, series):
        return _moved(heard, series)
    if not swaying and wanders(heard, series):
        return _open(
            "its gain goes up and down from step to step with no distortion and no order, so it changes in time, and "
            "the recording does not show whether it depends on level as well; record again with the box's modulation "
            "off, and player "
            "and recorder on one clock",
        )
    small = max(row.bent_db for row in heard.of("sine")) < CODED_BENT_DB
    if swaying and small and not any((each.off > 0.0).any() for each in series.values()):
        return _open(
            f"its gain sways by {quantity(swaying[0], 'dB', 1)} to either side at {number(swaying[1], 1)} Hz, and the "
            f"little distortion beside that may be the recording's; record as 24-bit WAV or FLAC",
        )
    if heard.coded:
        fails &= beyond_a_coder(heard, series)
    if heard.coded and not plain_to_see(heard, series):
        return _open(f"{_coder(heard)}, and what else it does is no more than that may hide")
    if all(level < SOFTEST_DBFS for level in failed) and (heard.coded or heard.grid_bits):
        what = _coder(heard) if heard.coded else _grid(heard)
        return _open(f"only the softest sounds come out different from the rest, and {what}")
    if only_rounds(heard, series):
        return _rounded(
            heard, "all that differs is an error of the size that rounding to 16 bits without dither leaves"
        )
    return _not_linear(heard, series, fails, levels, gain)


# ---------------------------------------------------------------------------------------------------------- sentences


def _open(reason):
    return Verdict(CANNOT_TELL, None, None, np.nan, f"The recording does not show it: {reason}.")


def _matters(reason):
    """Return what is said where the level matters, and no more is known of it."""
    return Verdict(LEVEL_DEPENDENT, False, None, np.nan, f"{reason[:1].upper()}{reason[1:]}.")


def _rounded(heard, reason):
    alike = f"Fed at any level from {_levels(heard)}, it does the same but for rounding"
    return Verdict(
        ROUNDED, None, None, np.nan,
        f"{alike}: {reason}. The recording does not show whether it is the box that rounds or the recorder: record at "
        f"24 bits.",
    )  # fmt: skip


def _moved(heard, series):
    moved = f"the gain moved by {quantity(heard.moved_db, 'dB', 2)} while it was recorded, between equal levels"
    if plainly_bent(heard):
        told = (
            f"{_worst(heard, series)}, so its input level matters; but {moved}, and the recording does not show from "
            f"which level on"
        )
        return _matters(told)._replace(moved=True)
    return _open(
        f"{moved}, so the recording does not show whether it depends on level as well; let everything warm up, switch "
        f"off whatever modulates or rides the level, and record again",
    )._replace(moved=True)


def _coder(heard):
    return (
        f"the recording carries an error of {quantity(heard.stray_db, 'dB', 0)} that follows the sound without "
        "repeating, as a lossy coder makes; record into WAV or FLAC"
    )


def _grid(heard):
    return (
        f"its samples lie on the steps of {heard.grid_bits} bits, so a box that rounds like that looks like one that "
        f"does not; record at 24 bits"
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
        what = _coder(heard) if heard.coded else _not_repeating(heard, rows[-1])
        return _open(f"distortion would show only above {quantity(floor, 'dB', 0)} of the loudest sine, because {what}")
    (faint,) = heard.of("faint sine")
    # How well it would be known if it came through as loud as it should.
    doubt = faint.doubt_db[0] * 10.0 ** (max(faint.gain_db[0] - gain, -100.0) / 20.0)
    known = doubt < FAINT_DOUBT_DB
    same = 0.0 if not swaying else 2.0 * swaying[0]
    heard_faint = abs(faint.gain_db[0] - gain) <= max(FAINT_DB, FAINT_SIGMAS * doubt) + same
    if heard.grid_bits and (not heard_faint or heard.noise_dbfs <= QUIET_DBFS):
        # A noise would have turned the steps into one.
        return (
            _open(_grid(heard)) if swaying else _rounded(heard, f"its samples lie on steps of {heard.grid_bits} bits")
        )
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
    if swaying:
        return Verdict(
            TIME_VARYING,
            True,
            None,
            gain,
            f"{alike} at the same time, though its gain sways by {quantity(swaying[0], 'dB', 1)} to either side at "
            f"{number(swaying[1], 1)} Hz; its input level is free.",
        )
    if heard.coded:  # it may have left faint harmonics out
        return _open(_coder(heard))
    free = f"{alike}, as far as distortion above {quantity(floor, 'dB', 0)} would show; its input level is free"
    return _noise(heard, gain, free)


def _not_repeating(heard, loudest):
    if loudest.stray_dbfs > heard.noise_dbfs + TAIL_DB:
        return (
            "what does not repeat is far louder there than in the silences, as reverberation or a modulation of the "
            "box leaves it; turn that off if the box allows"
        )
    return "what does not repeat is too loud; record with less noise"


def _noise(heard, gain, free):
    """Return what is said of noise and offset: whose they are, a recording of the box alone does not show."""
    noise, chain = heard.noise_dbfs, heard.chain_noise_dbfs
    noisy = noise > QUIET_DBFS
    if not noisy and abs(heard.offset) <= OFFSET:
        return Verdict(LINEAR, True, None, gain, f"{free}.")
    found = [f"noise at {quantity(noise, 'dBFS', 1)}"] if noisy else []
    if _offset_is_its_own(heard):
        also = f" The {found[0]} comes from somewhere: the recording does not show from where." if found else ""
        told = f"{free}. It adds an offset of {number(heard.offset, 3)}, more than a recorder does.{also}"
        return Verdict(NOISY, True, None, gain, told)
    if not noisy or abs(heard.offset) > PLAIN_OFFSET:
        found.append(f"offset of {number(float(f'{heard.offset:.2g}'))}")
    found = " and the ".join(found)
    if chain is not None and chain > QUIET_DBFS and noisy:
        if noise < chain + SAME_FLOOR_DB:
            told = f"{free}. The {found} is there without the box as well."
            return Verdict(LINEAR, True, None, gain, told)
        if noise > chain + MORE_FLOOR_DB:
            told = f"{free}. It adds {found} to it, where the recording alone has {quantity(chain, 'dBFS', 1)}."
            return Verdict(NOISY, True, None, gain, told)
    return Verdict(
        AS_SHOWN,
        True,
        None,
        gain,
        f"{free}. There is {found} from somewhere. The recording does not show whether it comes from the box: record "
        f"the test file once more without the box, and give that in place of the test file.",
    )


def _offset_is_its_own(heard):
    """Tell whether the recording without the box has no such offset; or, not knowing that, whether no recorder has."""
    if heard.chain_noise_dbfs is not None and heard.chain_noise_dbfs > QUIET_DBFS:
        return abs(heard.offset - heard.chain_offset) > max(PLAIN_OFFSET, abs(heard.chain_offset))
    return abs(heard.offset) > RECORDERS_OFFSET


# ---------------------------------------------------------------------------------------------------- all other boxes


def _not_linear(heard, series, fails, levels, gain):
    """Tell a box with a ceiling from one that bends."""
    matters = "Fed louder or softer, it works differently"
    first = int(np.argmax(fails))
    worst = _worst(heard, series)
    told = f"{matters}: {worst}; its input level matters."
    sine = series["sine", 0]
    rises = any(
        np.any((each.gain - each.plain > SAME_DB) & (each.off > 0.0))
        for key, each in series.items()
        if key[0] in trusted(heard)
    ) or bool(np.any((sine.gain[:first] - sine.plain < -SAME_DB) & (sine.off[:first] > 0.0)))
    if first == 0 or levels[first - 1] < LOWEST_LIMIT_DBFS - 6.0 or rises or fails[first:].sum() < len(fails) - first:
        return Verdict(NONLINEAR, False, None, gain, told)
    onset = _onset(heard, series, first)
    if onset is None or onset.corner is None:
        return _matters(
            f"{worst}, so its input level matters; but whether it is linear up to there or distorts from softer levels "
            f"on, {'the coder hides' if heard.coded else 'the recording does not show'}"
        )
    if onset.corner and onset.level_dbfs >= LOWEST_LIMIT_DBFS and onset.level_dbfs >= levels[first - 1] - 1.0:
        up_to = round(onset.level_dbfs, 1)
        return Verdict(
            UP_TO,
            False,
            up_to,
            gain,
            f"Up to a sine of {quantity(up_to, 'dBFS', 1)} it works the same at any level; anything louder is held "
            f"back.",
        )
    if onset.corner:
        return _matters(f"{worst}, so its input level matters; but the steps and the swell do not agree on where")
    return Verdict(NONLINEAR, False, None, gain, f"{told} It sets in gradually.")


def _onset(heard, series, first) -> Onset | None:
    rows = heard.of("sine")[first : first + 2]
    if max(row.bent_db for row in rows) > DISTINCT_DB or not (series["sine", 0].off[first : first + 2] > 0.0).any():
        found = onset_of_bend(heard.swell)
        if (found is None or found.corner is None) and grows_steadily(heard):
            return Onset(rows[0].part.level_dbfs, False)
        return found
    return onset_of_gain(heard.swell, series["sine", 0].plain)


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
        said.append(f"at {level} its harmonics are at {quantity(bent.bent_db, 'dB', 0)}")
    if not said:
        said.append("noise or two tones come out differently at different levels")
    return " and ".join(said)
