"""The bench: a song of one's own, from its folder to the sheets that are taken away.

``bench = Bench()``, then a call a cell, in the order of the work. What lay on the bench last lies there again. What the
steps share is a :class:`~gainlib.notebook.bench_song.Song`; all that is measured or planned comes from ``mix`` and
``session``. The round trip (``trip = RoundTrip()``) measures a box by a test file and subtracts two prints, on a page
of its own; all that is measured there comes from ``boxes``.
"""

from gainlib.exercises.record import bench_folder
from gainlib.notebook.bench_song import BenchKept, Song, keep_step
from gainlib.notebook.kept import Kept
from gainlib.notebook.pages import keep_every_message
from gainlib.notebook.panels.bench_balance import BalanceStep
from gainlib.notebook.panels.bench_chains import ChainsStep
from gainlib.notebook.panels.bench_checks import ChecksStep
from gainlib.notebook.panels.bench_guess import GuessStep
from gainlib.notebook.panels.bench_open import OpenStep
from gainlib.notebook.panels.bench_plan import HandStep, ListenStep, PlanStep
from gainlib.notebook.panels.bench_take import ReturnStep, TakeStep
from gainlib.notebook.panels.nulling import NullPanel
from gainlib.notebook.panels.probe import MeasuredStep, ProbePanel
from gainlib.notebook.sheets import safety


class Panels:
    """Panels around one song, each made once and standing as it was left."""

    def __init__(self, file: str):
        keep_every_message()
        self.song, self._store, self._made = Song(), Kept(bench_folder() / file), {}

    def safety(self):
        """Return the cautions for ears and loudspeakers, and a tone to set the level with."""
        return safety()

    def _panel(self, kind):
        """Return a panel of this page; the same one every time its cell is run."""
        if kind not in self._made:
            panel = self._made[kind] = kind(self.song)
            for each in getattr(panel, "steps", (panel,)):
                keep_step(self._store, each)
        return self._made[kind]


class Bench(Panels):
    """All steps of the bench, for one song at a time.

    Attributes
    ----------
    song : Song
        What lies on it.

    Examples
    --------
    >>> bench = Bench()
    >>> bench.open().open_demo()
    >>> bench.song.title
    'Demo song in A minor'
    """

    def __init__(self):
        super().__init__("kept.json")
        self._kept = BenchKept(self.song, self._store)

    def __repr__(self):
        return f"Bench: {self.song.title if self.song.session is not None else 'empty'}"

    def open(self):
        """Return step 1: a folder, a saved song, an upload, or the demo."""
        fresh, step = OpenStep not in self._made, self._panel(OpenStep)
        if fresh and self.song.session is None:
            self._kept.resume(step)
        return step

    def guess(self):
        """Return what may come before step 2: levels and faults guessed, then set beside what is measured."""
        return self._panel(GuessStep)

    def checks(self):
        """Return step 2: what the stems show."""
        return self._panel(ChecksStep)

    def chains(self):
        """Return step 3: what each stem passes."""
        return self._panel(ChainsStep)

    def measured(self):
        """Return step 3 for a box that nobody here can run: a test file out, its recording in."""
        return self._panel(MeasuredStep)

    def add_measured(self, name: str, report) -> None:
        """Put a box that was measured elsewhere at the end of a chain.

        Parameters
        ----------
        name : str
            Strip, group or "master".
        report : gainlib.boxes.ProbeReport
        """
        self.measured().add_measured(name, report)

    def balance(self):
        """Return step 4: faders, pans, and the meters of the bus."""
        return self._panel(BalanceStep)

    def plan(self):
        """Return step 5: every move with its place and its reason."""
        return self._panel(PlanStep)

    def by_hand(self):
        """Return step 5 for who has staged by hand first: the differences, and a reason for each."""
        return self._panel(HandStep)

    def listen(self):
        """Return step 6: the mix before and after, matched in loudness."""
        return self._panel(ListenStep)

    def take(self):
        """Return step 7: sheets, staged stems, what changed, the song as a file."""
        return self._panel(TakeStep)

    def come_back(self):
        """Return step 8: what came back from the mixer, against the plan."""
        return self._panel(ReturnStep)


class RoundTrip(Panels):
    """The panels of the round trip.

    Examples
    --------
    >>> RoundTrip().probe().level.number()
    -6.0
    """

    def __init__(self):
        super().__init__("roundtrip.json")

    def __repr__(self):
        return "Round trip: a test file out, a recording back; two prints subtracted"

    def probe(self):
        """Return the test file written, the recording read."""
        return self._panel(ProbePanel)

    def null(self):
        """Return two prints subtracted, and the rounds to try it on."""
        return self._panel(NullPanel)
