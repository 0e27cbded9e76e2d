"""The labs, one module each: what is asked, what is tried on the desk, and how the numbers of an exercise are drawn.

A module ``labNN`` holds ``LAB``, a :class:`~gainlib.exercises.lab.Lab`. Declarations only: texts a learner reads before
and after the exercises stand in the notebook, and nothing here needs a screen.
"""
