"""The capstone: a whole session to be reported on, staged, handed over and written down, marked by measuring it.

- ``assignment``: whose session, what may be moved on it, and an answer turned into a session again.
- ``measurements``: every level that a mark is made of, strip by strip and summed once.
- ``marks``: what is asked of the drive and of the mix.
- ``delivery``: the mix and its stems as files, and the sheet of levels.
- ``reference``: one right way, from the plan of :mod:`gainlib.mix`, and the usual mistakes.
"""
