"""The capstone: a whole session to be reported on, staged, handed over and written down, marked by measuring it.

- ``assignment``: whose session, what may be moved on it, and an answer turned into a session again.
- ``measurements``: one render of a session, and every level that a mark is made of.
- ``staged``, ``balanced``, ``delivered``, ``worksheet``: what is asked of the drive, of the mix, of the export, of the
  sheet.
- ``parts``: parts of an exercise that are judged by a list of findings.
- ``reference``: one right way, from the plan of :mod:`gainlib.mix`, and the usual mistakes.
- ``export``: the mix and the stems as files, and what is measured on them.
"""
