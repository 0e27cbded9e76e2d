"""A stem, a trim, a box and an output gain: the experiment of the lab on working ranges.

While the hand moves, an excerpt of eight seconds goes through the box; what a gain only shifts is measured once. The
bypass is what the trim has made of the stem: only the box and its output gain are switched.
"""

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.boxes.drive import DriveCurve, drive_curve
from gainlib.boxes.ranges import WorkingRange, working_range
from gainlib.exercises.mixing.refrain import refrain
from gainlib.exercises.working_range.spectra import spectrum_db
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.meters import NodeReading, levels_of
from gainlib.processors import AsymmetricSaturation, Filter, Processor, Saturation, Tape

STEMS = ("01 kick", "02 snare", "05 bass", "06 guitar", "09 lead vocal")
BOXES: dict[str, Processor] = {
    "symmetrical saturation": Saturation(),
    "asymmetrical saturation": AsymmetricSaturation(),
    "tape-like stage": Tape(),
    "high-pass filter": Filter("highpass", 30.0),
}
EXCERPT_S = 8.0
FADE_S = 0.01
REACH_DB = 18.0
LEVELS_DBFS = tuple(float(step) for step in range(-60, 7, 3))
EDGES_DB = tuple(float(step) for step in range(-60, 7, 2))
WAVE_S = 0.02


@dataclass(frozen=True)
class Setting:
    """What is played through what.

    Parameters
    ----------
    stem : str
        One of ``STEMS``.
    box : str
        One of ``BOXES``.
    trim_db : float
        Gain ahead of the box.
    out_db : float
        Gain behind it, unless it is matched.
    matched : bool
        Whether the output gain follows the drive, so that active and bypass have the same energy.
    """

    stem: str = "01 kick"
    box: str = "symmetrical saturation"
    trim_db: float = 0.0
    out_db: float = 0.0
    matched: bool = True


@dataclass(frozen=True, eq=False)
class Source:
    """A stem with all that a gain only shifts.

    Attributes
    ----------
    samples : array, shape (frames, 1)
        float64.
    rate_hz : int
        Sample rate.
    level : NodeReading
        With the needle.
    magnitudes_db : array
        Sorted levels of all samples, for the histogram.
    spectrum_db : array
        Of the whole, at ``spectra.bins_hz()``.
    centre : int
        The highest sample.
    """

    samples: np.ndarray
    rate_hz: int
    level: NodeReading
    magnitudes_db: np.ndarray
    spectrum_db: np.ndarray
    centre: int


@dataclass(frozen=True, eq=False)
class Measurement:
    """What a setting amounts to.

    Attributes
    ----------
    setting : Setting
        What was set.
    fed : NodeReading
        At the input of the box, needle included.
    gain_db : float
        What the box itself does to the energy.
    out_db : float
        The output gain: as set, or as matched.
    difference_db : float
        Active against bypass, by energy.
    peak_dbfs : float
        Highest sample behind the output gain.
    percent : array
        Share of the samples in each bin of ``EDGES_DB``, at the input.
    time_ms, before, after : arrays
        A stretch around the highest sample; both as shares of the highest sample of the bypass.
    before_db, after_db : arrays
        Spectra at ``spectra.bins_hz()``, trim left out of both.
    """

    setting: Setting
    fed: NodeReading
    gain_db: float
    out_db: float
    difference_db: float
    peak_dbfs: float
    percent: np.ndarray
    time_ms: np.ndarray
    before: np.ndarray
    after: np.ndarray
    before_db: np.ndarray
    after_db: np.ndarray


@cache
def excerpt(stem: str) -> Audio:
    """Return eight seconds of a stem's refrain, mono, faded at the ends."""
    if stem not in STEMS:
        raise GainlibError(f"there is no stem {stem!r} here; there is {', '.join(STEMS)}")
    audio = refrain(stem)
    samples = audio.samples[: round(EXCERPT_S * audio.rate_hz)].astype(np.float64)
    fade = round(FADE_S * audio.rate_hz)
    samples[-fade:] *= np.linspace(1.0, 0.0, fade)[:, np.newaxis]
    return Audio(samples, audio.rate_hz, stem)


@cache
def source(stem: str) -> Source:
    """Return a stem's excerpt with what is measured on it once."""
    audio = excerpt(stem)
    level = levels_of(audio, ("sample_peak", "rms", "active", "needle"))
    magnitudes = np.sort(ratio_to_db(np.abs(audio.samples[:, 0])))
    centre = int(np.argmax(np.abs(audio.samples[:, 0])))
    return Source(audio.samples, audio.rate_hz, level, magnitudes, spectrum_db(audio.samples[:, 0]), centre)


@lru_cache(maxsize=8)
def curve(box: str) -> DriveCurve:
    """Return a box's gain and distortion for a sine, from −60 to 6 dBFS."""
    return drive_curve(box_called(box), LEVELS_DBFS)


@lru_cache(maxsize=8)
def working(box: str) -> WorkingRange | None:
    """Return a box's working range, None for a box that has none."""
    return working_range(box_called(box))


def box_called(name: str) -> Processor:
    """Return a box by its name."""
    if name not in BOXES:
        raise GainlibError(f"there is no box {name!r} here; there is {', '.join(BOXES)}")
    return BOXES[name]


# ---------------------------------------------------------------------------------------------------- under the hand


def see(setting: Setting) -> Measurement:
    """Send the excerpt through the box and read it on both sides.

    Parameters
    ----------
    setting : Setting
        What is set.

    Returns
    -------
    Measurement
    """
    own = source(setting.stem)
    ratio = float(db_to_ratio(setting.trim_db))
    out = active(setting.stem, setting.box, setting.trim_db)
    gain = energy_dbfs(out) - (own.level.energy_dbfs + setting.trim_db)
    out_db = -gain if setting.matched else setting.out_db
    peak = float(ratio_to_db(np.abs(out).max())) + out_db
    scale = 1.0 / (ratio * abs(own.samples[own.centre, 0]))
    reach = round(WAVE_S * own.rate_hz / 2)
    begin = min(max(own.centre - reach, 0), len(out) - 2 * reach)
    window = slice(begin, begin + 2 * reach)
    shown = float(db_to_ratio(out_db)) * scale
    return Measurement(
        setting=setting,
        fed=own.level.shifted(setting.trim_db),
        gain_db=gain,
        out_db=out_db,
        difference_db=gain + out_db,
        peak_dbfs=peak,
        percent=shares(own, setting.trim_db),
        time_ms=(np.arange(begin, begin + 2 * reach) - own.centre) * 1000.0 / own.rate_hz,
        before=own.samples[window, 0] * ratio * scale,
        after=out[window, 0] * shown,
        before_db=own.spectrum_db,
        after_db=_spectrum_of(setting.stem, setting.box, setting.trim_db) + out_db - setting.trim_db,
    )


@lru_cache(maxsize=4)
def active(stem: str, box: str, trim_db: float) -> np.ndarray:
    """Return what the box makes of a stem's excerpt behind a trim; shape (frames, 1).

    Parameters
    ----------
    stem, box : str
        Names.
    trim_db : float
        Gain ahead of the box.

    Returns
    -------
    array
    """
    own = source(stem)
    return box_called(box).process(Audio(own.samples * db_to_ratio(trim_db), own.rate_hz)).samples


@lru_cache(maxsize=4)
def _spectrum_of(stem, box, trim_db):
    return spectrum_db(active(stem, box, trim_db)[:, 0])


def heard(setting: Setting) -> tuple[Audio, Audio]:
    """Return bypass and active as they leave the strip, float32."""
    own, seen = source(setting.stem), see(setting)
    ratios = db_to_ratio(setting.trim_db), db_to_ratio(seen.out_db)
    sounds = own.samples * ratios[0], active(setting.stem, setting.box, setting.trim_db) * ratios[1]
    return tuple(Audio(each.astype(np.float32), own.rate_hz) for each in sounds)


def energy_dbfs(samples: np.ndarray) -> float:
    """Return sine-referred RMS of one channel, its mean taken off."""
    line = samples[:, 0]
    return float(ratio_to_db(np.sqrt(2.0 * max(np.dot(line, line) / len(line) - line.mean() ** 2, 0.0))))


def shares(own: Source, trim_db: float) -> np.ndarray:
    """Return the share of the samples in each bin at the input of the box, in percent; softer ones are left out.

    Parameters
    ----------
    own : Source
        The stem.
    trim_db : float
        Gain ahead of the box.

    Returns
    -------
    array
    """
    below = np.searchsorted(own.magnitudes_db, np.asarray(EDGES_DB) - trim_db)
    return 100.0 * np.diff(below) / own.magnitudes_db.size
