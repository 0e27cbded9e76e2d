"""What a lab says of itself outside its notebook: the question, and the time it takes."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Page:
    """A lab's heading.

    Parameters
    ----------
    title : str
        What the lab is about.
    question : str
        The one question it answers.
    minutes : int
        Working alone.
    lessons : str
        In a class.
    """

    title: str
    question: str
    minutes: int
    lessons: str
