"""What the capstone's reference asks to be set, as somebody would type it on the page."""

from gainlib.exercises import exercise
from gainlib.exercises.capstone import assignment, reference
from gainlib.labs.lab12 import RETAKE_WORDS, TARGETS, control_name

MOVED_DB = 0.005


def typed(value, digits=2):
    """Return a number as it is typed with a decimal comma."""
    return f"{value:.{digits}f}".replace("-", "−").replace(".", ",")


def moves(given):
    """Return for every strip and group what is to be typed: (control, value)."""
    found, wanted = assignment.as_found(given), reference.controls(given)
    return {
        target: [(name, value) for name, value in wanted[target].items() if abs(value - found[target][name]) > MOVED_DB]
        for target in TARGETS
    }


def field(found, control):
    """Return the field for the value of a control of the strip under the hand."""
    fields = found.get_by_role("group", name="Your session: controls")
    return fields.get_by_role("textbox", name=f"{control_name(control).capitalize()} in dB", exact=True)


def words(found):
    """Return what is said of the strip or the mix."""
    return found.locator(".gl-desk-words").inner_text()


def report(given):
    """Return the ticks of the fault report: (stem, words of the tag)."""
    return [(stem, assignment.TAG_TEXTS[tag]) for stem, tags in assignment.faults(given).items() for tag in tags]


def retakes(given):
    """Return what is chosen for the retakes: (retake, words of the kind)."""
    return [(name, RETAKE_WORDS[kind]) for name, kind in assignment.retake_kinds(given).items()]


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
