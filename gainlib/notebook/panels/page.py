"""What a lab says of itself outside its notebook: the question, the time it takes, the page to take away."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Page:
    """A lab's heading and take-away.

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
    takeaway : str
        Markdown of the one page to keep; its numbers are general, none is a learner's.
    cites : tuple of str
        Standards, handbook formulas and common practice behind it, tagged as such.
    """

    title: str
    question: str
    minutes: int
    lessons: str
    takeaway: str
    cites: tuple[str, ...]
