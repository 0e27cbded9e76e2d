"""A box under the hand and a bypass to judge it by; what is common to such panels.

While the hand moves, eight seconds go through the box and every picture follows. When it lets go, the whole does, and
what can be heard is renewed.
"""

import threading

from gainlib.notebook.errors import Panel
from gainlib.notebook.panels.background import BackgroundTask
from gainlib.notebook.prose import LiveRegion, prose
from gainlib.notebook.settings import Settings

BYPASS, ACTIVE = "bypass", "active"


class BypassBench(Panel):
    """Settings, the pictures that follow them, the whole sound, and bypass against active.

    A panel of this kind brings ``_rows()``, its settings; ``_draw()``, which makes the pictures and returns them, and
    ``_update()``, which draws a setting; ``_told()``, what to say of it; ``_match(setting)``, which sends the whole
    through, in a thread, and ``_told_of_all(setting, match)``.

    Attributes
    ----------
    settings : Settings
        Under the hand.
    pictures : list of LiveFigure
    player : gainlib.notebook.listen.Player
        Bypass and active on one clock.
    """

    bench = None  # the library's: Setting, heard
    whole = "the whole"  # what is sent through when the hand lets go
    ahead = "drive"  # the gain that is in both

    def __init__(self):
        from gainlib.notebook.listen import Player

        self._drawing = threading.RLock()  # widgets may be answered in another thread than the one that runs cells
        self.settings = Settings(self._rows(), label="Settings of the experiment")
        self._said, self._all = LiveRegion(), LiveRegion()
        self.pictures = self._draw()
        self.player = Player(self._sounds(), match=self.setting.matched, note=self._note())
        listen = prose("**Listen.** Keys 1 and 2 switch.")
        super().__init__(*self._laid_out(), self._said, self._all, listen, self.player)
        self.add_class("gl-form").add_class("gl-panel")
        self._beside = BackgroundTask(self, self._work, self._found, self._at_a_loss)
        self.settings.observe(self.guarded(lambda change: self._follow()), "places")
        self.settings.observe(self.guarded(lambda change: self._settle()), "released")
        self._say()
        self._beside.ask(self.setting)

    @property
    def setting(self):
        """What is set."""
        return self.bench.Setting(**self.settings.values)

    def _laid_out(self):
        return [self.settings, *(picture.widget for picture in self.pictures)]

    def _follow(self):
        with self._drawing:
            self._update()
            for picture in self.pictures:
                picture.refresh()

    def _settle(self):
        with self._drawing:
            for picture in self.pictures:
                picture.settle()
            self.player.match, self.player.note = self.setting.matched, self._note()
            self.player.update(self._sounds())
            self._say()
        self._all.say("busy", "", f"Sending {self.whole} through …")
        self._beside.ask(self.setting)

    def _work(self, progress, setting):
        progress(0.2, f"Sending {self.whole} through …")
        return setting, self._match(setting)

    def _found(self, result):
        self._all.say("note", "", self._told_of_all(*result))

    def _at_a_loss(self):
        self._all.say("note", "", f"{self.whole.capitalize()} could not be measured.")

    def _sounds(self):
        return dict(zip((BYPASS, ACTIVE), self.bench.heard(self.setting), strict=True))

    def _note(self):
        if self.setting.matched:
            return f"Eight seconds. The {self.ahead} is in both; switch while it plays."
        return "Eight seconds, as loud as you have set it: judge nothing but the level by it."

    def _say(self):
        self._said.say("note", "", self._told())
