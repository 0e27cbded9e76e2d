"""Lab 12: the session on its desk, and what its tasks hand in; one state for all of them."""

import copy
from collections.abc import Callable
from contextlib import suppress
from weakref import WeakKeyDictionary

from gainlib.exercises.capstone import assignment, delivery, marks, measurements
from gainlib.exercises.practical import State
from gainlib.exercises.refrain import REFRAIN_S
from gainlib.exercises.text import Unreadable
from gainlib.labs import lab12
from gainlib.notebook import widgets
from gainlib.notebook.background import BackgroundTask
from gainlib.notebook.desk import Desk
from gainlib.notebook.errors import Panel, row
from gainlib.notebook.fields import number_line
from gainlib.notebook.forms import ANOTHER, YES
from gainlib.notebook.kept import Place
from gainlib.notebook.live import TableView
from gainlib.notebook.panels import place_of
from gainlib.notebook.prose import LiveRegion, Question
from gainlib.session import Session, Strip
from gainlib.words import level_text

GRADES = ((90, "passed with distinction"), (70, "passed"))
FIRST = "12-1"
CONTROLS = State("controls", controls=assignment.controls)
GRADED, PRACTICE = "a run that counts", "practice: all hints are free, no points"
FOLDER = "lab-12-export"
WHOLE_MIX = "the whole mix"
NOW = "now"
HEARD = "You hear the refrain. Gains behind the boxes are heard as you move them, those ahead when you let go."


# ----------------------------------------------------------------------------------------------------- where all stands


class Places:
    """Where the controls of a learner's session stand: one state for the desk and for all tasks.

    Attributes
    ----------
    given : dict
        Values of the first task; its session is that of all.
    found, values : dict
        Where the controls were found and where they stand, ``{target: {control: value}}``.
    """

    def __init__(self, learner):
        self._learner, self._watchers = learner, []
        self._load()
        learner.watch(self._told)

    @property
    def seed(self) -> int:
        """Number of the session."""
        return self.given["seed"]

    def watch(self, watcher: Callable[[str], None]) -> None:
        """Call ``watcher(what)`` after every change; `what` is "session" or "controls"."""
        self._watchers.append(watcher)

    def follow(self) -> None:
        """Take up the session that is on the desk now, if it is another one."""
        if self._learner.given(self._learner.exercise(FIRST))["seed"] != self.seed:
            self._load()
            self._tell("session")

    def replace(self, values: dict) -> None:
        """Put controls in place; those left out stay where they are."""
        wanted = {target: {**fields, **values.get(target, {})} for target, fields in self.values.items()}
        if wanted != self.values:
            self.values = wanted
            self._place.keep(wanted)
            self._tell("controls")

    def answer(self) -> dict | None:
        """Return where everything stands as an answer, or None while nothing was moved."""
        return None if self.values == self.found else copy.deepcopy(self.values)

    @property
    def moved(self) -> int:
        """How many controls do not stand where they were found."""
        pairs = ((self.values[target], fields) for target, fields in self.found.items())
        return sum(now[name] != value for now, fields in pairs for name, value in fields.items())

    def latest(self) -> dict | None:
        """Return the controls in the answer given last to any task, for the session on the desk.

        None where something was moved after it.
        """
        answers = [
            (event["time"], event["answer"])
            for each in self._learner.series(self._learner.exercise(FIRST))
            for event in self._learner.answers(each)
        ]
        for time, answer in sorted(answers, key=lambda pair: pair[0], reverse=True):
            placed = self.readable(answer)
            if placed is not None:
                return placed if self._place.time <= time else None
        return None

    def readable(self, answer) -> dict | None:
        """Return the controls of an answer with all others as found, or None where it holds none that can be read."""
        controls = answer.get("controls", answer) if isinstance(answer, dict) else None
        with suppress(Unreadable):
            return CONTROLS.read(controls, self.given) if controls else None
        return None

    def _load(self):
        first = self._learner.exercise(FIRST)
        self.given, self._place = self._learner.given(first), place_of(self._learner, "controls", first)
        self.found = assignment.as_found(self.given)
        self.values = self.latest() or self.readable(self._place.value) or copy.deepcopy(self.found)

    def _told(self, what, _exercise, _detail):
        if what in ("numbers", "learner"):
            self.follow()

    def _tell(self, what):
        for watcher in self._watchers:
            watcher(what)


_ALL: WeakKeyDictionary = WeakKeyDictionary()


def places_of(learner) -> Places:
    """Return the one state of a learner's session."""
    if learner not in _ALL:
        _ALL[learner] = Places(learner)
    _ALL[learner].follow()
    return _ALL[learner]


# ------------------------------------------------------------------------------------------------------------- the desk


class SessionDesk(Desk):
    """The desk of one session, which tells where its controls have come to rest."""

    def __init__(self, given: dict, rested: Callable[[dict], None], place: Place):
        self._given, self._rested = given, rested
        super().__init__(lab12.SESSION.of(given), place=place)

    def _settle(self):
        if not self._restoring:  # first what is heard: it takes longer than a picture
            self._rested(lab12.SESSION.answer(self.setting, self._given))
        super()._settle()

    def place(self, values: dict, begin: bool = False) -> None:
        """Set the controls as others have set them."""
        placed = lab12.SESSION.values(values, self._given)
        if any(self.setting[name] != value for name, value in placed.items()):
            (self.begin if begin else self.set)(**placed)


class SessionPanel(Panel):
    """A learner's session on its desk: which run it is, another session, and what is heard of it.

    Attributes
    ----------
    places : Places
        Where everything stands.
    desk : SessionDesk
        Controls, pictures and tables of the session on the desk.
    run : ipywidgets.RadioButtons
        A run that counts, or practice.
    """

    def __init__(self, learner):
        self._learner, self.places = learner, places_of(learner)
        self.run = widgets.RadioButtons(options=[GRADED, PRACTICE], description="This is", layout={"width": "auto"})
        self.run.add_class("gl-across")
        tip = "Other faults, chains and faders for all six tasks"
        self.another = self.make_button("Another session", self._ask_for_another, tooltip=tip)
        tip = "The stem as it came, and ahead of its fader"
        self.hear_strip = self.make_button("Listen to this strip", self._hear_the_strip, tooltip=tip)
        tip = "As found and as it is now"
        self.hear_mix = self.make_button("Listen to the mix", self._hear_the_mix, tooltip=tip)
        self._stage, self._heard = widgets.VBox(), widgets.VBox().add_class("gl-desk-player")
        head = row(self.run, self.another, self.hear_strip, self.hear_mix)
        self.question = Question(instead=head)
        super().__init__(self.question.over(), self._stage, self._heard)
        self.add_class("gl-form").add_class("gl-panel").add_class("gl-desk")
        self._new_desk()
        self.places.watch(self.guarded(self._told))
        self.run.observe(self.guarded(lambda _change: self._switch()), "value")

    def _first(self):
        return self._learner.exercise(FIRST)

    def _new_desk(self):
        self.run.value = PRACTICE if self._learner.practising(self._first()) else GRADED
        place = place_of(self._learner, "desk", self._first())
        self.desk = SessionDesk(self.places.given, self.guarded(self._rested), place)
        self.desk.place(self.places.values, begin=True)
        self._stage.children, self._heard.children, self._mix = (self.desk,), (), None

    def _rested(self, answer):
        self.hear_strip.disabled = self.desk.setting.strip in assignment.GROUPS
        self.places.replace(answer)

    def _told(self, what):
        if what == "session":
            self._new_desk()
        else:
            self.desk.place(self.places.values)
            if self._mix is not None:
                self._mix.update(self._now())

    def _switch(self):
        self._learner.practise(self._first(), self.run.value == PRACTICE)

    def _ask_for_another(self):
        another = self.guarded(lambda: self._learner.new_numbers(self._first()))
        self.question.ask(ANOTHER, YES, another)

    # ---- what is heard ---------------------------------------------------------------------------------------------

    def _placed(self):
        return assignment.staged(self.places.values, self.places.given)

    def _hear_the_mix(self):
        self._hear({"as found": assignment.session(self.places.given)}, lambda: {NOW: self._placed()})

    def _hear_the_strip(self):
        name = self.desk.setting.strip
        stem = Strip(name, assignment.session(self.places.given).strip(name).audio)
        alone = {"fader_db": 0.0, "pan": 0.0, "mute": False, "solo": False, "sends": (), "to": stem.to}
        faders = [f"{name}/{field}" for field in alone]

        def strip():
            return {"strip": Session((self._placed().strip(name).with_(**alone),))}

        self._hear({"stem": Session((stem,))}, strip, faders)

    def _hear(self, was, now, held=()):
        """Play what was and what is now; `held` are controls that are not heard."""
        from gainlib.notebook.mixing import MixPlayer

        following, ties = {name: list(held) for name in now()}, self.desk.ties()
        self._now, self._mix = now, MixPlayer(was | now(), *REFRAIN_S, ties=ties, note=HEARD, held=following)
        self._heard.children = (self._mix,)


# ------------------------------------------------------------------------------------------------------------ the tasks


class Stems(Panel):
    """Stems and retakes as they arrive, measured on request, each above what is reported on them."""

    def __init__(self, given: dict):
        tip = "All meters on every stem and retake as it came"
        self.measure = self.make_button("Measure the stems", lambda: self._background.ask(given), tooltip=tip)
        self._stage = widgets.VBox([row(self.measure)])
        self._retakes = widgets.VBox([])
        super().__init__(self._stage, self._retakes)
        self.add_class("gl-form")
        for each in (self._stage, self._retakes):
            each.add_class("gl-panel").add_class("gl-desk").add_class("gl-ticked")
        self._background = BackgroundTask(self, self._measured, self._show)

    @staticmethod
    def _measured(progress, given):
        stems = measurements.arrived(given["seed"], lambda done: progress(done, "Measuring eleven stems …"))
        return lab12.stems_table(stems), lab12.retakes_table(given)

    def _show(self, tables):
        for stage, table in zip((self._stage, self._retakes), tables, strict=True):
            stage.children = (TableView(table), *stage.children[-1:])

    def aside(self, fields: list) -> None:
        """Put each field under its table."""
        self._stage.children, self._retakes.children = (self._stage.children[0], fields[0]), (fields[1],)


class BoxDesk(Desk):
    """The box tester, with the answers beside its picture."""

    def aside(self, fields: list) -> None:
        """Put the fields under the controls."""
        self._side.children = (self.settings, *(each.add_class("gl-grid") for each in fields))


class HandIn(Panel):
    """The controls of the session as they stand on its desk; for some tasks with something besides.

    Attributes
    ----------
    besides : str
        What an answer calls that; "" where the controls are all of it.
    """

    besides = ""

    def __init__(self, learner, *children):
        self.places, self._stand, self._noted = places_of(learner), LiveRegion(), lambda: None
        super().__init__(self._stand, *children)
        self.add_class("gl-form")
        self.places.watch(lambda what: self._say())
        self._say()

    def _say(self):
        count = self.places.moved
        how_many = "one control" if count == 1 else f"{count} controls"
        stand = f"you have moved {how_many}" if count else "you have not moved anything yet"
        self._stand.say("note", "", f"Your answer is the session as you set it on the desk above: {stand}.")

    def controls(self) -> dict | None:
        """Return where the controls stand as an answer, or None while none was moved."""
        return self.places.answer()

    def set_controls(self, answer) -> None:
        """Take the controls of an answer to the desk, if no later answer to any task holds others."""
        placed = self.places.readable(answer)
        if placed is not None and placed == self.places.latest():
            self.places.replace(placed)
        if self.besides and isinstance(answer, dict):
            self.resume(answer.get(self.besides))

    # ---- what there is besides the controls, which keep themselves -------------------------------------------------

    def standing(self):
        """Return it as JSON, None while there is nothing."""
        return None

    def resume(self, kept) -> None:
        """Take it up again."""

    def on_change(self, callback: Callable[[], None]) -> None:
        """Call back whenever it changes."""
        self._noted = callback


class Exporting(HandIn):
    """The controls, and what was measured on an export of them.

    Attributes
    ----------
    export : ipywidgets.Button
        Writes the files.
    facts : dict or None
        What was measured on them.
    """

    besides = "export"

    def __init__(self, learner):
        self.facts, self._said, self._folder = None, LiveRegion(), learner.folder / FOLDER
        tip = "24-bit files beside your record, in place of an earlier export"
        self.export = self.make_button("Export mix and stems", self._ask, tooltip=tip)
        self._readings = widgets.VBox()
        super().__init__(learner, row(self.export), self._said, self._readings)
        self._background = BackgroundTask(
            self, lambda progress, *asked: delivery.write_export(*asked, progress), self._found, self._failed
        )

    def _ask(self):
        self.facts, self._readings.children = None, ()
        self._said.say("busy", "", "Writing and measuring …")
        self._background.ask(copy.deepcopy(self.places.values), self.places.given, self._folder)

    def _found(self, written):
        self.facts = written.facts
        facts = f"{level_text(self.facts['true_peak_dbtp'], 'dBTP', 2)}, {self.facts['bits']} bit"
        left = level_text(self.facts["null_db"], "dB", 0)
        self._said.say("note", "Exported", f"{facts}; the stems leave {left} of the mix. The files: {written.folder}")
        self._readings.children = (TableView(written.handed_off),)
        self._noted()

    def _failed(self):
        self._said.say("wrong", "Nothing written", "See the line above for the reason.")

    def controls(self) -> dict | None:
        """Return controls and export, or None while nothing was done."""
        placed = self.places.answer()
        if placed is None and self.facts is None:
            return None
        return {"controls": placed or self.places.found, "export": self.facts}

    def standing(self) -> dict | None:
        """Return what was measured on the export."""
        return self.facts

    def resume(self, facts) -> None:
        """Take up what was measured on an earlier export."""
        if isinstance(facts, dict) and facts != self.facts:
            self.facts = facts
            self._said.say("note", "", "Your last export counts as long as the controls stay as they are.")


class Cells(HandIn):
    """The controls, and ten readings; beside them the tables that they are read from.

    Attributes
    ----------
    lines : list of ipywidgets.Text
        One a cell.
    chosen : ipywidgets.Dropdown
        Whose table is shown.
    """

    besides = "cells"

    def __init__(self, learner, given: dict):
        self._given = given
        self.lines = [number_line(delivery.label(cell), "") for cell in given["cells"]]
        options, style = ["choose …", *lab12.TARGETS, WHOLE_MIX], {"description_width": "initial"}
        self.chosen = widgets.Dropdown(options=options, description="Readings of", style=style)
        self._tables = widgets.VBox().add_class("gl-sheet")
        cells = widgets.VBox([widgets.HBox([line]).add_class("gl-field") for line in self.lines])
        read = widgets.VBox([self.chosen, self._tables])
        super().__init__(learner, widgets.HBox([cells, read]).add_class("gl-cells"))
        self.add_class("gl-desk")
        self._background = BackgroundTask(self, self._measured, self._show)
        self.chosen.observe(self.guarded(lambda _change: self._ask()), "value")
        self.places.watch(self.guarded(lambda what: self._ask()))

    def _ask(self):
        if self.chosen.index:
            self._background.ask(self._given, copy.deepcopy(self.places.values), self.chosen.value)

    @staticmethod
    def _measured(progress, given, placed, name):
        progress(0.2, "Measuring …")
        if name == WHOLE_MIX:
            mix = marks.Mix(placed, given, lambda done: progress(done, "Measuring the mix …"))
            return lab12.mix_table(mix), lab12.bus_table(mix)
        return (lab12.strip_table(name, measurements.levels_at(name, placed, given), given),)

    def _show(self, tables):
        self._tables.children = tuple(map(TableView, tables))

    def controls(self) -> dict | None:
        """Return controls and cells, or None while no cell is filled."""
        cells = [line.value.strip() or None for line in self.lines]
        if not any(cells):
            return None
        return {"controls": self.places.answer() or self.places.found, "cells": cells}

    def standing(self) -> list[str] | None:
        """Return what is typed into the cells, None while all are empty."""
        typed = [line.value for line in self.lines]
        return typed if any(typed) else None

    def resume(self, cells) -> None:
        """Enter what was typed."""
        if isinstance(cells, (list, tuple)) and len(cells) == len(self.lines):
            for line, value in zip(self.lines, cells, strict=True):
                line.value = "" if value is None else str(value).replace("-", "−")

    def on_change(self, callback: Callable[[], None]) -> None:
        """Call back with every letter."""
        for line in self.lines:
            line.observe(lambda _change: callback(), "value")


PANELS = {("12", "session"): SessionPanel}
EXERCISES = {
    "12-1": lambda _exercise, given, _learner: Stems(given),
    "12-2": lambda exercise, given, learner: BoxDesk(lab12.tester(given), place=place_of(learner, "desk", exercise)),
    "12-3": lambda _exercise, _given, learner: HandIn(learner),
    "12-4": lambda _exercise, _given, learner: HandIn(learner),
    "12-5": lambda _exercise, _given, learner: Exporting(learner),
    "12-6": lambda _exercise, given, learner: Cells(learner, given),
}
