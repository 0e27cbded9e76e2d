"""The verbs of the command line, one module each.

A verb's module holds ``SUMMARY``, one sentence; ``arguments(parser)``, which declares what it takes; and
``run(options) -> int``, the exit code: 0 done, 1 something failed, 2 wrong use. A module imports what it works with
inside ``run``, so that ``--help`` and a verb that needs little start at once.
"""

VERBS = ("measure", "labs")
