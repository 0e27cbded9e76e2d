"""A box that nobody here can run: the test file goes out, the recording comes back, and shows what the box does."""

from gainlib.audio import GainlibError
from gainlib.boxes import ProbeReport, racked, read_probe, refreshed, write_probe
from gainlib.boxes.linearity import CANNOT_TELL
from gainlib.mix.inserts import replaced
from gainlib.notebook import figures, widgets
from gainlib.notebook.bench_song import Song, make_home
from gainlib.notebook.errors import row
from gainlib.notebook.figures.transfer import ProbedCurves
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.panels.steps import Entry, NumberEntry, Slot, Step, WorkButton, menu, offer, sheet
from gainlib.notebook.prose import prose
from gainlib.processors import BlackBox
from gainlib.session import Insert
from gainlib.words import Table, level_text, number_text

CAUTION = """
**First, disconnect speakers and headphones, or switch the amplifier off, until you have finished.** The file holds
steady tones that climb to the level set below; through a loudspeaker they can harm ears and tweeters. Look in the
box's manual for its maximum input level, and choose a lower level below if in doubt. Switch phantom power off, and
never send line level into a microphone input. The tones start soft: if anything looks wrong, stop.
"""
OUT = """
**1 · Out.** Write the test file, play it through the box, and record what comes out: in mono, from before the start of
the file to after its end, as 24-bit WAV or FLAC, at the file's own sample rate. Mute input monitoring while you record,
so that nothing feeds back. Leave the box's own level controls as you use them. If the recorder reaches full scale, turn
down its input and record again.
"""
BACK = """
**2 · Back.** The workbook finds delay, speed, polarity and gain of the recording and corrects for them. A second
recording *without* the box, over the same cables, separates the box's noise from the recorder's; leave the field empty
if you have none.
"""
RACK = """
**3 · Into your rack.** Give the box a name that you know it by. On the [bench](bench.ipynb) it is then known wherever a
black box bears that name: the plan feeds it its reference and matches its output.
"""
BENCH = """
Play the test file through the real box, hardware or not; the recording of what comes out shows whether the box depends
on level and which average it is built for. **Disconnect loudspeakers and headphones until you have finished: the file
holds loud steady tones.** Check the maker's maximum input level first, and choose a softer file below if in doubt. Mute
input monitoring while you record, so that nothing feeds back. Play the file at its own level, set every control of the
box as you use it, and record in mono from before its start to after its end. A box that is measured once goes into your
rack under its name, and is known wherever that name stands, in this song and in others.
"""
RATES = tuple((f"{rate / 1000:g} kHz", rate) for rate in (44100, 48000, 88200, 96000, 176400, 192000))
PICTURE_PX = (840, 640)
HEADS = ("box", "measured", "what it is", "built for", "output gain there", "ceiling", "noise")
MASTER, END = "master", 0


class BoxStep(Step):
    """A test file written, its recording read, and the rack of the boxes that were measured so.

    Attributes
    ----------
    recorded, name : Entry
        Path of the recording, and what the box is called.
    level : NumberEntry
        Highest level of the test file.
    write, read, remove : WorkButton
    facts : HTML
        What the recording shows, its picture under it.
    racked, in_rack : HTML, Dropdown
        The boxes that were measured, and one of them.
    """

    shows_song = ("in_rack",)
    off = "Leave speakers and headphones off"

    def _parts(self, path, rate):
        """Make what both have; where it stands on the page is each panel's own."""
        self.level = NumberEntry("Up to", -6.0, "dBFS", -30.0, 0.0)
        asks = (path, rate, self.level.number)
        self.write = WorkButton("Write the test file", _write, self._written, "Writing …", asks=asks)
        self.recorded = Entry("Recording of what came out:", "the path of the recording")
        self.name = Entry("Its name:", placeholder="opto")
        self.facts, self.live, self._picture = sheet(), None, widgets.VBox()
        self.racked, self.in_rack = sheet(), menu("In your rack:", ())
        tip = "Forget what was measured; where it stands it keeps its figures"
        self.remove = WorkButton("Take it out", self._take_out, tooltip=tip)

    def _written(self, path):
        self.tell("right", "Written", f"{path}. {self.off}, play it through the box, and record what comes out.")

    def _show(self, report):
        """Put a report on the page, or take the last one off it."""
        self.live = None if report is None else picture(report)
        self._picture.children = [] if report is None else [self.live.widget]
        self.facts.value = "" if report is None else Table("What the recording shows", ("", ""), facts(report)).html()

    # ---- the rack --------------------------------------------------------------------------------------------------

    def _take_out(self):
        name = self.in_rack.value
        if name is None:
            raise GainlibError("the rack is empty; read the recording of a box first")
        self.song.rack.remove(name)
        self._show_rack()
        said = f"“{name}” is no longer in the rack; where it stands in a song, it keeps its figures."
        self.tell("right", "Removed", said)

    def _show_rack(self):
        """Show the boxes in the rack; nothing where it is empty."""
        rows = [
            (
                each.box.name, each.measured, each.verdict, _level(each.box.reference_dbfs),
                _level(each.box.output_gain_db, "dB"), _level(each.box.ceiling_dbfs), _level(each.box.noise_dbfs),
            )
            for each in self.song.rack.values()
        ]  # fmt: skip
        self.racked.value = Table("Your rack of black boxes", HEADS, rows, (3, 4, 5, 6)).html() if rows else ""
        offer(self.in_rack, [name for name, *_ in rows])
        for each in (self.in_rack, self.remove):
            widgets.look(each, display="" if rows else "none")


class ProbePanel(BoxStep):
    """The round trip of a box, on a page of its own.

    Attributes
    ----------
    file, without : Entry
        Paths of the test file, and of a recording without the box.
    rate : Dropdown
    enter : WorkButton
        Puts the box into the rack.
    """

    def __init__(self, song=None):
        self.file = Entry("Test file (.wav):", "the path of a new WAV file")
        self.without = Entry("Recording without the box, if there is one:")
        self.rate = menu("Rate:", RATES, 48000)
        self._parts(self.file.path, self.rate)
        self.read = WorkButton(
            "Read the recording", lambda _tell, *paths: read_probe(*paths), self._shown, "Reading …",
            asks=(self.recorded.path, self.without.path_or_none), wipes=lambda: self._show(None),
            keeps=("report", ProbeReport), button_style="primary",
        )  # fmt: skip
        self.enter = WorkButton("Keep it in your rack", self._entered, disabled=True)
        super().__init__(
            song or Song(), prose(CAUTION), prose(OUT), self.file, row(self.rate, self.level), Slot(self.write),
            prose(BACK), self.recorded, self.without, Slot(self.read), self.facts, self._picture, prose(RACK),
            self.name, Slot(self.enter), self.racked, Slot(self.in_rack, self.remove),
        )  # fmt: skip
        self._slot = self._slot_of(self.remove)
        self._tried(self._show_rack)

    @property
    def report(self) -> ProbeReport | None:
        """What was read last."""
        return self.read.found

    def _show(self, report):
        super()._show(report)
        self.enter.disabled = report is None or report.kind == CANNOT_TELL

    def _shown(self, report):
        self._show(report)
        state = "partly" if report.kind == CANNOT_TELL else "right"
        self.tell(state, f"{report.kind[:1].upper()}{report.kind[1:]}", f"{report.reason}. {report.range_reason}")

    def _entered(self):
        if self.report is None:
            raise GainlibError("there is no box to keep; read its recording first")
        each = racked(self.report, self.name.value)
        self.song.rack.put(each)
        self._show_rack()
        self.tell("right", "Kept", f"“{each.box.name}”, {wanted(each.box)}.")


class MeasuredStep(BoxStep):
    """Step 3 of the bench for a box that cannot be run here: once measured it is known wherever it stands.

    Attributes
    ----------
    probe : Entry
        Path of the test file.
    which : Dropdown
        Where the box stands.
    """

    off = "Leave loudspeakers and headphones off"

    def __init__(self, song):
        self.probe = Entry("Test file (.wav):", "the path of a new WAV file")
        self.which = menu("The box is:", ())
        self._parts(self.probe.path, lambda: 48000 if song.session is None else song.session.rate_hz)
        self.read = WorkButton(
            "Read the recording", _read_at, self._measured, "Reading …", wipes=lambda: self._show(None),
            asks=(song.opened, lambda: self._places[self.which.value], self.recorded.path, self.probe.path_or_none),
        )  # fmt: skip
        super().__init__(
            song, prose(BENCH), self.probe, Slot(self.level, self.write), self.recorded, self.name,
            Slot(self.which, self.read), self.facts, self._picture, self.racked, Slot(self.in_rack, self.remove),
        )  # fmt: skip

    def _measured(self, found):
        (name, number), report = found
        self._show(report)
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
            self._show(None)
            self.probe.value = str(self.song.place_for("test file.wav"))
            self.note("")
        if what in ("opened", "chains"):
            self._tried(self._show_rack)


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


def picture(report) -> LiveFigure:
    """Return gain, distortion and noise against level, the working range and the reference marked.

    Parameters
    ----------
    report : gainlib.boxes.ProbeReport

    Returns
    -------
    LiveFigure
    """
    curve, working = report.curve, report.working_range
    fig = figures.make_figure(*PICTURE_PX)
    drawn = ProbedCurves(*fig.subplots(3, 1, height_ratios=(3, 3, 2)))
    columns = (curve.level_dbfs, curve.gain_db, curve.thd_percent, curve.floor_percent, curve.noise_dbfs)
    drawn.update(*columns, report.gain_db, None if working is None else working[:3])
    return LiveFigure(fig, [drawn], title="What the box does at each level")


def _length_text(error_ppm):
    """Return how much longer the recording is."""
    if abs(error_ppm) < 0.05:
        return "as long"
    return f"{number_text(abs(error_ppm), 1)} millionths {'longer' if error_ppm > 0 else 'shorter'}"


def facts(report) -> list[tuple[str, str]]:
    """Return what a report tells, line by line.

    Parameters
    ----------
    report : gainlib.boxes.ProbeReport

    Returns
    -------
    list of (str, str)
    """
    working, box = report.working_range, report.box()
    span = "none" if working is None else f"{number_text(working.low_dbfs)} to {level_text(working.high_dbfs, 'dBFS')}"
    rows = [
        ("verdict", report.kind),
        ("its level", "cannot tell" if report.kind == CANNOT_TELL else "is free" if report.level_free else "matters"),
        ("gain in its steady range", level_text(report.gain_db, decimals=2)),
        ("working range", span),
        ("reference", "none" if box.reference_dbfs is None else level_text(box.reference_dbfs, "dBFS")),
        ("output gain for equal loudness", level_text(report.output_gain_db, decimals=2)),
        ("noise in the silences", level_text(report.noise_dbfs, "dBFS")),
        ("test file starts", f"{number_text(1000.0 * report.offset_s, 2)} ms into the recording"),
        ("recording against test file", _length_text(report.rate_error_ppm)),
        ("polarity", "as it was" if report.polarity > 0 else "inverted"),
        ("known from", " to ".join(level_text(level, "dBFS", 0) for level in report.levels_dbfs)),
    ]
    if report.linear_up_to_dbfs is not None:
        rows.insert(2, ("linear up to", level_text(report.linear_up_to_dbfs, "dBFS")))
    if report.opens_dbfs is not None:
        rows.insert(2, ("opens at", level_text(report.opens_dbfs, "dBFS")))
    return rows


def wanted(box) -> str:
    """Return what a measured box wants, as the rest of a sentence."""
    if box.linear:
        return "whose level is free"
    if box.reference_dbfs is None:
        return "whose level matters, though the recording shows none that it is built for"
    built, behind = level_text(box.reference_dbfs, "dBFS"), level_text(box.output_gain_db, decimals=2)
    return f"built for {built} on average, with {behind} behind it for a matched bypass"


def _level(value, unit="dBFS"):
    return "–" if value is None else level_text(value, unit)


def _write(_tell, path, rate_hz, level_max_dbfs):
    make_home(path)
    write_probe(path, rate_hz, level_max_dbfs=level_max_dbfs)
    return path


def _read_at(_tell, _session, place, recorded, played):
    return place, read_probe(recorded, played if played is not None and played.is_file() else None)
