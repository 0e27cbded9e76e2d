"""The session of the capstone on the desk: one strip under the hand, all of them in a table, meters on request.

While the hand moves, the levels along the strip are those measured last, shifted as if every box passed on what it
gets. When it lets go, the strip is measured with its boxes; the whole mix is rendered on request.
"""

import threading

import ipywidgets as widgets

from gainlib.exercises.capstone import assignment, mix_report, strip_levels
from gainlib.exercises.capstone.measurements import figures_of
from gainlib.exercises.capstone.stem_report import arrived
from gainlib.notebook.errors import Panel
from gainlib.notebook.live import TableView
from gainlib.notebook.panels import lab12_words as told
from gainlib.notebook.panels.background import BackgroundTask
from gainlib.notebook.panels.lab12_places import FIRST, places_of
from gainlib.notebook.panels.lab12_strip import StripControls, mix_picture, strip_picture
from gainlib.notebook.prose import LiveRegion
from gainlib.words import level_text

TARGETS = (*assignment.SOUNDING, *assignment.GROUPS)
GRADED, PRACTICE = "a run that counts", "practice: all hints free, no points"


def _button(text, tip):
    return widgets.Button(description=text, tooltip=tip, layout=widgets.Layout(width="auto"))


class SessionDesk(Panel):
    """A learner's session.

    Parameters
    ----------
    learner : gainlib.notebook.learner.LearnerSession
        Whose it is.

    Attributes
    ----------
    places : Places
        Where everything stands.
    chosen : ipywidgets.Dropdown
        Which strip or group is under the hand.
    strip : StripControls
        Its controls.
    picture : StripPicture
        Its levels.
    """

    def __init__(self, learner):
        self._learner, self.places = learner, places_of(learner)
        self._drawing = threading.RLock()  # widgets may be answered in another thread than the one that runs cells
        self._strips, self._pictures, self._measured = {}, {}, {}
        self._showing = False
        self._build()
        self._wanted: dict[str, tuple] = {}
        self._mix_of: dict | None = None
        self._beside = BackgroundTask(self, self._work, self._done, self._at_a_loss)
        self.places.watch(self._told)
        self.chosen.observe(self.guarded(lambda change: self._choose()), "value")
        self._choose()

    # ---- building --------------------------------------------------------------------------------------------------

    def _build(self):
        wide = {"description_width": "initial"}
        self.run = widgets.RadioButtons(options=[GRADED, PRACTICE], description="This is", style=wide)
        self.run.add_class("gl-across").layout.width = "auto"
        self._sync_run()
        self.another = _button("Another session", "Other faults, chains and faders for all six tasks")
        self.chosen = widgets.Dropdown(
            options=TARGETS, value=TARGETS[0], description="Strip or group", style=wide, layout={"width": "auto"}
        )
        self.back, self.next = _button("◀ previous", "The strip before"), _button("next ▶", "The strip after")
        self.stems = _button("Measure the stems", "All meters on every stem as it came")
        self.mix = _button("Measure the mix", "Render everything and hold it against what was found")
        self.hear_strip = _button("Listen to this strip", "The stem as it came, and ahead of its fader")
        self.hear_mix = _button("Listen to the mix", "As found and as it stands")
        self.start = _button("Everything back to start", "All strips and groups as they were found")
        self._status, self._mix_said = LiveRegion(), LiveRegion()
        self._stage, self._controls = widgets.VBox().add_class("gl-stays"), widgets.VBox()
        self._table, self._overview = widgets.VBox(), widgets.VBox()
        self._asked, self._sound, self._heard = widgets.VBox(), widgets.VBox(), widgets.VBox()
        rows = [widgets.HBox(each).add_class("gl-buttons") for each in (
            (self.run, self.another, self.start),
            (self.chosen, self.back, self.next, self.hear_strip),
            (self.stems, self.mix, self.hear_mix),
        )]  # fmt: skip
        stage = widgets.VBox([self._stage, self._controls]).add_class("gl-stage")
        below = (self._status, self._table, self._sound, rows[2], self._mix_said, self._heard, self._asked)
        super().__init__(rows[0], rows[1], stage, *below, self._overview)
        self.add_class("gl-form").add_class("gl-panel")
        for button, work in (
            (self.another, self._another), (self.start, self._reset), (self.back, lambda: self._step(-1)),
            (self.next, lambda: self._step(1)), (self.stems, lambda: self._ask("stems")),
            (self.mix, lambda: self._ask("mix")), (self.hear_strip, lambda: self._ask("strip")),
            (self.hear_mix, lambda: self._ask("hear")),
        ):  # fmt: skip
            button.on_click(self.guarded(lambda _button, work=work: work()))
        self.run.observe(self.guarded(lambda change: self._switch()), "value")

    def _sync_run(self):
        practising = self._learner.practising(self._learner.exercise(FIRST))
        self.run.value = PRACTICE if practising else GRADED

    def _switch(self):
        self._learner.practise(self._learner.exercise(FIRST), self.run.value == PRACTICE)

    def _another(self):
        self._learner.new_numbers(self._learner.exercise(FIRST))

    def _reset(self):
        self.places.replace(self.places.found)

    def _step(self, by):
        self.chosen.value = TARGETS[(TARGETS.index(self.chosen.value) + by) % len(TARGETS)]

    # ---- one strip -------------------------------------------------------------------------------------------------

    @property
    def name(self) -> str:
        """Which strip or group is under the hand."""
        return self.chosen.value

    @property
    def strip(self) -> StripControls:
        """The controls under the hand."""
        return self._strips[self.name]

    @property
    def picture(self):
        """The picture of what is under the hand."""
        return self._pictures[self.name]

    def _choose(self):
        name = self.name
        with self._drawing:
            if name not in self._strips:
                controls = [each for each in assignment.controls(self.places.given) if each.target == name]
                strip = StripControls(name, controls, self.places.values[name])
                moved = self.guarded(lambda change, name=name: self._follow(name))
                strip.observe(moved, self.guarded(lambda change, name=name: self._settle(name)))
                self._strips[name] = strip
                self._pictures[name] = strip_picture(assignment.session(self.places.given), name)
            self._show_values(name)
            self._stage.children = (self.picture.live.widget,)
            self._controls.children = (self.strip.widget,)
        self.hear_strip.disabled = name in assignment.GROUPS
        self._ask("along")

    def _show_values(self, name):
        self._showing = True
        self._strips[name].show(self.places.values[name])
        self._showing = False

    def _follow(self, name):
        """Show what the hand does at once, as far as it is known without measuring."""
        if self._showing:
            return
        self.places.set(name, self._strips[name].values)
        if name == self.name and name in self._measured:
            was, levels = self._measured[name]
            with self._drawing:
                self.picture.update(strip_levels.guessed(levels, was, self.places.values[name], name))

    def _settle(self, name):
        if not self._showing:
            self.places.set(name, self._strips[name].values)
            self._ask("along")

    def _found(self, name, values, levels):
        if name != self.name or values != self.places.values[name]:
            return
        with self._drawing:
            self._measured[name] = dict(values), {node: levels[node] for node in self.picture.nodes}
            self.picture.update(levels)
            self.picture.live.settle()
        self._say_strip(levels)

    def _say_strip(self, levels):
        name, boxes = self.name, []
        if name not in assignment.GROUPS:
            boxes = strip_levels.boxes_of(self.places.seed, name, levels)
        table = told.strip_table(name, self.picture.nodes, levels, boxes)
        self._show_table(self._table, table)
        fields, found = self.places.values[name], self.places.found[name]
        said = f"**{name}**: fader {level_text(fields['fader_db'])}, found at {level_text(found['fader_db'])}."
        if name not in assignment.GROUPS:
            moved = strip_levels.moved_db(self.places.seed, name, found, fields)
            said += f" At its sum it has moved by **{level_text(moved, digits=2)}** since you began."
        self._status.say("note", "", said)

    def _show_table(self, box, table):
        if box.children:
            box.children[0].show(table)
        else:
            box.children = (TableView(table),)

    # ---- work beside the hand ---------------------------------------------------------------------------------------

    def _ask(self, *whats):
        """Have something worked out; what was asked for before and is not done yet is done along with it."""
        for what in whats:
            self._wanted.pop(what, None)
            self._wanted[what] = (self.places.seed, self.name, self.places.answer())
            if what != "strip":
                (self._status if what == "along" else self._mix_said).say("busy", "", "Measuring …")
        if "along" in whats:
            self._wanted["overview"] = self._wanted["along"]
        self._beside.ask(dict(self._wanted))

    @staticmethod
    def _work(progress, wanted):
        """Work out all that is wanted; runs beside the hand and touches no widget."""
        found = []
        for what, request in wanted.items():
            seed, name, answer = request
            placed = answer or assignment.as_found({"seed": seed})
            found.append((what, request, WORK[what](progress, seed, name, placed)))
        return found

    def _done(self, results):
        for what, request, found in results:
            if self._wanted.get(what) == request:
                del self._wanted[what]
            if request[0] == self.places.seed:
                self._show(what, found)

    def _at_a_loss(self):
        self._wanted.clear()
        for said in (self._status, self._mix_said):
            if said.state == "busy":
                said.say("note", "", "This could not be measured.")

    def _show(self, what, found):
        if what == "along":
            self._found(*found)
        elif what == "overview":
            self._show_table(self._overview, found)
        elif what == "stems":
            self._mix_of = None
            self._mix_said.say("note", "", "The stems as they came; nothing of your controls is in these figures.")
            self._asked.children = (TableView(found),)
        elif what == "mix":
            mix, values = found
            self._mix_of = values
            self._mix_said.say("note", "The mix", told.mix_sentence(mix))
            picture = mix_picture(mix, self.places.found, values)
            self._asked.children = (picture.widget, TableView(told.mix_table(mix)))
        else:
            from gainlib.notebook.listen import Player

            note = "The refrain, matched in loudness: listen to what has changed, not to how loud it is."
            if what == "hear":
                self._mix_said.say()
            box = self._sound if what == "strip" else self._heard
            box.children = (Player(found, note=note),)

    # ---- what others do --------------------------------------------------------------------------------------------

    def _told(self, what):
        if self._mix_of is not None and self.places.values != self._mix_of:
            self._mix_of = None
            self._mix_said.say("note", "", "Something was moved since the mix was measured: measure it again.")
        if what == "session":
            self._new_session()
        elif what == "all":
            self._measured.clear()
            self._choose()

    def _new_session(self):
        self._sync_run()
        for each in self._strips.values():
            each.close()
        self._strips, self._pictures, self._measured = {}, {}, {}
        self._asked.children = self._sound.children = self._heard.children = ()
        self._mix_said.say()
        self._mix_of = None
        self._wanted.clear()
        self._choose()


# ------------------------------------------------------------------------------------- what is worked out, by its name


def _along(progress, seed, name, placed):
    """Measure a strip with its boxes; a group with all that feeds it."""
    progress(0.2, "Measuring …")
    if name in assignment.GROUPS:
        return name, placed[name], figures_of(placed, {"seed": seed}, progress).levels
    return name, placed[name], strip_levels.levels(seed, name, placed[name])


def _overview(progress, seed, name, placed):
    found, rows = assignment.as_found({"seed": seed}), []
    for k, stem in enumerate(assignment.SOUNDING):
        progress(k / len(assignment.SOUNDING), "Measuring the strips …")
        boxes = strip_levels.boxes_of(seed, stem, strip_levels.levels(seed, stem, placed[stem]))
        moved = strip_levels.moved_db(seed, stem, found[stem], placed[stem])
        rows.append((stem, boxes, placed[stem]["post_trim_db"], placed[stem]["fader_db"], moved))
    return told.overview_table(rows)


def _stems(progress, seed, name, placed):
    return told.stems_table(arrived(seed, lambda done: progress(done, "Measuring eleven stems …")))


def _mix(progress, seed, name, placed):
    mix = mix_report.read(placed, {"seed": seed}, lambda done: progress(done, "Rendering the mix …"))
    return mix, placed


def _hear_strip(progress, seed, name, placed):
    progress(0.2, "Rendering the strip …")
    return dict(zip(("stem", "strip"), mix_report.strip_heard(placed, {"seed": seed}, name), strict=True))


def _hear_mix(progress, seed, name, placed):
    given, text = {"seed": seed}, "Rendering the mix, as found and as it stands …"
    progress(0.1, text)
    found = mix_report.bus_heard(None, given)
    progress(0.5, text)
    return {"as found": found, "now": mix_report.bus_heard(placed, given)}


WORK = {
    "along": _along, "overview": _overview, "stems": _stems, "mix": _mix, "strip": _hear_strip, "hear": _hear_mix,
}  # fmt: skip
