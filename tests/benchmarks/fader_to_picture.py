"""How soon a picture follows a fader: ``python tests/benchmarks/fader_to_picture.py``.

In a real JupyterLab in headless Chromium, one after the other in the same run:

- *bare*: eleven faders and a blitted picture (eight bars, two curves of 2,000 points, one of 200; 900 × 420 px) that is
  redrawn and sent on every move, with nothing worked out in between;
- *parts*: eleven faders and the parts of the ten worst peaks, from given sample values;
- *bus panel*: the panel of lab 05 on the song with its eleven stems.

A key move is timed from the key's own time stamp to the frame after the new picture has been decoded. A drag moves the
mouse sixty times a second; its lag runs from letting go to the last picture that follows from the hand (pictures that
heavy work adds later do not count: the window is closed half a second after the release).
"""

import argparse
import pathlib
import statistics
import sys
import tempfile

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

WATCH = """() => { const seen = window.seen = { keys: [], pictures: [], up: 0 };
  const image = document.querySelector('.gl-image');
  document.addEventListener('keydown', (event) => seen.keys.push(event.timeStamp), true);
  document.addEventListener('pointerup', (event) => (seen.up = event.timeStamp), true);
  image.addEventListener('load', () => requestAnimationFrame(() => seen.pictures.push(performance.now()))); }"""
CLEAR = "() => { seen.keys.length = seen.pictures.length = 0; seen.up = 0; }"


def key_moves(page: NotebookPage, count: int) -> list[float]:
    """Move the first fader by keys, one at a time; returns each time to the picture in ms."""
    handle = page.page.locator("[role=slider]").first
    handle.scroll_into_view_if_needed()
    handle.focus()
    times = []
    for k in range(count):
        page.page.evaluate(CLEAR)
        page.page.keyboard.press("PageUp" if k % 2 else "PageDown")
        page.page.wait_for_function("() => seen.pictures.length")
        times.append(page.page.evaluate("() => seen.pictures[0] - seen.keys[0]"))
        page.page.wait_for_timeout(400)  # what follows from letting go is not timed here
        page.idle()
    return times


def drag(page: NotebookPage, seconds: float) -> tuple[float, float]:
    """Drag the second fader to and fro; returns pictures a second and the lag of the last picture in ms."""
    box = page.page.locator("[role=slider]").nth(1).bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.page.evaluate(CLEAR)
    page.page.mouse.move(x, y)
    page.page.mouse.down()
    for k in range(int(seconds * 60)):
        page.page.mouse.move(x + 40 * (1 - abs(1 - (k % 60) / 30)), y)
        page.page.wait_for_timeout(1000 / 60)
    during = page.page.evaluate("() => seen.pictures.length")
    page.page.mouse.up()
    page.page.wait_for_timeout(500)
    lag = page.page.evaluate("() => Math.max(0, ...seen.pictures.filter((t) => t < seen.up + 500)) - seen.up")
    return during / seconds, max(lag, 0.0)


def measured(server, chrome, folder, name: str, source: str, options) -> dict:
    """Open one case, warm it up, time it; the row of the table."""
    with notebook_page(server, chrome, write_notebook(folder / f"{name.replace(' ', '-')}.ipynb", source)) as page:
        page.run_all()
        page.page.locator(".gl-image").first.wait_for()
        page.page.wait_for_timeout(2000)
        page.page.evaluate(WATCH)
        key_moves(page, 5)
        times = key_moves(page, options.moves)
        rate, lag = drag(page, options.seconds)
        problems = page.problems()
    if problems:
        raise SystemExit(f"{name}: {problems}")
    p95 = sorted(times)[int(0.95 * (len(times) - 1))]
    return {"name": name, "median": statistics.median(times), "p95": p95, "rate": rate, "lag": lag}


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
    with (
        tempfile.TemporaryDirectory() as place,
        jupyterlab(folder := pathlib.Path(place)) as server,
        headless() as chrome,
    ):
        rows = [measured(server, chrome, folder, name, source, options) for name, source in cases.items()]
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
