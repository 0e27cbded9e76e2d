"""Audio in memory and in files: the types every other room trusts.

Conventions
-----------
Samples are float32 or float64, shape ``(frames, channels)``, full scale ±1. They are checked once, when an
:class:`Audio` is made; everything downstream takes the type on trust. Values beyond ±1 are legal in memory: only a
converter or a short integer file has to clip them.

Contents
--------
- :class:`Audio`, samples in memory, and :class:`AudioFile`, the same thing still on disk; both give ``blocks``.
- :func:`read` and :func:`write`: whole files in, whole files out, and never over a source; :func:`wav_bytes`: a file
  that is taken away, as its bytes.
- :func:`audio_suffixes`, :func:`audio_files`: what counts as audio in a folder.
- :func:`replacing`: any other file, written whole or not at all.
"""

from gainlib.audio.atomic import is_held, replacing
from gainlib.audio.files import AudioFile, audio_files, audio_suffixes, read
from gainlib.audio.types import BLOCK_FRAMES, MAX_CHANNELS, Audio
from gainlib.audio.writing import wav_bytes, write
from gainlib.errors import GainlibError

__all__ = [
    "BLOCK_FRAMES",
    "MAX_CHANNELS",
    "Audio",
    "AudioFile",
    "GainlibError",
    "audio_files",
    "audio_suffixes",
    "is_held",
    "read",
    "replacing",
    "wav_bytes",
    "write",
]
