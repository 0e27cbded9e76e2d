"""Sound files written out: whole or not at all, and never over a source.

Conventions
-----------
Full scale is ±1. An integer code is the sample times 2^(bits − 1), rounded to the nearest; +1 exactly, for which two's
complement has no code, becomes the highest one. So a file read back differs by half a step at most (by one step at
+1), and the scale of reading and writing is the same.

Sources of the limits
---------------------
Rates and channels are refused before an encoder is asked. MP3: ISO/IEC 11172-3 (32, 44.1, 48 kHz) and 13818-3 (their
halves), with 1 or 2 channels; the quarters are in no standard and common practice. Opus: RFC 6716, section 2. FLAC: RFC
9639, whose frame header counts tens of hertz in 16 bits. Vorbis: what the encoder of libsndfile takes; above 200 kHz it
ends the whole process. All others: the 32 bits of libsndfile's field.
"""

import os
import re
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile

from gainlib.audio.atomic import is_held, replacing
from gainlib.audio.files import FORMATS, AudioFile, reason_of
from gainlib.audio.types import MAX_CHANNELS, Audio
from gainlib.errors import GainlibError

_COMMON = ("PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ULAW", "ALAW")
# What libsndfile writes and reads back as it was given; its ADPCM and 8-bit AIFF lose or add samples.
_SUBTYPES = {
    "WAV": ("PCM_U8", *_COMMON),
    "RF64": ("PCM_U8", *_COMMON),
    "AIFF": _COMMON,
    "FLAC": ("PCM_S8", "PCM_16", "PCM_24"),
    "OGG": ("VORBIS", "OPUS"),
    "MP3": ("MPEG_LAYER_III",),
}
_LONGEST_32 = 2**32 - 2**16  # bytes of samples that a 32-bit length leaves room for, with some for the header
_SAMPLE_BYTES = {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}
_MP3_RATES_HZ = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)
_OPUS_RATES_HZ = (8000, 12000, 16000, 24000, 48000)
_HIGHEST_HZ = {"FLAC": 655_350, "VORBIS": 200_000}
_HIGHEST_OF_ALL_HZ = 2**31 - 1


def write(
    path: str | os.PathLike,
    audio: Audio | AudioFile,
    subtype: str = "PCM_24",
    *,
    overwrite: bool = False,
    clip: bool = False,
    dither: str | None = None,
) -> None:
    """Write a sound file in the format that the suffix of `path` names.

    The file appears whole or not at all: it is written under a hidden name in the same folder, read back in part, and
    moved into place.

    Parameters
    ----------
    path : str or path
        Where to; the folder must exist. A WAV too long for its 32-bit length is written as RF64 (EBU Tech 3306).
    audio : Audio or AudioFile
        What; a file is copied block by block.
    subtype : str
        "PCM_16", "PCM_24", "FLOAT", …, as libsndfile calls them.
    overwrite : bool
        Replace a file that exists. A file that anything alive was read from is never replaced.
    clip : bool
        Limit samples beyond ±1 to ±1. Without it they are refused, except in "FLOAT" and "DOUBLE", which hold them.
    dither : None or "tpdf"
        Add noise of triangular distribution, two steps wide, before rounding to integers (Lipshitz, Wannamaker and
        Vanderkooy, JAES 40(5), 1992). The same file name gives the same noise, another name other noise, so that the
        noise of several stems adds as power.

    Raises
    ------
    GainlibError
        For a suffix, subtype, rate or number of channels that cannot be written, samples beyond ±1, a path that exists
        or is a source, a missing folder, a full disk.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp(), "step.flac")
    >>> write(path, Audio(np.array([0.0, 0.25, 1.0]), 48000), "PCM_16")
    >>> write(path, Audio(np.array([0.0, 0.25, 1.0]), 48000), "DOUBLE", overwrite=True)
    Traceback (most recent call last):
    gainlib.audio.GainlibError: ...step.flac: FLAC cannot hold DOUBLE; choose PCM_S8, PCM_16 or PCM_24
    """
    target = Path(os.path.expanduser(path))
    form = _format(target, subtype, audio)
    if dither not in (None, "tpdf") or (dither and not _bits(subtype)):
        raise GainlibError(f'{target}: dither {dither!r} with {subtype}; give None, or "tpdf" with an integer subtype')
    _refuse(target, overwrite)
    noise = np.random.default_rng(list(target.name.encode(errors="replace"))) if dither else None
    with replacing(target) as part:
        try:
            with soundfile.SoundFile(
                os.fsencode(part), "w", audio.rate_hz, audio.channels, subtype, format=form
            ) as file:
                for block in _coded(target, audio, subtype, clip, noise):
                    file.write(block)
        except (soundfile.SoundFileError, ValueError, AssertionError) as error:
            if isinstance(error, GainlibError):
                raise
            kind = f"{audio.channels} channels at {audio.rate_hz} Hz as {form} {subtype}"
            raise GainlibError(f"{target}: {kind} could not be written ({reason_of(error) or 'disk full?'})") from None
        _check_written(target, part, audio)


def wav_bytes(audio: Audio, subtype: str = "PCM_24", name: str = "sound.wav", **more) -> bytes:
    """Return a WAV file as its bytes, for somebody who takes it away.

    Parameters
    ----------
    audio : Audio
        What.
    subtype : str
        As for `write`.
    name : str
        Name of the file, which decides its dither.
    **more
        Goes to `write`.

    Returns
    -------
    bytes
        The whole file.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, name)
        write(path, audio, subtype, **more)
        return path.read_bytes()


def _format(target, subtype, audio):
    """Find the format of a suffix, and check that it holds the subtype, the rate, the channels and the length."""
    form = FORMATS.get(target.suffix.lower())
    if form is None:
        raise GainlibError(f"{target}: no format is known for {target.suffix!r}; use {_either(FORMATS)}")
    legal = _SUBTYPES[form]
    if subtype not in legal:
        raise GainlibError(f"{target}: {form} cannot hold {subtype}; choose {_either(legal)}")
    check_limits(target, form, subtype, audio.rate_hz, audio.channels)
    size = audio.frames * audio.channels * _SAMPLE_BYTES.get(subtype, 1)
    if form in ("WAV", "AIFF") and size > _LONGEST_32:
        if form != "WAV":
            raise GainlibError(f"{target}: {size / 1e9:.1f} GB do not fit into {form}; write .wav")
        return "RF64"
    return form


def check_limits(target: Path, form: str, subtype: str, rate_hz: int, channels: int) -> None:
    """Raise for a rate or a number of channels that an encoder does not take, and say what would do."""
    kind = "MP3" if form == "MP3" else subtype if form == "OGG" else form
    asked = f"{target}: {channels} channels at {rate_hz} Hz as {form} {subtype} could not be written"
    most = 2 if kind == "MP3" else MAX_CHANNELS
    if channels > most:
        raise GainlibError(f"{asked}: {kind} takes {most} channels at most; write .wav or .flac")
    rates = {"MP3": _MP3_RATES_HZ, "OPUS": _OPUS_RATES_HZ}.get(kind)
    if rates and rate_hz not in rates:
        raise GainlibError(f"{asked}: {kind} takes {_either(rates)} Hz; write .wav or .flac, or convert the rate first")
    highest = _HIGHEST_HZ.get(kind, _HIGHEST_OF_ALL_HZ)
    if rate_hz > highest:
        other = "write .wav" if rate_hz <= _HIGHEST_OF_ALL_HZ else "no format takes that rate, give the right one"
        raise GainlibError(f"{asked}: {kind} takes up to {highest} Hz; {other}")


def _refuse(target, overwrite):
    if is_held(target):
        raise GainlibError(
            f"{target}: something open was read from this file, so it stays as it is; choose another name"
        )
    if os.path.isdir(target):
        raise GainlibError(f"{target}: is a folder; name a file in it")
    if os.path.exists(target) and not overwrite:
        raise GainlibError(f"{target}: exists already; choose another name, or overwrite=True to replace it")


def _coded(target, audio, subtype, clip, noise) -> Iterator[np.ndarray]:
    """Yield the samples as the numbers that libsndfile stores unchanged."""
    bits, at = _bits(subtype), 0
    for block in audio.blocks():
        if subtype not in ("FLOAT", "DOUBLE") or clip:
            block = _within(target, block, at, clip)
        at += len(block)
        if bits:
            yield quantised(block, bits, noise) << (32 - bits)
        elif subtype == "DOUBLE":
            yield np.ascontiguousarray(block, np.float64)
        else:
            yield _single(target, block)


def quantised(samples: np.ndarray, bits: int, noise: np.random.Generator | None = None) -> np.ndarray:
    """Round samples to integer codes of `bits` bits, with dither if `noise` gives any; what lies beyond ±1 gets an end.

    Examples
    --------
    >>> quantised(np.array([-1.0, 0.0, 1.0]), 16).tolist()
    [-32768, 0, 32767]
    """
    steps = samples.astype(np.float64) * 2.0 ** (bits - 1)
    if noise is not None:
        steps += noise.triangular(-1.0, 0.0, 1.0, steps.shape)
    return np.clip(np.rint(steps), -(2.0 ** (bits - 1)), 2.0 ** (bits - 1) - 1).astype(np.int32)


def _bits(subtype):
    """Word length of an integer subtype, 0 for the others."""
    match = re.fullmatch(r"PCM_[SU]?(\d+)", subtype)
    return int(match[1]) if match else 0


def _within(target, block, at, clip):
    if clip:
        return np.clip(block, -1.0, 1.0)
    over = np.abs(block) > 1.0
    if over.any():
        frame, channel = np.argwhere(over)[0]
        value, peak = block[frame, channel], float(np.abs(block).max())
        raise GainlibError(
            f"{target}: sample {value:.6g} at frame {at + frame}, channel {channel + 1} is beyond ±1 (near it up to "
            f"{20 * np.log10(peak):+.2f} dBFS); lower the level, write FLOAT, or clip=True"
        )
    return block


def _single(target, block):
    with np.errstate(over="ignore"):
        single = np.ascontiguousarray(block, np.float32)
    if not np.isfinite(single).all():
        raise GainlibError(f"{target}: a sample is too large for 32-bit float; write DOUBLE")
    return single


def _check_written(target, part, audio):
    """Catch what a full disk or an encoder left out, before the file is moved into place."""
    try:
        frames = AudioFile(part).frames
    except GainlibError as error:
        raise GainlibError(f"{target}: could not be written whole ({str(error).removeprefix(f'{part}: ')})") from None
    if frames != audio.frames:
        raise GainlibError(f"{target}: {frames} of {audio.frames} frames could be written; is the disk full?")


def _either(words):
    *most, last = map(str, words)
    return f"{', '.join(most)} or {last}" if most else last
