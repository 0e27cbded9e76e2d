"""One strip or group of the capstone's session under the hand: its gains in the order of the signal, its fader."""

import ipywidgets as widgets

from gainlib.exercises.capstone import assignment, strip_levels
from gainlib.notebook import figures
from gainlib.notebook.figures.strips import FadersAndChanges
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.panels.linked_controls import Together, Trims
from gainlib.session import FaderLaw

PICTURE_PX = (900, 300)
LOW_DB, HIGH_DB = -48.0, 18.0
WRITTEN = "level written on the box"


class StripControls:
    """The controls of one strip or group.

    Parameters
    ----------
    name : str
        Of the strip or group.
    controls : sequence of Control
        What may be moved on it.
    values : dict
        Where they stand.

    Attributes
    ----------
    widget : ipywidgets.Widget
        Display this.
    fader : Together
        The fader; it holds the memory of all.
    trims : Trims
        Everything else.
    """

    def __init__(self, name: str, controls, values: dict):
        self.name, self._controls = name, [each for each in controls if each.name != "fader_db"]
        (fader,) = (each for each in controls if each.name == "fader_db")
        self._recalling = False
        self._sends = [each for each in self._controls if each.name.startswith("send ")]
        self._gains = [each for each in self._controls if each not in self._sends]
        self.trims = self._rows(self._gains, f"Gains of {name}")
        self.sends = self._rows(self._sends, f"Sends of {name}") if self._sends else None
        others = [each for each in (self.trims, self.sends) if each is not None]
        self.fader = Together(("fader",), (fader.start,), others=others, options=(), label=f"Fader of {name}")
        self.show(values)
        right = [widgets.HTML("<b>Fader</b>"), self.fader.add_class("gl-half")]
        if self.sends is not None:
            right += [widgets.HTML("<b>Sends</b>"), self.sends.add_class("gl-half")]
        left = [widgets.HTML("<b>Gains, in the order of the signal</b>"), self.trims.add_class("gl-half")]
        columns = [widgets.VBox(each).add_class("gl-column") for each in (left, right)]
        self.widget = widgets.HBox(columns).add_class("gl-columns").add_class("gl-level")

    def _rows(self, controls, label):
        low, high = min(each.low for each in controls), max(each.high for each in controls)
        names = [row_name(each.name) for each in controls]
        return Trims(names, [each.start for each in controls], low_db=low, high_db=high, label=label)

    def _all(self):
        return [each for each in (self.trims, self.sends, self.fader) if each is not None]

    def observe(self, moved, released) -> None:
        """Call `moved` while a hand moves, `released` when it lets go."""
        for each in self._all():
            each.observe(moved, "values_db")
        self.fader.observe(released, "released")

    @property
    def values(self) -> dict:
        """Where everything stands, by the name of the control."""
        lowest = assignment.FADER_LOW_DB
        found = {"fader_db": max(self.fader.values_db[0], lowest)}
        for controls, shown in ((self._gains, self.trims), (self._sends, self.sends)):
            if shown is not None:
                found |= {each.name: value for each, value in zip(controls, shown.values_db, strict=True)}
        return found

    def show(self, values: dict) -> None:
        """Put the controls where they stand, as one gesture."""
        if values == self.values:
            return
        for controls, shown in ((self._gains, self.trims), (self._sends, self.sends)):
            if shown is not None:
                shown.values_db = [values[each.name] for each in controls]
        self.fader.set_values([min(values["fader_db"], FaderLaw().top_db)])

    def close(self) -> None:
        """Let go of the widgets."""
        for each in self._all():
            each.close()


def row_name(control: str) -> str:
    """Return what a control is called beside its travel.

    Examples
    --------
    >>> row_name("insert 2 in_db"), row_name("post_trim_db"), row_name("send cue level_db")
    ('box 2 in', 'post trim', 'cue')
    """
    if control.startswith("send "):
        return control.split()[1]
    return control.removesuffix("_db").replace("insert", "box").replace("_", " ")


class StripPicture:
    """Levels along one strip or group, average to peak at every point.

    Parameters
    ----------
    name : str
        Of the strip or group.
    nodes : sequence of str
        The points along it.
    wanted : dict of int to float
        Level written on each box, by its place from 1.
    """

    def __init__(self, name: str, nodes, wanted: dict):
        self.nodes = tuple(nodes)
        self._wanted = [wanted.get(box) for box in map(box_in, self.nodes)]
        fig = figures.make_figure(*PICTURE_PX)
        texts = [point_name(node) for node in self.nodes]
        title = assignment.short_name(name).capitalize()
        shows = ("wanted average",) if any(wanted.values()) else ()
        self._diagram = figures.LevelDiagram(
            fig.subplots(), texts, LOW_DB, HIGH_DB, title=title, shows=shows, wanted=WRITTEN
        )
        self.live = LiveFigure(fig, [self._diagram], title=f"Levels along {assignment.short_name(name)}")
        self.live.widget.sentence = f"{title}: being measured …"

    def update(self, levels: dict) -> None:
        """Show other levels, by node."""
        shown = [levels[node] for node in self.nodes]
        averages, peaks = [each.active_dbfs for each in shown], [each.clear_peak_dbfs for each in shown]
        self._diagram.update(averages, peaks, reference_db=self._wanted)
        self.live.refresh()


def box_in(node: str) -> int | None:
    """Return which box's input a node is, or None."""
    rest = node.partition("/")[2]
    return int(rest.split("/")[0].split()[1]) if rest.startswith("insert") and rest.endswith("/in") else None


def point_name(node: str) -> str:
    """Return a node as it stands under the picture."""
    rest = node.partition("/")[2]
    if rest.startswith("insert"):
        _, number, end = rest.replace("/", " ").split()
        return f"{'into' if end == 'in' else 'out of'} box {number}"
    return {"source": "stem", "in": "sum", "trim": "trim", "post": "post trim", "out": "at the bus"}[rest]


def strip_picture(session, name: str) -> StripPicture:
    """Return the picture of a strip or a group.

    Parameters
    ----------
    session : Session
        As it is found.
    name : str
        Of one of its strips or groups.

    Returns
    -------
    StripPicture
    """
    channel = next(each for each in (*session.strips, *session.groups) if each.name == name)
    wanted = {k: strip_levels.built_for_dbfs(insert.processor) for k, insert in enumerate(channel.inserts, start=1)}
    if any(strip.name == name for strip in session.strips):
        return StripPicture(name, strip_levels.points(session, name), wanted)
    around = [f"{name}/insert {k}/{end}" for k in range(1, len(channel.inserts) + 1) for end in ("in", "out")]
    return StripPicture(name, (f"{name}/in", f"{name}/trim", *around, f"{name}/post"), {})


def mix_picture(mix, found: dict, values: dict) -> LiveFigure:
    """Return the picture of a mix that was measured: faders against unity, and who has moved against the rest.

    Parameters
    ----------
    mix : MixRead
        As it was measured.
    found, values : dict
        Where the controls were found, and where they stood then.

    Returns
    -------
    LiveFigure
    """
    fig = figures.make_figure(*PICTURE_PX)
    left, right = fig.subplots(1, 2, width_ratios=[1.15, 1])
    names = [assignment.short_name(name) for name in assignment.SOUNDING]
    drawn = FadersAndChanges(left, right, names)
    drawn.begin([found[name]["fader_db"] for name in assignment.SOUNDING])
    rows = {name: row for row, name in enumerate(assignment.SOUNDING)}
    sends = {}
    for words, moved in (("effect on {}", mix.wet_db), ("cue send of {}", mix.cue_db)):
        sends |= {words.format(assignment.short_name(name)): (rows[name], db) for name, db in moved.items()}
    faders = [values[name]["fader_db"] for name in assignment.SOUNDING]
    drawn.update(faders, [mix.against_db[name] for name in assignment.SOUNDING], sends)
    return LiveFigure(fig, [drawn], title="Faders against unity, and what has moved against the rest of the mix")
