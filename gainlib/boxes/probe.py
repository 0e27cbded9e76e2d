"""A box that cannot be run from here: the test file goes through it, the recording comes back and is read.

``probesignal`` makes the file, ``probemarks`` finds it in a recording, ``probelines`` and ``probeswell`` take the
recording apart, ``probetime`` tells whether it holds still, ``probeseries`` and ``probeverdict`` say what that allows
to be said, ``probecurve`` has the figures.
"""

import os
from dataclasses import dataclass
from functools import partial

import numpy as np
import scipy

from gainlib.audio import Audio, AudioFile, GainlibError
from gainlib.boxes.probecurve import Heard, ProbeCurve, average_gains, curve_of, opening, output_gain, working_range_of
from gainlib.boxes.probesignal import RATES_HZ, write_probe
from gainlib.boxes.probetime import moved_db, refuse_holes
from gainlib.boxes.probeverdict import verdict
from gainlib.boxes.probing import level
from gainlib.boxes.ranges import WorkingRange
from gainlib.boxes.spectral_lines import lines_of, sway, swell_of
from gainlib.boxes.sync_markers import TimeBase, time_base
from gainlib.boxes.verdicts import ROUNDED
from gainlib.levels import ratio_to_db
from gainlib.levels.printing import number, quantity
from gainlib.meters.loudness import k_coefficients
from gainlib.processors import BlackBox
from gainlib.session import Insert

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


@dataclass(frozen=True, eq=False)
class ProbeReport:
    """What a recording of the test file tells about the box it went through.

    Attributes
    ----------
    linear : bool or None
        Whether its input level is free; None where the recording cannot tell.
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

    linear: bool | None
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
    def sentence(self) -> str:
        """All of it in a few sentences."""
        return f"{self.reason}. {self.range_reason} {self._taken_out()}"

    @property
    def level_free(self) -> bool:
        """Whether its input level may be anything, as far as the recording shows."""
        return self.linear is True or self.kind == ROUNDED

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

    def _taken_out(self):
        told = [f"the test file starts at {number(1000.0 * self.offset_s, 2)} ms"]
        if self.rate_error_ppm:
            word = "longer" if self.rate_error_ppm > 0 else "shorter"
            told.append(f"the recording is {number(abs(self.rate_error_ppm), 1)} millionths {word}")
        if self.polarity < 0:
            told.append("its polarity is inverted")
        return f"Found and corrected: {', '.join(told)}."


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
    try:
        base, layout = time_base(line, rate_hz, known)
        refuse_holes(line - np.median(line), base, layout)
    except GainlibError as error:
        raise GainlibError(f"{name}: {error}") from None
    heard = _heard(line, base, layout, lossy, chain)
    found = verdict(heard)
    curve = curve_of(heard, found.gain_db)
    working, why = working_range_of(found, curve, heard, layout)
    reference = None if working is None else working.best_dbfs
    opens = opening(heard, found.gain_db) if found.linear is False else None
    output = output_gain(heard, found.gain_db, layout, reference)
    return ProbeReport(
        linear=found.linear,
        kind=found.kind,
        offset_s=base.offset / rate_hz,
        rate_error_ppm=1e6 * (base.stretch - 1.0),
        polarity=base.polarity,
        gain_db=found.gain_db,
        reference_dbfs=reference,
        output_gain_db=output,
        gains=average_gains(heard, layout, found.linear is True or found.kind == ROUNDED, output),
        curve=curve,
        working_range=working,
        linear_up_to_dbfs=found.linear_up_to_dbfs,
        opens_dbfs=opens,
        noise_dbfs=heard.noise_dbfs,
        rate_hz=rate_hz,
        levels_dbfs=(layout.levels_dbfs[0], layout.levels_dbfs[-1]),
        reason=found.reason.removesuffix(".") + ("" if opens is None else _gate(opens)),
        range_reason=why,
    )


def _gate(opens_dbfs):
    return f". It is shut to soft sounds, and opens when a sine rises above {quantity(opens_dbfs, 'dBFS', 1)}"


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
    audio = source.load() if hasattr(source, "load") else source
    line = np.asarray(audio.samples[:, 0], dtype=np.float64)
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
    try:
        base, layout = time_base(line, rate_hz)
    except GainlibError as error:
        raise GainlibError(f"{name}: {error}") from None
    return layout, _quiet(line, base, layout)


# -------------------------------------------------------------------------------------------------------- taking apart


def _heard(line, base, layout, lossy, chain):
    grid = _grid(line)
    noise, offset = _quiet(line, base, layout)
    line = line - offset
    own = OWN_POWER + (0.0 if grid is None or _dithers(noise, grid) else 2.0 * 2.0 * 4.0 ** (1 - grid) / 12.0)
    hears = partial(_heard_as, rate_hz=layout.rate_hz)
    rows = tuple(lines_of(line, base, layout, part, own, hears) for part in layout.parts)
    swell = swell_of(line, base, layout, own)
    stray, follows = _stray(rows, noise, layout)
    coded = lossy or (follows and sway(swell) is None)
    moved = moved_db(line, base, layout, rows, swell, noise)
    return Heard(rows, swell, noise, offset, grid, coded, stray, *(chain or (None, None)), moved)


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


def _heard_as(hz, rate_hz):
    """Return the weight that BS.1770 gives to powers at some frequencies."""
    coefficients = k_coefficients(rate_hz).reshape(2, 5)
    weight = np.ones(len(hz))
    for b0, b1, b2, a1, a2 in coefficients:
        weight *= np.abs(scipy.signal.freqz([b0, b1, b2], [1.0, a1, a2], worN=hz, fs=rate_hz)[1]) ** 2
    return weight
