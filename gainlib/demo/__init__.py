"""The demo session: a song made for this workbook, recorded with planted faults.

"Demo song in A minor", by nobody: eleven stems, 40 s at 48 kHz, everything synthesised.

Contents
--------
- ``demo_session``: the song as a session, with faults and faders drawn from a seed, and what each stem passes.
- ``fault_list``, ``fault_details``: what is wrong with which stem.
- ``clean_stems``: the song played anew; ``python -m gainlib.demo render`` keeps it in media/stems.
- ``instruments``, ``song``: how it is played. ``recordings``: how it is kept. ``faults``: what goes wrong, with whom.
"""

import lazy_loader as _lazy

from gainlib.session.files import register_source as _register_source

__getattr__, __dir__, __all__ = _lazy.attach(
    __name__,
    submodules=["rng", "faults", "instruments", "session", "recordings", "song"],
    submod_attrs={
        "faults": ["Faults", "TAGS"],
        "session": ["audio_of", "demo_session", "fault_details", "fault_list"],
        "song": ["clean_stems"],
    },
)


def _audio_of(reference):
    from gainlib.demo.session import audio_of

    return audio_of(reference)


_register_source("demo", _audio_of)
