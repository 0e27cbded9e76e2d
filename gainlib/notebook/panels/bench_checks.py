"""Step 2 of the bench: the stems measured, and what they show named, with what speaks for it."""

from gainlib import mix
from gainlib.audio import GainlibError
from gainlib.mix.findings import TOO_HOT_DBFS, TOO_LOW_DBFS, ranked
from gainlib.mix.sheet import answer
from gainlib.notebook import figures, widgets
from gainlib.notebook.figures.diagrams import StemLevels
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.panels.steps import Slot, Step, WorkButton, menu, offer, sheet
from gainlib.notebook.prose import prose
from gainlib.words import Table, count, number_text, sentence

HEADS = (
    "stem", "true peak (dBTP)", "RMS (dBFS)", "active level (dBFS)", "plays (%)", "crest (dB)", "loudness (LUFS)",
    "what it shows",
)  # fmt: skip
FOUND = ("stem", "what", "in words", "the plan")
MEND = "**You may do two things here, if you agree.** Processors, DC and gain come in the steps below."
ROW_PX, FRAME_PX = 27, 92


class ChecksStep(Step):
    """A table of levels with its picture, and a sentence for each thing found.

    Attributes
    ----------
    look, leave_out, switch : WorkButton
    """

    def __init__(self, song):
        self.look = WorkButton(
            "Check the stems", lambda tell, session: mix.checkup(session.strips, tell), song.check,
            "Measuring the stems …", asks=(song.opened,), button_style="primary",
        )  # fmt: skip
        self.levels, self.findings, self._picture = sheet(), sheet(), widgets.VBox()
        self.which = menu("Stem:", ())
        self.leave_out = WorkButton("Leave it out", self._leave_out)
        self.switch = WorkButton("Switch its polarity", self._switch)
        self._mend = (prose(MEND), Slot(self.which, self.leave_out, self.switch))
        super().__init__(song, Slot(self.look), self._picture, self.levels, self.findings, *self._mend)

    def _leave_out(self):
        session, name = self.song.opened(), self._chosen()
        if len(session.strips) == 1:
            raise GainlibError(f"{name} is the only stem; open another folder instead")
        kept = tuple(strip for strip in session.strips if strip.name != name)
        self.song.change(session.with_(strips=kept), "stems")
        self.tell("right", "Left out", f"{name} is off the bench. The file itself is as it was.")

    def _switch(self):
        session, name = self.song.opened(), self._chosen()
        polarity = -session.strip(name).polarity
        self.song.change(session.with_(name, polarity=polarity), "stems")
        how = "inverted now" if polarity < 0 else "as recorded again"
        hint = "Listen to it in step 4 with its partners: the polarity with more low end is right."
        self.tell("right", "Switched", f"{name} is {how}. {hint}")

    def _chosen(self):
        if self.which.value is None:
            raise GainlibError("no stem is chosen; check the stems, then choose one")
        return self.which.value

    def _changed(self, what):
        if what in ("opened", "stems"):
            offer(self.which, self.song.stem_names)
        if what == "opened":
            self.empty(self.levels, self.findings, self._picture)
            self._show_mend(False)
            there = "Another song is on the bench; check its stems."
            self.note("Open a song first." if self.song.session is None else there)
        elif what in ("checked", "stems") and self.song.stems:
            self._show(self.song.stems)
        elif what == "chains" and self.song.stems:
            self._show_findings()

    def _show(self, stems):
        fig = figures.make_figure(840, FRAME_PX + ROW_PX * len(stems))
        drawing = StemLevels(fig.subplots(), stems, TOO_LOW_DBFS, TOO_HOT_DBFS)
        self._picture.children = [LiveFigure(fig, [drawing], title="Levels of the stems as found").widget]
        self.levels.value = Table("Levels as found", HEADS, map(_level_row, stems), range(1, 7)).html()
        self._show_findings()
        self._show_mend(True)
        found = ranked(stems)
        doubtful = ("mix print", "silent", "duplicate", "polarity")
        suggested = (finding.strip for finding in found if finding.tag in doubtful)
        self.which.value = next(suggested, self.which.value)
        sure = sum(finding.sure for finding in found)
        text = f"{count(sure, 'thing')} found, {len(found) - sure} possible"
        self.tell("right", "Checked", f"{count(len(stems), 'stem')}: {text}. Nothing was changed.")

    def _show_findings(self):
        """Show each finding once, what costs most first, and the possible ones folded."""
        found = ranked(self.song.stems)
        sure, possible = ([self._row(each) for each in found if each.sure is wanted] for wanted in (True, False))
        shown = Table("Found", FOUND, sure).html() if sure else ""
        if possible:
            folded = Table("Possible", FOUND, possible).html()
            shown += f"<details><summary>{count(len(possible), 'possible finding')}</summary>{folded}</details>"
        self.findings.value = shown

    def _row(self, finding):
        return ", ".join(finding.shown_by), finding.tag, sentence(finding.words), answer(finding, self.song.session)

    def _show_mend(self, shown):
        for each in self._mend:
            widgets.look(each, display="" if shown else "none")


def _level_row(stem):
    reading = stem.reading
    levels = (reading.true_peak_dbtp, reading.rms_dbfs, reading.active_dbfs)
    crest, loudness = ("–" if x is None else number_text(x) for x in (reading.active_crest_db, reading.loudness_lufs))
    values = (*map(number_text, levels), number_text(100 * reading.activity, 0), crest, loudness)
    tags = dict.fromkeys(finding.tag if finding.sure else f"{finding.tag}?" for finding in stem.findings)
    return (stem.name, *values, ", ".join(tags) or "–")
