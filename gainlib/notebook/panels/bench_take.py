"""Step 7 of the bench: sheets for any mixer, staged stems, what changed since an earlier sheet, the song as a file."""

import io
import zipfile
from datetime import date

import ipywidgets as widgets

from gainlib.audio import GainlibError
from gainlib.levels.printing import number
from gainlib.mix.paths import pasted_path, text_of
from gainlib.notebook.bench_song import make_home
from gainlib.notebook.panels.bench_base import Slot, Step, button, entry, menu, sheet, table
from gainlib.notebook.prose import prose
from gainlib.notebook.records import SaveButton
from gainlib.words import count

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


class TakeStep(Step):
    """Where to, and what.

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song

    Attributes
    ----------
    sheets_to, stems_to, song_to, against : Text
        Fields.
    write_sheets, write_stems, save_song, compare : callable
        What the buttons do, at once.
    """

    def __init__(self, song):
        self.sheets_to, self.stems_to = entry("New folder for the sheets:"), entry("New folder for the stems:")
        self.song_to, self.against = entry("File for the song (.json):"), entry("Earlier sheet:")
        self.upto, self.words = menu("Include gain:", UPTO, "trim"), menu("Bit depth:", WORDS, "PCM_24")
        self.gain_only = widgets.Checkbox(
            False, description="gain only: leave the DC block to the mixer", indent=False, layout={"width": "auto"}
        )
        self.sheets, self.stems = (button(f"Write the {what}", button_style="primary") for what in ("sheets", "stems"))
        self.save, self.changed = button("Save the song"), button("What changed?")
        self.report, self.changes = sheet(), sheet()
        self.download = SaveButton("Download the sheets", self.guarded(self._packed), "application/zip")
        self.download.layout.display = "none"
        super().__init__(
            song, prose(SHEETS), self.sheets_to, Slot(self.sheets, self.download), self.report,
            prose(STEMS), self.stems_to, Slot(self.upto, self.words, self.gain_only, self.stems),
            prose(DIFFERENCE), self.against, Slot(self.changed), self.changes,
            prose(SONG), self.song_to, Slot(self.save),
        )  # fmt: skip
        self._sheet, self._file_notes, self._written_to = None, (), None
        self.write_sheets = self.action(
            self.sheets, self._written, self._sheets_done, "Writing the sheets …",
            lambda: (*self._of_plan(), _place(self.sheets_to, "a new folder for the sheets")),
        )  # fmt: skip
        self.write_stems = self.action(self.stems, _export, self._stems_done, "Writing the stems …", self._for_stems)
        self.save_song = self.action(
            self.save,
            _save,
            self._saved,
            "Saving …",
            lambda: (song.opened(), _place(self.song_to, "a file for the song")),
        )
        self.compare = self.action(
            self.changed, self._compared, self._show_changes, "Comparing …",
            lambda: (*self._of_plan(), _place(self.against, "the path of a sheet")),
        )  # fmt: skip
        song.watch(self._changed)
        self._changed("opened")

    shows_song = ("sheets_to", "stems_to", "song_to")  # places that are free now

    def _of_plan(self):
        song, plan = self.song, self.song.plan_made()
        if not plan.verification.passed:
            raise GainlibError("the plan missed some of its checks, so nothing is written; see step 5")
        return song.session, plan, song.target_dbtp, song.stems, (*song.notes, *self._file_notes)

    # ---- sheets ----------------------------------------------------------------------------------------------------

    def _gathered(self, tell, session, plan, target_dbtp, stems, notes):
        """Return the sheet of a plan; what it took to measure it is kept for the next time."""
        from gainlib.mix import sheet_of

        if self._sheet is None or self._sheet.plan is not plan or self._sheet.notes != notes:
            made = date.today().isoformat()
            self._sheet = sheet_of(
                session, plan, target_dbtp, stems=stems or None, notes=notes, made=made, progress=tell
            )
        return self._sheet

    def _written(self, tell, session, plan, target_dbtp, stems, notes, folder):
        from gainlib.mix.paths import check_new, filling
        from gainlib.mix.sheet import hand_off_note
        from gainlib.mix.sheet_files import level_csv, page, plan_csv
        from gainlib.session import to_json

        make_home(folder)
        check_new(folder)
        whole = self._gathered(tell, session, plan, target_dbtp, stems, notes)
        makers = {"plan.html": page, "plan.csv": plan_csv, "levels.csv": level_csv, "hand-off.txt": hand_off_note}
        makers["session.json"] = lambda each: to_json(each.plan.session, folder)
        with filling(folder) as (part, target):
            for name, make in makers.items():
                (part / name).write_text(make(whole), encoding="utf-8", newline="\n")
        return whole, tuple(makers), target

    def _sheets_done(self, found):
        from gainlib.mix.sheet import bus_rows

        whole, names, target = found
        rows = [
            (item, unit, *(_figure(value, DIGITS.get(unit, 2)) for value in (before, after)))
            for item, unit, before, after in bus_rows(whole.before, whole.after)
        ]
        self.report.value = table("Bus report", HEADS, rows, (2, 3))
        self.sheets_to.value = str(self.song.place_for("sheets"))
        self._written_to, self.download.layout.display = target, ""
        self.tell("right", "Written", f"{', '.join(names)} in {target}")

    def _packed(self):
        """Return the sheets written last as one file, for a computer that is not this one."""
        held = io.BytesIO()
        with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as packed:
            for path in sorted(self._written_to.iterdir()):
                packed.write(path, f"{self._written_to.name}/{path.name}")
        return f"{self._written_to.name}.zip", held.getvalue()

    # ---- stems -----------------------------------------------------------------------------------------------------

    def _for_stems(self):
        plan = self.song.plan_made()
        wishes = {"through": self.upto.value, "subtype": self.words.value, "gain_only": self.gain_only.value}
        return plan, _place(self.stems_to, "a new folder for the stems"), wishes

    def _stems_done(self, export):
        verb = "was" if export.originals == 1 else "were"
        same = "is" if export.originals == 1 else "are"
        kept = (
            f" {count(export.originals, 'original')} {verb} compared and {same} unchanged." if export.originals else ""
        )
        self._file_notes = export.notes
        self.stems_to.value = str(self.song.place_for("staged"))
        written = f"{count(len(export.files), 'stem')} with a list of checksums in {export.folder}."
        self.tell("right", "Written", f"{written}{kept} {' '.join(export.notes)}")

    # ---- difference ------------------------------------------------------------------------------------------------

    def _compared(self, tell, session, plan, target_dbtp, stems, notes, path):
        from gainlib.mix import difference
        from gainlib.mix.sheet_files import is_level_sheet, level_csv, plan_csv

        old = (
            {name: text_of(path / name, "a sheet (CSV)") for name in ("levels.csv", "plan.csv")}
            if path.is_dir()
            else {"": text_of(path, "a sheet (CSV)")}
        )
        whole = self._gathered(tell, session, plan, target_dbtp, stems, notes)
        return [difference(text, (level_csv if is_level_sheet(text) else plan_csv)(whole)) for text in old.values()]

    def _show_changes(self, differences):
        from gainlib.mix.sheet_files import shown

        changes = [each for difference in differences for each in difference.changes]
        rows = [
            (
                each.strip,
                each.item,
                shown(each.before),
                shown(each.after),
                "" if each.change is None else _figure(each.change, signed=True),
            )
            for each in changes
        ]
        heads = ("strip", "what", "earlier", "now", "change")
        self.changes.value = table("What changed by more than 0.1 dB", heads, rows, (2, 3, 4)) if rows else ""
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
            self.report.value = self.changes.value = ""
            self.download.layout.display = "none"
            self._sheet, self._file_notes = None, ()
        if what == "opened":
            if self.song.session is not None:
                self.sheets_to.value, self.stems_to.value = (str(self.song.place_for(n)) for n in ("sheets", "staged"))
                self.song_to.value = str(self.song.place_for("song.json"))
            self.note("Sheets and stems need a plan; you can save the song at any time.")


def _place(field, what):
    return pasted_path(field.value, what)


def _export(tell, plan, folder, wishes):
    from gainlib.mix import write_stems

    make_home(folder)
    return write_stems(plan, folder, progress=tell, **wishes)


def _save(tell, session, path):
    from gainlib.audio import replacing
    from gainlib.session import to_json

    if path.suffix.casefold() != ".json":
        raise GainlibError(f"{path.name} has another ending; end the file's name in .json")
    make_home(path)
    path = path.resolve()
    text = to_json(session, path.parent)
    if path.exists() and not _is_song(path):
        raise GainlibError(f"{path} exists and is not a saved song; choose another name")
    with replacing(path) as part:
        part.write_text(text, encoding="utf-8", newline="\n")
    return path


def _is_song(path):
    try:
        return '"strips"' in text_of(path, "a saved song")
    except GainlibError:
        return False


def _figure(value, digits=2, signed=False):
    return "–" if value is None else number(value, digits, signed)
