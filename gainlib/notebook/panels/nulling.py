"""Two prints subtracted, and the experiment to try it on: down and up again, many times."""

import numpy as np

from gainlib.audio import AudioFile, GainlibError, write
from gainlib.boxes import null_test, predicted_dbfs, residual_dbfs, round_trips
from gainlib.boxes.null import NullReport
from gainlib.boxes.repeated_gain import PROGRAMME_DBFS, programme
from gainlib.notebook import figures, widgets
from gainlib.notebook.bench_song import Song
from gainlib.notebook.errors import row
from gainlib.notebook.figures.histogram import ResidueBars
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.panels.steps import Entry, NumberEntry, Slot, Step, WorkButton, menu, sheet
from gainlib.notebook.prose import prose
from gainlib.words import Table, level_text, number_text

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

    Attributes
    ----------
    first, second, programme : Entry
        Paths.
    match : Dropdown
        Whether level and polarity are matched.
    attenuation, rounds : NumberEntry
    subtract, turn, write : WorkButton
    live : LiveFigure or None
        What remained last.
    """

    def __init__(self, song: Song | None = None):
        self.first = Entry("First print:", "the path of the first print")
        self.second = Entry("Second print:", "the path of the second print")
        self.match = menu("Level:", MATCHES, True)
        self.attenuation = NumberEntry("Down and up by", 20.0, "dB", 0.0, 100.0)
        self.rounds = NumberEntry("Rounds", 20, "", 1, 200)
        self.programme = Entry("Programme (.wav):", "the path of a new WAV file")
        self.subtract = WorkButton(
            "Subtract", _subtract, self._subtracted, "Subtracting …",
            asks=(self.first.path, self.second.path, self.match), wipes=lambda: self.empty(self._picture, self.facts),
            keeps=("report", NullReport), button_style="primary",
        )  # fmt: skip
        kind = tuple[float, int, dict[str, float], list[float]]
        busy = "Turning down and up …"
        self.turn = WorkButton(
            "Work it out",
            _turn,
            self._turned,
            busy,
            asks=(self.attenuation.number, self._whole),
            keeps=("turned", kind),
        )
        asks = (self.programme.path,)
        self.write = WorkButton("Write the programme", _write, self._written, "Writing …", asks=asks)
        self.facts, self._picture, self._rounds_picture, self.live = sheet(), widgets.VBox(), widgets.VBox(), None
        super().__init__(
            song or Song(), prose(NULL), self.first, self.second, Slot(self.match, self.subtract), self.facts,
            self._picture, prose(ROUNDS), row(self.attenuation, self.rounds), Slot(self.turn), self._rounds_picture,
            self.programme, Slot(self.write),
        )  # fmt: skip

    # ---- two prints ------------------------------------------------------------------------------------------------

    @property
    def report(self) -> NullReport | None:
        """What was subtracted last."""
        return self.subtract.found

    def _subtracted(self, report):
        octaves = [_octave(hz) for hz in report.octaves], list(report.octaves.values())
        self.live = _bars("What remains of two prints", "What remains, by octave", "octave", -180.0, *octaves)
        self._picture.children = [self.live.widget]
        self.facts.value = Table("First print less second", ("", ""), facts(report)).html()
        self.said.say("right", "Subtracted", report.sentence)

    # ---- down and up -----------------------------------------------------------------------------------------------

    def _whole(self):
        rounds = self.rounds.number()
        if rounds != int(rounds):
            raise GainlibError(f"{number_text(rounds)} is not a number of rounds; give a whole number")
        return int(rounds)

    def _turned(self, found):
        attenuation_db, rounds, residues, expected = found
        title = f"Left after {rounds} times {number_text(attenuation_db)} dB down and up: ◆ expected with dither"
        rest = list(residues), list(residues.values()), expected
        live = _bars("Down and up in each arithmetic", title, "arithmetic", LOWEST_DB, *rest)
        self._rounds_picture.children = [live.widget]
        self.said.say("right", "Turned", told(residues))

    def _written(self, path):
        self.said.say("right", "Written", f"{path}, 32-bit float, {level_text(PROGRAMME_DBFS, 'dBFS')} plain RMS.")


def _bars(title, heading, what, lowest_db, *bars):
    """Return what remains as bars."""
    fig = figures.make_figure(*PICTURE_PX)
    drawn = ResidueBars(fig.subplots(), lowest_db, 0.0, heading, "dB", what)
    drawn.update(*bars)
    return LiveFigure(fig, [drawn], title=title)


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
        ("level of the second against the first", level_text(report.gain_db, decimals=3) if report.alike else NO_FIT),
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
    return null_test(AudioFile(first).load(), AudioFile(second).load(), match=match)


def _turn(tell, attenuation_db, rounds):
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
