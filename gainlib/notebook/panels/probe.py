"""A box that nobody here can run: the test file goes out, the recording comes back, and shows what the box does."""

import ipywidgets as widgets

from gainlib.audio import GainlibError
from gainlib.boxes.verdicts import CANNOT_TELL
from gainlib.mix.paths import pasted_path
from gainlib.notebook import figures
from gainlib.notebook.bench_song import Song
from gainlib.notebook.figures.transfer import ProbedCurves
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.panels.bench_base import NumberEntry, Slot, Step, button, entry, menu, row, sheet, table
from gainlib.notebook.panels.kept_report import from_kept, to_kept
from gainlib.notebook.panels.rack import RackPart
from gainlib.notebook.prose import prose
from gainlib.words import level_text, number_text

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
RATES = tuple((f"{rate / 1000:g} kHz", rate) for rate in (44100, 48000, 88200, 96000, 176400, 192000))
PICTURE_PX = (840, 640)


class ProbePanel(Step):
    """The test file written, the recording read, and what it tells.

    Parameters
    ----------
    song : Song, optional
        Whose work this takes its turn with; a panel of its own has one of its own.

    Attributes
    ----------
    file, recorded, without, name : Text
        Paths, and what the box is called.
    rate : Dropdown
    level : NumberEntry
    report : gainlib.boxes.ProbeReport or None
        What was read last.
    live : LiveFigure or None
        Its picture.
    rack : RackPart
        The boxes that were measured.
    write, read : callable
        What the buttons do, at once.
    """

    def __init__(self, song: Song | None = None):
        self.file, self.recorded = entry("Test file (.wav):"), entry("Recording of what came out:")
        self.without = entry("Recording without the box, if there is one:")
        self.rate, self.level = menu("Rate:", RATES, 48000), NumberEntry("Up to", -6.0, "dBFS", -30.0, 0.0)
        self.write_button = button("Write the test file")
        self.read_button = button("Read the recording", button_style="primary")
        self.name, self.enter = entry("Its name:", placeholder="opto"), button("Keep it in your rack", disabled=True)
        self.facts, self.report, self.rack = sheet(), None, RackPart()
        self.live, self._picture = None, widgets.VBox()
        super().__init__(
            song or Song(), prose(CAUTION), prose(OUT), self.file, row(self.rate, self.level),
            Slot(self.write_button), prose(BACK), self.recorded, self.without, Slot(self.read_button), self.facts,
            self._picture, prose(RACK), self.name, Slot(self.enter), self.rack.shown,
            Slot(self.rack.which, self.rack.remove),
        )  # fmt: skip
        self.write = self.action(self.write_button, _write, self._written, "Writing …", self._to_write)
        self.read = self.action(self.read_button, _read, self._shown, "Reading …", self._to_read)
        self.at_once(self.enter, self._entered)
        self.at_once(self.rack.remove, lambda: self.tell("right", "Removed", self.rack.take_out(self.song.rack)))
        self._slot = self._slot_of(self.rack.remove)
        self._tried(lambda: self.rack.show(self.song.rack))

    # ---- out -------------------------------------------------------------------------------------------------------

    def _to_write(self):
        return pasted_path(self.file.value, "the path of a new WAV file"), self.rate.value, self.level.number()

    def _written(self, path):
        said = f"{path}. Leave speakers and headphones off, play it through the box, and record what comes out."
        self.said.say("right", "Written", said)

    # ---- back ------------------------------------------------------------------------------------------------------

    def _to_read(self):
        self._show(None)  # else a recording that is refused would stand over the figures of another
        without = pasted_path(self.without.value) if self.without.value.strip() else None
        return pasted_path(self.recorded.value, "the path of the recording"), without

    def _show(self, report):
        """Put a report on the page, or take the last one off it."""
        self.report, self.live = report, None if report is None else picture(report)
        self._picture.children = [] if report is None else [self.live.widget]
        self.facts.value = "" if report is None else table("What the recording shows", ("", ""), facts(report))
        self.enter.disabled = report is None or report.kind == CANNOT_TELL
        self._noted()

    def _shown(self, report):
        self._show(report)
        state = "partly" if report.kind == CANNOT_TELL else "right"
        self.tell(state, f"{report.kind[:1].upper()}{report.kind[1:]}", f"{report.reason}. {report.range_reason}")

    def _entered(self):
        from gainlib.boxes import racked

        if self.report is None:
            raise GainlibError("there is no box to keep; read its recording first")
        rack, each = self.song.rack, racked(self.report, self.name.value)
        rack.put(each)
        self.rack.show(rack)
        self.tell("right", "Kept", f"“{each.box.name}”, {wanted(each.box)}.")

    # ---- kept over a reload ----------------------------------------------------------------------------------------

    def standing(self) -> dict:
        """Return what is entered and what was read, as JSON."""
        return {**super().standing(), "report": to_kept(self.report)}

    def resume(self, kept: dict) -> None:
        """Enter what was kept, and show what was read last."""
        from gainlib.boxes import ProbeReport

        super().resume(kept)
        report = from_kept(ProbeReport | None, kept.get("report"))
        if report is not None:
            self._slot = self._slot_of(self.read_button)
            self._shown(report)


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
        ("gain in its steady range", level_text(report.gain_db, digits=2)),
        ("working range", span),
        ("reference", "none" if box.reference_dbfs is None else level_text(box.reference_dbfs, "dBFS")),
        ("output gain for equal loudness", level_text(report.output_gain_db, digits=2)),
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
    built, behind = level_text(box.reference_dbfs, "dBFS"), level_text(box.output_gain_db, digits=2)
    return f"built for {built} on average, with {behind} behind it for a matched bypass"


def _write(_tell, path, rate_hz, level_max_dbfs):
    from gainlib.boxes import write_probe

    write_probe(path, rate_hz, level_max_dbfs=level_max_dbfs)
    return path


def _read(_tell, recorded, without):
    from gainlib.boxes import read_probe

    return read_probe(recorded, without)
