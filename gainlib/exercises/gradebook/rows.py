"""Rows of the gradebook, one learner and one exercise each; and what an exercise was like for a class."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from statistics import correlation, fmean, pstdev

from gainlib.exercises.bank import exercise
from gainlib.exercises.classfile import Class
from gainlib.exercises.gradebook.circumstances import counting, date_notes
from gainlib.exercises.gradebook.lists import Listed
from gainlib.exercises.gradebook.marks import Answer
from gainlib.exercises.gradebook.submissions import Line, moment
from gainlib.exercises.model import Exercise
from gainlib.exercises.record import Events, Who
from gainlib.exercises.tally import is_practice, tally
from gainlib.exercises.variants import normal_form, seed_for

FEWEST = 10
EARLIER = "{} counted by the rule of an earlier version"
MANY_TRIES, MANY_SETS = 5, 3
SUMS = ("attempts", "hints", "tries", "spent", "shown")
"""What is added up over the spellings of a name."""
TRIED = "{} tries at one set of numbers"
SEARCHED = "{} sets of numbers tried and not solved"
FORMER = "{} to an earlier edition of the exercise, marked from the numbers written beside it"


@dataclass(frozen=True)
class Row:
    """One learner and one exercise.

    Attributes
    ----------
    learner, class_code, lab, exercise : str
        Who, as last written, and what.
    attempts, hints : int
        Sets of numbers answered, and hints opened.
    tries : int
        Readable answers, the same in a row once.
    spent, shown : int
        Sets of numbers that a third wrong choice ended, and whose solution was asked for.
    mastered : bool
        Whether two sets of numbers were solved unaided.
    points, max_points : float
        After hints and overrides, and possible.
    state : str
        Of the answer that counts, before overrides.
    first : str
        Of the first answer that could be marked; empty without one.
    time : str
        When the answer that counts was given, UTC.
    variant : str
        Code of the numbers it was given for; without one, of the first.
    notes : tuple of str
        What a teacher should know.
    slips : tuple of str
        Names of the mistakes recognised in any answer.
    parts : tuple of (str, str, float, float)
        Of the answer that counts, before hints: label, state, points and possible points of each part.
    """

    learner: str
    class_code: str
    lab: str
    exercise: str
    attempts: int
    hints: int
    points: float
    max_points: float
    state: str
    first: str = ""
    time: str = ""
    variant: str = ""
    notes: tuple[str, ...] = ()
    tries: int = 0
    spent: int = 0
    shown: int = 0
    mastered: bool = False
    slips: tuple[str, ...] = ()
    parts: tuple[tuple[str, str, float, float], ...] = ()

    @property
    def who(self) -> Who:
        """Class code and learner in normal form."""
        return normal_form(self.class_code), normal_form(self.learner)

    @property
    def counts(self) -> bool:
        """Whether there is an answer that counts."""
        return self.state in ("wrong", "partly", "right")


def learner_rows(
    lines: Sequence[Line],
    name: Who,
    answers: Sequence[Answer],
    chosen: Sequence[Exercise],
    most: int | None = None,
    course: Class | None = None,
) -> list[Row]:
    """Return one learner's rows; answers that could not be marked are left out of the count."""
    class_code, learner = name
    fit = {id(answer.line) for answer in answers}
    events = tuple(line.event for line in lines if line.event["kind"] != "answer" or id(line) in fit)

    def scores(events, lab=None, most=most):
        return tally(Events(tuple(events)), learner, class_code, lab=lab, most=most).scores

    found, noted = scores(events), {}
    for lab in {each.lab for each in chosen} & {*(course.deadlines if course else ())}:
        own, in_time = counting(events, course, lab)
        limit = None if course.exam is not None and course.exam.lab == lab else most
        counted = scores(own, lab, limit)
        by_then = scores(in_time, lab, limit) if len(in_time) < len(own) else counted
        found |= counted
        noted |= {id: date_notes(events, course, score, by_then[id]) for id, score in counted.items()}
    return [_row(found[each.id], each, name, answers, noted.get(each.id, ())) for each in chosen]


def _row(score, exercise, name, answers, dated=()):
    class_code, learner = name
    own = [each for each in answers if each.exercise == exercise.id and not is_practice(exercise, each.line.event)]
    states = [answer.verdict.state for answer in own]
    counted = {each: getattr(score, each) for each in (*SUMS, "points", "max_points", "state", "mastered")}
    return Row(
        *(learner, class_code, exercise.lab, exercise.id),
        **counted,
        first=next((state for state in states if state not in ("invalid", "unattempted")), ""),
        time=_utc(score.time),
        variant=variant_code(learner, exercise.id, score.attempt or 0, class_code),
        notes=(*dated, *_notes(score), *_remarks(exercise, own)),
        slips=tuple(dict.fromkeys(slip for each in own for slip in each.verdict.slips)),
        parts=_parts(exercise, own, score),
    )


def _parts(exercise, own, score):
    """Return the parts of the answer that counts; none where several together count."""
    said = {"time": score.time, "attempt": score.attempt}
    counts = next((each for each in own if score.time and said.items() <= each.line.event.items()), None)
    if counts is None:
        return ()
    pairs = zip(exercise.parts, counts.verdict.parts, strict=False)
    return tuple((part.label_for(counts.given), mark.state, mark.points, part.points) for part, mark in pairs)


def _notes(score):
    """Yield what the rule of points has to say of a score."""
    asked = exercise(score.exercise)
    if score.earlier and not asked.series:
        told = "; the one that counts came after that had named the right value" if score.told else ""
        yield EARLIER.format(_answers(score.earlier)) + told
    if not asked.series or all(part.chosen for part in asked.parts):
        if score.most >= MANY_TRIES:
            yield TRIED.format(score.most)
        if score.missed >= MANY_SETS:
            yield SEARCHED.format(score.missed)
    if score.former:
        yield FORMER.format(_answers(score.former))


def _remarks(exercise, own):
    """Return what the parts have to say of answers that earned something."""
    earning = [each.verdict.values for each in own if each.verdict.points]
    pairs = [pair for values in earning for pair in zip(exercise.parts, values, strict=False) if pair[1] is not None]
    return dict.fromkeys(said for part, value in pairs if (said := part.remark(value)))


def _answers(count):
    return "1 answer is" if count == 1 else f"{count} answers are"


def variant_code(learner: str, exercise: str, attempt: int = 0, class_code: str = "") -> str:
    """Return the seed of a set of numbers in a form that a spreadsheet leaves alone.

    Examples
    --------
    >>> variant_code("anna", "05-1", 0, "7b")
    '75d6-becf-ed16-c8ee'
    """
    digits = f"{seed_for(learner, exercise, attempt, class_code):016x}"
    return "-".join(digits[start : start + 4] for start in range(0, 16, 4))


def _utc(time):
    seconds = moment(time) if time else None
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%SZ}" if seconds is not None else ""


def absent_rows(listed: Listed, chosen: Sequence[Exercise]) -> Iterator[Row]:
    """Yield the rows of somebody without a record."""
    class_code = listed.class_code or ""
    for each in chosen:
        code = variant_code(listed.learner, each.id, 0, class_code) if listed.class_code is not None else ""
        empty = (0, 0, 0.0, each.points, "unattempted")
        notes = ("nothing handed in",)
        yield Row(listed.learner, class_code, each.lab, each.id, *empty, variant=code, notes=notes)


def merged(rows: Iterable[Row], person: Mapping[Who, Who]) -> list[Row]:
    """Return a row for each learner and exercise; of several spellings the best counts, and a note says so."""
    groups: dict[tuple[Who, str], list[Row]] = {}
    for row in rows:
        groups.setdefault((person[row.who], row.exercise), []).append(row)
    return [_one(own, name) for (name, _), own in groups.items()]


def _one(own: Sequence[Row], name):
    best = max(own, key=lambda row: (row.points, row.counts))
    others = [_other(row, best) for row in own if row is not best and row.tries]
    notes = (f"also answered {', '.join(others)}; the best counts",) if others else ()
    sums = {each: sum(getattr(row, each) for row in own) for each in SUMS}
    slips = tuple(dict.fromkeys(slip for row in own for slip in row.slips))
    once = {"mastered": any(row.mastered for row in own), "slips": slips, "notes": (*best.notes, *notes)}
    return replace(best, class_code=name[0], learner=name[1], **sums, **once)


def _other(row, best):
    if row.class_code != best.class_code and row.learner == best.learner:
        return f"with class code “{row.class_code}”" if row.class_code else "without a class code"
    return f"as “{row.learner}”"


# ----------------------------------------------------------------------------------------------------------- exercises


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
    tries : float or None
        Mean number of tries among those who tried.
    slips : tuple of (str, int)
        Names of the mistakes recognised and how many learners made each, the commonest first.
    """

    exercise: str
    tried: int
    right: int
    facility: float | None
    first: float | None
    discrimination: float | None
    tries: float | None = None
    slips: tuple[tuple[str, int], ...] = ()


def items(rows: Sequence[Row], order: Sequence[str]) -> tuple[Item, ...]:
    """Return the figures of every exercise, in the order of their ids.

    Facility is the mean mark over the highest mark, discrimination the correlation of item and rest; both are the
    textbook definitions (from memory: Crocker and Algina, Introduction to classical and modern test theory, 1986,
    chapter 14).
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
    tries = fmean(row.tries for row in tried) if tried else None
    slips = Counter(slip for row in tried for slip in row.slips).most_common()
    return Item(id, len(tried), right, facility, first, _discrimination(id, own, shares), tries, tuple(slips))


def _discrimination(id, own, shares):
    pairs = []
    for who, share in own.items():
        rest = [each[who] for other, each in shares.items() if other != id and who in each]
        if rest:
            pairs.append((share, fmean(rest)))
    if len(pairs) < FEWEST or any(pstdev(side) < 1e-9 for side in zip(*pairs, strict=True)):
        return None
    return correlation(*zip(*pairs, strict=True))
