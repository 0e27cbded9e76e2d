"""Steps 7 and 8 of the bench: what is taken to any mixer, and what came back from there, against the plan.

Taken away are sheets, staged stems, what changed since an earlier sheet, and the song as a file.
"""

import io
import zipfile
from datetime import date
from functools import partial

from gainlib import mix
from gainlib.audio import GainlibError, read, write_whole
from gainlib.mix.paths import check_new, filling, text_of
from gainlib.mix.printed import compare_print, compare_stems
from gainlib.mix.sheet import bus_rows, hand_off_note
from gainlib.mix.sheet_files import is_level_sheet, level_csv, page, plan_csv, shown
from gainlib.notebook import widgets
from gainlib.notebook.bench_song import make_home
from gainlib.notebook.panels.steps import Entry, Slot, Step, WorkButton, listed, menu, sheet, tick
from gainlib.notebook.prose import prose
from gainlib.notebook.records import SaveButton
from gainlib.session import to_json
from gainlib.session.files import strips_of_folder
from gainlib.words import Table, count, number, number_text, sentence

UPTO = (("up to the trim", "trim"), ("up to the bus", "bus"))
WORDS = (("24-bit", "PCM_24"), ("32-bit float", "FLOAT"))
SHEETS = """
**Sheets.** The first page of `plan.html` has a line a strip with all that you set, and boxes to tick; it prints in grey
on A4 and Letter, and 24 strips fit. Where each column sits, reasons, levels, and the bus before and after are an
appendix. `plan.csv` holds the same lines for a spreadsheet, `levels.csv` the levels as found, `hand-off.txt` what the
mastering engineer should know, and `session.json` the planned song. They go into a **new** folder, which is written
completely or not at all.
"""
STEMS = """
**Staged stems.** *Up to the trim*: load them in place of the raw stems, with the trims at 0. *Up to the bus*: they
include faders, pans and processors, and their sum is the mix. **Turn your monitors down before you load them: they can
be much louder than the raw stems on the same faders.** They are copies: your originals are only read, and compared with
their checksums afterwards. Nothing is clipped; dither is added where words get shorter.
"""
DIFFERENCE = "**What changed** since an earlier sheet: give its CSV file, or the folder of sheets that holds it."
SONG = "**The song itself**, chains and balance included; step 1 opens it again. It holds no audio."
DIGITS = {"of full scale": 4, "samples": 0}
HEADS = ("", "unit", "before", "after")
MAKERS = {"plan.html": page, "plan.csv": plan_csv, "levels.csv": level_csv, "hand-off.txt": hand_off_note}
MIX = """
**The printed mix.** The workbook measures it, aligns it with the planned bus (in time, speed, polarity and level) and
subtracts. Where everything is linear, the two cancel.
"""
PRINTS = """
**Printed stems**, in a folder, named as the stems are; one with another name is known by what it holds. Level, sides,
polarity and start of each are compared with the plan's.
"""
AT = (("behind fader and pan", "out"), ("ahead of the fader", "post"))
STEM_HEADS = ("stem", "planned (dBFS)", "printed (dBFS)", "off by (dB)", "what is off, and what would cure it")


class TakeStep(Step):
    """Where to, and what.

    Attributes
    ----------
    sheets_to, stems_to, song_to, against : Entry
    write_sheets, write_stems, save_song, compare : WorkButton
    """

    def __init__(self, song):
        self.sheets_to = Entry("New folder for the sheets:", "a new folder for the sheets")
        self.stems_to = Entry("New folder for the stems:", "a new folder for the stems")
        self.song_to = Entry("File for the song (.json):", "a file for the song")
        self.against = Entry("Earlier sheet:", "the path of a sheet")
        self.upto, self.words = menu("Include gain:", UPTO, "trim"), menu("Bit depth:", WORDS, "PCM_24")
        self.gain_only = tick("gain only: leave the DC block to the mixer")
        self.write_sheets = WorkButton(
            "Write the sheets", _write_sheets, self._sheets_done, "Writing the sheets …",
            asks=(self._of_plan, self.sheets_to.path), button_style="primary",
        )  # fmt: skip
        self.write_stems = WorkButton(
            "Write the stems", _export, self._stems_done, "Writing the stems …", button_style="primary",
            asks=(song.plan_made, self.stems_to.path, self.upto, self.words, self.gain_only),
        )  # fmt: skip
        asks = (self._of_plan, self.against.path)
        self.compare = WorkButton("What changed?", _differences, self._show_changes, "Comparing …", asks=asks)
        asks = (song.opened, self.song_to.path)
        self.save_song = WorkButton("Save the song", _save, self._saved, "Saving …", asks=asks)
        self.report, self.changes = sheet(), sheet()
        self.download = SaveButton("Download the sheets", self.guarded(self._packed), "application/zip")
        self._sheet, self._file_notes, self._written_to = None, (), None
        super().__init__(
            song, prose(SHEETS), self.sheets_to, Slot(self.write_sheets, self.download), self.report,
            prose(STEMS), self.stems_to, Slot(self.upto, self.words, self.gain_only, self.write_stems),
            prose(DIFFERENCE), self.against, Slot(self.compare), self.changes,
            prose(SONG), self.song_to, Slot(self.save_song),
        )  # fmt: skip

    shows_song = ("sheets_to", "stems_to", "song_to")  # places that are free now

    def _of_plan(self):
        """Return what gathers the sheet of the plan; what it took to measure it is kept for the next time."""
        song, plan = self.song, self.song.plan_made()
        if not plan.verification.passed:
            raise GainlibError("the plan missed some of its checks, so nothing is written; see step 5")
        notes = (*song.notes, *self._file_notes)
        wishes = {"stems": song.stems or None, "notes": notes, "made": date.today().isoformat()}
        sheet_of = partial(mix.sheet_of, song.session, plan, song.target_dbtp, **wishes)

        def gathered(tell):
            if self._sheet is None or self._sheet.plan is not plan or self._sheet.notes != notes:
                self._sheet = sheet_of(progress=tell)
            return self._sheet

        return gathered

    # ---- sheets ----------------------------------------------------------------------------------------------------

    def _sheets_done(self, found):
        whole, names, target = found
        rows = [
            (item, unit, *(_figure(value, DIGITS.get(unit, 2)) for value in (before, after)))
            for item, unit, before, after in bus_rows(whole.before, whole.after)
        ]
        self.report.value = Table("Bus report", HEADS, rows, (2, 3)).html()
        self.sheets_to.value = str(self.song.place_for("sheets"))
        self._written_to = target
        widgets.look(self.download, display="")
        self.tell("right", "Written", f"{', '.join(names)} in {target}")

    def _packed(self):
        """Return the sheets written last as one file, for a computer that is not this one."""
        held = io.BytesIO()
        with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as packed:
            for path in sorted(self._written_to.iterdir()):
                packed.write(path, f"{self._written_to.name}/{path.name}")
        return f"{self._written_to.name}.zip", held.getvalue()

    # ---- stems -----------------------------------------------------------------------------------------------------

    def _stems_done(self, export):
        were, are = ("was", "is") if export.originals == 1 else ("were", "are")
        kept = f" {count(export.originals, 'original')} {were} compared and {are} unchanged."
        self._file_notes, kept = export.notes, kept if export.originals else ""
        self.stems_to.value = str(self.song.place_for("staged"))
        written = f"{count(len(export.files), 'stem')} with a list of checksums in {export.folder}."
        self.tell("right", "Written", f"{written}{kept} {' '.join(export.notes)}")

    # ---- difference ------------------------------------------------------------------------------------------------

    def _show_changes(self, differences):
        changes = [each for difference in differences for each in difference.changes]
        rows = [(each.strip, each.item, shown(each.before), shown(each.after), _change(each)) for each in changes]
        heads = ("strip", "what", "earlier", "now", "change")
        self.changes.value = Table("What changed by more than 0.1 dB", heads, rows, (2, 3, 4)).html() if rows else ""
        added, removed = differences[-1].added, differences[-1].removed
        parts = [f"{count(len(changes), 'figure')} changed" if changes else "Nothing changed by more than 0.1 dB"]
        parts += [f"added: {', '.join(added)}"] if added else []
        parts += [f"removed: {', '.join(removed)}"] if removed else []
        drifted = [name for difference in differences for name in difference.drifted]
        parts += [f"more than 1 dB in active level: {', '.join(drifted)}"] if drifted else []
        self.tell("right", "Compared", f"{'; '.join(parts)}.")

    # ---- song ------------------------------------------------------------------------------------------------------

    def _saved(self, path):
        self.song_to.value = str(path)
        self.tell("right", "Saved", f"{path}; open it in step 1 to go on.")

    def _changed(self, what):
        if what in ("opened", "stems", "chains", "balance", "mixer"):
            self.empty(self.report, self.changes)
            widgets.look(self.download, display="none")
            self._sheet, self._file_notes = None, ()
        if what == "opened":
            if self.song.session is not None:
                self.sheets_to.value, self.stems_to.value = (str(self.song.place_for(n)) for n in ("sheets", "staged"))
                self.song_to.value = str(self.song.place_for("song.json"))
            self.note("Sheets and stems need a plan; you can save the song at any time.")


def _write_sheets(tell, gathered, folder):
    make_home(folder)
    check_new(folder)
    whole = gathered(tell)
    makers = MAKERS | {"session.json": lambda each: to_json(each.plan.session, folder)}
    with filling(folder) as (part, target):
        for name, make in makers.items():
            (part / name).write_text(make(whole), encoding="utf-8", newline="\n")
    return whole, tuple(makers), target


def _differences(tell, gathered, path):
    paths = [path / name for name in ("levels.csv", "plan.csv")] if path.is_dir() else [path]
    old = [text_of(each, "a sheet (CSV)") for each in paths]
    whole = gathered(tell)
    return [mix.difference(text, (level_csv if is_level_sheet(text) else plan_csv)(whole)) for text in old]


def _export(tell, plan, folder, through, subtype, gain_only):
    make_home(folder)
    return mix.write_stems(plan, folder, through=through, subtype=subtype, gain_only=gain_only, progress=tell)


def _save(tell, session, path):
    if path.suffix.casefold() != ".json":
        raise GainlibError(f"{path.name} has another ending; end the file's name in .json")
    make_home(path)
    path = path.resolve()
    text = to_json(session, path.parent)
    if path.exists() and not _is_song(path):
        raise GainlibError(f"{path} exists and is not a saved song; choose another name")
    write_whole(path, text)
    return path


def _is_song(path):
    try:
        return '"strips"' in text_of(path, "a saved song")
    except GainlibError:
        return False


def _change(each):
    return "" if each.change is None else _figure(each.change, signed=True)


def _figure(value, digits=2, signed=False):
    return "–" if value is None else number(value, digits, signed)


class ReturnStep(Step):
    """A print of the mix and prints of the stems.

    Attributes
    ----------
    mix, folder : Entry
    at : Dropdown
        Where the stems were printed.
    compare_mix, compare_stems : WorkButton
    """

    def __init__(self, song):
        self.mix = Entry("Printed mix:", "the path of the printed mix")
        self.folder = Entry("Folder of printed stems:", "the folder of printed stems")
        self.at = menu("Printed", AT, "out")
        asks = (song.plan_made, self.mix.path)
        self.compare_mix = WorkButton("Compare the mix", _mix, self._mix_done, "Comparing …", asks=asks)
        asks = (song.plan_made, self.folder.path, self.at)
        self.compare_stems = WorkButton("Compare the stems", _stems, self._stems_done, "Comparing …", asks=asks)
        self.figures, self.words = sheet(), sheet()
        super().__init__(
            song, prose(MIX), self.mix, Slot(self.compare_mix), prose(PRINTS), self.folder,
            Slot(self.at, self.compare_stems), self.figures, self.words,
        )  # fmt: skip

    def _mix_done(self, report):
        planned, printed = report.planned, report.printed
        rows = [
            (item, number_text(one, 2), number_text(other, 2), number_text(other - one, 2, True))
            for item, one, other in (
                ("true peak (dBTP)", planned.true_peak_dbtp, printed.true_peak_dbtp),
                ("RMS (dBFS)", planned.rms_dbfs, printed.rms_dbfs),
                ("loudness (LUFS)", planned.loudness_lufs, printed.loudness_lufs),
            )
            if one is not None and other is not None
        ]
        self.figures.value = Table("The bus", ("", "planned", "printed", "off by"), rows, (1, 2, 3)).html()
        self.words.value = listed("Result", report.sentences)
        word = "As planned" if report.passed else "Not as planned"
        self.tell("right" if report.passed else "wrong", word, report.sentences[0])

    def _stems_done(self, report):
        rows = [
            (each.strip, number_text(each.planned_dbfs, 2), number_text(each.printed_dbfs, 2),
             number_text(each.off_db, 2, True), _found(each))
            for each in report.stems
        ]  # fmt: skip
        self.figures.value = Table("Active levels of the stems", STEM_HEADS, rows, (1, 2, 3)).html()
        renamed = [each for each in report.stems if each.renamed]
        notes = [f"{name}: planned, but there is no print of it; print it." for name in report.missing]
        notes += [f"{each.strip}: printed as “{each.printed_as}”; known by what it holds." for each in renamed]
        notes += [f"{name}: a print that belongs to no strip of the plan." for name in report.extra]
        unknown = "a black box on its way was not measured; its planned level is a guess."
        notes += [f"{each.strip}: {unknown}" for each in report.stems if each.told]
        self.words.value = listed("Which stems came back", notes)
        off = [each.strip for each in report.stems if not each.passed]
        if report.passed:
            return self.tell("right", "As planned", f"All {len(report.stems)} stems are within 0.5 dB of the plan.")
        lists = (
            (f"{len(off)} of {count(len(report.stems), 'stem')} off", off), ("missing", report.missing),
            ("extra", report.extra), ("renamed", [f"{each.printed_as} is {each.strip}" for each in renamed]),
        )  # fmt: skip
        said = "; ".join(f"{word}: {', '.join(names)}" for word, names in lists if names)
        self.tell("wrong", "Not as planned", sentence(said))

    def _changed(self, what):
        if what in ("opened", "stems", "chains", "balance", "mixer", "planned"):
            self.empty(self.figures, self.words)
            told = "Compare once you have printed." if what == "planned" else "There is no plan to compare with yet."
            self.note(told)


def _mix(tell, plan, path):
    return compare_print(plan.session, read(path), tell)


def _found(stem):
    if stem.passed:
        return "as planned"
    return sentence("; ".join(f"{fault.what} ({fault.cure})" for fault in stem.faults))


def _stems(tell, plan, folder, at):
    return compare_stems(plan, strips_of_folder(folder), at, tell)
