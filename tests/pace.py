"""How much a test that watches the time forgives.

What something may take is stated for an idle machine, and benchmarks measure it there. A test runs where others run
too, which can stretch even processor time several times over; it prints its figure, and fails where the work itself has
grown: a cache that is no longer used, a library loaded without need, something done once for every frame.
"""

FORGIVEN = 5


def within(took: float, limit: float) -> bool:
    """Tell whether something took no longer than its limit allows for on a machine that is shared."""
    return took < FORGIVEN * limit
