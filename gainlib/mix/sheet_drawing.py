"""A channel of a mixer drawn as a line of boxes, with the letters that head the columns of the plan sheet."""

COLUMNS = {
    "A": "polarity, DC block",
    "B": "trim",
    "C": "processors, in and out",
    "D": "post trim",
    "E": "fader",
    "F": "pan",
    "G": "sends",
}

_HEIGHT = 34
_LINE = 56  # height of the signal's line
# Left edge, width, label, letter of each box on the line.
_BOXES = (
    (8, 72, "source", ""),
    (104, 112, "polarity, DC block", "A"),
    (240, 60, "trim", "B"),
    (326, 40, "in", "C"),
    (366, 92, "processor 1", ""),
    (458, 40, "out", ""),
    (540, 80, "post trim", "D"),
    (674, 60, "fader", "E"),
    (788, 56, "pan", "F"),
    (880, 112, "group or bus", ""),
)
_TAPS = ((647, "send ahead of the fader"), (761, "send behind the fader"))


def channel_drawing() -> str:
    """Return the drawing as SVG, black on white, with a text for those who do not see it.

    Examples
    --------
    >>> channel_drawing().startswith('<svg viewBox="0 0 1000 140"')
    True
    """
    parts = [
        '<svg viewBox="0 0 1000 140" role="img" aria-labelledby="drawing-title" xmlns="http://www.w3.org/2000/svg">',
        '<title id="drawing-title">The order of a channel: source; A polarity and DC block; B trim; C each processor '
        "with a gain in and a gain out; D post trim; the tap of sends ahead of the fader; E fader; the tap of sends "
        "behind the fader; F pan; then group or bus. G are the levels of the sends.</title>",
        f'<path d="M80 {_LINE} H874" stroke="#000" fill="none"/>',
        _arrow_right(874, _LINE),
    ]
    for left, width, label, letter in _BOXES:
        top, middle = _LINE - _HEIGHT // 2, left + width / 2
        parts.append(f'<rect x="{left}" y="{top}" width="{width}" height="{_HEIGHT}" fill="#fff" stroke="#000"/>')
        parts.append(_text(middle, _LINE + 4, label))
        if letter:
            parts.append(_letter(left + 8 if letter == "C" else middle, top - 14, letter))
    parts.append(f'<rect x="500" y="{_LINE - 10}" width="22" height="20" fill="#fff"/>' + _text(511, _LINE + 4, "…"))
    for x, label in _TAPS:
        parts.append(f'<circle cx="{x}" cy="{_LINE}" r="3.5"/><path d="M{x} {_LINE} V104" stroke="#000"/>')
        parts.append(f'<path d="M{x - 4} 98 L{x} 106 L{x + 4} 98 Z"/>')
        parts.append(_text(x - 14 if "ahead" in label else x + 14, 124, label, "end" if "ahead" in label else "start"))
        parts.append(_letter(x + (12 if "behind" in label else -12), 92, "G"))
    return "".join([*parts, "</svg>"])


def _text(x, y, label, anchor="middle"):
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" font-size="11">{label}</text>'


def _letter(x, y, letter):
    circle = f'<circle cx="{x:g}" cy="{y:g}" r="8.5" fill="#fff" stroke="#000"/>'
    return (
        f'{circle}<text x="{x:g}" y="{y + 4:g}" text-anchor="middle" font-size="11" font-weight="700">{letter}</text>'
    )


def _arrow_right(x, y):
    return f'<path d="M{x} {y - 4} L{x + 6} {y} L{x} {y + 4} Z"/>'
