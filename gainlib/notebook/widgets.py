"""The widgets of the pages: those of ipywidgets, and :class:`Scripted` ones, which share what is alike in them.

ipywidgets opens two more widgets for the looks of each, and anywidget sends script and style sheet along with each:
that was most of what a page had to wait for. Here those of ipywidgets that look alike have the same layout and style,
and a file is sent once. So a layout is never changed, since others have it too; :func:`look` gives a widget another.
"""

from typing import Any

import anywidget
import ipywidgets
import traitlets
from ipywidgets import Layout, Widget

from gainlib.notebook import assets

_open: dict[tuple, Widget] = {}


def _shared(kind, **values):
    """Return the widget of a kind that has these values; all it is given to have the same one."""
    key = (kind, *sorted(values.items()))
    if key not in _open or _open[key].comm is None:  # somebody closed it
        _open[key] = kind(**values)
    return _open[key]


class Sharing:
    """Takes layout and style, given as a dict, from those there are."""

    def __init__(self, *args, layout: dict | None = None, **given):
        given["layout"] = _shared(Layout, **(layout or {}))
        if self.has_trait("style"):
            given["style"] = _shared(type(self).style.klass, **given.get("style", {}))
        super().__init__(*args, **given)


def look(widget: Widget, **changed: str | None) -> None:
    """Give a widget another layout: its own with some values changed.

    Examples
    --------
    >>> one, other = Label("one"), Label("other")
    >>> look(one, display="none")
    >>> one.layout.display, other.layout.display
    ('none', None)
    """
    if isinstance(widget, Scripted):  # on the page it hears what changes in its layout, not of another one
        for name, value in changed.items():
            setattr(widget.layout, name, value)
        return
    own = {name: getattr(widget.layout, name) for name in widget.layout.keys if not name.startswith("_")}
    widget.layout = _shared(Layout, **{name: value for name, value in (own | changed).items() if value is not None})


def _of(kind):
    return type(kind.__name__, (Sharing, kind), {"__doc__": kind.__doc__})


Box, HBox, VBox, Button, Checkbox = map(
    _of, (ipywidgets.Box, ipywidgets.HBox, ipywidgets.VBox, ipywidgets.Button, ipywidgets.Checkbox)
)
BoundedFloatText, Dropdown, FloatProgress, HTML = map(
    _of, (ipywidgets.BoundedFloatText, ipywidgets.Dropdown, ipywidgets.FloatProgress, ipywidgets.HTML)
)
Label, RadioButtons, Text, Textarea = map(
    _of, (ipywidgets.Label, ipywidgets.RadioButtons, ipywidgets.Text, ipywidgets.Textarea)
)


class File(Widget):
    """A file of ``static`` on its way to the page."""

    name = traitlets.Unicode().tag(sync=True)
    text = traitlets.Unicode().tag(sync=True)

    @traitlets.default("text")
    def _read(self):
        return assets.static(self.name)


class Scripted(anywidget.AnyWidget):
    """A widget that the page shows with files of this project; it has a layout of its own.

    Attributes
    ----------
    FILES : tuple of str
        In ``static``: style sheets, and scripts that make one module in this order; the last one is its own.
    """

    FILES: tuple[str, ...] = ()
    _esm = assets.static("load.js")
    files = traitlets.List(traitlets.Unicode()).tag(sync=True)

    def __init__(self, **given: Any):
        names = ("common.js", *self.FILES, "workbook.css")
        super().__init__(files=[_shared(File, name=name).model_id for name in names], **given)
