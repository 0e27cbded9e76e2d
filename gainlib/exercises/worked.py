"""A worked example: a lab's kind of question with fixed numbers, solved in steps, the last one left to the learner.

A lab declares it in ``LAB = Lab(…, worked=Worked(…))``, and its notebook shows it by two cells just before the heading
of the exercises: ``NN-worked-text``, Markdown, ``## A worked example``, and ``NN-worked``, code, ``lab.worked()``, with
the metadata of the cells around them. A lab without an example has neither.
"""

from dataclasses import dataclass
from typing import Any

from gainlib.errors import GainlibError
from gainlib.exercises.numeric import Number
from gainlib.exercises.text import Unreadable


@dataclass(frozen=True)
class Worked:
    """One worked example.

    Parameters
    ----------
    question : str
        What is asked, in Markdown with its numbers.
    steps : tuple of str
        What to do and why, each with its result, in Markdown; they open one after the other. The last step, which
        leads to the answer, is not among them.
    last : Number
        The last step, for the learner: its label says what is asked. It is worth nothing.
    key : float
        The right value of it.
    explain : str
        The last step with its numbers, in Markdown.

    Examples
    --------
    >>> from gainlib.exercises import Number
    >>> example = Worked(
    ...     "A bus peaks at +2.5 dBTP. By how much do all faders move for −6 dBTP?",
    ...     ("The move is the level you want minus the reading.",),
    ...     Number("Move of every fader", "dB", tolerance=0.05), -8.5, "−6 − 2.5 = −8.5 dB.",
    ... )
    >>> example.judge("-8,5"), example.judge(8.5), example.judge("loud")[0], example.judge("")[0]
    (('right', '−8.5 dB is right (−8.50 ± 0.05 dB).'), ('wrong', '8.5 dB is too high.'), 'invalid', 'unattempted')
    """

    question: str
    steps: tuple[str, ...]
    last: Number
    key: float
    explain: str

    def __post_init__(self):
        if not self.question.strip() or not self.steps or not all(step.strip() for step in self.steps):
            raise GainlibError("a worked example needs a question and at least one step")
        if not self.last.label.strip() or not self.explain.strip():
            raise GainlibError("a worked example needs a label for its last step, and an explanation of it")
        if self.judge(self.key)[0] != "right":
            raise GainlibError(f"{self.key} is no right answer to the last step of a worked example")

    def judge(self, answer: Any) -> tuple[str, str]:
        """Return what the learner's last step is ("unattempted", "invalid", "wrong" or "right"), and what to say."""
        if answer is None or not str(answer).strip():
            return "unattempted", "There is no answer yet."
        try:
            value = self.last.read(answer, {})
        except Unreadable as problem:
            return "invalid", str(problem)
        judgement = self.last.judge(value, self.key, {}, [value])
        return "right" if judgement.share >= 1 else "wrong", f"{judgement.feedback}."
