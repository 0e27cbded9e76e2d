"""What a panel says when something goes wrong, heavy work with a progress bar, and buttons, rows and lines to type in.

An exception in a widget's callback never shows in a notebook: Jupyter writes it to a log that nobody opens. A
:class:`Panel` runs its callbacks guarded: the message appears in the panel, the traceback still goes to the kernel's
own error channel (so a test that listens there hears it), and outside a kernel the exception goes on as it is.
"""

import asyncio
import functools
import time
from collections.abc import Callable

import traitlets

from gainlib.audio import GainlibError
from gainlib.notebook import widgets

BAR_AFTER_S = 0.3  # shorter work would only make the bar flicker


class Notice(widgets.Scripted):
    """A line that shows a failure, and says by itself when the kernel behind the panel is gone.

    Attributes
    ----------
    message : str
        What failed; empty hides the line.
    """

    FILES = ("notice.js", "forms.css", "desk.css")  # any panel may be laid out as a desk
    message = traitlets.Unicode("").tag(sync=True)


class Panel(widgets.VBox):
    """A stack of widgets whose callbacks cannot fail unseen.

    Parameters
    ----------
    *children : widgets
        Shown from the top under the notice line; above them stands the line, below them the progress bar.

    Attributes
    ----------
    notice : Notice
        The line for failures.
    failures : list of Exception
        Everything that was raised in a guarded callback, oldest first.

    Examples
    --------
    >>> panel = Panel()
    >>> @panel.guarded
    ... def picture(change):
    ...     raise GainlibError("the bus is empty; add a strip")
    >>> picture({})
    Traceback (most recent call last):
    gainlib.audio.GainlibError: the bus is empty; add a strip
    >>> panel.notice.message
    'the bus is empty; add a strip'
    """

    def __init__(self, *children: widgets.Widget, **kwargs):
        self.notice, self.failures, self._owner = Notice(), [], None
        self.progress = Progress()
        self._middle = widgets.VBox(list(children))
        super().__init__([self.notice, self._middle, self.progress.widget], **kwargs)

    def watch(self, place, newer: Callable[[], None], other: Callable[[], None] = lambda: None) -> None:
        """Act when another tab has moved a place on or another learner works; say why something cannot be kept."""

        def told(what):
            if what in ("newer", "other"):
                (newer if what == "newer" else other)()
            else:
                self.notice.message = what

        place.watch(self.guarded(told))

    def guarded(self, function: Callable) -> Callable:
        """Wrap a callback: what it raises is shown here, and its next success clears the line.

        In a kernel the wrapper returns None after a failure, so that the other callbacks of the same change still run;
        elsewhere it raises.
        """

        @functools.wraps(function)
        def run(*args, **kwargs):
            try:
                result = function(*args, **kwargs)
            except Exception as error:
                self._owner = function
                self.failures.append(error)
                self.notice.message = sentence_of(error)
                if not _report():
                    raise
                return None
            if self._owner is function:
                self._owner, self.notice.message = None, ""
            return result

        return run

    def make_button(self, text: str, press: Callable[[], object], **look) -> widgets.Button:
        """Return a button as wide as its words; what it does is guarded."""
        made = button(text, **look)
        made.on_click(self.guarded(lambda _button: press()))
        return made


def soon(after_s: float, do: Callable[[], object]) -> asyncio.TimerHandle | None:
    """Do something a moment later, and return what cancels it; at once where no event loop runs, as in a script."""
    try:
        return asyncio.get_running_loop().call_later(after_s, do)
    except RuntimeError:
        do()
        return None


def button(text: str, **look) -> widgets.Button:
    """Return a button as wide as its words."""
    return widgets.Button(description=text, layout={"width": "auto"}, **look)


def row(*children: widgets.Widget) -> widgets.HBox:
    """Return widgets in a row that wraps."""
    return widgets.HBox(children, _dom_classes=("gl-buttons",))


def entry(label: str, **look) -> widgets.Text:
    """Return a line to type in, with its label in full."""
    style, layout = {"description_width": "initial"}, {"width": "auto"}
    return widgets.Text(description=label, style=style, layout=layout, _dom_classes=("gl-entry",), **look)


class Progress:
    """A bar with a text that is made and appears only when the work turns out to be long.

    Parameters
    ----------
    *beside : widgets
        Behind the text.
    after_s : float
        How long is not long.

    Examples
    --------
    >>> progress = Progress(after_s=0)
    >>> with progress.of("Measuring …"):
    ...     progress(0.5)
    ...     progress.bar.value
    0.5
    >>> progress.widget.layout.display
    'none'
    """

    def __init__(self, *beside: widgets.Widget, after_s: float = BAR_AFTER_S):
        self.bar = self.text = None
        self.widget = widgets.HBox(beside, layout={"display": "none"})
        self._after_s, self._start_s = after_s, None

    def of(self, text: str) -> "Progress":
        """Name the work that begins; use as a context."""
        self._next = text
        return self

    def __enter__(self):
        self._start_s = time.monotonic()
        if self.bar is not None:
            self.bar.value, self.text.value = 0.0, self._next
        return self

    def __exit__(self, *_):
        self._start_s = None
        widgets.look(self.widget, display="none")

    def __call__(self, done: float, text: str | None = None) -> None:
        """Report how much is done, from 0 to 1."""
        if self._start_s is None:
            raise GainlibError("progress is reported outside of any work; begin it with progress.of(…)")
        if time.monotonic() - self._start_s < self._after_s:
            return
        if self.bar is None:
            self.bar = widgets.FloatProgress(0.0, min=0.0, max=1.0, layout={"width": "240px"})
            self.text = widgets.Label(self._next)
            self.widget.children = (self.bar, self.text, *self.widget.children)
        self.bar.value = min(max(float(done), 0.0), 1.0)
        if text is not None:
            self.text.value = text
        widgets.look(self.widget, display="flex")


def sentence_of(error: BaseException) -> str:
    """Return what a learner reads: our own sentence as it is, anything else as a failure of the panel."""
    if isinstance(error, GainlibError):
        return str(error)
    return (
        f"Something in this panel failed ({type(error).__name__}: {error}). What it shows may be out of date; load the "
        "page again. In JupyterLab the log (menu View, Show Log Console) has the details."
    )


def _report() -> bool:
    """Send the current traceback over the kernel's error channel; False if there is no kernel."""
    try:
        from IPython import get_ipython
    except ImportError:
        return False
    shell = get_ipython()
    if shell is None or not hasattr(shell, "kernel"):
        return False
    shell.showtraceback()
    return True
