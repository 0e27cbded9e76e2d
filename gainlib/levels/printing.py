"""Numbers as they are printed for a reader: a true minus sign, a stated number of decimals, the unit behind."""

import math

MINUS = "\N{MINUS SIGN}"


def number(value: float, decimals: int | None = None, signed: bool = False) -> str:
    """Return a number as it is printed for a learner: true minus sign, no minus zero.

    Parameters
    ----------
    value : float
        The number; infinities print as "+∞" and "−∞".
    decimals : int or None
        Decimals; None gives up to six significant figures without trailing zeros.
    signed : bool
        Whether to print a plus sign before positive numbers.

    Returns
    -------
    str
        The text.

    Examples
    --------
    >>> number(-3.25, 1), number(-0.01, 1), number(6, signed=True), number(float("-inf"))
    ('−3.2', '0.0', '+6', '−∞')
    """
    if math.isinf(value):
        return "+∞" if value > 0 else f"{MINUS}∞"
    text = f"{value:.{decimals}f}" if decimals is not None else f"{value:.6g}"
    if float(text) == 0:
        text = text.lstrip("-")
    if signed and float(text) > 0:
        text = f"+{text}"
    return text.replace("-", MINUS)


def quantity(value: float, unit: str = "", decimals: int | None = None, signed: bool = False) -> str:
    """Return a number with its unit, as in "−3.2 dBTP"."""
    return f"{number(value, decimals, signed)} {unit}".strip()
