"""A box that cannot be run from here: the test file goes through it, the recording comes back and is read.

``probesignal`` makes the file, ``sync_markers`` finds it in a recording, ``spectral_lines`` takes the recording apart,
``probetime`` tells whether it holds still, ``probeverdict`` what that allows to be said; the figures are worked out
here.
"""

import os
from dataclasses import dataclass

import numpy as np
import scipy

from gainlib.audio import Audio, AudioFile, GainlibError
from gainlib.boxes.drive import DriveCurve
from gainlib.boxes.linearity import LEVEL_FREE, ROUNDED
from gainlib.boxes.probesignal import RATES_HZ, write_probe
from gainlib.boxes.probetime import moved_db, refuse_holes
from gainlib.boxes.probeverdict import Heard, verdict
from gainlib.boxes.probing import level
from gainlib.boxes.ranges import NARROW_DB, WorkingRange, range_of
from gainlib.boxes.spectral_lines import lines_of, stilled, sway, swell_of
from gainlib.boxes.sync_markers import TimeBase, time_base
from gainlib.errors import said_of
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.processors import BlackBox
from gainlib.session import Insert
from gainlib.words import number, quantity

__all__ = ["ProbeCurve", "ProbeReport", "read_probe", "write_probe"]

SILENT_DBFS = -90.0
FULL_SCALE, FLAT_RUN, FLAT_RUNS = 0.9999, 3, 5
OWN_POWER = 2e-14  # of the test file's rounding to 24 bit, wherever it falls
GRIDS = range(8, 24)
LEAST_GRID = 16
DITHER_MARGIN_DB = 1.0
LOSSY = ("VORBIS", "OPUS", "MPEG_LAYER_I", "MPEG_LAYER_II", "MPEG_LAYER_III")
STRAY_DB, OVER_NOISE_DB, EVEN_DB, FADES_DB = -60.0, 10.0, 6.0, 2.0
UPPER = 6
RINGS_DB = 6.0
STEADY_DB = 0.3
SHUT_DB, SHUT_STEPS, OPEN_DB, OPENS_WITHIN_DB = 12.0, 2, 3.0, 3.0  # choices of this project, no source
NOISY_DBFS = -120.0
KNOWN_DB = 1.0  # by which a gain may be unsure to be told
HARDLY_PERCENT, SURELY_BENT_DB = 1e-6, -65.0


@dataclass(frozen=True, eq=False)
class ProbeCurve(DriveCurve):
    """What a box did on each step of the test file; all arrays of one length.

    Attributes
    ----------
    level_dbfs : array
        Of the sine as it was fed, peak and sine-referred RMS.
    gain_db : array
        Of the sine's fundamental, recording against test file.
    thd_percent : array
        Harmonics 2 to 40 below 20 kHz; NaN where they do not stand out from noise.
    thdn_percent : array
        All but the sine from 20 Hz to 20 kHz, relative to the whole; noise of the recording included.
    gain_reduction_db : array
        How far the gain lies under where it is steady.
    noise_dbfs : array
        What does not repeat while the sine sounds, sine-referred.
    floor_percent : array
        Distortion below this cannot be told from noise.
    """

    noise_dbfs: np.ndarray
    floor_percent: np.ndarray


@dataclass(frozen=True, eq=False)
class ProbeReport:
    """What a recording of the test file tells about the box it went through.

    Attributes
    ----------
    kind : str
        As for ``classify``, where a recording shows as much; else "linear as far as the recording shows" (a noise or
        offset may be the recording's as well as the box's), "linear but for rounding" (`linear` is None: the box or
        the recorder rounds), "level-dependent" (`linear` is False: straight up to a level or nowhere), "cannot tell".
    offset_s : float
        How late the test file starts in the recording; negative if the recording starts later.
    rate_error_ppm : float
        By how many millionths the recording is longer than the test file: the recorder's clock against the player's.
    polarity : {1, −1}
        −1 for an inverted recording.
    gain_db : float
        Of a sine of about 997 Hz where it is steady.
    reference_dbfs : float or None
        A good average level to feed it; None where nothing speaks for one level or another.
    output_gain_db : float
        Gain behind it that makes in and out equally loud (BS.1770), fed noise at the reference, or at any level.
    gains : tuple of (float, float)
        Average level fed and the gain of noise there, as BS.1770 weighs it, from soft to loud.
    curve : ProbeCurve
    working_range : WorkingRange or None
    linear_up_to_dbfs : float or None
        For "linear up to a level" the peak level of a sine where that ends.
    opens_dbfs : float or None
        For a gate the peak level of a rising sine at which it opens.
    noise_dbfs : float
        In the recording's silences, sine-referred; −inf for none.
    rate_hz : int
    levels_dbfs : tuple of float
        Softest and loudest step; nothing is known beyond.
    reason : str
        The verdict in plain words, or why there is none; without a full stop.
    range_reason : str
        Why there is a working range, or none.
    """

    kind: str
    offset_s: float
    rate_error_ppm: float
    polarity: int
    gain_db: float
    reference_dbfs: float | None
    output_gain_db: float
    gains: tuple[tuple[float, float], ...]
    curve: ProbeCurve
    working_range: WorkingRange | None
    linear_up_to_dbfs: float | None
    opens_dbfs: float | None
    noise_dbfs: float
    rate_hz: int
    levels_dbfs: tuple[float, float]
    reason: str
    range_reason: str

    @property
    def linear(self) -> bool | None:
        """Whether its input level is free; None where the recording cannot tell."""
        return LEVEL_FREE.get(self.kind, False)

    @property
    def sentence(self) -> str:
        """All of it in a few sentences."""
        told = [f"the test file starts at {number(1000.0 * self.offset_s, 2)} ms"]
        if self.rate_error_ppm:
            word = "longer" if self.rate_error_ppm > 0 else "shorter"
            told.append(f"the recording is {number(abs(self.rate_error_ppm), 1)} millionths {word}")
        if self.polarity < 0:
            told.append("its polarity is inverted")
        return f"{self.reason}. {self.range_reason} Found and corrected: {', '.join(told)}."

    @property
    def level_free(self) -> bool:
        """Whether its input level may be anything, as far as the recording shows."""
        return bool(self.linear) or self.kind == ROUNDED

    def box(self, name: str = "") -> BlackBox:
        """Return what stands for the box in a session; without a reference where no level is better than another."""
        return BlackBox(
            reference_dbfs=None if self.reference_dbfs is None else round(self.reference_dbfs, 2),
            name=name,
            level_free=self.level_free,
            gains=self.gains,
            ceiling_dbfs=self.linear_up_to_dbfs,
            noise_dbfs=None if self.noise_dbfs == -np.inf else round(self.noise_dbfs, 2),
        )

    def insert(self) -> Insert | None:
        """Return the box with the output gain that matches its bypass; None without reference."""
        if self.reference_dbfs is None:
            return None
        return Insert(self.box(), out_db=round(self.output_gain_db, 2))


def read_probe(
    recorded: str | os.PathLike | Audio | AudioFile, probe: str | os.PathLike | Audio | AudioFile | None = None
) -> ProbeReport:
    """Read a recording of the test file that ``write_probe`` made, played through a box.

    Parameters
    ----------
    recorded : path, Audio or AudioFile
        Mono, from before the start of the test file to after its end, at its sample rate.
    probe : path, Audio or AudioFile, optional
        The test file that was played, to have it checked that it was that one; or, better, a recording of it through
        the same cables and converters without the box, which shows how much of the noise is the box's. Without it
        sample rate and level are read from the marks.

    Returns
    -------
    ProbeReport

    Raises
    ------
    GainlibError
        With the file's name: no test file in it, cut at either end, a hole, frames lost or doubled, clipped, silent,
        more than one channel, another sample rate, a clock more than 2000 millionths off.

    Notes
    -----
    The box is known between the softest and the loudest step only, for steady sounds, and one time of its settings. A
    box whose error lies under the noise of the recording, such as one that rounds to far more than 16 bit, passes for
    one that makes none. What it does to noise between 12 kHz and the top
    of the band is not tested.

    Examples
    --------
    >>> from gainlib.processors import Saturation
    >>> from gainlib.boxes.probesignal import Layout
    >>> played = Audio(Layout().samples(), 48000)
    >>> report = read_probe(Saturation().process(played))
    >>> report.kind, round(report.reference_dbfs, 1)
    ('nonlinear', -18.0)
    """
    line, rate_hz, name, lossy = _taken(recorded)
    known, chain = (None, None) if probe is None else _known(probe, rate_hz)
    with said_of(name):
        base, layout = time_base(line, rate_hz, known)
        refuse_holes(line - np.median(line), base, layout)
    heard = _heard(line, base, layout, lossy, chain)
    found = verdict(heard)
    curve = _curve_of(heard, found.gain_db)
    working, why = _working_range(found, curve, heard, layout)
    reference = None if working is None else working.best_dbfs
    reason, opens = found.reason.removesuffix("."), _opening(heard, curve, found) if found.linear is False else None
    if opens is not None:
        reason += f". It is shut to soft sounds, and opens when a sine rises above {quantity(opens, 'dBFS', 1)}"
    output = _output_gain(heard, found.gain_db, layout, reference)
    return ProbeReport(
        kind=found.kind,
        offset_s=base.offset / rate_hz,
        rate_error_ppm=1e6 * (base.stretch - 1.0),
        polarity=base.polarity,
        gain_db=found.gain_db,
        reference_dbfs=reference,
        output_gain_db=output,
        gains=_average_gains(heard, layout, bool(found.linear) or found.kind == ROUNDED, output),
        curve=curve,
        working_range=working,
        linear_up_to_dbfs=found.linear_up_to_dbfs,
        opens_dbfs=opens,
        noise_dbfs=heard.noise_dbfs,
        rate_hz=rate_hz,
        levels_dbfs=(layout.levels_dbfs[0], layout.levels_dbfs[-1]),
        reason=reason,
        range_reason=why,
    )


# ----------------------------------------------------------------------------------------------------------- taking in


def _taken(recorded):
    """Return the samples of a recording, its rate, its name and whether its file is lossy; refuse what cannot do."""
    source = recorded if hasattr(recorded, "blocks") else AudioFile(recorded)
    name = str(getattr(source, "path", source.name) or "the recording")
    if source.rate_hz not in RATES_HZ:
        raise GainlibError(
            f"{name} is at {source.rate_hz} Hz; record at the test file's rate, one of "
            f"{', '.join(map(str, RATES_HZ))} Hz"
        )
    if source.channels != 1:
        raise GainlibError(
            f"{name} has {source.channels} channels; record in mono, or export only the channel with the box"
        )
    line = np.asarray(source.load().samples[:, 0], dtype=np.float64)
    loudest = float(np.abs(line).max())
    if loudest < 10.0 ** (SILENT_DBFS / 20.0):
        raise GainlibError(
            f"{name} is silent: its highest peak is {quantity(ratio_to_db(loudest), 'dBFS', 1)}; check cables and "
            "routing and record again"
        )
    if _clipped(line, loudest):
        raise GainlibError(
            f"{name} is clipped at {quantity(ratio_to_db(loudest), 'dBFS', 1)}, by the box or the recorder; turn the "
            f"recorder's input down and record again"
        )
    return line, source.rate_hz, name, getattr(source, "subtype", "") in LOSSY


def _clipped(line, loudest):
    """Tell whether the top of the scale was reached and held."""
    if not FULL_SCALE <= loudest <= 1.0:
        return False
    at_top = np.abs(line) >= loudest * FULL_SCALE
    edges = np.flatnonzero(np.diff(np.concatenate([[False], at_top, [False]]).astype(np.int8)))
    return int(np.sum(edges[1::2] - edges[::2] >= FLAT_RUN)) >= FLAT_RUNS


def _known(probe, rate_hz):
    """Return the layout of a test file, and noise and offset of the recording it may be."""
    line, probe_hz, name, _ = _taken(probe)
    if probe_hz != rate_hz:
        raise GainlibError(
            f"{name}: the test file is at {probe_hz} Hz and the recording at {rate_hz} Hz; record at {probe_hz} Hz, "
            f"or write a test file at {rate_hz} Hz"
        )
    with said_of(name):
        base, layout = time_base(line, rate_hz)
    return layout, _quiet(line, base, layout)


# -------------------------------------------------------------------------------------------------------- taking apart


def _heard(line, base, layout, lossy, chain):
    grid = _grid(line)
    noise, offset = _quiet(line, base, layout)
    line = line - offset
    own = OWN_POWER + (0.0 if grid is None or _dithers(noise, grid) else 2.0 * 2.0 * 4.0 ** (1 - grid) / 12.0)
    rows = tuple(lines_of(line, base, layout, part, own) for part in layout.parts)
    swell = swell_of(line, base, layout, own)
    stray, follows = _stray(rows, noise, layout)
    moved = moved_db(line, base, layout, rows, swell, noise)
    swaying = sway(swell)
    coded = lossy or (follows and swaying is None)
    if swaying is None:
        swaying, rows, swell = stilled(line, base, layout, rows, swell)
    return Heard(rows, swell, noise, offset, grid, coded, stray, *(chain or (None, None)), moved, swaying)


def _grid(line):
    """Return the shortest word length that holds all samples, if it is 16 to 23 bit."""
    few = line[:: max(1, len(line) // 50000)]
    for bits in GRIDS:
        for samples in (few, line):
            steps = samples * 2.0 ** (bits - 1)
            if not np.array_equal(steps, np.rint(steps)):
                break
        else:
            return bits if bits >= LEAST_GRID else None
    return None


def _dithers(noise_dbfs, bits):
    """Tell whether a noise is as large as triangular dither, so that rounding leaves noise and falls on no line.

    Dither and rounding have a power of q²/4 together (Lipshitz, Wannamaker and Vanderkooy, JAES 40(5), 1992).
    """
    return noise_dbfs > 10.0 * np.log10(2.0 * 4.0 ** (1 - bits) / 4.0) - DITHER_MARGIN_DB


def _quiet(line, base: TimeBase, layout):
    """Return the noise in the silences, dBFS, and the offset."""
    first = layout.marks[0].start
    silences = [(first // 2, first - layout.period // 8), *((a + (b - a) // 2, b) for a, b in layout.gaps)]
    silences.append((layout.frames - layout.rate_hz // 2, layout.frames))
    heard = []
    for start, stop in silences:
        low, high = max(round(base.place(start)), 0), min(round(base.place(stop)), len(line))
        if high - low > layout.rate_hz // 50:
            heard.append(line[low:high])
    heard.sort(key=lambda part: np.var(part))
    loudness = [max(level(part - part.mean()), -300.0) for part in heard]
    # Where loud steps still ring in the silence after them, the quietest counts.
    rings = loudness[-2] - loudness[1] > RINGS_DB
    offset = float(heard[0].mean() if rings else np.median([part.mean() for part in heard]))
    noise = loudness[0] if rings else loudness[len(loudness) // 4]
    return noise if noise > -300.0 else -np.inf, offset


def _stray(rows, noise_dbfs, layout):
    """Return what does not repeat in the loud noise, relative to it, and whether it follows it as a coder's error."""
    crest = -level(layout.one_period("noise"))
    upper = [row for row in rows if row.part.stimulus == "noise" and row.gain_db[0] > -np.inf][-UPPER:]
    if not upper:
        return -np.inf, False
    stray_dbfs = np.array([max(row.stray_dbfs, -400.0) for row in upper])
    relative = stray_dbfs - np.array([row.part.level_dbfs - crest + row.gain_db[0] for row in upper])
    over = stray_dbfs - max(noise_dbfs, -300.0)
    fading = np.median([row.fading_db for row in upper])
    stray = float(np.median(relative))
    follows = (
        stray > STRAY_DB and float(np.median(over)) > OVER_NOISE_DB and np.ptp(relative) < EVEN_DB and fading < FADES_DB
    )
    return stray, bool(follows)


# ---- curves and figures ----------------------------------------------------------------------------------------------


def _opening(heard, curve, found):
    """Return the peak level of a rising sine at which a gate opens; None where nothing is shut to soft sounds."""
    gain = curve.gain_db - found.gain_db
    known = curve.noise_dbfs < curve.level_dbfs + found.gain_db
    shut, open_ = gain < -SHUT_DB, np.abs(gain) < STEADY_DB
    first = int(np.argmax(open_))
    if not open_[first:].all() or not (shut & known)[:first].sum() >= SHUT_STEPS or not shut[: first - 1].all():
        return None
    swell = heard.swell
    near = np.abs(swell.level_dbfs - curve.level_dbfs[first]) < 2.0 * OPENS_WITHIN_DB
    through = np.flatnonzero(near & (swell.gain_db - found.gain_db > -OPEN_DB))
    return round(float(swell.level_dbfs[through[0]]), 1) if through.size else None


def _curve_of(heard, gain_db):
    """Return gain, distortion and noise of each step, `gain_db` being the gain where it is steady."""
    rows = heard.of("sine")
    gain = np.array([row.gain_db[0] for row in rows])
    return ProbeCurve(
        level_dbfs=heard.levels_dbfs,
        gain_db=gain,
        thd_percent=np.array([np.nan if row.straight else row.thd_percent for row in rows]),
        thdn_percent=np.array([row.thdn_percent for row in rows]),
        gain_reduction_db=np.maximum(0.0, gain_db - gain) if np.isfinite(gain_db) else np.full(len(rows), np.nan),
        noise_dbfs=np.array([row.stray_dbfs for row in rows]),
        floor_percent=np.array([100.0 * 10.0 ** (row.floor_db / 20.0) for row in rows]),
    )


class _Replayed:
    """What a box made of a sine, between the steps of the test file."""

    reference_dbfs = None

    def __init__(self, curve, swell, plain_db):
        self._ends = curve.level_dbfs[0], curve.level_dbfs[-1]
        gain = np.maximum(curve.gain_db, -200.0)
        steps = np.nan_to_num(curve.thd_percent, nan=HARDLY_PERCENT)
        self._gain = scipy.interpolate.PchipInterpolator(curve.level_dbfs, gain)
        self._highest = plain_db
        self._levels, self._bent = _joined(curve.level_dbfs, np.log(np.maximum(steps, HARDLY_PERCENT)), swell)

    def read(self, level_dbfs):
        """Return gain in dB and distortion in percent, twice: noise may be the recording's."""
        at = np.clip(level_dbfs, *self._ends)
        thd = float(np.exp(np.interp(at, self._levels, self._bent)))
        return float(self._gain(at)), thd, thd

    def reduction_db(self, gain_db):
        return max(0.0, self._highest - gain_db)

    def run_line(self, samples, rate_hz):
        """Return nothing for silence: noise may be the recording's."""
        return np.zeros(len(samples))


def _joined(levels_dbfs, bent, swell):
    """Return levels and logarithms of distortion: those of the steps, and between them the shape of the swell."""
    inside = (swell.level_dbfs > levels_dbfs[0]) & (swell.level_dbfs < levels_dbfs[-1])
    inside &= (swell.bent_db > swell.floor_db) & (swell.bent_db > SURELY_BENT_DB)
    fine = np.log(100.0 * db_to_ratio(swell.bent_db[inside]))
    at = swell.level_dbfs[inside]
    if len(at) > 1:
        shared = (levels_dbfs > at[0]) & (levels_dbfs < at[-1])
        # The steps know all harmonics, the swell the first few.
        more = bent[shared] - np.interp(levels_dbfs[shared], at, fine)
        fine = fine + (np.interp(at, levels_dbfs[shared], more) if shared.any() else 0.0)
    order = np.argsort(np.concatenate([levels_dbfs, at]), kind="stable")
    return np.concatenate([levels_dbfs, at])[order], np.concatenate([bent, fine])[order]


def _working_range(found, curve, heard, layout):
    """Return the working range within what was played, and why, or why not."""
    if found.linear or found.kind == ROUNDED:
        return None, "No level is better than another."
    if found.linear is None or found.moved:
        return None, "So it has no level at which to feed it."
    replayed = _Replayed(curve, heard.swell, found.gain_db)
    working = range_of(replayed, replayed)
    loudest = layout.level_max_dbfs
    if working is None or working.low_dbfs >= loudest:
        return None, "No best level was found in the range tested."
    if working.best_dbfs >= loudest:
        return None, (
            f"Its working range starts at {quantity(working.low_dbfs, 'dBFS', 1)} and goes on beyond the loudest step, "
            f"{quantity(loudest, 'dBFS')}; a test file with a higher level would show where."
        )
    sudden = min(working.high_dbfs - working.low_dbfs, 2.0 * (working.best_dbfs - working.low_dbfs)) < NARROW_DB
    if sudden and (heard.coded or heard.noise_dbfs > NOISY_DBFS):
        return None, (
            f"From {quantity(working.low_dbfs, 'dBFS', 1)} on, it distorts within a few decibels, which is a ceiling; "
            f"how far below it is best depends on its noise, and the noise of the recording hides that."
        )
    if working.high_dbfs > loudest:
        why = f"{working.reason} Nothing is known above {quantity(loudest, 'dBFS')}."
        working = working._replace(high_dbfs=loudest, reason=why)
    if heard.noise_dbfs > NOISY_DBFS and (heard.chain_noise_dbfs is None or heard.noise_dbfs > heard.chain_noise_dbfs):
        why = f"{working.reason} If the noise is its own, the lower part of that range is better."
        working = working._replace(reason=why)
    return working, working.reason


def _output_gain(heard, gain_db, layout, reference):
    """Return the gain that makes noise as loud behind the box, fed at the reference or where its gain is steady."""
    if reference is not None:
        return -_loud_gain(heard, layout, reference)
    sine = heard.gains("sine")[0]
    off = np.abs(sine - gain_db) if np.isfinite(gain_db) else np.zeros(len(sine))
    steady = np.flatnonzero(off < max(STEADY_DB, 1.1 * float(off.min())))
    return -float(heard.of("noise")[steady[-1]].loud_db)


def _loud_gain(heard, layout, average_dbfs):
    """Return the gain of noise of an average level as BS.1770 weighs it; above the loudest, that of a sine goes on."""
    average = heard.levels_dbfs + level(layout.one_period("noise"))
    loud = np.array([row.loud_db for row in heard.of("noise")])
    good, fed = np.isfinite(loud), min(average_dbfs, average[-1])
    gain = float(np.interp(fed, average[good], loud[good]))
    beyond = np.interp([average_dbfs, fed], heard.levels_dbfs, heard.gains("sine")[0])
    return gain + float(beyond[0] - beyond[1])


def _average_gains(heard, layout, level_free, output_gain_db):
    """Return average levels and the gain there, dBFS and dB: one pair where level makes no difference."""
    levels = heard.levels_dbfs[[row.doubt_db[0] < KNOWN_DB for row in heard.of("sine")]].tolist()
    if level_free or not levels:
        return ((float(heard.levels_dbfs[-1]), round(-output_gain_db, 2)),)
    return tuple((round(each, 2), round(_loud_gain(heard, layout, each), 2)) for each in levels)
