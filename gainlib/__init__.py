"""Levels from microphone to master: measure, mix, stage and check gain.

Conventions
-----------
- Samples are floating point with full scale at ±1, shape ``(frames, channels)``.
- Positive dB is louder for every control; a pad and a gain reduction are positive attenuation.
- dBFS of an average is *sine-referred*: a full-scale sine reads 0 (AES17).
- The unit stands in the name: ``gain_db``, ``peak_dbfs``, ``attack_s``, ``rate_hz``, ``loudness_lufs``.
- Silence is legal and reads −inf; NaN is an error.

Importing this package loads nothing heavy; its rooms are loaded when first touched.
"""

import lazy_loader as _lazy

__version__ = "0.1.0"

__getattr__, __dir__, __all__ = _lazy.attach(
    __name__,
    submodules=[
        *("audio", "boxes", "demo", "exercises", "levels", "meters", "mix", "processors", "session", "signals"),
        "staging",
    ],
)
