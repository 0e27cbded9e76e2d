"""Pictures that follow the hand, each with its sentence and its table.

A :class:`LiveFigure` sends what stays of a matplotlib figure once, and what changes at every move, both as numbers
(:mod:`gainlib.notebook.figures.ink`); the browser draws them. Text beside the picture is renewed when the hand lets go
(:meth:`LiveFigure.settle`), because a screen reader could not follow it faster and nobody reads while dragging.
"""

import threading
from collections.abc import Callable, Iterable

import traitlets
from matplotlib.figure import Figure

from gainlib.audio import GainlibError
from gainlib.notebook import widgets
from gainlib.notebook.figures import ink
from gainlib.notebook.figures.axes import TIME
from gainlib.notebook.figures.parts import Drawing
from gainlib.words import Table


class Picture(widgets.Scripted):
    """A picture with its text alternative, a sentence under it and a table that opens.

    Attributes
    ----------
    ground, moving : dict
        What stays and what changes, as noted by :class:`gainlib.notebook.figures.ink.Ink`.
    letters : dict of str to [str, float]
        Outline and width of every letter that occurs.
    width_px, height_px : int
        Size on the page.
    alt : str
        Text alternative.
    sentence : str
        Shown under the picture.
    tables : list of dict
        One ``Table.as_dict()`` for every table under the picture.
    compact : bool
        Whether the sentence is folded away with the tables.
    clocks : list of dict
        Where in the picture time runs from left to right: shares of its size, and seconds.
    """

    FILES = ("playhead.js", "picture.js")
    ground = traitlets.Dict().tag(sync=True)
    moving = traitlets.Dict().tag(sync=True)
    letters = traitlets.Dict().tag(sync=True)
    width_px = traitlets.Int(900).tag(sync=True)
    height_px = traitlets.Int(420).tag(sync=True)
    alt = traitlets.Unicode("").tag(sync=True)
    sentence = traitlets.Unicode("").tag(sync=True)
    tables = traitlets.List().tag(sync=True)
    compact = traitlets.Bool(False).tag(sync=True)
    clocks = traitlets.List().tag(sync=True)


class TableView(widgets.Scripted):
    """A table that stands in the panel for itself.

    Parameters
    ----------
    table : Table
        What to show; assign another with :meth:`show`.

    Examples
    --------
    >>> view = TableView(Table("Peaks", ("source", "peak (dBFS)"), (("kick", "−1.0"),)))
    >>> view.show(Table("Peaks", ("source", "peak (dBFS)"), (("kick", "−4.0"),)))
    >>> view.table["rows"]
    [['kick', '−4.0']]
    """

    FILES = ("table.js",)
    table = traitlets.Dict().tag(sync=True)

    def __init__(self, table: Table, **kwargs):
        super().__init__(table=table.as_dict(), **kwargs)

    def show(self, table: Table) -> None:
        """Replace the table."""
        self.table = table.as_dict()


class LiveFigure:
    """A matplotlib figure on the page that follows the hand.

    Parameters
    ----------
    fig : matplotlib.figure.Figure
        Made with :func:`gainlib.notebook.figures.make_figure`, so that pyplot does not know it.
    drawings : iterable of Drawing
        What changes. Everything else in the figure is background.
    title : str
        What the picture is, in a few words; the text alternative begins with it.
    sentence : callable, optional
        ``() -> str``; replaces the sentences of the drawings.
    compact : bool
        Whether the sentence is folded away with the tables.

    Attributes
    ----------
    widget : Picture
        Display this.

    Raises
    ------
    GainlibError
        If there is no title.

    Examples
    --------
    >>> from gainlib.notebook.figures import drawing, make_figure
    >>> fig = make_figure(300, 200)
    >>> bars = drawing("meters", fig.subplots(), ("kick",))
    >>> live = LiveFigure(fig, [bars], title="Levels")
    >>> bars.update([-3.0], ["−3.0 dB"])
    >>> live.refresh()
    >>> live.settle()
    >>> live.widget.alt
    'Levels. The meters: kick −3.0 dB.'
    """

    def __init__(
        self,
        fig: Figure,
        drawings: Iterable[Drawing],
        *,
        title: str,
        sentence: Callable[[], str] | None = None,
        compact: bool = False,
    ):
        if not title:
            raise GainlibError("a picture needs a title: its text alternative begins with it")
        self.fig, self.title, self._sentence, self._drawings = fig, title, sentence, list(drawings)
        # JupyterLab answers widgets in another thread than the one that runs cells, and one canvas serves both
        self._drawing = threading.RLock()
        # the order in which matplotlib itself would draw them
        artists = (artist for drawing in self._drawings for artist in drawing.artists)
        self.artists = sorted(artists, key=lambda artist: artist.get_zorder())
        for artist in self.artists:
            artist.set_animated(True)  # left out of what stays
        width, height = (round(float(v)) for v in fig.bbox.size)
        clocks = [_clock(axes) for axes in fig.axes if axes.get_gid() == TIME]
        self.widget = Picture(width_px=width, height_px=height, compact=compact, clocks=clocks)
        self.redraw()
        self.settle()

    def redraw(self) -> None:
        """Draw everything anew; needed when axes, ticks or labels have changed."""
        with self._drawing, self.widget.hold_sync():
            self._send(ground=ink.ground(self.fig), moving=ink.moving(self.fig, self.artists))

    def refresh(self) -> None:
        """Send what has changed."""
        with self._drawing, self.widget.hold_sync():
            self._send(moving=ink.moving(self.fig, self.artists))

    def _send(self, **noted):
        written = {letter for each in noted.values() for mark in each["marks"] for letter in mark.get("text", "")}
        if not written <= set(self.widget.letters):
            more = {letter: ink.glyph(letter) for letter in written | set(ink.USUAL)}
            self.widget.letters = self.widget.letters | more
        for name, value in noted.items():
            setattr(self.widget, name, value)

    def settle(self) -> None:
        """Renew sentence, text alternative and table; call it when the hand lets go."""
        words = self._sentence() if self._sentence else " ".join(d.sentence() for d in self._drawings)
        tables = [table for drawing in self._drawings if (table := drawing.table()) is not None]
        with self.widget.hold_sync():
            self.widget.sentence = words
            self.widget.alt = f"{self.title}. {words}".strip()
            self.widget.tables = [t.as_dict() for t in tables]


def _clock(axes):
    box, (from_s, to_s) = axes.get_position(), axes.get_xlim()
    shares = {"left": box.x0, "right": box.x1, "top": 1.0 - box.y1, "bottom": 1.0 - box.y0}
    return shares | {"from_s": from_s, "to_s": to_s}
