"""Step 3 of the bench, for a box that cannot be run here: a test file goes through it, and the recording tells."""

import ipywidgets as widgets

from gainlib.mix.paths import pasted_path
from gainlib.notebook.panels.bench_base import NumberEntry, Slot, Step, button, entry, menu, offer, row, sheet, table
from gainlib.notebook.panels.probe import facts, picture
from gainlib.notebook.panels.rack import RackPart
from gainlib.notebook.prose import prose
from gainlib.processors import BlackBox
from gainlib.words import level_text

TEXT = """
Play the test file through the real box, hardware or not; the recording of what comes out shows whether the box depends
on level and which average it is built for. **Disconnect loudspeakers and headphones until you have finished: the file
holds loud steady tones.** Check the maker's maximum input level first, and choose a softer file below if in doubt. Mute
input monitoring while you record, so that nothing feeds back. Play the file at its own level, set every control of the
box as you use it, and record in mono from before its start to after its end. A box that is measured once goes into your
rack under its name, and is known wherever that name stands, in this song and in others.
"""
MASTER, END = "master", 0


class MeasuredStep(Step):
    """A test file out, a recording in, and a box in the rack that is known wherever it stands.

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song

    Attributes
    ----------
    probe, recorded, name : Text
        Fields.
    level : NumberEntry
        Highest level of the test file.
    which : Dropdown
        Where the box stands.
    seen : VBox
        What the recording shows, in figures and in a picture.
    rack : RackPart
        The boxes that were measured.
    write_test, read_recording : callable
        What the buttons do, at once.
    """

    def __init__(self, song):
        self.probe, self.recorded = entry("Test file (.wav):"), entry("Recording of what came out:")
        self.which, self.name = menu("The box is:", ()), entry("Its name:", placeholder="opto")
        self.level = NumberEntry("Up to", -6.0, "dBFS", -30.0, 0.0)
        self.out, self.back = button("Write the test file"), button("Read the recording")
        self.seen, self.rack = widgets.VBox(), RackPart()
        out = row(self.level, Slot(self.out))
        super().__init__(
            song, prose(TEXT), self.probe, out, self.recorded, self.name, Slot(self.which, self.back), self.seen,
            self.rack.shown, Slot(self.rack.which, self.rack.remove),
        )  # fmt: skip
        self.write_test = self.action(self.out, _write, self._written, "Writing …", self._to_write)
        self.read_recording = self.action(self.back, _read, self._measured, "Reading …", self._to_read)
        self.at_once(self.rack.remove, lambda: self.tell("right", "Removed", self.rack.take_out(song.rack)))
        song.watch(self._changed)
        self._changed("opened")

    def _to_write(self):
        rate = self.song.session.rate_hz if self.song.session is not None else 48000
        return pasted_path(self.probe.value, "the path of a new WAV file"), rate, self.level.number()

    def _to_read(self):
        self.song.opened()
        self.seen.children = []  # else a recording that is refused would stand over the figures of another
        played = pasted_path(self.probe.value) if self.probe.value.strip() else None
        known = played if played is not None and played.is_file() else None
        return self._places[self.which.value], pasted_path(self.recorded.value, "the path of the recording"), known

    def _written(self, path):
        self.tell(
            "right",
            "Written",
            f"{path}. Leave loudspeakers and headphones off, play it through the box, and record what comes out.",
        )

    def _measured(self, found):
        (name, number), report = found
        figures = sheet()
        figures.value = table("What the recording shows", ("", ""), facts(report))
        self.seen.children = [figures, picture(report).widget]
        self.add_measured(name, report, number, self.name.value)

    def add_measured(self, name: str, report, number: int | None = None, called: str = "") -> None:
        """Put a measured box into the rack, and what is known of it wherever it stands.

        Parameters
        ----------
        name : str
            Strip, group or "master".
        report : gainlib.boxes.ProbeReport
            What was read from the recording; a linear box needs no place in a chain.
        number : int, optional
            Which processor it is, from 1; 0 for a new one at the end. Left out, it is the first black box that nobody
            has measured, or a new one.
        called : str
            Its name; left out, the one it has, or that of its strip.

        Raises
        ------
        GainlibError
            Where the recording cannot tell.
        """
        from gainlib.boxes import racked, refreshed
        from gainlib.mix.blackboxes import replaced
        from gainlib.session import Insert

        session = self.song.opened()
        inserts = _owner(session, name).inserts
        boxes = [k for k, each in enumerate(inserts, 1) if isinstance(each.processor, BlackBox)]
        if number is None:
            number = next((k for k in boxes if _waits(session, name, k)), END)
        stands = inserts[number - 1].processor if number in boxes else None
        called = called.strip() or (stands.name if stands else "") or _free_name(name, self.song.rack)
        each = racked(report, called)
        self.song.rack.put(each)
        if stands is not None:
            inserts = replaced(inserts, number, processor=each.box)
        elif not report.level_free:
            inserts = (*inserts, Insert(each.box))
        session = session.with_("bus" if name == MASTER else name, inserts=inserts)
        session, _ = refreshed(session, self.song.rack, called)
        self.name.value = ""
        self.song.change(session, "chains")
        place = f"It is known wherever “{called}” stands, here in {name}" if stands or not report.level_free else ""
        place = place or f"{name} does not need it in its chain, because its level is free"
        self.tell("right", "Measured", f"“{called}” is in your rack. {place}: {report.reason}. {_wants(each.box)}")

    def _changed(self, what):
        session = self.song.session
        if what in ("opened", "stems", "chains"):
            self._places = dict(_places(session)) if session is not None else {}
            offer(self.which, list(self._places))
            waiting = (text for text, (name, number) in self._places.items() if _waits(session, name, number))
            if self._places and self._places[self.which.value][1] == END:
                self.which.value = next(waiting, self.which.value)
        if what == "opened":
            self.seen.children = []
            self.probe.value = str(self.song.place_for("test file.wav"))
            self.note("")
        if what in ("opened", "chains"):
            self._tried(lambda: self.rack.show(self.song.rack))


def _owner(session, name):
    owners = {each.name: each for each in (*session.strips, *session.groups)} | {MASTER: session.master}
    return owners[name]


def _places(session):
    """Yield where a box may stand: the black boxes that do, then a new one at the end of any chain."""
    names = [*session.names, MASTER]
    for name in names:
        for number, insert in enumerate(_owner(session, name).inserts, 1):
            if isinstance(insert.processor, BlackBox):
                yield f"{name}, processor {number}: {insert.processor.called}", (name, number)
    for name in names:
        yield f"{name}: one more at the end", (name, END)


def _waits(session, name, number):
    return number != END and not _owner(session, name).inserts[number - 1].processor.measured


def _free_name(name, rack):
    return next(each for each in (f"{name} box", *(f"{name} box {k}" for k in range(2, 1000))) if each not in rack)


def _wants(box):
    if box.reference_dbfs is None:
        return "The recording shows no level that the box is built for." if not box.linear else ""
    built, behind = level_text(box.reference_dbfs, "dBFS"), level_text(box.output_gain_db)
    return f"It is built for {built}; fed that, its output wants {behind} for a matched bypass, and the plan uses both."


def _write(tell, path, rate_hz, level_max_dbfs):
    from gainlib.boxes import write_probe
    from gainlib.notebook.bench_song import make_home

    make_home(path)
    write_probe(path, rate_hz, level_max_dbfs=level_max_dbfs)
    return path


def _read(tell, place, recorded, played):
    from gainlib.boxes import read_probe

    return place, read_probe(recorded, played)
