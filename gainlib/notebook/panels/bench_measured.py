"""Step 3 of the bench, for a box that cannot be run here: a test file goes through it, and the recording tells."""

import ipywidgets as widgets

from gainlib.audio import GainlibError
from gainlib.mix.paths import pasted_path
from gainlib.notebook.panels.bench_base import NumberEntry, Slot, Step, button, entry, menu, offer, row, sheet, table
from gainlib.notebook.panels.probe import facts, picture
from gainlib.notebook.prose import prose
from gainlib.words import level_text

TEXT = """
Play the test file through the real box, hardware or not; the recording of what comes out shows whether the box depends
on level and which average it is built for. **Disconnect loudspeakers and headphones until you have finished: the file
holds loud steady tones.** Check the maker's maximum input level first, and choose a softer file below if in doubt. Mute
input monitoring while you record, so that nothing feeds back. Play the file at its own level, set every control of the
box as you use it, and record in mono from before its start to after its end.
"""
MASTER = "master"


class MeasuredStep(Step):
    """A test file out, a recording in, and a box at the end of a chain.

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song

    Attributes
    ----------
    probe, recorded : Text
        Fields.
    level : NumberEntry
        Highest level of the test file.
    which : Dropdown
        Where the box stands.
    seen : VBox
        What the recording shows, in figures and in a picture.
    write_test, read_recording : callable
        What the buttons do, at once.
    """

    def __init__(self, song):
        self.probe, self.recorded = entry("Test file (.wav):"), entry("Recording of what came out:")
        self.which = menu("The box is in:", ())
        self.level = NumberEntry("Up to", -6.0, "dBFS", -30.0, 0.0)
        self.out, self.back = button("Write the test file"), button("Read the recording")
        self.seen = widgets.VBox()
        out = row(self.level, Slot(self.out))
        super().__init__(song, prose(TEXT), self.probe, out, self.recorded, Slot(self.which, self.back), self.seen)
        self.write_test = self.action(self.out, _write, self._written, "Writing …", self._to_write)
        self.read_recording = self.action(self.back, _read, self._measured, "Reading …", self._to_read)
        song.watch(self._changed)
        self._changed("opened")

    def _to_write(self):
        rate = self.song.session.rate_hz if self.song.session is not None else 48000
        return pasted_path(self.probe.value, "the path of a new WAV file"), rate, self.level.number()

    def _to_read(self):
        self.song.opened()
        played = pasted_path(self.probe.value) if self.probe.value.strip() else None
        known = played if played is not None and played.is_file() else None
        return self.which.value, pasted_path(self.recorded.value, "the path of the recording"), known

    def _written(self, path):
        self.tell(
            "right",
            "Written",
            f"{path}. Leave loudspeakers and headphones off, play it through the box, and record what comes out.",
        )

    def _measured(self, found):
        figures = sheet()
        figures.value = table("What the recording shows", ("", ""), facts(found[1]))
        self.seen.children = [figures, picture(found[1]).widget]
        self.add_measured(*found)

    def add_measured(self, name: str, report) -> None:
        """Put a measured box at the end of a chain.

        Parameters
        ----------
        name : str
            Strip, group or "master".
        report : gainlib.boxes.ProbeReport
            What was read from the recording; a linear box needs no place in a chain.

        Raises
        ------
        GainlibError
            Where the recording cannot tell, or tells of no level that the box is built for.
        """
        from gainlib.processors import BlackBox
        from gainlib.session import Insert

        session = self.song.opened()
        if report.linear is None:
            raise GainlibError(f"{name}: the recording does not show it; {report.reason}")
        if report.linear:
            self.tell("right", "Measured", f"{name} does not need this box in its chain: {report.reason}.")
            return
        if report.reference_dbfs is None:
            raise GainlibError(
                f"{name}: {report.reason}; the recording shows no level that the box is built for, so add a black box "
                f"with the level that its maker gives"
            )
        owners = {each.name: each for each in (*session.strips, *session.groups)} | {MASTER: session.master}
        inserts = (*owners[name].inserts, Insert(BlackBox(report.reference_dbfs)))
        self.song.change(session.with_("bus" if name == MASTER else name, inserts=inserts), "chains")
        built, behind = level_text(report.reference_dbfs, "dBFS"), level_text(report.output_gain_db)
        self.tell(
            "right", "Measured",
            f"A box built for {built} is now at the end of {name}: {report.reason}. For a matched bypass, set its "
            f"output gain to {behind}.",
        )  # fmt: skip

    def _changed(self, what):
        session = self.song.session
        if what in ("opened", "stems", "chains"):
            offer(self.which, [*session.names, MASTER] if session is not None else [])
        if what == "opened":
            self.seen.children = []
            self.probe.value = str(self.song.place_for("test file.wav"))
            self.note("")


def _write(tell, path, rate_hz, level_max_dbfs):
    from gainlib.boxes import write_probe
    from gainlib.notebook.bench_song import make_home

    make_home(path)
    write_probe(path, rate_hz, level_max_dbfs=level_max_dbfs)
    return path


def _read(tell, name, recorded, played):
    from gainlib.boxes import read_probe

    return name, read_probe(recorded, played)
