"""What the browser is given: JavaScript and style sheets from the files beside this module, and Markdown as HTML.

Formulas become MathML: nothing of it needs the network, and no browser needs a script for it. Everything that could be
markup of its own is escaped: part of the texts was typed by a learner.
"""

import re
from functools import cache
from importlib.resources import files


def static(name: str) -> str:
    """Return a script or a style sheet."""
    return (files(__package__) / "static" / name).read_text(encoding="utf-8")


@cache
def _renderer():
    import mistune

    markdown = mistune.create_markdown(escape=True, plugins=["math", "table"])
    markdown.renderer.register("inline_math", lambda _renderer, text: _formula(text, "inline"))
    markdown.renderer.register("block_math", lambda _renderer, text: _formula(text, "block"))
    return markdown


def _formula(text, display):
    from latex2mathml.converter import convert

    return convert(text, display=display)


def html_of(markdown: str) -> str:
    """Return Markdown as HTML; markup in the text is shown, not obeyed.

    Parameters
    ----------
    markdown : str
        Text; mathematics between dollar signs, tables with bars.

    Returns
    -------
    str
        HTML.

    Examples
    --------
    >>> html_of("**−3.5 dB**, not <b>3.5</b>").strip()
    '<p><strong>−3.5 dB</strong>, not &lt;b&gt;3.5&lt;/b&gt;</p>'
    >>> "<msub><mi>g</mi><mi>i</mi></msub>" in html_of("Gains $g_i$.")
    True
    """
    # A formula in a line of its own may open and close in that line; the library wants it on three.
    return _renderer()(re.sub(r"(?m)^\$\$(.+)\$\$\s*$", r"$$\n\1\n$$", markdown))
