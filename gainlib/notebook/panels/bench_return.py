"""Step 8 of the bench: what came back from the mixer, against the plan."""

from gainlib.mix.paths import pasted_path
from gainlib.notebook.panels.bench_base import Slot, Step, button, entry, listed, menu, sheet, table
from gainlib.notebook.prose import prose
from gainlib.words import count, number_text

MIX = """
**The printed mix.** The workbook measures it, aligns it with the planned bus (in time, speed, polarity and level) and
subtracts. Where everything is linear, the two cancel.
"""
STEMS = """
**Printed stems**, in a folder, named as the stems are; one with another name is known by what it holds. Level, sides,
polarity and start of each are compared with the plan's.
"""
AT = (("behind fader and pan", "out"), ("ahead of the fader", "post"))
HEADS = ("stem", "planned (dBFS)", "printed (dBFS)", "off by (dB)", "what is off, and what would cure it")


class ReturnStep(Step):
    """A print of the mix and prints of the stems.

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song

    Attributes
    ----------
    mix, folder : Text
        Fields.
    at : Dropdown
        Where the stems were printed.
    compare_mix, compare_stems : callable
        What the buttons do, at once.
    """

    def __init__(self, song):
        self.mix, self.folder = entry("Printed mix:"), entry("Folder of printed stems:")
        self.at = menu("Printed", AT, "out")
        self.take_mix, self.take_stems = button("Compare the mix"), button("Compare the stems")
        self.figures, self.words = sheet(), sheet()
        super().__init__(
            song, prose(MIX), self.mix, Slot(self.take_mix), prose(STEMS), self.folder, Slot(self.at, self.take_stems),
            self.figures, self.words,
        )  # fmt: skip
        self.compare_mix = self.action(
            self.take_mix, _mix, self._mix_done, "Comparing …",
            lambda: (song.plan_made().session, pasted_path(self.mix.value, "the path of the printed mix")),
        )  # fmt: skip
        self.compare_stems = self.action(
            self.take_stems, _stems, self._stems_done, "Comparing …",
            lambda: (
                song.plan_made(), pasted_path(self.folder.value, "the folder of printed stems"), self.at.value,
            ),
        )  # fmt: skip
        song.watch(self._changed)
        self._changed("opened")

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
        self.figures.value = table("The bus", ("", "planned", "printed", "off by"), rows, (1, 2, 3))
        self.words.value = listed("Result", report.sentences)
        word = "As planned" if report.passed else "Not as planned"
        self.tell("right" if report.passed else "wrong", word, report.sentences[0])

    def _stems_done(self, report):
        rows = [
            (each.strip, number_text(each.planned_dbfs, 2), number_text(each.printed_dbfs, 2),
             number_text(each.off_db, 2, True), _found(each))
            for each in report.stems
        ]  # fmt: skip
        self.figures.value = table("Active levels of the stems", HEADS, rows, (1, 2, 3))
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
        self.tell("wrong", "Not as planned", f"{said[:1].upper()}{said[1:]}.")

    def _changed(self, what):
        if what in ("opened", "stems", "chains", "balance", "mixer", "planned"):
            self.figures.value = self.words.value = ""
            told = "Compare once you have printed." if what == "planned" else "There is no plan to compare with yet."
            self.note(told)


def _mix(tell, planned, path):
    from gainlib.audio import read
    from gainlib.mix.printed import compare_print

    return compare_print(planned, read(path), tell)


def _found(stem):
    if stem.passed:
        return "as planned"
    said = "; ".join(f"{fault.what} ({fault.cure})" for fault in stem.faults)
    return f"{said[:1].upper()}{said[1:]}."


def _stems(tell, plan, folder, at):
    from gainlib.mix.printed import compare_stems
    from gainlib.session.files import strips_of_folder

    return compare_stems(plan, strips_of_folder(folder), at, tell)
