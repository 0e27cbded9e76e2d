"""How soon a mix sounds and follows the hand: ``python tests/benchmarks/mixing.py [05] [12]``.

In a real JupyterLab in headless Chromium. The eleven stems of lab 05, 40 s each, are played: seconds from the click to
the first sound and until all is there, and what the page holds by then. A fader is dragged while the mix plays; a move
is timed from the event to when the clock of the sound card shows its gain begin to change, and the ramp comes on top.
Then the kernel is kept busy for two seconds: the longest pause between two reports of the meters, which come every 21
ms from beside the page, and whether a move was heard meanwhile. In lab 12 a trim ahead of boxes is let go: from then to
the sound of what was rendered anew. A yardstick is printed first: a loop of plain Python, on a quiet machine 0.1 s.
"""

import argparse
import contextlib
import pathlib
import statistics
import sys
import tempfile
import time

sys.path.insert(0, str(pathlib.Path(__file__).parent.parent))

import psutil
from browser import headless, jupyterlab, notebook_page, write_notebook

HERE = pathlib.Path(__file__).resolve().parents[2]
CELL = """
import sys
sys.path.insert(0, {tree!r})
import tempfile
from gainlib.notebook import Lab
lab = Lab({lab!r}, folder=tempfile.mkdtemp())
lab.panel({panel!r})
"""
DESK = "document.querySelector('.gl-player').gainlib"
DUE = f"""() => {DESK}.moves.map(({{ moved, when, played }}) =>
  played.performanceTime + 1000 * (when - played.contextTime) - moved)"""
WATCH = f"""() => {{ window.gaps = []; let last = performance.now();
  const rows = {DESK}.meters, take = rows.take.bind(rows);
  rows.take = (data) => {{ take(data); const now = performance.now(); gaps.push(now - last); last = now; }}; }}"""
DRAGS, LOOPS = 2, 8
RAMP_MS, AHEAD_MS, FADE_MS = 15, 10, 20
LET_GO = """(slider, value) => { slider.value = value; slider.dispatchEvent(new Event('input', { bubbles: true }));
  window.up = performance.now(); slider.dispatchEvent(new Event('change', { bubbles: true })); }"""


def yardstick() -> float:
    """Return seconds that a loop of plain Python takes."""
    begun = time.perf_counter()
    sum(k * k for k in range(1_500_000))
    return time.perf_counter() - begun


def played(page) -> tuple[float, float, float]:
    """Press Play; return seconds to the first sound and to all of it, and MB that the page has grown by."""
    button, before, begun = page.locator(".gl-player .gl-play").first, renderer_mb(), time.perf_counter()
    button.click()
    page.wait_for_function(f"() => {DESK}.playing()", timeout=120_000)
    first = time.perf_counter() - begun
    page.wait_for_function(f"() => !{DESK}.sound.missing().length", timeout=120_000)
    return first, time.perf_counter() - begun, renderer_mb() - before


def renderer_mb() -> float:
    """Return what the largest process of the browser holds."""
    found = [each for each in psutil.Process().children(recursive=True) if "--type=renderer" in each.cmdline()]
    return max(each.memory_info().rss for each in found) / 1e6


def dragged(page, seconds: float = 2.0) -> None:
    """Drag a fader to and fro."""
    handle = page.locator("[role=slider]").nth(1)
    handle.scroll_into_view_if_needed()
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    for k in range(int(seconds * 60)):
        page.mouse.move(x - 30 * (1 - abs(1 - (k % 60) / 30)), y)
        page.wait_for_timeout(1000 / 60)
    page.mouse.up()


def middle(values) -> str:
    """Return median and 95th percentile as text."""
    return f"{statistics.median(values):.0f}; {sorted(values)[int(0.95 * (len(values) - 1))]:.0f}"


def busy(notebook, page) -> tuple[float, int]:
    """Keep the kernel busy for two seconds; return the longest pause of the meters in ms and the moves heard."""
    page.evaluate(WATCH)
    begun = page.evaluate("() => performance.now()")
    page.evaluate("""() => window.jupyterapp.shell.currentWidget.context.sessionContext.session.kernel.requestExecute(
      { code: 'import time\\nend = time.time() + 2\\nwhile time.time() < end: pass' })""")
    page.wait_for_timeout(300)
    dragged(page, 1.2)
    page.wait_for_timeout(300)
    gaps, heard = page.evaluate(f"(begun) => [gaps, {DESK}.moves.filter((each) => each.moved > begun).length]", begun)
    notebook.idle()
    return max(gaps), heard


def looped(notebook, page) -> list[float]:
    """Let a trim ahead of boxes go, again and again; return ms from then to the sound of what was rendered."""
    found, slider = [], page.get_by_role("slider", name="Trim", exact=True).first
    for k in range(LOOPS):
        before = page.evaluate(f"() => {DESK}.log.length")
        slider.evaluate(LET_GO, -2.0 - 0.1 * k)  # another place each time, so that nothing is there already
        page.wait_for_function(f"(k) => {DESK}.log.length > k && {DESK}.sound.ready", arg=before, timeout=60_000)
        found.append(page.evaluate(f"() => {DESK}.log.at(-1).at - window.up") + AHEAD_MS + FADE_MS)
        notebook.idle()
        page.wait_for_timeout(800)
    return found


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("labs", nargs="*", default=["05", "12"])
    labs = options.parse_args().labs
    print(f"yardstick: {yardstick():.2f} s")
    with contextlib.ExitStack() as stack:
        root = pathlib.Path(stack.enter_context(tempfile.TemporaryDirectory()))
        server, browser = stack.enter_context(jupyterlab(root)), stack.enter_context(headless())
        for lab in labs:
            code = CELL.format(tree=str(HERE), lab=lab, panel={"05": "bus", "12": "session"}[lab])
            path = write_notebook(root / f"lab{lab}.ipynb", code)
            with notebook_page(server, browser, path) as notebook:
                page = notebook.run_all().page
                notebook.idle()
                if lab == "12":
                    page.get_by_role("button", name="Listen to the mix").click()
                first, whole, held = played(page)
                print(f"lab {lab}: first sound {first:.1f} s, all {whole:.1f} s, the page {held:.0f} MB larger")
                if lab == "05":
                    for _ in range(DRAGS):
                        dragged(page)
                    times = page.evaluate(DUE)
                    print(
                        f"hand to sound, ms (median; 95th percentile of {len(times)}): {middle(times)}, ramp {RAMP_MS}"
                    )
                    pause, heard = busy(notebook, page)
                    print(f"kernel busy for 2 s: longest pause of the meters {pause:.0f} ms, {heard} moves heard")
                else:
                    print(f"let go to what was rendered, ms: {middle(looped(notebook, page))}")
    print(f"yardstick: {yardstick():.2f} s")


if __name__ == "__main__":
    main()
