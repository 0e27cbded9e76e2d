"""How soon a page is there: ``python tests/benchmarks/pages.py [05-mix-bus …]``, on a quiet machine.

Each page is opened as a reader does who comes from another one, so a kernel is ready for it. In seconds from the click:
the text, the first panel, the first desk with its picture, and all; then the kernel's memory in MB.
"""

import argparse
import os
import pathlib
import shutil
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).parent.parent))

import browser
import psutil
from labhand import LABS

WANTED_S = {"text": 1.0, "first panel": 3.0, "all": 6.0}
AHEAD_MS = 14_000  # until the kernel for the next page is ready on a slow machine
MARKS = """(() => { const marks = window.marks = {};
  const seen = { text: 'h1', 'first panel': '.wb-place .gl-form', desk: '.wb-place .gl-desk .gl-image[data-drawn]',
    all: 'body[data-state=ready]' };
  const look = () => { for (const [name, what] of Object.entries(seen))
      if (!marks[name] && document.querySelector(what)) marks[name] = performance.now() / 1000;
    if (!marks.all) requestAnimationFrame(look); };
  requestAnimationFrame(look); })()"""


def timed(names):
    """Yield name and marks of each page, opened one after the other."""
    folder = pathlib.Path(tempfile.mkdtemp(prefix="gainlib-pages-"))
    browser._Shared.root = folder
    shutil.copytree(LABS, folder / "labs")
    try:
        with browser.jupyterlab(folder) as server, browser.headless() as chrome:
            context = chrome.new_context(viewport={"width": 1280, "height": 720})
            context.add_init_script(MARKS)
            page = context.new_page()
            for name in names:
                page.wait_for_timeout(AHEAD_MS)
                page.goto(f"{server.base}/voila/render/labs/{name}.ipynb?token={server.token}")
                page.wait_for_selector("body[data-state=ready]", timeout=120_000)
                page.wait_for_timeout(100)
                yield name, page.evaluate("marks"), max(kernels_mb())
    finally:
        browser.close_all()
        shutil.rmtree(folder)


def kernels_mb():
    """Return the memory of every kernel of this process's server."""
    below = psutil.Process(browser._Shared.process.pid).children(recursive=True)
    return [each.memory_info().rss / 1e6 for each in below if "ipykernel_launcher" in " ".join(each.cmdline())]


def main() -> None:
    """Print a line a page, and the load of the machine; exit 1 if a page is later than wanted."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", default=sorted(path.stem for path in LABS.glob("*.ipynb")))
    names, late = parser.parse_args().names, []
    print(f"load {os.getloadavg()[0]:.1f}, wanted: {WANTED_S}")
    for name, marks, memory in timed(names):
        figures = "  ".join(
            f"{what} {marks[what]:5.2f}" for what in ("text", "first panel", "desk", "all") if what in marks
        )
        print(f"{name:<20}{figures}  {memory:.0f} MB", flush=True)
        late += [name] * any(marks.get(what, 0) > most for what, most in WANTED_S.items())
    raise SystemExit(bool(late))


if __name__ == "__main__":
    main()
