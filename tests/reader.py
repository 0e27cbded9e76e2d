"""A page as a reader meets it, with every host cut off but the server."""

import json
from contextlib import contextmanager

from browser import at_most, headless, jupyterlab, until

READY_S = 120


class Reader:
    """A page under a hand, and what it asked for."""

    def __init__(self, page, server, folder):
        self.page, self.server, self.folder = page, server, folder
        self.asked, self.errors, self.found = [], [], len(self.kernels())
        page.on("request", lambda request: self.asked.append(request.url))
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("console", lambda said: said.type == "error" and self.errors.append(said.text))

    def go(self, name, anchor=""):
        path = (self.folder / f"{name}.ipynb").resolve().relative_to(self.server.root).as_posix()
        self.page.goto(f"{self.server.base}/voila/render/{path}?token={self.server.token}{anchor}")
        return self

    def ready(self):
        with at_most():
            until(self.page, "() => document.body?.dataset.state === 'ready'", "the page to be ready", READY_S)
        return self

    def cell(self, id):
        return self.page.locator(f'[id="cell-id={id}"]')

    def outside(self):
        local = (self.server.base, "data:", "blob:")
        return [url for url in self.asked if not url.startswith(local)]

    def kernels(self):
        return json.load(self.server.ask("kernels"))

    def heights(self):
        """Return the height of each part of the page by its id."""
        each = "[...document.querySelectorAll('main > *')].map((each) => [each.id, each.offsetHeight])"
        return dict(self.page.evaluate(each))


@contextmanager
def reading(folder, **look):
    with jupyterlab(folder) as server, headless() as browser:
        context = browser.new_context(**({"viewport": {"width": 1280, "height": 720}} | look))
        context.route(lambda url: not url.startswith(server.base), lambda route: route.abort())
        page = context.new_page()
        page.set_default_timeout(60_000)
        try:
            yield Reader(page, server, folder)
        finally:
            context.close()
