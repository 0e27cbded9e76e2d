"""What is asked of libsndfile: open, decode, count, and say in words what went wrong."""

import os
from pathlib import Path

import numpy as np
import soundfile

from gainlib.audio.types import BLOCK_FRAMES
from gainlib.errors import GainlibError

FORMATS = {
    ".wav": "WAV", ".wave": "WAV", ".bwf": "WAV", ".rf64": "RF64", ".aif": "AIFF", ".aiff": "AIFF", ".aifc": "AIFF",
    ".flac": "FLAC", ".ogg": "OGG", ".oga": "OGG", ".opus": "OGG", ".mp3": "MP3",
}  # fmt: skip
"""What is read and written, by suffix, as libsndfile calls it."""
_OPEN_END = 1 << 60  # what libsndfile gives for a FLAC that was streamed into a pipe is above this


class Forward(soundfile.SoundFile):
    """A sound file that is decoded from front to back.

    The library seeks to where it is after every block; near the end of an Opus file that spoils what comes next, and
    a FLAC without a length cannot do it at all. For a file that says it cannot seek, it does not try.
    """

    def seekable(self) -> bool:
        """Say no; `seek` works all the same where the format allows it."""
        return False

    @property
    def packed(self) -> bool:
        """Whether samples lie in the file one after the other as three bytes, the lowest first."""
        return self.subtype == "PCM_24" and self.endian == "FILE" and self.format in ("WAV", "WAVEX", "RF64")


def opened(path: Path) -> Forward:
    """Open a file, whatever bytes its name is made of."""
    try:
        file = Forward(os.fsencode(path))
        if file.format in (*FORMATS.values(), "WAVEX"):
            return file
        file.close()
        if file.format != "RAW":
            raise GainlibError(f"{path}: {file.format} is not read here; convert it to WAV, AIFF or FLAC first")
        reason = "no header"  # by its suffix alone anything passes for one kind of raw telephone sound or another
    except TypeError:
        reason = "a raw file states neither rate nor channels"
    except (soundfile.LibsndfileError, OSError) as error:
        reason = reason_of(error)
    raise GainlibError(f"{path}: not audio that can be read ({reason}); choose a sound file")


def frames_of(path: Path, file: Forward, found: int | None) -> int:
    """Give the length of an open file, or raise if it cannot be decoded as far as it states.

    `found` are frames counted beforehand where the header states none; libsndfile's own number is a guess then.
    """
    if found is not None or file.frames >= _OPEN_END:
        count = _counted(path, file)
        if found is not None and count < found:
            raise GainlibError(
                f"{path}: it states no length, and of {found} frames only {count} could be decoded; "
                "convert it to WAV or FLAC first"
            )
        return count
    if file.frames == 0:
        raise GainlibError(f"{path}: holds no samples, its header states a length of 0; record or export it again")
    if soundfile.SoundFile.seekable(file) and not _ends_where_stated(file):
        raise GainlibError(
            f"{path}: truncated or damaged: the header states {file.frames} frames and the sound does not end there; "
            "copy it again from the original"
        )
    return file.frames


def _ends_where_stated(file):
    """Tell whether exactly one frame comes from the last one on."""
    flac = file.format == "FLAC"
    try:
        file.seek(file.frames - 1)
        if fill(file, np.empty((1 if flac else 2, file.channels), np.float32)) != 1:
            return False
    except soundfile.SoundFileError:
        return False
    try:
        return not flac or fill(file, np.empty((1, file.channels), np.float32)) == 0
    except soundfile.SoundFileError:  # what stands behind the last frame is none: a tag that some program put there
        return True


def fill(file: Forward, block: np.ndarray) -> int:
    """Decode into `block` and return the frames that came; unlike `SoundFile.read` it trusts no stated length."""
    if block.dtype == np.float32 and file.packed:
        return _unpack(file, block)
    return file.buffer_read_into(memoryview(block).cast("B"), block.dtype.name)


def _unpack(file, block):
    """Read samples of 24 bit as they lie in the file and scale them; the library takes four times as long over it."""
    raw = np.zeros(3 * block.size + 1, np.uint8)  # one byte ahead: a sample is the upper three of four
    got = soundfile._snd.sf_read_raw(file._file, soundfile._ffi.from_buffer(raw[1:]), 3 * block.size)
    soundfile._error_check(soundfile._snd.sf_error(file._file))
    count = got // (3 * file.channels) * file.channels
    samples = np.ndarray(count, "<i4", raw, strides=(3,)) & -256
    np.multiply(samples, np.float32(2.0**-31), out=block.reshape(-1)[:count], dtype=np.float32, casting="unsafe")
    return count // file.channels


def _counted(path, file):
    """Decode to the end and count."""
    block, count = np.empty((BLOCK_FRAMES, file.channels), np.float32), 0
    try:
        while got := fill(file, block):
            count += got
    except soundfile.LibsndfileError as error:
        raise GainlibError(
            f"{path}: truncated or damaged: decoding stops after {count} frames ({reason_of(error)}); "
            "copy it again from the original"
        ) from None
    return count


def check_finite(path: Path, block: np.ndarray, at: int) -> None:
    """Raise for a sample that is no number; `at` is the frame the block begins with."""
    finite = np.isfinite(block)
    if not finite.all():
        frame, channel = np.argwhere(~finite)[0]
        where = f"{block[frame, channel]} at frame {at + frame}, channel {channel + 1}"
        raise GainlibError(f"{path}: {where}; every sample must be finite, export the file again")


def skip(file: Forward, frames: int) -> None:
    """Go forward from the beginning of a file, to the sample.

    Lossy formats carry something over from block to block, so after a jump the first samples differ from those of one
    pass (Opus: RFC 7845, 4.6, asks for 80 ms to settle); what lies before is decoded and dropped instead.
    """
    if file.format not in ("OGG", "MP3"):
        file.seek(frames)
        return
    block = np.empty((BLOCK_FRAMES, file.channels), np.float32)
    for at in range(0, frames, BLOCK_FRAMES):
        fill(file, block[: frames - at])


def reason_of(error: Exception) -> str:
    """Give libsndfile's own words."""
    return str(getattr(error, "error_string", None) or error).strip().rstrip(".")
