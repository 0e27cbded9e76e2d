"""The round trip: a box measured by a test file, and two prints subtracted, on a page of their own.

``trip = RoundTrip()``, then a call a cell. All that is measured comes from ``boxes``.
"""

from gainlib.exercises.record import bench_folder
from gainlib.notebook.bench_kept import keep_step
from gainlib.notebook.bench_song import Song
from gainlib.notebook.kept import Kept

FILE = "roundtrip.json"


class RoundTrip:
    """The panels of the round trip.

    Examples
    --------
    >>> RoundTrip().probe().level.number()
    -6.0
    """

    def __init__(self):
        self._song, self._panels, self._store = Song(), {}, Kept(bench_folder() / FILE)

    def __repr__(self):
        return "Round trip: a test file out, a recording back; two prints subtracted"

    def safety(self):
        """Return the cautions for ears and loudspeakers, and a tone to set the level with."""
        from gainlib.notebook.sheets import safety

        return safety()

    def probe(self):
        """Return the test file written, the recording read."""
        from gainlib.notebook.panels.probe import ProbePanel

        return self._panel(ProbePanel)

    def null(self):
        """Return two prints subtracted, and the rounds to try it on."""
        from gainlib.notebook.panels.nulling import NullPanel

        return self._panel(NullPanel)

    def _panel(self, kind):
        """Return a panel of this page; the same one every time its cell is run."""
        if kind not in self._panels:
            self._panels[kind] = kind(self._song)
            keep_step(self._store, self._panels[kind])
        return self._panels[kind]
