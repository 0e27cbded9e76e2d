"""The browser side of the widgets: JavaScript and style sheet, kept as files beside this module."""

from importlib.resources import files


def module(name: str) -> str:
    """Return the JavaScript module of the widget `name`, with what all widgets share in front of it."""
    static = files(__package__) / "static"
    return "\n".join((static / part).read_text(encoding="utf-8") for part in ("common.js", f"{name}.js"))


def style() -> str:
    """Return the one style sheet of all widgets."""
    return (files(__package__) / "static" / "workbook.css").read_text(encoding="utf-8")
