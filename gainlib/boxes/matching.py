"""A bypass that changes nothing but what the box does: the output gain that makes in and out equally loud.

Louder is taken for better, so a box is judged only against a bypass of the same level. "The same" is energy or
loudness, never peaks: a box that rounds off peaks would come back louder.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from gainlib.audio import Audio, AudioFile, GainlibError
from gainlib.boxes.probing import DeviceUnderTest
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.levels.printing import quantity
from gainlib.meters import levels_of
from gainlib.processors import Processor

METERS = {"energy": ("rms", "rms_dbfs"), "loudness": ("loudness", "loudness_lufs")}
CLOSE_DB = 0.01
PASSES = 4
LOUD_PEAK_DBFS = -1.0


@dataclass(frozen=True)
class Match:
    """An output gain and what comes of it.

    Attributes
    ----------
    out_db : float
        Gain behind the box.
    peak_dbfs : float
        Highest sample behind that gain.
    difference_db : float
        Level behind it less level of the bypass, as measured afterwards, dB or LU.
    warning : str or None
        A sentence where the match asks for care.
    """

    out_db: float
    peak_dbfs: float
    difference_db: float
    warning: str | None


def matched_output(
    processor: Processor | Callable[[np.ndarray, int], np.ndarray],
    audio: Audio | AudioFile,
    in_db: float = 0.0,
    by: str = "energy",
) -> Match:
    """Find the gain behind a box that makes it as loud as its bypass.

    Parameters
    ----------
    processor : Processor or callable
        A processor, or a function of samples and sample rate.
    audio : Audio or AudioFile
        What arrives at the insert. The bypass is this very sound: it skips the gain in front, too.
    in_db : float
        Gain in front of the box.
    by : {"energy", "loudness"}
        Ungated energy (RMS of the whole without its offset), or integrated loudness by ITU-R BS.1770.

    Returns
    -------
    Match
        Levels agree within 0.1 dB or LU, as a second measurement shows.

    Raises
    ------
    GainlibError
        For another meter, silence at either end, or material too short or too soft to have a loudness.

    Examples
    --------
    >>> from gainlib.processors import Polarity, Saturation
    >>> from gainlib.signals import tone
    >>> round(matched_output(Polarity(), tone(997, -20.0), in_db=6.0).out_db, 2)
    -6.0
    >>> round(matched_output(Saturation(), tone(997, -6.0)).out_db, 2)
    3.04
    """
    if by not in METERS:
        raise GainlibError(f"matched by {by!r}; match by {' or '.join(METERS)}")
    audio = audio.load() if hasattr(audio, "load") else audio
    samples = np.asarray(audio.samples, dtype=np.float64)
    out = DeviceUnderTest(processor).run(samples * db_to_ratio(in_db), audio.rate_hz)
    wanted = _level(samples, audio, by, "what goes in")
    out_db, off = 0.0, wanted - _level(out, audio, by, "what comes out")
    for _ in range(PASSES):
        # Loudness has an absolute gate, so that a gain may change it by a little more or less than itself.
        out_db += off
        off = wanted - _level(out * db_to_ratio(out_db), audio, by, "what comes out")
        if abs(off) <= CLOSE_DB:
            break
    peak = ratio_to_db(np.abs(out).max()) + out_db
    return Match(out_db, peak, -off, _warning(peak))


def _level(samples, audio, by, which):
    meter, field = METERS[by]
    level = getattr(levels_of(audio.with_samples(samples), (meter,)), field)
    if level is None or level == -np.inf:
        raise GainlibError(f"{audio.name or 'the material'}: {which} has no {by} to match; it is silent or too short")
    return level


def _warning(peak):
    if peak <= LOUD_PEAK_DBFS:
        return None
    return (
        f"Matched, peaks reach {quantity(peak, 'dBFS', 1)}: a float mixer passes them, but a converter, a file of "
        f"whole numbers or a stage that clips cuts them off. Feed the box less; the match then needs less, too."
    )
