"""Sound files read in: lazily in blocks, or whole; and sources at another sample rate.

Conventions
-----------
A file is either read whole or refused with its path and the reason; nothing is padded, cut or resampled. Files of up to
24 bit and lossy ones give float32, which holds 24 bit exactly; above (32-bit integer, 32- and 64-bit float) float64.
"""

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import numpy as np
import soundfile
import soxr

from gainlib.audio.atomic import digest_of, hold
from gainlib.audio.length import check_length
from gainlib.audio.types import BLOCK_FRAMES, MAX_CHANNELS, Audio, Blocks, block_range
from gainlib.errors import GainlibError

FORMATS = {
    ".wav": "WAV", ".wave": "WAV", ".bwf": "WAV", ".rf64": "RF64", ".aif": "AIFF", ".aiff": "AIFF", ".aifc": "AIFF",
    ".flac": "FLAC", ".ogg": "OGG", ".oga": "OGG", ".opus": "OGG", ".mp3": "MP3",
}  # fmt: skip
"""What is read and written, by suffix, as libsndfile calls it."""
_OPEN_END = 1 << 60  # what libsndfile gives for a FLAC that was streamed into a pipe is above this
_NO_LONGER = (".au", ".caf", ".snd", ".w64")
"""Suffixes of sound files that are not read. They are listed all the same: opening one says what would do."""
_WIDE = ("PCM_32", "FLOAT", "DOUBLE")


def audio_suffixes() -> tuple[str, ...]:
    """Return the suffixes, with dot and in small letters, of the sound files that are read and written.

    Files with other names can be read as well, if they hold WAV, RF64, AIFF, FLAC, OGG or MP3.

    Examples
    --------
    >>> ".wav" in audio_suffixes(), ".txt" in audio_suffixes()
    (True, False)
    """
    return tuple(FORMATS)


def audio_files(folder: str | os.PathLike) -> list[Path]:
    """List the files of a folder that have an audio suffix, by name without regard to case.

    Hidden files and what lies in subfolders do not count. What bears the name of a sound file and is none, such as a
    link to nothing, is among them: opening it says what is wrong.
    """
    try:
        entries = list(Path(folder).iterdir())
    except (FileNotFoundError, NotADirectoryError, ValueError):
        raise GainlibError(f"{str(folder)!r} is no folder; give the folder your stems lie in") from None
    except OSError as error:
        raise GainlibError(
            f"{str(folder)!r} cannot be read ({error.strerror or error}); check its permissions"
        ) from None
    named = [each for each in entries if each.suffix.lower() in (*FORMATS, *_NO_LONGER) and each.name[0] != "."]
    files = (each for each in named if not os.path.isdir(each))
    return sorted(files, key=lambda each: (each.name.casefold(), each.name))


@dataclass(frozen=True)
class AudioFile:
    """A sound file that stays on disk until its samples are asked for; equal if path and file are the same.

    Making one reads the header and checks that the file is whole. The file is opened anew for every pass through the
    samples; if it was changed meanwhile, that is an error. While the object lives, :func:`gainlib.audio.write` refuses
    to write to the file.

    Parameters
    ----------
    path : str or path
        A WAV, RF64, AIFF, FLAC, OGG (Vorbis or Opus) or MP3 file. A leading ``~`` is the home folder.

    Attributes
    ----------
    path : pathlib.Path
        Absolute path.
    name : str
        File name without suffix.
    rate_hz, channels, frames : int
        As in :class:`gainlib.audio.Audio`.
    format, subtype : str
        What libsndfile calls them, such as "WAV" and "PCM_24".

    Raises
    ------
    GainlibError
        With path and reason: missing, a folder, not permitted, empty, not audio, another format, truncated, no samples,
        over eight channels.
    """

    path: Path
    name: str = field(init=False, compare=False)
    rate_hz: int = field(init=False, compare=False)
    channels: int = field(init=False, compare=False)
    frames: int = field(init=False, compare=False)
    format: str = field(init=False, compare=False)
    subtype: str = field(init=False, compare=False)
    _stamp: tuple[int, int] = field(init=False, repr=False)

    def __post_init__(self):
        path = Path(os.path.abspath(os.path.expanduser(self.path)))
        vars(self).update(path=path, name=path.stem, _stamp=_stamp(path))
        try:
            found = check_length(path)
        except OSError as error:
            raise GainlibError(f"{path}: cannot be read ({error.strerror or error}); check the permissions") from None
        with self._open() as file:
            vars(self).update(format=file.format, subtype=file.subtype, rate_hz=file.samplerate, channels=file.channels)
            if file.channels > MAX_CHANNELS:
                raise GainlibError(
                    f"{path}: {file.channels} channels; 1 to {MAX_CHANNELS} are supported, split the file"
                )
            vars(self).update(frames=_frames_of(path, file, found))
        hold(self, path)

    def __setstate__(self, state):
        self.__dict__.update(state)
        hold(self, self.path)  # a copy protects the file as well

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate_hz

    @property
    def dtype(self) -> np.dtype:
        """Type of the samples: float32 if that holds them exactly or the file is lossy, else float64."""
        return np.dtype(np.float64 if self.subtype in _WIDE else np.float32)

    @cached_property
    def sha256(self) -> str:
        """SHA-256 of the file, 64 hexadecimal digits, worked out when first asked for."""
        self._check_unchanged()
        return digest_of(self.path)

    def blocks(self, frames: int = BLOCK_FRAMES, start: int = 0, stop: int | None = None) -> Iterator[np.ndarray]:
        """Decode the file in order, block by block, as :meth:`gainlib.audio.Audio.blocks`; each block is a new array.

        A sample that is not finite, a failure to decode, or a file that was changed since raises on the way.
        """
        start, stop = block_range(frames, start, stop, self.frames)
        return self._decoded(frames, start, stop)

    def load(self) -> Audio:
        """Decode the whole file into memory."""
        try:
            samples = np.empty((self.frames, self.channels), self.dtype)
        except MemoryError:
            size = self.frames * self.channels * self.dtype.itemsize / 1e9
            raise GainlibError(f"{self.path}: needs {size:.1f} GB of memory at once; split the file") from None
        at = 0
        for block in self.blocks():
            samples[at : at + len(block)] = block
            at += len(block)
        audio = Audio(samples, self.rate_hz, self.name)
        hold(audio, self.path)
        return audio

    def _open(self):
        self._check_unchanged()
        return opened(self.path)

    def _check_unchanged(self):
        if _stamp(self.path) != self._stamp:
            raise GainlibError(f"{self.path}: the file was changed after it was opened here; open it again")

    def _decoded(self, frames, start, stop):
        with self._open() as file:
            if 0 < start < stop:
                _skip(file, start)
            for at in range(start, stop, frames):
                block, reason = np.empty((min(frames, stop - at), self.channels), self.dtype), "no more samples come"
                try:
                    got = fill(file, block)
                except soundfile.LibsndfileError as error:
                    got, reason = 0, reason_of(error)
                if got < len(block):
                    raise GainlibError(
                        f"{self.path}: truncated or damaged: it states {self.frames} frames, but decoding stops "
                        f"between {at} and {at + len(block)} ({reason}); copy it again from the original"
                    )
                _check_finite(self.path, block, at)
                yield block


def read(path: str | os.PathLike) -> Audio:
    """Read a whole sound file.

    Parameters
    ----------
    path : str or path
        A WAV, RF64, AIFF, FLAC, OGG (Vorbis or Opus) or MP3 file.

    Returns
    -------
    Audio
        float32 for files of up to 24 bit and for lossy ones, float64 above; named after the file, without suffix.
        While it lives, :func:`gainlib.audio.write` refuses to write to the file.

    Raises
    ------
    GainlibError
        With path and reason: all that :class:`AudioFile` finds, and samples that are not finite.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> import numpy as np
    >>> from gainlib.audio import write
    >>> path = pathlib.Path(tempfile.mkdtemp(), "step.wav")
    >>> write(path, Audio(np.array([0.0, 0.5, -1.0]), 48000))
    >>> audio = read(path)
    >>> audio.name, audio.rate_hz, audio.samples.ravel().tolist()
    ('step', 48000, [0.0, 0.5, -1.0])
    """
    return AudioFile(path).load()


def at_rate(source: Audio | AudioFile, rate_hz: int) -> Blocks:
    """Return a source at another rate; :func:`gainlib.audio.write` takes it like any other.

    Band-limited, without delay, at unity gain: the filters are those of the soxr library at its "very high quality".
    Peaks between samples may come out as samples, so it is floating point.

    Examples
    --------
    >>> slow = at_rate(Audio(np.zeros(44100), 44100), 48000)
    >>> slow.frames, sum(len(block) for block in slow.blocks())
    (48000, 48000)
    """
    if rate_hz < 1:
        raise GainlibError(f"{source.name}: {rate_hz} Hz is not a sample rate; give one such as 48000")
    whole = max(round(source.frames * rate_hz / source.rate_hz), 1)

    def made(frames, *_):
        stream = soxr.ResampleStream(source.rate_hz, rate_hz, source.channels, dtype="float64", quality=soxr.VHQ)
        left = whole
        for block in source.blocks(frames):
            come = stream.resample_chunk(np.ascontiguousarray(block, np.float64))[:left]
            left -= len(come)
            yield come
        come = stream.resample_chunk(np.zeros((0, source.channels)), last=True)[:left]
        yield come
        if left > len(come):
            yield np.zeros((left - len(come), source.channels))

    return Blocks.like(source, made, rate_hz=rate_hz, frames=whole)


def _stamp(path):
    """Size and time of change, after the checks that need no look into the file."""
    try:
        status = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        if path.is_symlink():
            raise GainlibError(f"{path}: is a link to {os.readlink(path)}, which is not there; link it anew") from None
        raise GainlibError(f"{path}: no such file; check folder and spelling") from None
    except PermissionError as error:
        raise GainlibError(
            f"{path}: cannot be read ({error.strerror or error}); check the permissions of its folder"
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise GainlibError(f"{path}: cannot be read ({reason}); check the name") from None
    if stat.S_ISDIR(status.st_mode):
        raise GainlibError(f"{path}: is a folder; name a sound file in it")
    if not stat.S_ISREG(status.st_mode):
        raise GainlibError(f"{path}: is no ordinary file; name a sound file")
    if status.st_size == 0:
        raise GainlibError(f"{path}: is empty (0 bytes); copy it again from the original")
    return status.st_size, status.st_mtime_ns


# ---- what is asked of libsndfile: open, decode, count, and say in words what went wrong ------------------------------


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


def _frames_of(path: Path, file: Forward, found: int | None) -> int:
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


def _check_finite(path: Path, block: np.ndarray, at: int) -> None:
    """Raise for a sample that is no number; `at` is the frame the block begins with."""
    finite = np.isfinite(block)
    if not finite.all():
        frame, channel = np.argwhere(~finite)[0]
        where = f"{block[frame, channel]} at frame {at + frame}, channel {channel + 1}"
        raise GainlibError(f"{path}: {where}; every sample must be finite, export the file again")


def _skip(file: Forward, frames: int) -> None:
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
