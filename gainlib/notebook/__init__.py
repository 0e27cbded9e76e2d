"""What a lab shows and plays: the only room that knows screens, widgets and loudspeakers.

Conventions
-----------
- Nothing is computed here that another room can compute: levels come from ``meters``, ``session``,
  ``boxes`` and ``mix``.
- Every picture has a sentence and a table that say the same (:mod:`gainlib.notebook.live`).
- All sound leaves through :mod:`gainlib.notebook.listen`, which never normalises and never clips.
- An exception in a callback is shown in the panel it came from (:mod:`gainlib.notebook.errors`).
- Colours are the Okabe–Ito set; a marker, a line style, a hatch or a word always says the same as the colour.
"""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach(
    __name__,
    submodules=["controls", "errors", "figures", "live", "listen", "panels"],
    submod_attrs={"bench": ["Bench", "RoundTrip"], "index": ["Index"], "lab": ["Lab"]},
)
