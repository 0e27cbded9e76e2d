"""The bench: a song of one's own, from its folder to the sheets that are taken away.

``bench = Bench()``, then a call a cell, in the order of the work. What lay on the bench last lies there again. What the
steps share is a :class:`~gainlib.notebook.bench_song.Song`; all that is measured or planned comes from ``mix`` and
``session``. The round trip (``trip = RoundTrip()``) measures a box by a test file and subtracts two prints, on a page
of its own; all that is measured there comes from ``boxes``.
"""

from gainlib.exercises.record import bench_folder
from gainlib.notebook.bench_kept import BenchKept, keep_step
from gainlib.notebook.bench_song import Song
from gainlib.notebook.kept import Kept

ROUND_TRIP = "roundtrip.json"


class Bench:
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
        self.song, self._steps = Song(), {}
        self._kept = BenchKept(self.song)

    def __repr__(self):
        return f"Bench: {self.song.title if self.song.session is not None else 'empty'}"

    def safety(self):
        """Return the cautions for ears and loudspeakers, and a tone to set the level with."""
        from gainlib.notebook.sheets import safety

        return safety()

    def open(self):
        """Return step 1: a folder, a saved song, an upload, or the demo."""
        from gainlib.notebook.panels.bench_open import OpenStep

        fresh = OpenStep not in self._steps
        step = self._step(OpenStep)
        if fresh and self.song.session is None:
            self._kept.resume(step)
        return step

    def guess(self):
        """Return what may come before step 2: levels and faults guessed, then set beside what is measured."""
        from gainlib.notebook.panels.bench_guess import GuessStep

        return self._step(GuessStep)

    def checks(self):
        """Return step 2: what the stems show."""
        from gainlib.notebook.panels.bench_checks import ChecksStep

        return self._step(ChecksStep)

    def chains(self):
        """Return step 3: what each stem passes."""
        from gainlib.notebook.panels.bench_chains import ChainsStep

        return self._step(ChainsStep)

    def measured(self):
        """Return step 3 for a box that nobody here can run: a test file out, its recording in."""
        from gainlib.notebook.panels.probe import MeasuredStep

        return self._step(MeasuredStep)

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
        from gainlib.notebook.panels.bench_balance import BalanceStep

        return self._step(BalanceStep)

    def plan(self):
        """Return step 5: every move with its place and its reason."""
        from gainlib.notebook.panels.bench_plan import PlanStep

        return self._step(PlanStep)

    def by_hand(self):
        """Return step 5 for who has staged by hand first: the differences, and a reason for each."""
        from gainlib.notebook.panels.bench_plan import HandStep

        return self._step(HandStep)

    def listen(self):
        """Return step 6: the mix before and after, matched in loudness."""
        from gainlib.notebook.panels.bench_plan import ListenStep

        return self._step(ListenStep)

    def take(self):
        """Return step 7: sheets, staged stems, what changed, the song as a file."""
        from gainlib.notebook.panels.bench_take import TakeStep

        return self._step(TakeStep)

    def come_back(self):
        """Return step 8: what came back from the mixer, against the plan."""
        from gainlib.notebook.panels.bench_take import ReturnStep

        return self._step(ReturnStep)

    def _step(self, kind):
        """Return a step of this bench; the same one every time its cell is run."""
        if kind not in self._steps:
            step = self._steps[kind] = kind(self.song)
            for each in getattr(step, "steps", (step,)):
                self._kept.attach(each)
        return self._steps[kind]


class RoundTrip:
    """The panels of the round trip.

    Examples
    --------
    >>> RoundTrip().probe().level.number()
    -6.0
    """

    def __init__(self):
        self._song, self._panels, self._store = Song(), {}, Kept(bench_folder() / ROUND_TRIP)

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
