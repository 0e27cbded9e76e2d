"""A mix as plain data, and what it does to the level at every point of every path.

- ``strip``, ``session``: the data: :class:`Strip`, :class:`Group`, :class:`Send`, :class:`Insert`, :class:`Master`,
  :class:`Session`.
- ``routing``: pan laws, order, mute and solo, the ways from strip to bus; pure functions.
- ``trace``: :class:`Trace`, the one way to the audio and the level at every node, and :class:`TapLevels`, the levels
  behind the inserts after a move without rendering; ``render`` is the session at work.
- ``remeter``: :class:`Remeter`, the bus readings after a fader move without rendering. ``survey`` is what it takes of
  the strips, ``surveys`` keeps that; ``cross_products`` and ``peak_bounds`` are what energies and peaks follow from.
- ``fader``: :class:`FaderLaw`, millimetres of travel against dB, and what a hand does on it.
- ``files``: session JSON, audio by reference, a folder of stems.

The parts are loaded when first touched.
"""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach(
    __name__,
    submodules=["fader", "files", "remeter", "render", "routing", "strip", "trace"],
    submod_attrs={
        "fader": ["FaderLaw", "LawFit", "fit_law"],
        "files": ["ReferencedAudio", "register_source", "to_json"],
        "remeter": ["BusReading", "Remeter"],
        "session": ["Session", "from_json", "open_folder"],
        "strip": ["Group", "Insert", "Master", "Send", "Source", "Strip"],
        "trace": ["TapLevels", "Trace"],
    },
)
