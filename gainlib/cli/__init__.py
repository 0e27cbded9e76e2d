"""The verbs of the command line, one module each.

A verb's module holds ``SUMMARY``, a line for the list of verbs; ``DESCRIPTION``, what its own help begins with;
``arguments(parser)``, which declares what it takes; and ``run(options) -> int``, the exit code: 0 done, 1 something
failed. Wrong use goes through ``options.usage_error(sentence)``, which ends with 2. A module with ``PASSES_ON = True``
finds words that nobody knows in ``options.rest``. What a verb works with is imported inside ``run``, so that
``--help`` and a verb that needs little start at once.
"""

VERBS = ("measure", "plan", "stage", "sheets", "labs", "gradebook", "key", "probe", "null")
