"""What the capstone's reference asks to be set, as somebody would type it on the page."""

import re

from gainlib.exercises import exercise
from gainlib.exercises.capstone import assignment, reference
from gainlib.notebook.panels.lab12_strip import row_name

TARGETS = (*assignment.SOUNDING, *assignment.GROUPS)
MOVED_DB = 0.005


def typed(value, digits=2):
    """Return a number as it is typed with a decimal comma."""
    return f"{value:.{digits}f}".replace("-", "−").replace(".", ",")


def moves(given):
    """Return for every strip and group what is to be typed, in the order of the page: (group, field, value)."""
    found, wanted = assignment.as_found(given), reference.controls(given)
    listed = {}
    for target in TARGETS:
        gains, faders, sends = [], [], []
        for name, value in wanted[target].items():
            if abs(value - found[target][name]) > MOVED_DB:
                into = faders if name == "fader_db" else sends if name.startswith("send ") else gains
                kind = "Fader" if into is faders else "Sends" if into is sends else "Gains"
                into.append((f"{kind} of {target}", "fader" if into is faders else row_name(name), value))
        listed[target] = [*gains, *faders, *sends]
    return listed


def field(found, group, name):
    """Return the field for a value, by its group and its name."""
    fields = found.get_by_role("group", name=group, exact=True)
    return fields.get_by_role("textbox", name=re.compile(f"^{re.escape(name)}\\b"))


def report(given):
    """Return the ticks of the fault report: (stem, words of the tag)."""
    words = {option.key: option.text for option in assignment.tags(given)}
    return [(stem, words[tag]) for stem, tags in assignment.faults(given).items() for tag in tags]


def cells(given):
    """Return the ten readings as typed."""
    return [typed(value, 1) for value in exercise("12-6").solve(given)["cells"]]


def settled(lab, found):
    """Wait until nothing in a part of the page is being measured any more."""
    lab.settled()
    found.page.wait_for_function(
        "() => ![...document.querySelectorAll('.gl-said[data-state=busy]')].some((e) => e.offsetParent)", timeout=90_000
    )
    lab.idle()
