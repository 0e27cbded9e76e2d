"""One desk for every experiment: picture, controls, verdict and player on one screen, nothing scrolled apart.

While the hand moves, the picture follows; when it lets go, the words, the numbers and the sound are renewed, and work
that takes longer runs beside it. One Undo goes over everything; captions have their lines reserved, so that no control
moves because a sentence grew.
"""

import threading
from collections.abc import Callable
from functools import partial

import traitlets

from gainlib.audio import GainlibError
from gainlib.exercises.experiment import Again, Experiment, ListenToMix, Mixer, Picture, Run, Setting, Text, Trims
from gainlib.exercises.practical import applied
from gainlib.notebook import figures, widgets
from gainlib.notebook.background import BackgroundTask
from gainlib.notebook.controls import Controls, EvenTravel, Faders, as_json, fader_ties, setting_of
from gainlib.notebook.errors import Panel, soon
from gainlib.notebook.kept import Kept, Place
from gainlib.notebook.live import LiveFigure, TableView
from gainlib.notebook.prose import LiveRegion, Question, prose
from gainlib.notebook.records import SaveButton
from gainlib.words import Table

WIDTH_PX = 700
MOSAIC = {"left": 0.085, "right": 0.985, "top": 0.945, "bottom": 0.11, "hspace": 0.6, "wspace": 0.22}
UNDO_STEPS = 200
MIXERS = (Mixer, Trims)
TYPED_S = 0.6  # between two letters
SHUT = "This opens when your prediction is locked: press *Compare with my prediction* below."
ASKS = "Put every control back to where you found it?"
AS_FOUND, AS_SET = "as found", "as you set it"
FRESH = "Everything that you moved goes back to where you found it."


class DeskBar(widgets.Scripted):
    """The line over a desk: a tab for every picture, buttons that count, Undo and Back to start.

    Attributes
    ----------
    tabs : list of str
        Names of the pictures; one alone has no tab.
    chosen : int
        Which picture is in front.
    again : list of [str, str, str, str]
        Label, hint and name of every button that counts, and what it asks once something was moved.
    can_undo : bool
        Whether there is something to take back.
    moved : bool
        Whether anything stands elsewhere than it was found.
    asks : str
        What is asked before all goes back to start.
    """

    FILES = ("deskbar.js",)
    tabs = traitlets.List(traitlets.Unicode()).tag(sync=True)
    chosen = traitlets.Int(0).tag(sync=True)
    again = traitlets.List(traitlets.List(traitlets.Unicode())).tag(sync=True)
    can_undo = traitlets.Bool(False).tag(sync=True)
    moved = traitlets.Bool(False).tag(sync=True)
    asks = traitlets.Unicode("").tag(sync=True)
    label = traitlets.Unicode("Experiment").tag(sync=True)


def laid_out(picture: Picture) -> tuple:
    """Return the figure of a picture, and each of its plots with what draws it."""
    fig = figures.make_figure(WIDTH_PX, picture.height_px)
    fig.set_layout_engine("none")  # it would make room beside the axes for their headings
    shares = {"width_ratios": picture.widths or None, "height_ratios": picture.heights or None}
    axes = fig.subplot_mosaic("\n".join(picture.mosaic), gridspec_kw=MOSAIC | dict(picture.margins), **shares)
    return fig, [
        (plot, figures.drawing(plot.kind, *(axes[letter] for letter in letters), **plot.options))
        for letters, plot in picture.plots.items()
    ]


class PictureView:
    """A picture under its tab, drawn from a run."""

    def __init__(self, picture: Picture, run: Run):
        fig, self._pairs = laid_out(picture)
        self._draw(run)
        self.live = LiveFigure(fig, [drawing for _, drawing in self._pairs], title=picture.title, compact=True)
        self.widget = self.live.widget

    def _draw(self, run):
        """Update every drawing; return whether one has changed its axes."""
        shown = [(drawing, plot.read(run)) for plot, drawing in self._pairs]
        return any([drawing.update(*read) for drawing, read in shown if read is not None])

    def update(self, run: Run, words: bool = False) -> None:
        """Draw what is seen of another run, and say it where the hand has let go."""
        (self.live.redraw if self._draw(run) else self.live.refresh)()
        if words:
            self.live.settle()


class SheetView:
    """A table under its tab."""

    def __init__(self, sheet, run: Run):
        self._sheet, self.table = sheet, TableView(Table(sheet.title, (), ()))
        self.widget = widgets.VBox([self.table]).add_class("gl-sheet")
        self.update(run)

    def update(self, run: Run, words: bool = False) -> None:
        """Show what is read of another run; a table is its own words."""
        table = self._sheet.read(run)
        if table is not None:
            self.table.show(table)


class Waiting:
    """A view that is made when the prediction is locked; until then a sentence stands in its place."""

    def __init__(self, make: Callable, run: Run, locked: Callable[[], bool]):
        self._make, self._locked, self.view = make, locked, None
        self._shut, self.widget = widgets.VBox([prose(SHUT)]).add_class("gl-sheet"), widgets.VBox()
        self.update(run)

    def update(self, run: Run, words: bool = False) -> None:
        """Show another run, or that this is shut."""
        if self._locked():
            self.view = self.view or self._make(run)
            self.view.update(run, words)
        self.widget.children = [self.view.widget if self._locked() else self._shut]


class Desk(Panel):
    """An experiment under the hand.

    Parameters
    ----------
    experiment : Experiment
        What is shown.
    table : callable, optional
        ``table(run)`` returns what stands under the controls in place of the experiment's numbers.
    place : Place, optional
        Where it is kept how everything stands; a desk that was left begins as it was left.
    locked : callable, optional
        ``locked()`` tells whether the lab's prediction is locked; what it is about is shut until then.

    Attributes
    ----------
    settings : Controls or None
        Sliders and choices.
    mixers : dict of str to Faders
        Faders and columns of trims, by name.
    texts : dict of str to ipywidgets.Textarea
        Typed lines, by name.
    pictures : list of LiveFigure
        In the order of the tabs, those with a table, or still shut, left out.
    player : gainlib.notebook.listen.Player or None
    said : LiveRegion
        The verdict.
    later : LiveRegion
        What is worked out when the hand has let go.
    question : Question
        Asked where another tab has moved on.
    take : SaveButton or None
        Saves the experiment's file.
    """

    def __init__(
        self,
        experiment: Experiment,
        table: Callable[[Run], Table] | None = None,
        place: Place | None = None,
        locked: Callable[[], bool] = lambda: True,
    ):
        self.experiment, self._table, self._locked = experiment, table or experiment.numbers, locked
        self._place = place or Kept().place("desk")
        self._drawing = threading.RLock()  # widgets may be answered in another thread than the one that runs cells
        self._restoring, self._result, self.player, self._rest = False, None, None, None
        self._again = [each for each in experiment.controls if isinstance(each, Again)]
        self._counts = {each.name: each.start for each in self._again}
        self.texts = {each.name: _lines(each) for each in experiment.controls if isinstance(each, Text)}
        rows = [each for each in experiment.controls if not isinstance(each, (*MIXERS, Again, Text))]
        self.settings = Controls(rows, label=f"{experiment.title}: controls") if rows else None
        self.mixers = {each.name: _faders(each, experiment) for each in experiment.controls if isinstance(each, MIXERS)}
        front = self._stand_as(self._place.value)
        self._past, self._last = [self.setting], self.setting
        self.bar = DeskBar(
            tabs=[each.title for each in experiment.pictures],
            chosen=front,
            again=[[each.label, each.hint, each.name, FRESH if each.fresh else ""] for each in self._again],
            moved=self._moved,
            asks=experiment.asks or ASKS,
            label=experiment.title,
        )
        self.said, self.later = LiveRegion(), LiveRegion()
        self.numbers = None if self._table is None else TableView(self._table(self.run))
        self._views = [self._made_view(each) for each in experiment.pictures]
        self.take, take = None, experiment.take
        if take is not None:
            self.take = SaveButton(take.label, self.guarded(lambda: take.make(self.run)), "audio/wav")
        self._stand = widgets.VBox().add_class("gl-desk-player")
        if experiment.listen is not None and not experiment.listen.later:
            self._hear(self.run)
        self.question = Question(instead=self.bar)
        bar = [self.bar, self.question] if experiment.controls or len(experiment.pictures) > 1 else []
        super().__init__(*bar, *self._laid_out())
        self.add_class("gl-form").add_class("gl-panel").add_class("gl-desk")
        self._background = BackgroundTask(self, self._work, self._found, self._at_a_loss)
        self._watch()
        self._say()
        self._ask_later()

    # ---- the parts -------------------------------------------------------------------------------------------------

    @property
    def pictures(self) -> list[LiveFigure]:
        """The pictures that can be seen by turning the tabs."""
        views = (each.view if isinstance(each, Waiting) else each for each in self._views)
        return [each.live for each in views if isinstance(each, PictureView)]

    def _made_view(self, shown):
        make = partial(PictureView if isinstance(shown, Picture) else SheetView, shown)
        return Waiting(make, self.run, self._locked) if shown.after_prediction else make(self.run)

    def _hear(self, run):
        """Give the player what is heard of a run, and make it when there is something for the first time."""
        listen, mixed = self.experiment.listen, isinstance(self.experiment.listen, ListenToMix)
        if listen.after_prediction and not self._locked():
            self._stand.children = [prose(SHUT)]
            return
        sounds = self._mixes(run) if mixed else listen.sounds(run)
        if sounds is None:
            return
        match, note = listen.matched(run.setting), listen.note(run.setting)
        if self.player is None:
            self.player = (self._made_mix_player if mixed else self._made_player)(run, sounds, match=match, note=note)
        else:
            self.player.match, self.player.note = match, note
            self.player.update(sounds)
        self._stand.children = [self.player]

    def _made_player(self, _run, sounds, **look):
        from gainlib.notebook.listen import Player

        ceiling_dbtp = self.experiment.listen.ceiling_dbtp
        return Player(sounds, **look, **({} if ceiling_dbtp is None else {"ceiling_dbtp": ceiling_dbtp}))

    def _made_mix_player(self, run, mixes, **look):
        from gainlib.notebook.mixing import MixPlayer

        listen = self.experiment.listen
        held = {name: [f"{n}/{field}" for n in view for field in view[n]] for name, view in listen.views.items()}
        more = {"cut": listen.cut, "held": held or {AS_SET: []}, "ties": self.ties()}
        return MixPlayer(mixes, *listen.part(run.session), **look, **more)

    def _mixes(self, run):
        """Return the mix as it was found and as it is set, or its views."""
        listen = self.experiment.listen
        if listen.views:
            return {name: applied(run.session, changes) for name, changes in listen.views.items()}
        found = self.experiment.at(self.experiment.start.with_(**{name: run.setting[name] for name in listen.same}))
        return {AS_FOUND: found.session, AS_SET: run.session}

    def ties(self) -> list[dict]:
        """Return which control of the page stands for what of the session, as a mix in the browser follows it."""
        ties = []
        for each in self.experiment.controls:
            if isinstance(each, MIXERS):
                ties += fader_ties(self.mixers[each.name], each.field, each.owners)
            elif drives := self.experiment.drives(each.name):
                row = list(self.settings.values).index(each.name)
                ties.append(_tie(self.settings, each, row, drives))
        return ties

    def _laid_out(self):
        for k, view in enumerate(self._views):
            widgets.look(view.widget, display=None if k == self.bar.chosen else "none")
        side = [*self._columns(), self.settings, *self.texts.values(), self.numbers, self.take]
        self._side = widgets.VBox([each for each in side if each is not None]).add_class("gl-desk-side")
        pictures = widgets.VBox([view.widget for view in self._views]).add_class("gl-desk-picture")
        main = [pictures, self._side] if self._views else [self._side]
        told, later = self.experiment.told is not None, getattr(self.experiment.later, "lines", 0)
        words = widgets.VBox([*([self.said] if told else []), *([self.later] if later else [])])
        words.add_class("gl-desk-words").add_class(f"gl-lines-{self.experiment.lines * told + later}")
        foot = [*([words] if told or later else []), *([self._stand] if self.experiment.listen else [])]
        return widgets.HBox(main).add_class("gl-desk-main"), widgets.VBox(foot).add_class("gl-desk-foot")

    def _columns(self):
        """Return the mixers, each with the trims of its own strips beside it."""
        groups = []
        for faders in self.mixers.values():
            if groups and groups[-1][0].names == faders.names:
                groups[-1].append(faders.add_class("gl-unnamed"))
            else:
                groups.append([faders])
        return [group[0] if len(group) == 1 else widgets.HBox(group).add_class("gl-pair") for group in groups]

    def _watch(self):
        def on(widget, do, *names):
            widget.observe(self.guarded(lambda _change: do()), names)

        if self.settings is not None:
            on(self.settings, self._follow, "places")
            on(self.settings, self._settle, "released")
        for faders in self.mixers.values():
            on(faders, self._follow, "values_db", "mute", "solo")
            on(faders, self._settle, "released")
            on(faders, self._keep, "locked")
        for lines in self.texts.values():
            on(lines, self._typed, "value")
        on(self.bar, self._turn, "chosen")
        self.bar.on_msg(self.guarded(lambda _widget, content, _buffers: self._asked(content)))
        take = self.guarded(lambda: self._take_over(self._place.take()))
        newer, other = lambda: self.question.take_over(take), lambda: self._take_over(self._place.value)
        self.watch(self._place, newer, other)

    # ---- what is kept ----------------------------------------------------------------------------------------------

    @property
    def moved_at(self) -> str:
        """When something was moved here last, as far as that is kept; "" if never."""
        return self._place.time

    def _stand_as(self, kept):
        """Set everything as it was left, and return which tab was in front."""
        kept, titles = kept if isinstance(kept, dict) else {}, [each.title for each in self.experiment.pictures]
        setting = setting_of(self.experiment, kept.get("setting"))
        if setting != self.setting:
            self._restore(setting)
        if self.settings is not None:
            self.settings.turn_off(self.setting)
        for name, faders in self.mixers.items():
            faders.locked = name in kept.get("locked", ())
        return titles.index(kept["tab"]) if kept.get("tab") in titles else 0

    def _keep(self):
        locked = [name for name, faders in self.mixers.items() if faders.locked]
        setting = as_json(self.experiment, self.setting)
        self._place.keep({"setting": setting, "tab": self.run.front, "locked": locked})

    def _take_over(self, kept):
        self.bar.chosen = self._stand_as(kept)
        self._settle()

    # ---- where everything stands -----------------------------------------------------------------------------------

    @property
    def setting(self) -> Setting:
        """Where every control stands."""
        values = dict(self.settings.values) if self.settings is not None else {}
        for name, faders in self.mixers.items():
            values[name] = faders.as_dict()
            values |= {option: tuple(getattr(faders, option)) for option in faders.options}
        values |= {name: lines.value for name, lines in self.texts.items()} | self._counts
        return Setting({name: values[name] for name in self.experiment.start})

    @property
    def run(self) -> Run:
        """The experiment at work as the controls stand, with what was last worked out beside it."""
        run = self.experiment.at(self.setting)
        run.found, run.front = self._result, self.bar.tabs[self.bar.chosen] if self.bar.tabs else ""
        return run

    def set(self, **values) -> None:
        """Set some controls as one finished gesture."""
        self._restore(self.setting.with_(**values))
        self._settle()

    def begin(self, **values) -> None:
        """Set some controls as they stand when work is taken up again: Undo does not go beyond that."""
        self.set(**values)
        self._past = self._past[-1:]
        self.bar.can_undo = False

    def undo(self) -> None:
        """Go back by one gesture, over all controls; does nothing at the start."""
        if len(self._past) > 1:
            self._past.pop()
            self._restore(self._past[-1])
            self._settle()

    def reset(self) -> None:
        """Go back to the start, but not to another take; can be undone."""
        self._set_fresh(**self._counts)

    def _restore(self, setting):
        self._restoring = True
        try:
            if self.settings is not None:
                self.settings.set(**{name: setting[name] for name in self.settings.values})
            self._take_laws(setting)
            for name, faders in self.mixers.items():
                for option in faders.options:
                    setattr(faders, option, list(setting[option]))
                faders.set_values({each: min(db, faders.top_db) for each, db in setting[name].items()})
            for name, lines in self.texts.items():
                lines.value = setting[name]
            self._counts = {name: setting[name] for name in self._counts}
        finally:
            self._restoring = False
        self._last = self.setting

    def _take_laws(self, setting):
        for each in self.experiment.controls:
            if isinstance(each, Mixer) and each.law:
                self.mixers[each.name].take_law(each.law(setting))

    def press(self, name: str) -> None:
        """Press a button that counts, as one gesture."""
        button = next(each for each in self._again if each.name == name)
        if self.experiment.later is not None:
            self.later.say("busy", "", self.experiment.later.busy)
        (self._set_fresh if button.fresh else self.set)(**{name: self._counts[name] + 1})

    def _set_fresh(self, **values):
        self._restore(self.experiment.start.with_(**values, **self._turned(self.setting)))
        self._settle()

    @property
    def _moved(self):
        """Whether anything stands elsewhere than it was found, whichever take it is."""
        return self.setting != self.experiment.start.with_(**self._counts, **self._turned(self.setting))

    def _turned(self, setting):
        """Return what only turns to what is looked at."""
        return {each.name: setting[each.name] for each in self.experiment.controls if getattr(each, "turns", False)}

    def _asked(self, content):
        if content.get("do") == "undo":
            self.undo()
        elif content.get("do") == "reset":
            self.reset()
        elif content.get("do") in self._counts:
            self.press(content["do"])

    # ---- following the hand ----------------------------------------------------------------------------------------

    def _follow(self):
        if self._restoring:
            return
        self._link()
        self._keep()
        with self._drawing:
            if self._views:
                self._views[self.bar.chosen].update(self.run)

    def _typed(self):
        """Keep every letter; all else follows when the typing rests."""
        if self._restoring:
            return
        self._keep()
        if self._rest is not None:
            self._rest.cancel()
        self._rest = soon(TYPED_S, self.guarded(self._settle))

    def _link(self):
        """Move what moves along with the control under the hand."""
        setting = self.setting
        moved = next((name for name in setting if setting[name] != self._last[name]), None)
        self._last = setting
        if moved is None:
            return
        linked = setting if self.experiment.link is None else self.experiment.link(self._past[-1], setting, moved)
        if linked != setting:
            self._restore(linked)
        else:
            self._restoring = True
            self._take_laws(setting)
            self._restoring = False

    def _turn(self):
        with self._drawing:
            for k, view in enumerate(self._views):
                widgets.look(view.widget, display=None if k == self.bar.chosen else "none")
            self._show()
        self._keep()
        if self.experiment.later is not None and self.experiment.later.of_tab:
            self._ask_later()

    def renew(self) -> None:
        """Open or shut what waits for the prediction."""
        with self._drawing:
            for view in self._views:
                if isinstance(view, Waiting):
                    view.update(self.run)
            if self.experiment.listen is not None and self.experiment.listen.after_prediction:
                self._hear(self.run)

    def _show(self):
        if self._views:
            self._views[self.bar.chosen].update(self.run, words=True)

    def _settle(self):
        if self._restoring:
            return
        setting = self._last = self.setting
        if self._past[-1].with_(**self._turned(setting)) != setting:
            self._past.append(setting)
            del self._past[:-UNDO_STEPS]
        self._past[-1] = setting
        self._keep()
        self.bar.can_undo, self.bar.moved = len(self._past) > 1, self._moved
        if self.settings is not None:
            self.settings.turn_off(setting)
        listen = self.experiment.listen
        mixed = isinstance(listen, ListenToMix)
        with self._drawing:
            if mixed:
                self._hear(self.run)  # first: what is rendered beside it takes longer than a picture
            self._show()
            if listen is not None and not listen.later and not mixed:
                self._hear(self.run)
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
        run, self._result = result
        with self._drawing:
            self._show()
            if self.experiment.listen is not None and self.experiment.listen.later:
                self._hear(self.run)
        self.later.say("note", "", self.experiment.later.told(run, self._result))

    def _at_a_loss(self):
        self.later.say("note", "", "This could not be measured.")


class TaskDesk(Desk):
    """The desk of an exercise: its controls are the answer, or its readings are what the answer is worked out from.

    Parameters
    ----------
    task : SetAndMeasure, Drawn or the like
        What is asked: ``of(given)`` is its experiment, ``table(run, given)`` may stand under the controls; where they
        are the answer, ``answer``, ``values`` and ``untouched`` take it to and fro.
    given : dict
        Values of the variant.
    place : Place, optional
        As for a desk.
    """

    def __init__(self, task, given: dict, place: Place | None = None):
        self._task, self._given = task, given
        table = getattr(task, "table", None) if getattr(task, "rows", True) else None
        super().__init__(task.of(given), table and (lambda run: table(run, given)), place)

    def controls(self) -> dict | None:
        """Return where the controls stand as an answer, None while none that counts was moved."""
        if not hasattr(self._task, "answer") or self._task.untouched(self.setting, self._given):
            return None
        return self._task.answer(self.setting, self._given)

    def set_controls(self, answer: dict | None) -> None:
        """Set the controls as an answer has them, as far as they reach; what cannot be read leaves them."""
        if not hasattr(self._task, "answer") or not isinstance(answer, dict) or answer == self.controls():
            return
        try:
            self.set(**self._task.values(answer, self._given))
        except (GainlibError, AttributeError, TypeError, ValueError):
            return


def _faders(control, experiment):
    """Return the faders of a mixer or a column of trims, in the colours of the plots."""
    look = {"options": control.options, "label": control.label, "compact": True}
    if isinstance(control, Trims):
        return Faders(control.names, control.start, law=EvenTravel(control.low_db, control.high_db), **look)
    of = getattr(figures, control.look, None)
    looks = [of(k) for k in control.colors or range(len(control.names))] if of else []
    look["looks"] = [{"color": each.color, "hatch": getattr(each, "hatch", "")} for each in looks]
    law = control.law(experiment.start) if control.law else None
    return Faders(control.names, control.start, law=law, apart=control.apart, scale=control.scale, **look)


def _tie(settings, control, row, drives):
    found = []
    for each in drives:
        scale = [each.scale[one] for one in control.options] if isinstance(each.scale, dict) else each.scale
        found.append([each.owner, each.field, scale, each.offset])
    return {"model": f"IPY_MODEL_{settings.model_id}", "trait": "places", "row": row, "drives": found}


def _lines(text):
    style = {"description_width": "initial"}
    return widgets.Textarea(text.start, description=text.label, rows=text.rows, style=style).add_class("gl-typed")
