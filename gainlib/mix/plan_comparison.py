"""Staged by hand against the plan: where a plan made of a session that somebody has set already would set it otherwise.

A plan starts from what it finds, so its moves are the differences. The common move of the bus is one decision and not
one for each strip; it is taken off the output trims before they are compared.
"""

from dataclasses import dataclass

from gainlib.mix.moves import Plan

LIMIT_DB = 1.0
REASONS = (
    "the plan is right; I had missed it",
    "I go by another meter, or by peaks",
    "this box gets another level from me, on purpose",
    "I did the same with another control",
    "my ears want it so",
)
"""Why a control may stand elsewhere; common practice, no source."""


@dataclass(frozen=True)
class PlanDifference:
    """A control that stands elsewhere than the plan has it.

    Attributes
    ----------
    strip, control : str
    by_hand, planned : float
        The settings, in dB, without the common move of the bus.
    """

    strip: str
    control: str
    by_hand: float
    planned: float

    @property
    def off_db(self) -> float:
        """How far the hand is above the plan."""
        return self.by_hand - self.planned


def gaps(plan: Plan, limit_db: float = LIMIT_DB) -> tuple[PlanDifference, ...]:
    """Return where a plan differs from what it found by more than a limit, the largest difference first.

    Parameters
    ----------
    plan : Plan
        Made of a session as somebody has staged it by hand.
    limit_db : float

    Returns
    -------
    gaps : tuple of PlanDifference
        Switches are left out.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> from gainlib.session import Session, Strip
    >>> from gainlib.mix import plan
    >>> tone = Audio(0.1 * np.sin(np.arange(48000) * 0.1), 48000)
    >>> by_hand = Session([Strip("kick", tone), Strip("bass", tone, fader_db=-12.0)])
    >>> sorted((gap.strip, gap.control, round(gap.off_db)) for gap in gaps(plan(by_hand)))
    [('bass', 'fader', -12), ('bass', 'output trim', 12)]
    """
    found = []
    for move in plan.moves:
        if move.control == "DC block":
            continue
        common = plan.offset_db if move.control == "output trim" else 0.0
        gap = PlanDifference(move.strip, move.control, move.before_db, move.after_db - common)
        if abs(gap.off_db) > limit_db:
            found.append(gap)
    return tuple(sorted(found, key=lambda gap: -abs(gap.off_db)))
