"""What is measured for the guesses on the bench, and what the page has shown of it by then."""

from gainlib.audio import GainlibError


class MeasuredStems:
    """What was measured for the guesses, and what the page has shown of it.

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song

    Attributes
    ----------
    levels : set of str
        Names of the stems whose levels have been shown.
    findings : bool
        Whether the findings have been.
    """

    def __init__(self, song):
        self._song = song
        self._forget()
        song.watch(self._changed)
        if song.stems:
            self._changed("checked")
        if song.plan is not None:
            self._changed("planned")

    def _forget(self):
        self._stems, self._of, self.levels, self.findings = (), object(), set(), False

    def _changed(self, what):
        if what == "opened":
            self._forget()
        if what in ("checked", "planned"):
            self.levels |= {strip.name for strip in self._song.session.strips}
        self.findings |= what == "checked"

    def ask(self, guesses) -> tuple:
        """Return what :func:`measured` asks for: which song, what is known of it, and the guesses."""
        session = self._song.opened()
        known = self._song.stems or tuple(stem for stem in self._stems if stem.name in session.names)
        return self._of, session, known, guesses

    def take(self, found) -> tuple:
        """Keep what was measured; returns stems and guesses."""
        of, stems, guesses = found
        if of is not self._of:
            raise GainlibError("another song is on the bench now; compare again")
        self._stems = stems
        return stems, guesses


def measured(tell, of, session, known, guesses):
    """Return the song's mark, its stems and the guesses; nothing is measured twice."""
    from gainlib.mix import checkup

    return of, known or checkup(session.strips, tell), guesses
