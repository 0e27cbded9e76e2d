"""Black boxes on the bench: one is chosen and fed, and shows whether it scales, repeats and keeps two tones apart."""

import threading

from gainlib.exercises.linearity import boxes
from gainlib.notebook import figures
from gainlib.notebook.errors import Panel
from gainlib.notebook.figures.blackbox import OutAgainstIn, Residuals
from gainlib.notebook.figures.spectrum import Spectrum
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.prose import LiveRegion, prose
from gainlib.notebook.settings import Settings, Steps
from gainlib.words import level_text

PICTURE_PX = (840, 560)
MARGINS = {"left": 0.09, "right": 0.965, "top": 0.95, "bottom": 0.09, "hspace": 0.42, "wspace": 0.24}
DRIVES_DBFS = tuple(float(level) for level in range(-60, 13))
CURVE_DBFS = DRIVES_DBFS[::6]
START_DBFS = -18.0
LISTEN_NOTE = (
    "Both are given back with their gain undone and matched in loudness. If the box does not care, you hear one sound. "
    "An offset is left out: it makes no sound and only pushes the cone out of its place."
)


class BoxBench(Panel):
    """Boxes to choose from, a drive, three pictures and, where wanted, the sound.

    Parameters
    ----------
    named : dict of str to Processor
        The boxes by the letter a learner sees.
    listen : bool
        Whether there is a player.

    Attributes
    ----------
    settings : Settings
        Box and drive.
    live : LiveFigure
        Out against in, what is left over, two tones.
    player : Player or None
        A stem through the box, loud and soft.
    """

    def __init__(self, named: dict, listen: bool = False):
        self._named, self._drawing = dict(named), threading.RLock()
        self.settings = Settings(self._rows(), label="Box and drive")
        self._said, self.player = LiveRegion(), None
        self._draw()
        inside = [self.settings, self.live.widget, self._said]
        if listen:
            from gainlib.notebook.listen import Player

            self.player = Player(self._sounds(), note=LISTEN_NOTE)
            inside += [prose("**Listen.**"), self.player]
        super().__init__(*inside)
        self.add_class("gl-form").add_class("gl-panel")
        self.settings.observe(self.guarded(lambda change: self._follow()), "places")
        self.settings.observe(self.guarded(lambda change: self._settle()), "released")
        self._say()

    def _rows(self):
        texts = tuple(level_text(level, "dBFS", 0) for level in DRIVES_DBFS)
        drive = Steps("drive_dbfs", "Sine in", DRIVES_DBFS, texts, START_DBFS)
        letters = tuple(self._named)
        if len(letters) == 1:
            return (drive,)
        return Steps("box", "Box", letters, tuple(f"Box {x}" for x in letters), letters[0], listed=True), drive

    @property
    def letter(self) -> str:
        """Which box is on the bench."""
        return self.settings.values.get("box", next(iter(self._named)))

    @property
    def drive_dbfs(self) -> float:
        """How loud it is fed."""
        return self.settings.value("drive_dbfs")

    def _draw(self):
        fig = figures.make_figure(*PICTURE_PX)
        fig.set_layout_engine("none")
        grid = fig.add_gridspec(2, 2, **MARGINS)
        self._out = OutAgainstIn(fig.add_subplot(grid[0, 0]))
        self._left = Residuals(fig.add_subplot(grid[0, 1]))
        self._tones = Spectrum(fig.add_subplot(grid[1, :]), -120.0, 20.0, "Two tones, 800 and 1100 Hz")
        self._update()
        self.live = LiveFigure(fig, [self._out, self._left, self._tones], title="One box, fed as you set it")

    def _update(self):
        box, drive = self._named[self.letter], self.drive_dbfs
        out = [boxes.level_out_dbfs(box, level) for level in CURVE_DBFS]
        halved = [boxes.halved_db(box, level) for level in CURVE_DBFS]
        repeated = [boxes.repeated_db(box, level) for level in CURVE_DBFS]
        self._out.update(CURVE_DBFS, out, (drive, boxes.level_out_dbfs(box, drive)))
        here = (drive, boxes.halved_db(box, drive), boxes.repeated_db(box, drive))
        self._left.update(CURVE_DBFS, halved, repeated, here)
        self._tones.update(*boxes.two_tone_spectrum(box, drive))

    def _follow(self):
        with self._drawing:
            self._update()
            self.live.refresh()

    def _settle(self):
        with self._drawing:
            self.live.settle()
            if self.player is not None:
                self.player.update(self._sounds())
            self._say()

    def _sounds(self):
        box = self._named[self.letter]
        return {
            "fed as set": boxes.heard(box, self.drive_dbfs),
            f"fed {level_text(boxes.SOFT_DBFS, 'dBFS', 0)}": boxes.heard(box, boxes.SOFT_DBFS),
        }

    def _say(self):
        level = boxes.silent_dbfs(self._named[self.letter])
        gives = "silence" if level <= boxes.LOWEST_DB else f"{level_text(level, 'dBFS')}, offset included"
        self._said.say("note", "", f"Box {self.letter}. With silence in, it gives {gives}.")
