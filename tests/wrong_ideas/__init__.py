"""The most tempting wrong methods of each lab: ``WRONG[exercise id][what one thinks]`` is ``answer(given)``."""
