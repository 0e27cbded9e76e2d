"""The gradebook: a class's records marked again, outside any notebook, and what a teacher should look at.

``gradebook(folder)`` reads the records, draws every learner's numbers again, marks every answer again and returns a
:class:`Gradebook`. What a record says of itself counts for nothing; where it says something else than what comes out,
that is reported. No screen is needed.
"""

from gainlib.exercises.classfile import course_of, read_class
from gainlib.exercises.gradebook.export import Form, write_csv, write_feedback, write_html, write_questions, write_wide
from gainlib.exercises.gradebook.lists import Listed, read_aliases, read_class_list, read_overrides
from gainlib.exercises.gradebook.result import Gradebook, gradebook
from gainlib.exercises.gradebook.submissions import collect

__all__ = [
    "Form",
    "Gradebook",
    "Listed",
    "collect",
    "course_of",
    "gradebook",
    "read_aliases",
    "read_class",
    "read_class_list",
    "read_overrides",
    "write_csv",
    "write_feedback",
    "write_html",
    "write_questions",
    "write_wide",
]
