"""What a plan is made of: moves with their reasons, warnings, checks of the result; and a hand's work against it.

A plan starts from what it finds: made of a session that somebody has set already, its moves are the differences. The
common move of the bus is one decision and not one for each strip; it is taken off the output trims before they are
compared.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace

from gainlib.session import Session
from gainlib.words import number

Progress = Callable[[str, int, int], None]
"""Called with a label, the steps done and the steps in all."""
LIMIT_DB = 1.0
FIELDS = {"trim": "trim_db", "output trim": "post_trim_db", "fader": "fader_db"}
"""Controls that every channel has, as moves and as sessions call them."""
REASONS = (
    "the plan is right; I had missed it",
    "I go by another meter, or by peaks",
    "this box gets another level from me, on purpose",
    "I did the same with another control",
    "my ears want it so",
)
"""Why a control may stand elsewhere; common practice, no source."""


@dataclass(frozen=True)
class Move:
    """One control to set.

    Attributes
    ----------
    strip : str
        Strip, group, or "master".
    control : str
        "trim", "insert 1 in", "insert 1 out", "output trim", "fader", "send NAME", "insert 1 threshold", "DC block".
    before_db, after_db : float
        Settings in dB; 0 and 1 for a switch.
    reason : str
        Why, in plain words.
    """

    strip: str
    control: str
    before_db: float
    after_db: float
    reason: str

    @property
    def change_db(self) -> float:
        """How far the control moves."""
        return self.after_db - self.before_db

    @property
    def place(self) -> str:
        """Where on a mixer the control sits."""
        match self.control.split(" "):
            case ["insert", number, ("in" | "out") as end]:
                return f"{'ahead of' if end == 'in' else 'behind'} processor {number}"
            case ["trim"] | ["DC", "block"]:
                return "before the first processor"
            case ["output", "trim"]:
                return "after the last processor, ahead of the fader and of every send"
            case ["fader"]:
                return "the fader itself"
            case ["send", *_]:
                return "the send's own level"
        return "on the processor itself"


@dataclass(frozen=True)
class Check:
    """One thing a plan must keep, as measured on the rendered result.

    Attributes
    ----------
    name : str
    measured, low, high : float
    unit : str
    basis : {"known", "measured", "told"}
        What stands on the way: nothing but what runs here, boxes that were measured, or one that nobody measured.
    """

    name: str
    measured: float
    low: float
    high: float
    unit: str = "dB"
    basis: str = "known"

    @property
    def passed(self) -> bool:
        """Whether it is kept."""
        return self.low <= self.measured <= self.high

    def __str__(self):
        verdict = "kept" if self.passed else "missed"
        measured, low, high = (number(value, 2) for value in (self.measured, self.low, self.high))
        rests = {"known": "", "measured": ", as boxes were measured", "told": ", if what was told of boxes is right"}
        return f"{self.name}: {measured} {self.unit} (target {low} to {high}): {verdict}{rests[self.basis]}"


@dataclass(frozen=True)
class Verification:
    """A full render of the planned session, measured.

    Attributes
    ----------
    checks : tuple of Check
    readings : dict of (str, int) to float
        The average at the input of each processor by strip, group or "bus" and its place, in dBFS, by the plan's meter.
    """

    checks: tuple[Check, ...]
    readings: Mapping[tuple[str, int], float] = field(default_factory=dict)

    @property
    def passed(self) -> bool:
        """Whether every check is kept."""
        return all(check.passed for check in self.checks)

    @property
    def missed(self) -> tuple[Check, ...]:
        """The checks that are not kept."""
        return tuple(check for check in self.checks if not check.passed)

    @property
    def told(self) -> tuple[Check, ...]:
        """The checks that hold only if what was told of a box, and never measured, is right."""
        return tuple(check for check in self.checks if check.basis == "told")

    @property
    def verdict(self) -> str:
        """What may be said of the whole: "verified" only where all on the way is known or measured.

        Examples
        --------
        >>> Verification((Check("bus", -6.0, -6.05, -6.0),)).verdict
        'verified'
        >>> Verification((Check("bus", -6.0, -6.05, -6.0, basis="told"),)).verdict
        'kept, not verified: 1 of 1 checks rests on boxes that were not measured'
        """
        if not self.passed:
            return "not verified"
        if not self.told:
            return "verified"
        rest = "checks rests" if len(self.told) == 1 else "checks rest"
        return f"kept, not verified: {len(self.told)} of {len(self.checks)} {rest} on boxes that were not measured"


@dataclass(frozen=True)
class Plan:
    """Where to set what, and why.

    Attributes
    ----------
    session : Session
        The session with every move made.
    moves : tuple of Move
    warnings : tuple of str
        What the plan cannot cure, or did with a price; each names its strip.
    advice : tuple of str
        Moves that would change the balance; never applied.
    verification : Verification
    policy : str
        "restage" or "keep".
    offset_db : float
        The common move of everything that reaches the bus.
    """

    session: Session
    moves: tuple[Move, ...]
    warnings: tuple[str, ...]
    advice: tuple[str, ...]
    verification: Verification
    policy: str
    offset_db: float


def said_once(moves: Iterable[Move]) -> list[tuple[tuple[str, ...], Move, str]]:
    """Return moves that are equal but for their strip as one: the strips, the first of the moves, the reason.

    Examples
    --------
    >>> both = [Move(name, "fader", -9.0, 0.0, f"{name}: fader to unity") for name in ("kick", "hat")]
    >>> [(strips, reason) for strips, _, reason in said_once(both)]
    [(('kick', 'hat'), 'Fader to unity')]
    """
    found = {}
    for move in moves:
        reason = move.reason.removeprefix(f"{move.strip}: ")
        found.setdefault((move.control, round(move.change_db, 1), reason), []).append(move)
    return [
        (tuple(move.strip for move in equal), equal[0], reason[:1].upper() + reason[1:])
        for (_, _, reason), equal in found.items()
    ]


# ---- staged by hand against the plan ---------------------------------------------------------------------------------


def gaps(plan: Plan) -> tuple[Move, ...]:
    """Return what separates a session that somebody has staged by hand from the plan made of it, the largest gap first.

    These are the plan's moves beyond a limit, without the common move of the bus, and without switches.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> from gainlib.session import Session, Strip
    >>> from gainlib.mix import plan
    >>> tone = Audio(0.1 * np.sin(np.arange(48000) * 0.1), 48000)
    >>> by_hand = Session([Strip("kick", tone), Strip("bass", tone, fader_db=-12.0)])
    >>> sorted((gap.strip, gap.control, round(gap.change_db)) for gap in gaps(plan(by_hand)))
    [('bass', 'fader', 12), ('bass', 'output trim', -12)]
    """
    found = []
    for move in plan.moves:
        common = plan.offset_db if move.control == "output trim" else 0.0
        gap = replace(move, after_db=move.after_db - common)
        if move.control != "DC block" and abs(gap.change_db) > LIMIT_DB:
            found.append(gap)
    return tuple(sorted(found, key=lambda gap: -abs(gap.change_db)))
