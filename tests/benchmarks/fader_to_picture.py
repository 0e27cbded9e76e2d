"""How soon a picture follows a fader: ``python tests/benchmarks/fader_to_picture.py``.

In a real JupyterLab in headless Chromium, in turns in the same run, so that whatever else the machine does meets all:

- *bare*: eleven faders and a blitted picture (eight bars, two curves of 2,000 points, one of 200; 900 × 420 px) that is
  redrawn and sent on every move, with nothing worked out in between;
- *parts*: eleven faders and the parts of the ten worst peaks, from given sample values;
- *bus panel*: the panel of lab 05 on the song with its eleven stems.

A key move is timed from the key's own time stamp to the frame after the new picture has been decoded; keys follow each
other as in one gesture, so the heavy work that begins when the hand lets go is not running yet. A drag moves the mouse
sixty times a second; its lag runs from letting go to the picture that shows the last position.
"""

import argparse
import contextlib
import pathlib
import statistics
import sys
import tempfile
from dataclasses import dataclass, field

sys.path.insert(0, str(pathlib.Path(__file__).parent.parent))

from browser import NotebookPage, headless, jupyterlab, notebook_page, write_notebook

MEDIAN_MS, TIMES_BARE, LAST_MS = 80, 1.5, 150

BARE = """
import numpy as np
from gainlib.notebook import figures
from gainlib.notebook.fader import Faders
from gainlib.notebook.live import LiveFigure
import ipywidgets
faders = Faders([f"stem {k + 1}" for k in range(11)], [-20.0] * 11)
fig = figures.make_figure(900, 420)
left, upper, lower = fig.subplots(1, 3)
x = np.linspace(0, 1, 2000)
bars = left.bar(range(8), [0.5] * 8)
curves = [upper.plot(x, np.sin(20 * x + k))[0] for k in range(2)]
(law,) = lower.plot(x[::10], x[::10])
live = LiveFigure(fig, [*bars, *curves, law], title="Bare")
def follow(change):
    g = 10 ** (np.array(faders.values_db) / 20)
    for bar, height in zip(bars, g):
        bar.set_height(height)
    for k, curve in enumerate(curves):
        curve.set_ydata(g[k] * np.sin(20 * x + k))
    law.set_ydata(x[::10] ** g[2])
    live.refresh()
faders.observe(follow, "values_db")
ipywidgets.VBox([faders, live.widget])
"""
PARTS = """
import numpy as np
from gainlib.notebook import figures
from gainlib.notebook.fader import Faders
from gainlib.notebook.live import LiveFigure
import ipywidgets
names = [f"stem {k + 1}" for k in range(11)]
faders = Faders(names, [-20.0] * 11)
parts = figures.Contributions(figures.make_figure(900, 420).subplots(), names)
raw = np.random.default_rng(1).normal(0.8, 1, (10, 11))
def follow(change=None):
    parts.update(range(10), raw * 10 ** (np.array(faders.values_db) / 20))
    live.refresh()
parts.update(range(10), raw * 0.1)
live = LiveFigure(parts.artists[0].axes.figure, [parts], title="Parts")
faders.observe(follow, "values_db")
ipywidgets.VBox([faders, live.widget])
"""
PANEL = """
import tempfile
from gainlib.notebook import Lab
lab = Lab("05", folder=tempfile.mkdtemp())
lab.panel("bus")
"""

WATCH = """() => { const seen = window.seen = { keys: [], pictures: [], up: 0, last: 0 };
  const image = document.querySelector('.gl-image');
  document.addEventListener('keydown', (event) => seen.keys.push(event.timeStamp), true);
  document.addEventListener('pointerup', (event) => (seen.up = event.timeStamp), true);
  // the picture that answers the newest position: the one whose message has that position's message as its parent
  let newest = '', due = false;
  const kernel = window.jupyterapp.shell.currentWidget.context.sessionContext.session.kernel;
  kernel.anyMessage.connect((_, { msg, direction }) => {
    const { state = {}, buffer_paths = [] } = msg.content?.data ?? {};
    if (direction === 'send' && 'values_db' in state) [newest, due, seen.last] = [msg.header.msg_id, false, 0];
    if (direction === 'recv' && buffer_paths.flat().includes('png')) due ||= msg.parent_header.msg_id === newest; });
  image.addEventListener('load', () => { const newestShown = due;
    requestAnimationFrame(() => { const now = performance.now(); seen.pictures.push(now);
      if (newestShown && !seen.last) seen.last = now; }); }); }"""
CLEAR = "() => { seen.keys.length = seen.pictures.length = 0; seen.up = 0; }"
BETWEEN_KEYS_MS = 60
ROUNDS = 4


@dataclass
class Case:
    """What is timed, and its times in ms."""

    name: str
    page: NotebookPage
    moves: list[float] = field(default_factory=list)
    lags: list[float] = field(default_factory=list)
    rates: list[float] = field(default_factory=list)

    def warm(self) -> "Case":
        """Run the notebook and a few moves that are not counted."""
        self.page.run_all()
        self.page.page.locator(".gl-image").first.wait_for()
        self.page.page.wait_for_timeout(2000)
        self.page.page.evaluate(WATCH)
        self.keys(5)
        self.moves.clear()
        return self

    def keys(self, count: int) -> None:
        """Move the first fader by keys, one at a time."""
        page = self.page.page
        page.bring_to_front()
        handle = page.locator("[role=slider]").first
        handle.scroll_into_view_if_needed()
        handle.focus()
        page.wait_for_timeout(300)
        for k in range(count):
            page.evaluate(CLEAR)
            page.keyboard.press("PageUp" if k % 2 else "PageDown")
            page.wait_for_function("() => seen.pictures.length")
            self.moves.append(page.evaluate("() => seen.pictures[0] - seen.keys[0]"))
            page.wait_for_timeout(BETWEEN_KEYS_MS)
        self.rest()

    def drag(self, seconds: float) -> None:
        """Drag the second fader to and fro, and let go."""
        page = self.page.page
        box = page.locator("[role=slider]").nth(1).bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        page.evaluate(CLEAR)
        page.mouse.move(x, y)
        page.mouse.down()
        for k in range(int(seconds * 60)):
            page.mouse.move(x + 40 * (1 - abs(1 - (k % 60) / 30)), y)
            page.wait_for_timeout(1000 / 60)
        self.rates.append(
            page.evaluate("() => 1000 * seen.pictures.length / (seen.pictures.at(-1) - seen.pictures[0])")
        )
        page.mouse.up()
        self.rest()
        assert page.evaluate("() => seen.last > 0"), f"{self.name}: the last position was never shown"
        self.lags.append(page.evaluate("() => Math.max(0, seen.last - seen.up)"))

    def rest(self) -> None:
        """Let what follows from letting go come to its end."""
        self.page.idle()
        self.page.page.wait_for_timeout(1500)
        self.page.idle()


def timed(sources: dict[str, str], options) -> list[dict]:
    """Open every case in a page of its own and time them in turns; rows of the table."""
    with contextlib.ExitStack() as open_things:
        folder = pathlib.Path(open_things.enter_context(tempfile.TemporaryDirectory()))
        server, chrome = open_things.enter_context(jupyterlab(folder)), open_things.enter_context(headless())
        cases = []
        for name, source in sources.items():
            path = write_notebook(folder / f"{name.replace(' ', '-')}.ipynb", source)
            page = open_things.enter_context(notebook_page(server, chrome, path))
            cases.append(Case(name, page).warm())
        for _ in range(ROUNDS):
            for case in cases:
                case.keys(options.moves // ROUNDS)
                case.drag(options.seconds / ROUNDS)
        problems = {case.name: found for case in cases if (found := case.page.problems())}
    if problems:
        raise SystemExit(str(problems))
    return [
        {
            "name": case.name,
            "median": statistics.median(case.moves),
            "p95": sorted(case.moves)[int(0.95 * (len(case.moves) - 1))],
            "rate": statistics.median(case.rates),
            "lag": max(case.lags),
        }
        for case in cases
    ]


def main() -> None:
    """Time the cases and print a table; exit 1 if the panel is slower than it may be."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--moves", type=int, default=40)
    parser.add_argument("--seconds", type=float, default=4.0)
    parser.add_argument("--only", choices=("bare", "parts", "bus panel"), help="time one case, without a verdict")
    options = parser.parse_args()
    cases = {"bare": BARE, "parts": PARTS, "bus panel": PANEL}
    if options.only:
        cases = {options.only: cases[options.only]}
    rows = timed(cases, options)
    print(f"{'case':<12}{'median ms':>10}{'p95 ms':>9}{'pictures/s':>12}{'last after release ms':>23}{'× bare':>8}")
    for row in rows:
        times = row["median"] / rows[0]["median"]
        print(
            f"{row['name']:<12}{row['median']:>10.0f}{row['p95']:>9.0f}{row['rate']:>12.1f}{row['lag']:>23.0f}{times:>8.2f}"
        )
    if options.only:
        return
    panel, bare = rows[-1], rows[0]
    good = panel["median"] <= MEDIAN_MS and panel["median"] <= TIMES_BARE * bare["median"] and panel["lag"] <= LAST_MS
    print(f"wanted of the panel: median ≤ {MEDIAN_MS} ms and ≤ {TIMES_BARE} × bare, last ≤ {LAST_MS} ms after release:")
    print("reached" if good else "not reached")
    raise SystemExit(0 if good else 1)


if __name__ == "__main__":
    main()
