"""What is asked of libsndfile: open, decode, count, and say in words what went wrong."""

import os
from pathlib import Path

import numpy as np
import soundfile

from gainlib.audio.types import BLOCK_FRAMES
from gainlib.errors import GainlibError

_OPEN_END = 1 << 60  # what libsndfile gives for a FLAC that was streamed into a pipe is above this


def opened(path: Path) -> soundfile.SoundFile:
    """Open a file, whatever bytes its name is made of."""
    try:
        return soundfile.SoundFile(os.fsencode(path))
    except TypeError:
        reason = "a raw file states neither rate nor channels"
    except (soundfile.LibsndfileError, OSError) as error:
        reason = reason_of(error)
    raise GainlibError(f"{path}: not audio that can be read ({reason}); choose a sound file")


def frames_of(path: Path, file: soundfile.SoundFile) -> int:
    """Frames in an open file: as stated if exactly the last of them can be read, else counted or refused."""
    if file.frames == 0:
        raise GainlibError(f"{path}: holds no samples, its header states a length of 0; record or export it again")
    if not file.seekable():
        return file.frames
    rest = _rest(file, file.frames - 1) if file.frames < _OPEN_END else 2
    # An MP3 without a count of frames gives an estimate, a FLAC from a pipe no length at all.
    if rest == 2 or (rest == 0 and file.format == "MP3"):
        return _counted(path)
    if rest == 0:
        raise GainlibError(
            f"{path}: truncated or damaged: the header states {file.frames} frames and the last of them cannot be "
            "read; copy it again from the original"
        )
    return file.frames


def _rest(file, frame):
    """How many frames come from `frame` on, 2 at most."""
    try:
        file.seek(frame)
        return fill(file, np.empty((2, file.channels), np.float32))
    except soundfile.SoundFileError:
        return 0


def fill(file: soundfile.SoundFile, block: np.ndarray) -> int:
    """Decode into `block` and return the frames that came; unlike `SoundFile.read` it trusts no stated length."""
    return file.buffer_read_into(memoryview(block).cast("B"), block.dtype.name)


def _counted(path):
    """Decode to the end and count."""
    count = 0
    with soundfile.SoundFile(os.fsencode(path)) as file:
        block = np.empty((BLOCK_FRAMES, file.channels), np.float32)
        try:
            while got := fill(file, block):
                count += got
        except soundfile.LibsndfileError as error:
            raise GainlibError(
                f"{path}: truncated or damaged: decoding stops after {count} frames ({reason_of(error)}); "
                "copy it again from the original"
            ) from None
    if count == 0:
        raise GainlibError(f"{path}: holds no samples; record or export it again")
    return count


def check_finite(path: Path, block: np.ndarray, at: int) -> None:
    """Raise for a sample that is no number; `at` is the frame the block begins with."""
    finite = np.isfinite(block)
    if not finite.all():
        frame, channel = np.argwhere(~finite)[0]
        where = f"{block[frame, channel]} at frame {at + frame}, channel {channel + 1}"
        raise GainlibError(f"{path}: {where}; every sample must be finite, export the file again")


def reason_of(error: Exception) -> str:
    """Give libsndfile's own words."""
    return str(getattr(error, "error_string", None) or error).strip().rstrip(".")
