"""How hot a box is fed, and a bypass to judge it by: stem, trim, box, output gain."""

from gainlib.exercises.mixing.refrain import short_name
from gainlib.exercises.working_range import bench
from gainlib.exercises.working_range.bench import Setting
from gainlib.exercises.working_range.spectra import bins_hz
from gainlib.exercises.working_range.wholestem import match_whole
from gainlib.notebook import figures
from gainlib.notebook.figures.needle import MeterRows
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.panels.bypassbench import BypassBench
from gainlib.notebook.settings import Steps
from gainlib.words import level_text, number_text

PICTURE_PX, LOWER_PX = (860, 450), (860, 240)
MARGINS = {"left": 0.07, "right": 0.985, "top": 0.945, "bottom": 0.1, "hspace": 0.42, "wspace": 0.17}
ROWS = ("at the input: needle", "active level", "sample peak", "at the output: sample peak")
MATCHED = {True: "on, follows the drive", False: "off, by hand"}
STEP_DB = 0.5


def _rows():
    """Return the settings as the lab begins: at the reference, matched."""
    start = Setting()
    steps = tuple(STEP_DB * k for k in range(round(-bench.REACH_DB / STEP_DB), round(bench.REACH_DB / STEP_DB) + 1))
    texts = tuple(level_text(step) for step in steps)
    stems = tuple(map(short_name, bench.STEMS))
    return (
        Steps("stem", "Stem", bench.STEMS, stems, start.stem, listed=True),
        Steps("box", "Box", tuple(bench.BOXES), tuple(bench.BOXES), start.box, listed=True),
        Steps("trim_db", "Trim", steps, texts, start.trim_db),
        Steps("out_db", "Output gain", steps, texts, start.out_db),
        Steps("matched", "Match", tuple(MATCHED), tuple(MATCHED.values()), start.matched, listed=True),
    )


class DriveBench(BypassBench):
    """A box at the level it is fed: static curve, distortion, waves and gain; below them the meters and the spectrum.

    The lower picture is the second of :attr:`pictures`.
    """

    bench, whole, ahead = bench, "the whole stem", "trim ahead of the box"

    def _rows(self):
        return _rows()

    def _draw(self):
        fig = figures.make_figure(*PICTURE_PX)
        fig.set_layout_engine("none")
        (upper_left, upper_right), (lower_left, lower_right) = fig.subplots(2, 2, gridspec_kw=MARGINS)
        self._curve = figures.TransferCurve(upper_left, bench.EDGES_DB)
        self._drive = figures.DriveCurves(upper_right, lower_right)
        self._waves = figures.WavePair(lower_left, 1.5, one="peak of the bypass")
        below = figures.make_figure(*LOWER_PX)
        left, right = below.subplots(1, 2)
        self._meters = MeterRows(left, ROWS, title="Meters")
        self._spectrum = figures.Spectrum(right, title="Spectrum, trim left out")
        self._update()
        title = "A box at every level: out against in, distortion, gain, and the waves"
        upper = LiveFigure(fig, [self._curve, self._drive, self._waves], title=title)
        return [upper, LiveFigure(below, [self._meters, self._spectrum], title="Meters and spectrum")]

    def _update(self):
        setting = self.setting
        seen, measured, found = bench.see(setting), bench.curve(setting.box), bench.working(setting.box)
        fed = seen.fed.active_dbfs
        level = measured.level_dbfs
        given = fed + seen.gain_db  # the energy behind the box, ahead of its output gain
        self._curve.update(level, level + measured.gain_db, seen.percent, (fed, given))
        working = None if found is None else (found.low_dbfs, found.best_dbfs, found.high_dbfs)
        self._drive.update(level, measured.thd_percent, measured.gain_db, working, fed)
        self._waves.update(seen.time_ms, seen.before, seen.after)
        self._meters.update(*meter_rows(seen))
        self._spectrum.update(bins_hz(), seen.before_db, seen.after_db)

    def _match(self, setting):
        return match_whole(setting.stem, setting.box, setting.trim_db)

    def _told_of_all(self, setting, match):
        return told_of_all(setting, match)

    def _told(self):
        return told(bench.see(self.setting), bench.working(self.setting.box))


def meter_rows(seen: bench.Measurement) -> tuple[list[float], list[str]]:
    """Return the length of each bar in `ROWS`, and what stands in it.

    Parameters
    ----------
    seen : Measurement
        What a setting amounts to.

    Returns
    -------
    levels : list of float
    texts : list of str
    """
    fed = seen.fed
    levels = [fed.hover_dbfs, fed.active_dbfs, fed.clear_peak_dbfs, seen.peak_dbfs]
    texts = [
        f"{number_text(fed.hover_dbfs + 18.0, sign=True)} VU",
        *(level_text(level, "dBFS") for level in levels[1:]),
    ]
    return levels, texts


def told(seen: bench.Measurement, found) -> str:
    """Return in Markdown how the box is fed, where that lies, and what the bypass would say.

    Parameters
    ----------
    seen : Measurement
        What a setting amounts to.
    found : WorkingRange or None
        Of the box.

    Returns
    -------
    str
    """
    fed = seen.fed.active_dbfs
    said = f"{short_name(seen.setting.stem).capitalize()}, fed **{level_text(fed, 'dBFS')}** on average. "
    if found is None:
        said += "This box has no preference: the trim changes its level and nothing else. "
    else:
        inside = found.low_dbfs <= fed <= found.high_dbfs
        place = "inside" if inside else "above" if fed > found.high_dbfs else "below"
        said += f"That is **{place}** its working range. {found.reason} "
    if seen.setting.matched:
        return said + f"The output gain makes **{level_text(seen.out_db, digits=2)}**, and active is as loud as bypass."
    difference = seen.difference_db
    if abs(difference) < 0.05:
        return said + "Active is as loud as bypass."
    way = "louder" if difference > 0 else "softer"
    return (
        said + f"Active is **{number_text(abs(difference), 1)} dB {way}** than bypass, which is all a quick ear needs."
    )


def told_of_all(setting: Setting, result) -> str:
    """Return in Markdown what the whole stem reads and needs.

    Parameters
    ----------
    setting : Setting
        What was set.
    result : (Level, Match)
        From :func:`gainlib.exercises.working_range.wholestem.match_whole`.

    Returns
    -------
    str
    """
    fed, match = result
    said = (
        f"The whole stem, 40 s: active level {level_text(fed.active_dbfs, 'dBFS')}, peak "
        f"{level_text(fed.clear_peak_dbfs, 'dBFS')} at the box. Matched bypass: output gain "
        f"**{level_text(match.out_db, digits=2)}**, then its peaks reach {level_text(match.peak_dbfs, 'dBFS')}."
    )
    return f"{said} {match.warning}" if match.warning else said
