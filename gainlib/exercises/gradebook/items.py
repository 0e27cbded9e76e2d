"""What an exercise was like for a class: how many tried it, how hard it was, and whether it tells learners apart."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import correlation, fmean, pstdev

from gainlib.exercises.gradebook.rows import Row

FEWEST = 10


@dataclass(frozen=True)
class Item:
    """Figures of one exercise over a class.

    Attributes
    ----------
    exercise : str
        Its id.
    tried, right : int
        Learners with an answer that counts, and with one that is right.
    facility : float or None
        Mean share of the points among those who tried; 1 is easy, 0 is hard. None where nobody tried.
    first : float or None
        Share of those who tried whose first answer was right.
    discrimination : float or None
        Correlation of the share in this exercise with the mean share in all others a learner tried. High: who is good
        at the rest is good at this. None with fewer than ten learners, or where all have the same.
    """

    exercise: str
    tried: int
    right: int
    facility: float | None
    first: float | None
    discrimination: float | None


def items(rows: Sequence[Row], order: Sequence[str]) -> tuple[Item, ...]:
    """Return the figures of every exercise.

    Facility is the mean mark over the highest mark, discrimination the correlation of item and rest; both are the
    textbook definitions (from memory: Crocker and Algina, Introduction to classical and modern test theory, 1986,
    chapter 14).

    Parameters
    ----------
    rows : sequence of Row
        One a learner and exercise.
    order : sequence of str
        Ids of the exercises.

    Returns
    -------
    tuple of Item
        In that order.
    """
    shares: dict[str, dict] = {id: {} for id in order}
    for row in rows:
        if row.exercise in shares and row.counts:
            shares[row.exercise][row.learner, row.class_code] = row.points / row.max_points
    return tuple(_item(id, shares, [row for row in rows if row.exercise == id and row.counts]) for id in order)


def _item(id, shares, tried):
    own = shares[id]
    right = sum(row.state == "right" for row in tried)
    facility = fmean(own.values()) if own else None
    first = fmean(row.first == "right" for row in tried) if tried else None
    return Item(id, len(tried), right, facility, first, _discrimination(id, own, shares))


def _discrimination(id, own, shares):
    pairs = []
    for who, share in own.items():
        rest = [each[who] for other, each in shares.items() if other != id and who in each]
        if rest:
            pairs.append((share, fmean(rest)))
    if len(pairs) < FEWEST or any(pstdev(side) < 1e-9 for side in zip(*pairs, strict=True)):
        return None
    return correlation(*zip(*pairs, strict=True))
