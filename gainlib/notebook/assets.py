"""The browser side of the widgets: JavaScript and style sheet, kept as files beside this module."""

from importlib.resources import files


def module(*names: str) -> str:
    """Return the JavaScript files `names` as one module, with what all widgets share in front of them."""
    static = files(__package__) / "static"
    return "\n".join((static / f"{name}.js").read_text(encoding="utf-8") for name in ("common", *names))


def style(name: str = "workbook") -> str:
    """Return a style sheet; without a name, the one of all widgets."""
    return (files(__package__) / "static" / f"{name}.css").read_text(encoding="utf-8")
