"""Rates and channels that the encoders take, so that the rest is refused before any of them is asked.

Sources
-------
MP3: ISO/IEC 11172-3 (32, 44.1, 48 kHz) and 13818-3 (their halves), with 1 or 2 channels; the quarters are in no
standard and common practice. Opus: RFC 6716, section 2. FLAC: RFC 9639, whose frame header counts tens of hertz
in 16 bits.
Vorbis: what the encoder of libsndfile takes; above 200 kHz it ends the whole process. All others: the 32 bits of
libsndfile's field.
"""

from pathlib import Path

from gainlib.audio.types import MAX_CHANNELS
from gainlib.errors import GainlibError

_MP3_RATES_HZ = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)
_OPUS_RATES_HZ = (8000, 12000, 16000, 24000, 48000)
_HIGHEST_HZ = {"FLAC": 655_350, "VORBIS": 200_000}
_HIGHEST_OF_ALL_HZ = 2**31 - 1


def check_limits(target: Path, form: str, subtype: str, rate_hz: int, channels: int) -> None:
    """Raise for a rate or a number of channels that an encoder does not take, and say what would do.

    Parameters
    ----------
    target : pathlib.Path
        For the message.
    form, subtype : str
        As libsndfile calls them.
    rate_hz, channels : int

    Raises
    ------
    GainlibError
    """
    kind = "MP3" if form == "MP3" else subtype if form == "OGG" else form
    asked = f"{target}: {channels} channels at {rate_hz} Hz as {form} {subtype} could not be written"
    most = 2 if kind == "MP3" else MAX_CHANNELS
    if channels > most:
        raise GainlibError(f"{asked}: {kind} takes {most} channels at most; write .wav or .flac")
    rates = {"MP3": _MP3_RATES_HZ, "OPUS": _OPUS_RATES_HZ}.get(kind)
    if rates and rate_hz not in rates:
        legal = f"{', '.join(map(str, rates[:-1]))} or {rates[-1]}"
        raise GainlibError(f"{asked}: {kind} takes {legal} Hz; write .wav or .flac, or convert the rate first")
    highest = _HIGHEST_HZ.get(kind, _HIGHEST_OF_ALL_HZ)
    if rate_hz > highest:
        raise GainlibError(f"{asked}: {kind} takes up to {highest} Hz; {_instead(rate_hz)}")


def _instead(rate_hz):
    return "write .wav" if rate_hz <= _HIGHEST_OF_ALL_HZ else "no format takes that rate, give the right one"
