"""One desk for every experiment: picture, controls, verdict and player on one screen, nothing scrolled apart.

While the hand moves, the picture follows; when it lets go, the words, the numbers and the sound are renewed, and work
that takes longer runs beside it. One Undo goes over everything; captions have their lines reserved, so that no control
moves because a sentence grew.
"""

import threading
from collections.abc import Callable

import anywidget
import ipywidgets as widgets
import traitlets

from gainlib.audio import GainlibError
from gainlib.exercises.experiment import Experiment, Mixer, Picture, Run, Setting
from gainlib.exercises.set_and_measure import SetAndMeasure
from gainlib.notebook import assets, figures, plots
from gainlib.notebook.controls import Controls
from gainlib.notebook.errors import Panel
from gainlib.notebook.fader import Faders
from gainlib.notebook.live import LiveFigure, TableView
from gainlib.notebook.panels.background import BackgroundTask
from gainlib.notebook.prose import LiveRegion
from gainlib.words import Table

PICTURE_PX = (700, 368)
MOSAIC = {"left": 0.085, "right": 0.985, "top": 0.945, "bottom": 0.11, "hspace": 0.6, "wspace": 0.22}
UNDO_STEPS = 200


class DeskBar(anywidget.AnyWidget):
    """The line over a desk: a tab for every picture, Undo and Back to start.

    Attributes
    ----------
    tabs : list of str
        Names of the pictures; one alone has no tab.
    chosen : int
        Which picture is in front.
    can_undo : bool
        Whether there is something to take back.
    """

    _esm = assets.module("deskbar")
    _css = assets.style() + assets.style("desk")
    tabs = traitlets.List(traitlets.Unicode()).tag(sync=True)
    chosen = traitlets.Int(0).tag(sync=True)
    can_undo = traitlets.Bool(False).tag(sync=True)
    label = traitlets.Unicode("Experiment").tag(sync=True)


class Desk(Panel):
    """An experiment under the hand.

    Parameters
    ----------
    experiment : Experiment
        What is shown.
    table : callable, optional
        ``table(run)`` returns a table that stands under the controls, such as what is measured and what is wanted.

    Attributes
    ----------
    settings : Controls or None
        Sliders and choices.
    mixers : dict of str to Faders
        By the mixer's name.
    pictures : list of LiveFigure
        In the order of the tabs.
    player : gainlib.notebook.listen.Player or None
    said : LiveRegion
        The verdict.
    later : LiveRegion
        What is worked out when the hand has let go.
    """

    def __init__(self, experiment: Experiment, table: Callable[[Run], Table] | None = None):
        self.experiment, self._table = experiment, table
        self._drawing = threading.RLock()  # widgets may be answered in another thread than the one that runs cells
        self._restoring = False
        self.settings, self.mixers = self._made_settings()
        self._past = [self.setting]
        self.bar = DeskBar(tabs=[each.title for each in experiment.pictures], label=experiment.title)
        self.said, self.later, self.player = LiveRegion(), LiveRegion(), None
        self.numbers = None if table is None else TableView(table(self.run))
        self._drawn = [_drawn(each, self.run) for each in experiment.pictures]
        self.pictures = [live for live, _ in self._drawn]
        if experiment.listen is not None:
            self.player = self._made_player()
        bar = [self.bar] if experiment.controls or len(experiment.pictures) > 1 else []
        super().__init__(*bar, *self._laid_out())
        for name in ("gl-form", "gl-panel", "gl-desk"):
            self.add_class(name)
        self._background = BackgroundTask(self, self._work, self._found, self._at_a_loss)
        self._watch()
        self._say()
        self._ask_later()

    # ---- the parts -------------------------------------------------------------------------------------------------

    def _made_settings(self):
        rows = [each for each in self.experiment.controls if not isinstance(each, Mixer)]
        controls = Controls(rows, label=f"{self.experiment.title}: controls") if rows else None
        if controls is not None:
            controls.turn_off(self.experiment.start)
        mixers = {
            each.name: Faders(
                each.names,
                each.start,
                options=each.options,
                label=each.label,
                colors=[figures.line(k).color for k in each.colors or range(len(each.names))],
            )
            for each in self.experiment.controls
            if isinstance(each, Mixer)
        }
        return controls, mixers

    def _made_player(self):
        from gainlib.notebook.listen import Player

        listen = self.experiment.listen
        more = {} if listen.ceiling_dbtp is None else {"ceiling_dbtp": listen.ceiling_dbtp}
        sounds = listen.sounds(self.run)
        return Player(sounds, match=listen.matched(self.setting), note=listen.note(self.setting), **more)

    def _laid_out(self):
        for live in self.pictures[1:]:
            live.widget.layout.display = "none"
        side = [*self.mixers.values(), *([self.settings] if self.settings else [])]
        side += [self.numbers] if self.numbers is not None else []
        pictures = widgets.VBox([live.widget for live in self.pictures]).add_class("gl-desk-picture")
        main = [*([pictures] if self.pictures else []), widgets.VBox(side).add_class("gl-desk-side")]
        told, later = self.experiment.told is not None, self.experiment.later is not None
        words = widgets.VBox([*([self.said] if told else []), *([self.later] if later else [])])
        words.add_class("gl-desk-words").add_class(f"gl-lines-{self.experiment.lines * told + later}")
        foot = [*([words] if told or later else []), *([self.player] if self.player else [])]
        return widgets.HBox(main).add_class("gl-desk-main"), widgets.VBox(foot).add_class("gl-desk-foot")

    def _watch(self):
        follow, settle = (self.guarded(lambda change, do=do: do()) for do in (self._follow, self._settle))
        if self.settings is not None:
            self.settings.observe(follow, "places")
            self.settings.observe(settle, "released")
        for faders in self.mixers.values():
            faders.observe(follow, ["values_db", "mute", "solo"])
            faders.observe(settle, "released")
        self.bar.observe(self.guarded(lambda change: self._turn()), "chosen")
        self.bar.on_msg(self.guarded(lambda _widget, content, _buffers: self._asked(content)))

    # ---- where everything stands -----------------------------------------------------------------------------------

    @property
    def setting(self) -> Setting:
        """Where every control stands."""
        values = dict(self.settings.values) if self.settings is not None else {}
        for name, faders in self.mixers.items():
            values[name] = faders.as_dict()
            values |= {option: tuple(getattr(faders, option)) for option in faders.options}
        return Setting({name: values[name] for name in self.experiment.start})

    @property
    def run(self) -> Run:
        """The experiment at work as the controls stand."""
        return self.experiment.at(self.setting)

    def set(self, **values) -> None:
        """Set some controls as one finished gesture."""
        self._restore(self.setting.with_(**values))
        self._settle()

    def undo(self) -> None:
        """Go back by one gesture, over all controls; does nothing at the start."""
        if len(self._past) > 1:
            self._past.pop()
            self._restore(self._past[-1])
            self._settle()

    def reset(self) -> None:
        """Go back to the start; can be undone."""
        self._restore(self.experiment.start)
        self._settle()

    def _restore(self, setting):
        self._restoring = True
        try:
            if self.settings is not None:
                self.settings.set(**{name: setting[name] for name in self.settings.values})
            for name, faders in self.mixers.items():
                for option in faders.options:
                    setattr(faders, option, list(setting[option]))
                faders.set_values(setting[name])
        finally:
            self._restoring = False

    def _asked(self, content):
        if content.get("do") == "undo":
            self.undo()
        elif content.get("do") == "reset":
            self.reset()

    # ---- following the hand ----------------------------------------------------------------------------------------

    def _follow(self):
        if self._restoring:
            return
        with self._drawing:
            self._update(self.bar.chosen)

    def _update(self, which):
        run = self.run
        for live, pairs in self._drawn[which : which + 1]:
            for plot, drawing in pairs:
                drawing.update(*plot.read(run))
            live.refresh()

    def _turn(self):
        with self._drawing:
            for k, live in enumerate(self.pictures):
                live.widget.layout.display = None if k == self.bar.chosen else "none"
            self._update(self.bar.chosen)
            self.pictures[self.bar.chosen].settle()

    def _settle(self):
        if self._restoring:
            return
        setting = self.setting
        if self._past[-1] != setting:
            self._past.append(setting)
            del self._past[:-UNDO_STEPS]
        self.bar.can_undo = len(self._past) > 1
        if self.settings is not None:
            self.settings.turn_off(setting)
        with self._drawing:
            if self.pictures:
                self._update(self.bar.chosen)
                self.pictures[self.bar.chosen].settle()
            if self.player is not None:
                listen = self.experiment.listen
                self.player.match, self.player.note = listen.matched(setting), listen.note(setting)
                self.player.update(listen.sounds(self.run))
            self._say()
        self._ask_later()

    def _say(self):
        if self.experiment.told is not None:
            self.said.say("note", "", self.experiment.told(self.run))
        if self.numbers is not None:
            self.numbers.show(self._table(self.run))

    # ---- work beside the hand --------------------------------------------------------------------------------------

    def _ask_later(self):
        if self.experiment.later is not None:
            self.later.say("busy", "", self.experiment.later.busy)
            self._background.ask(self.run)

    def _work(self, progress, run):
        progress(0.2, self.experiment.later.busy)
        return run, self.experiment.later.work(run, progress)

    def _found(self, result):
        self.later.say("note", "", self.experiment.later.told(*result))

    def _at_a_loss(self):
        self.later.say("note", "", "This could not be measured.")


class TaskDesk(Desk):
    """The desk of an exercise: its controls are the answer, or its readings are what the answer is worked out from.

    Parameters
    ----------
    task : SetAndMeasure or Drawn
        What is asked.
    given : dict
        Values of the variant.
    """

    def __init__(self, task, given: dict):
        self._task, self._given = task, given
        super().__init__(task.of(given), lambda run: task.table(run, given))

    def controls(self) -> dict | None:
        """Return where the controls stand as an answer, None while none that counts was moved."""
        if not isinstance(self._task, SetAndMeasure) or self._task.untouched(self.setting, self._given):
            return None
        return self._task.answer(self.setting)

    def set_controls(self, answer: dict | None) -> None:
        """Set the controls as an answer has them, as far as they reach; what cannot be read leaves them."""
        if not isinstance(self._task, SetAndMeasure) or not isinstance(answer, dict) or answer == self.controls():
            return
        try:
            self.set(**self._task.values(answer, self._given))
        except (GainlibError, AttributeError, TypeError, ValueError):
            return


def _drawn(picture: Picture, run: Run):
    """Return the live figure of a picture, and its plots with their drawings."""
    fig = figures.make_figure(*PICTURE_PX)
    fig.set_layout_engine("none")  # it would make room beside the axes for their headings
    shares = {"width_ratios": picture.widths or None, "height_ratios": picture.heights or None}
    axes = fig.subplot_mosaic("\n".join(picture.mosaic), gridspec_kw=MOSAIC | dict(picture.margins), **shares)
    pairs = []
    for letters, plot in picture.plots.items():
        drawing = plots.drawing(plot.kind, *(axes[letter] for letter in letters), **plot.options)
        drawing.update(*plot.read(run))
        pairs.append((plot, drawing))
    return LiveFigure(fig, [drawing for _, drawing in pairs], title=picture.title, compact=True), pairs
