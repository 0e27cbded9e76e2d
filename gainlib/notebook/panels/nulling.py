"""Two prints subtracted, and the experiment to try it on: down and up again, many times."""

import ipywidgets as widgets
import numpy as np

from gainlib.audio import AudioFile, GainlibError, write
from gainlib.boxes.repeated_gain import PROGRAMME_DBFS, programme
from gainlib.mix.paths import pasted_path
from gainlib.notebook import figures
from gainlib.notebook.bench_song import Song
from gainlib.notebook.figures.histogram import ResidueBars
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.panels.bench_base import NumberEntry, Slot, Step, button, entry, menu, row, sheet, table
from gainlib.notebook.panels.kept_report import from_kept, to_kept
from gainlib.notebook.prose import prose
from gainlib.words import level_text, number_text

NULL = """
**Two prints, subtracted.** The workbook aligns start, speed and polarity of the second with those of the first, to a
fraction of a sample, and its level as well, if you say so. What remains is the difference.
"""
ROUNDS = """
**Down and up.** Choose an attenuation and a number of rounds. The workbook turns its programme down and up that many
times in each arithmetic and subtracts. Then write the programme, do the same in any mixer (two gains in a row, as often
as you like, or print and load again), print it, and subtract that print above: programme first, print second. **The
programme is noise: turn your monitors down before you play it, and mute input monitoring while you record.**
"""
MATCHES = (("match level and polarity", True), ("leave the level as it is", False))
PICTURE_PX = (840, 300)
ARITHMETICS = (
    ("64-bit float", "float64", False), ("32-bit float", "float32", False), ("24-bit", "24 bit", False),
    ("24-bit, dither", "24 bit", True), ("16-bit", "16 bit", False), ("16-bit, dither", "16 bit", True),
)  # fmt: skip
LOWEST_DB = -360.0
NO_FIT = "has no meaning: the two have next to nothing in common"


class NullPanel(Step):
    """Two prints and what remains of them; rounds of down and up in each arithmetic.

    Parameters
    ----------
    song : Song, optional
        Whose work this takes its turn with; a panel of its own has one of its own.

    Attributes
    ----------
    first, second, programme : Text
        Paths.
    match : Dropdown
        Whether level and polarity are matched.
    attenuation, rounds : NumberEntry
    report : gainlib.boxes.NullReport or None
        What was subtracted last.
    live : LiveFigure or None
        Its picture.
    subtract, turn, write : callable
        What the buttons do, at once.
    """

    def __init__(self, song: Song | None = None):
        self.first, self.second = entry("First print:"), entry("Second print:")
        self.match = menu("Level:", MATCHES, True)
        self.attenuation = NumberEntry("Down and up by", 20.0, "dB", 0.0, 100.0)
        self.rounds, self.programme = NumberEntry("Rounds", 20, "", 1, 200), entry("Programme (.wav):")
        self.subtract_button = button("Subtract", button_style="primary")
        self.turn_button, self.write_button = button("Work it out"), button("Write the programme")
        self.report, self.live, self.residues, self._found = None, None, {}, None
        self.facts, self._picture, self._turned = sheet(), widgets.VBox(), widgets.VBox()
        super().__init__(
            song or Song(), prose(NULL), self.first, self.second, Slot(self.match, self.subtract_button), self.facts,
            self._picture, prose(ROUNDS), row(self.attenuation, self.rounds), Slot(self.turn_button), self._turned,
            self.programme, Slot(self.write_button),
        )  # fmt: skip
        self.subtract = self.action(self.subtract_button, _subtract, self._subtracted, "Subtracting …", self._prints)
        self.turn = self.action(self.turn_button, _turn, self._have_turned, "Turning down and up …", self._numbers)
        self.write = self.action(self.write_button, _write, self._written, "Writing …", self._target)

    # ---- two prints ------------------------------------------------------------------------------------------------

    def _prints(self):
        self._show(None)  # else prints that are refused would stand under the figures of others
        first = pasted_path(self.first.value, "the path of the first print")
        return first, pasted_path(self.second.value, "the path of the second print"), self.match.value

    def _show(self, report):
        """Put a report on the page, or take the last one off it."""
        self.report, self.live = report, None
        self._picture.children, self.facts.value = [], ""
        if report is not None:
            self._draw(report)
        self._noted()

    def _draw(self, report):
        fig = figures.make_figure(*PICTURE_PX)
        bars = ResidueBars(fig.subplots(), -180.0, 0.0, "What remains, by octave", "dB", "octave")
        bars.update([_octave(hz) for hz in report.octaves], list(report.octaves.values()))
        self.live = LiveFigure(fig, [bars], title="What remains of two prints")
        self._picture.children = [self.live.widget]
        self.facts.value = table("First print less second", ("", ""), facts(report))

    def _subtracted(self, report):
        self._show(report)
        self.said.say("right", "Subtracted", report.sentence)

    # ---- down and up -----------------------------------------------------------------------------------------------

    def _numbers(self):
        rounds = self.rounds.number()
        if rounds != int(rounds):
            raise GainlibError(f"{number_text(rounds)} is not a number of rounds; give a whole number")
        return self.attenuation.number(), int(rounds)

    def _have_turned(self, found):
        self._found = found
        attenuation_db, rounds, self.residues, expected = found
        fig = figures.make_figure(*PICTURE_PX)
        title = f"Left after {rounds} times {number_text(attenuation_db)} dB down and up: ◆ expected with dither"
        bars = ResidueBars(fig.subplots(), LOWEST_DB, 0.0, title, "dB", "arithmetic")
        bars.update(list(self.residues), list(self.residues.values()), expected)
        self._turned.children = [LiveFigure(fig, [bars], title="Down and up in each arithmetic").widget]
        self.said.say("right", "Turned", told(self.residues))
        self._noted()

    # ---- kept over a reload ----------------------------------------------------------------------------------------

    def standing(self) -> dict:
        """Return what is entered, what was subtracted and what was turned, as JSON."""
        return {**super().standing(), "report": to_kept(self.report), "turned": to_kept(self._found)}

    def resume(self, kept: dict) -> None:
        """Enter what was kept, and show what was subtracted and turned last."""
        from gainlib.boxes.null import NullReport

        super().resume(kept)
        shown = (
            (self.subtract_button, NullReport, "report", self._subtracted),
            (self.turn_button, tuple[float, int, dict[str, float], list[float]], "turned", self._have_turned),
        )
        for pressed, kind, name, show in shown:
            found = from_kept(kind | None, kept.get(name))
            if found is not None:
                self._slot = self._slot_of(pressed)
                show(found)

    def _target(self):
        return (pasted_path(self.programme.value, "the path of a new WAV file"),)

    def _written(self, path):
        self.said.say("right", "Written", f"{path}, 32-bit float, {level_text(PROGRAMME_DBFS, 'dBFS')} plain RMS.")


def facts(report) -> list[tuple[str, str]]:
    """Return what a null test tells, line by line.

    Parameters
    ----------
    report : gainlib.boxes.NullReport

    Returns
    -------
    list of (str, str)
    """

    def left(value, unit):
        return "nothing" if value == -np.inf else level_text(value, unit)

    return [
        ("what remains, against the first print", left(report.depth_db, "dB")),
        ("before anything was aligned", left(report.raw_depth_db, "dB")),
        ("what remains, plain RMS", left(report.residual_dbfs, "dB against full scale")),
        ("the second starts", _off(1000.0 * report.offset_s, 3, "ms", "late", "early", "with the first")),
        ("the second runs", _off(report.drift_ppm, 2, "millionths", "fast", "slow", "at the same speed")),
        ("polarity of the second", _polarity(report)),
        ("level of the second against the first", level_text(report.gain_db, digits=3) if report.alike else NO_FIT),
        ("compared", f"{number_text(report.compared_s, 2)} s"),
        (
            "not compared, of the first and the second",
            " and ".join(f"{number_text(s, 2)} s" for s in report.left_out_s),
        ),
        ("level", "matched" if report.matched else "left as it was"),
    ]


def _off(value, digits, unit, more, less, none):
    return f"{number_text(abs(value), digits)} {unit} {more if value > 0 else less}" if value else none


def _polarity(report):
    return NO_FIT if not report.alike else "as the first" if report.polarity > 0 else "inverted"


def _octave(hz):
    return f"{hz:g} Hz" if hz < 1000.0 else f"{hz / 1000.0:g} kHz"


def told(residues: dict[str, float]) -> str:
    """Return what the rounds show."""
    best, worst = (choose(residues, key=residues.get) for choose in (min, max))
    ends = (f"{name} {level_text(residues[name])}" for name in (best, worst))
    return (
        f"The least is left in {next(ends)}, the most in {next(ends)}. Floating point keeps its precision at every "
        f"level; whole numbers lose whatever falls below their last step while the sound is turned down."
    )


def _subtract(_tell, first, second, match):
    from gainlib.boxes import null_test

    return null_test(AudioFile(first).load(), AudioFile(second).load(), match=match)


def _turn(tell, attenuation_db, rounds):
    from gainlib.boxes import predicted_dbfs, residual_dbfs, round_trips

    audio, residues, expected = programme(), {}, []
    for k, (name, arithmetic, dither) in enumerate(ARITHMETICS):
        tell(f"Turning down and up in {name}", k, len(ARITHMETICS))
        after = round_trips(audio, attenuation_db, rounds, arithmetic, dither=dither)
        residues[name] = residual_dbfs(audio, after, arithmetic)
        expected.append(predicted_dbfs(attenuation_db, rounds, int(arithmetic[:2])) if dither else np.nan)
    return attenuation_db, rounds, residues, expected


def _write(_tell, path):
    write(path, programme(), "FLOAT")
    return path
