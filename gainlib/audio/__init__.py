"""Audio in memory and in files: the types every other room trusts.

Conventions
-----------
Samples are float32 or float64, shape ``(frames, channels)``, full scale ±1. They are checked once, when an
:class:`Audio` is made; everything downstream takes the type on trust. Values beyond ±1 are legal in memory: only a
converter or a short integer file has to clip them.

Contents
--------
- :class:`Audio`, samples in memory, and :class:`AudioFile`, the same thing still on disk; both give ``blocks``, as does
  :class:`~gainlib.audio.types.Blocks`, which makes them on the way.
- :func:`read` and :func:`write`: whole files in, whole files out, and never over a source; :func:`wav_bytes`: a file
  that is taken away, as its bytes.
- :func:`audio_suffixes`, :func:`audio_files`: what counts as audio in a folder.
- :func:`replacing`, :func:`write_whole`: any other file, and a text, written whole or not at all.

The parts are loaded when first touched.
"""

import lazy_loader as _lazy

from gainlib.errors import GainlibError

__getattr__, __dir__, __all__ = _lazy.attach(
    __name__,
    submod_attrs={
        "atomic": ["is_held", "replacing", "write_whole"],
        "files": ["AudioFile", "audio_files", "audio_suffixes", "read"],
        "types": ["BLOCK_FRAMES", "MAX_CHANNELS", "Audio"],
        "writing": ["wav_bytes", "write"],
    },
)
__all__ = ["GainlibError", *__all__]
