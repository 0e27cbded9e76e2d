"""A widget on a page of its own, without JupyterLab: its module over a model that asks the widget in this process.

What Python sends goes into the page, what the page sends goes to Python, both at once. Addresses on 127.0.0.1 count as
secure, so that a browser lets sound be worked on beside the page; no server answers, the page is put in its place.
"""

import base64
import contextlib
import time

from browser import headless
from ipywidgets.widgets.widget import _instances

ADDRESS = "http://127.0.0.1:9/"
SETUP = """async ([esm, states]) => {
  window.outbox = [];
  window.models = new Map(states.map(([id, state]) => {
    const heard = [];
    const tell = (name, ...given) => heard
      .filter(([names]) => names.split(' ').includes(name)).forEach(([, run]) => run(...given));
    return [id, { state, tell, get: (name) => state[name], save_changes: () => {},
      send: (message) => window.outbox.push([id, message]),
      set: (name, value) => { state[name] = value; tell(`change:${name}`); },
      on: (names, run) => heard.push([names, run]),
      off: (names, run) => { const k = heard.findIndex((each) => each[1] === run); if (k >= 0) heard.splice(k, 1); },
      widget_manager: { get_model: async (other) => window.models.get(other) } }];
  }));
  const url = URL.createObjectURL(new Blob([esm], { type: 'text/javascript' }));
  const widget = (await import(url)).default;
  const el = document.body.appendChild(document.createElement('div'));
  widget.render({ model: window.models.get(states[0][0]), el, signal: new AbortController().signal });
}"""
SENT = """([id, message, bytes]) => window.models.get(id).tell('msg:custom', message,
  bytes.map((text) => new DataView(Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer)))"""
SET = "([id, name, value]) => window.models.get(id).set(name, value)"


class BarePage:
    """The page and the widgets behind it. What Python says is kept until :meth:`wait`, for it may say it meanwhile."""

    def __init__(self, page, *widgets):
        self.page, self._known, self._said = page, {each.model_id: each for each in widgets}, []
        states = [[key, _state(each)] for key, each in self._known.items()]
        states += [[key, _state(_instances[key])] for key in widgets[0].files]
        page.evaluate(SETUP, [widgets[0]._esm, states])
        for key, widget in self._known.items():
            widget.send = lambda message, buffers=None, key=key: self._said.append(
                (SENT, [key, message, [base64.b64encode(each).decode() for each in buffers or ()]])
            )
            widget.observe(
                lambda change, key=key: self._said.append((SET, [key, change.name, None])), list(_state(widget))
            )

    def wait(self, condition, limit_s=30.0):
        """Carry messages to and fro until a script returns what counts as true."""
        end = time.monotonic() + limit_s
        while True:
            for key, message in self.page.evaluate("() => window.outbox.splice(0)"):
                self._known[key]._handle_custom_msg(message, [])
            while self._said:
                script, given = self._said.pop(0)
                if script == SET:
                    given[2] = self._known[given[0]].get_state(given[1])[given[1]]
                self.page.evaluate(script, given)
            if self.page.evaluate(condition):
                return
            assert time.monotonic() < end, f"not within {limit_s:g} s: {condition}"
            self.page.wait_for_timeout(10)


@contextlib.contextmanager
def on_page(*widgets):
    """Show the first widget, with the models of the others at hand."""
    with headless() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 720})
        try:
            page.route(
                ADDRESS, lambda route: route.fulfill(body="<!doctype html><body></body>", content_type="text/html")
            )
            page.goto(ADDRESS)
            yield BarePage(page, *widgets)
        finally:
            page.close()


def _state(widget):
    kept = {key: value for key, value in widget.get_state().items() if not key.startswith(("_", "layout", "tabbable"))}
    return {key: value for key, value in kept.items() if not isinstance(value, bytes | memoryview)}
