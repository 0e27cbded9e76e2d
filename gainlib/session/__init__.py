"""A mix as plain data, and what it does to the level at every point of every path.

- ``strip``, ``session``: the data: :class:`Strip`, :class:`Group`, :class:`Send`, :class:`Insert`, :class:`Master`,
  :class:`Session`.
- ``routing``: pan laws, order, mute and solo, gains from strip to bus; pure functions.
- ``render``, ``trace``: :class:`Trace`, the audio and the level at every node; ``signal_chain`` holds the moving parts.
- ``remeter``: :class:`Remeter`, the bus readings after a fader move without rendering.
- ``fader``: :class:`FaderLaw`, millimetres of travel against dB; ``fader_error``: what a hand does on it.
- ``taps``: :class:`TapLevels`, the levels behind the inserts after a move without rendering.
- ``files``: a folder of stems in, session JSON in and out.

The parts are loaded when first touched.
"""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach(
    __name__,
    submodules=["fader", "files", "fader_error", "remeter", "render", "routing", "sources", "strip", "taps", "trace"],
    submod_attrs={
        "fader": ["FaderLaw", "LawFit", "fit_law"],
        "files": ["ReferencedAudio", "from_json", "open_folder", "register_source", "to_json"],
        "remeter": ["BusReading", "Remeter"],
        "taps": ["TapLevels"],
        "trace": ["Trace"],
        "session": ["Session"],
        "strip": ["Group", "Insert", "Master", "Send", "Source", "Strip"],
    },
)
