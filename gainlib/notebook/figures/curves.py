"""Named curves over one axis, with places pointed out: responses, courses over time, one quantity against another."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MultipleLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import FONT, LABEL_PT, db_axis, frame, frequency_axis
from gainlib.notebook.figures.palette import INK, line
from gainlib.words import MINUS, Table, number_text

DASHES = ("─", "┅", "-·", "···", "-··")
ROWS = 12


class Curves:
    """Curves over one axis; diamonds point out places on them.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    names : sequence of str
        Of the curves, for heading, sentence and table.
    x, y : (float, float, float, str)
        Low end, high end, distance of the ticks, and what the axis is in. Beyond the ends of `y` a curve stays there.
    title : str
        Above the picture.
    marks : str
        What the diamonds are, "" where there are none.
    hertz : bool
        Whether x is a frequency, on a logarithmic scale from 20 Hz to 20 kHz; `x` is then not needed.
    digits : (int, int)
        Decimals of x and y in words and numbers.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> curves = Curves(make_figure(400, 250).subplots(), ("sum",), (0, 2, 1, "s"), (-12, 6, 6, "dB"), "Level", "dip")
    >>> curves.update([0, 1, 2], [[6, -6, 6]], [(1, -6)])
    >>> curves.sentence()
    'Level: sum from −6.0 to +6.0 dB; dip at 1.0 s: −6.0 dB.'
    """

    def __init__(
        self,
        axes: Axes,
        names,
        x=(20, 20000, 0, "Hz"),
        y=(-24, 12, 6, "dB"),
        title: str = "",
        marks: str = "",
        hertz: bool = False,
        digits=(1, 1),
    ):
        self.names, self._title, self._marks, self._digits = tuple(names), title, marks, digits
        self._spread = np.geomspace if hertz else np.linspace
        self._units, self._ends = (x[3].rpartition("(")[2].rstrip(")"), y[3]), y[:2]
        shown = [f"{DASHES[k % len(DASHES)]} {name}" for k, name in enumerate(self.names)] + [
            "◆ " * bool(marks) + marks
        ]
        frame(axes, f"{title}: {', '.join(filter(None, shown))}", grid="both")
        db_axis(axes, *y)
        if hertz:
            frequency_axis(axes)
        else:
            axes.set_xlim(x[0], x[1])
            axes.xaxis.set_major_locator(MultipleLocator(x[2]))
            axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{round(value, 6):g}".replace("-", MINUS)))
            axes.set_xlabel(x[3], fontsize=LABEL_PT, fontfamily=FONT, color=INK)
        self.x, self.curves, self.marks = np.zeros(0), np.zeros((len(self.names), 0)), ()
        looks = [line(k) for k in range(len(self.names))]
        self._lines = [
            axes.plot([], [], color=each.color, linestyle=each.linestyle, linewidth=1.6, zorder=3)[0] for each in looks
        ]
        (self._dots,) = axes.plot([], [], "D", color=INK, markersize=6, linestyle="", zorder=4, clip_on=False)
        self.artists = [*self._lines, self._dots]

    def update(self, x, curves, marks=()) -> None:
        """Show other curves, each with a value for every x (NaN leaves a gap), and point out some (x, y)."""
        self.x, self.curves, self.marks = np.asarray(x, float), np.asarray(curves, float), tuple(marks)
        if self.curves.shape != (len(self.names), self.x.size) or not self.x.size:
            raise GainlibError(
                f"curves of shape {self.curves.shape} over {self.x.size} places; give {len(self.names)} rows, and one "
                "value a place, one place or more"
            )
        for drawn, values in zip(self._lines, self.curves, strict=True):
            drawn.set_data(self.x, np.clip(values, *self._ends))
        places = np.array(self.marks, float).reshape(-1, 2)
        self._dots.set_data(places[:, 0], np.clip(places[:, 1], *self._ends))

    def sentence(self) -> str:
        """Return how far each curve reaches, and what is pointed out."""
        said = []
        for name, values in zip(self.names, self.curves, strict=True):
            if np.isfinite(values).any():
                ends = (self._y(each) for each in (np.nanmin(values), np.nanmax(values)))
                said.append("{} from {} to {} {}".format(name, *ends, self._units[1]).rstrip())
        said += [
            f"{self._marks} at {self._x(x)} {self._units[0]}: {self._y(y)} {self._units[1]}" for x, y in self.marks
        ]
        return f"{self._title}: {'; '.join(each.rstrip() for each in said) or 'nothing to see'}."

    def table(self) -> Table:
        """Return the curves at some places, the ones pointed out among them."""
        rows = [(self._x(x), self._marks, self._y(y)) for x, y in self.marks]
        for k in np.unique(self._spread(1, self.x.size, ROWS).round().astype(int) - 1):
            rows += [
                (self._x(self.x[k]), name, self._y(values[k]))
                for name, values in zip(self.names, self.curves, strict=True)
            ]
        return Table(self._title, (self._units[0], "", self._units[1]), tuple(rows))

    def _x(self, value):
        return number_text(value, self._digits[0])

    def _y(self, value):
        return number_text(value, self._digits[1], sign=True)
