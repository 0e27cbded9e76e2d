"""Every answer of a class marked again, what its record says of it held against that, and whose answer it is.

Everybody has numbers of their own, so a copied answer is wrong for the one who copies and right for the other. It tells
where it was given after the other's, is right for nobody else in the class, is no round figure, and no mistake that
others make with numbers of their own. In one exercise it may still be chance; from three of one lab on it is named.
Lines that stand in two records are the other's only where their numbers, or what is right, are; else no direction is
named. What is reported is a reason to ask, not a proof.
"""

import json
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from gainlib import __version__
from gainlib.audio import GainlibError
from gainlib.exercises.bank import exercise
from gainlib.exercises.gradebook.submissions import Line, moment, same_json
from gainlib.exercises.marking import Verdict
from gainlib.exercises.practical import State
from gainlib.exercises.record import Who
from gainlib.exercises.tally import marked_again, numbers
from gainlib.exercises.text import shorten
from gainlib.words import number

FEWEST = 3
_HIGHEST = 1e9
_LOOKED_AHEAD = 5
_TOLD = 3
_FIGURES = ("points", "max_points", "state", "score")


@dataclass(frozen=True)
class Answer:
    """One answer of one learner, marked again.

    Attributes
    ----------
    who : tuple of str
        Class code and learner in normal form.
    exercise, attempt : str, int
        The question, and the set of numbers; 0 is the first.
    value : object
        The answer's JSON.
    given : dict
        The values this learner must have had.
    verdict : Verdict
        Before hints.
    line : Line
        Where it stands.
    """

    who: Who
    exercise: str
    attempt: int
    value: Any
    given: dict
    verdict: Verdict
    line: Line


@dataclass(frozen=True)
class Disagreement:
    """A line that says something else than what comes out when it is worked out again.

    Attributes
    ----------
    who : tuple of str
        Class code and learner in normal form.
    exercise : str
        Which exercise; empty where it is about none.
    line : Line
        Where it stands.
    sentence : str
        What disagrees.
    """

    who: Who
    exercise: str
    line: Line
    sentence: str


def mark_again(
    lines: Iterable[Line], name: Who, done: Callable[[], None] = lambda: None
) -> tuple[list[Answer], list[Disagreement]]:
    """Mark one learner's answers again, each for the values this learner must have had.

    `lines` are this learner's, about exercises there are, in the order of their time; `done` is called after every
    answer. Returned are the answers to sets of numbers there are, and what the lines say that cannot be; whose numbers
    they hold instead is looked up by :func:`whose`.
    """
    answers, disagreements = [], []
    for line in lines:
        event, id = line.event, line.event.get("exercise", "")
        found = [f"the time “{shorten(event['time'])}” is none"] if moment(event["time"]) is None else []
        if event["kind"] == "answer":
            answer = _marked(line, name)
            if isinstance(answer, str):
                found.append(answer)
            else:
                answers.append(answer)
                found += stored_figures(event, answer.verdict)
            done()
        disagreements += [Disagreement(line.who, id, line, sentence) for sentence in found]
    return answers, disagreements


def _marked(line, name):
    """Return the answer, or why it cannot be marked."""
    event = line.event
    if event["attempt"] < 0:
        return f"there are no numbers no. {event['attempt'] + 1}; the answer does not count"
    try:
        verdict, given = marked_again(event, name[1], name[0])
    except GainlibError as problem:
        return f"no numbers can be drawn ({problem}); the answer does not count"
    return Answer(line.who, event["exercise"], event["attempt"], event["answer"], given, verdict, line)


def stored_figures(event: dict, verdict: Verdict) -> list[str]:
    """Return a sentence for every verdict that stands in a record, where none belongs, and is not the marker's."""
    own = {"points": verdict.points, "max_points": verdict.max_points, "state": verdict.state, "score": verdict.points}
    wrong = [name for name in _FIGURES if name in event and not same_json(event[name], own[name])]
    return [f"stored {name} {shorten(event[name])}, marked {shorten(own[name])}" for name in wrong]


def strangers(answers: Iterable[Answer]) -> list[Answer]:
    """Return the answers whose stored values are not those that their learner must have had."""
    stored = ((each, each.line.event.get("given")) for each in answers)
    return [each for each, given in stored if given is not None and not same_values(given, each.given)]


def whose(answer: Answer, answers: Iterable[Answer], names: dict[Who, Who]) -> str:
    """Return what is wrong with the values beside one of the :func:`strangers`: whose they are, or how they differ."""
    stored = answer.line.event["given"]
    sentence = _of_others(answer, stored, answers, names) or _of_other_numbers(answer, stored, names[answer.who])
    sentence = sentence or _difference(stored, answer.given)
    version = answer.line.event.get("version")
    if isinstance(version, str) and version != __version__:
        sentence += f" (written by version {shorten(version)}, marked by {__version__})"
    return sentence


def same_values(one: Any, other: Any) -> bool:
    """Whether given values are the same as JSON, so that 2 is 2.0 and a tuple is a list."""
    return json.loads(json.dumps(one)) == json.loads(json.dumps(other))


def question(given: Any) -> Any:
    """Return given values without the number of the attempt: two with the same values pose the same question."""
    values = json.loads(json.dumps(given))
    return {name: value for name, value in values.items() if name != "attempt"} if isinstance(values, dict) else values


def _of_others(answer, stored, answers, names):
    for other in answers:
        same = other.exercise == answer.exercise and other.who != answer.who
        if same and question(other.given) == question(stored):
            return f"the stored numbers are those of {shown_name(names[other.who])}, no. {other.attempt + 1}"
    return ""


def _of_other_numbers(answer, stored, name):
    for attempt in range(_LOOKED_AHEAD + 1):
        given = numbers(answer.exercise, name[1], attempt, name[0])
        if attempt != answer.attempt and question(given) == question(stored):
            return f"the stored numbers are this learner's no. {attempt + 1}, the line says no. {answer.attempt + 1}"
    return ""


def _difference(stored, given):
    if not isinstance(stored, dict):
        return f"stored numbers {shorten(stored)}, which are none"
    fields = [
        name for name in (*given, *stored) if name not in stored or not same_values(stored[name], given.get(name))
    ]
    fields = list(dict.fromkeys(fields))
    told = [
        f"stored {shorten(name)} {_figure(stored, name)}, must be {_figure(given, name)}" for name in fields[:_TOLD]
    ]
    return "; ".join(told) + (f"; {len(fields) - _TOLD} more" if len(fields) > _TOLD else "")


def _figure(values, name):
    value = values.get(name)
    plain = isinstance(value, (int, float)) and not isinstance(value, bool)
    return "missing" if name not in values else number(value) if plain else shorten(value)


def shown_name(name: Who) -> str:
    """Return a learner as a sentence names them.

    Examples
    --------
    >>> shown_name(("7b", "anna")), shown_name(("", "ben"))
    ('anna (7b)', 'ben')
    """
    class_code, learner = name
    return f"{learner or 'no name'} ({class_code})" if class_code else learner or "no name"


# -------------------------------------------------------------------------------------------------------------- copies


@dataclass(frozen=True)
class Copied:
    """Two learners of whom one seems to have the other's answers.

    Attributes
    ----------
    who, source : tuple of str
        Class code and learner in normal form: whose record it is, and whose answers they are.
    exercises : tuple of str
        Exercises in which an answer is wrong for their own numbers, and the other's right one to the last decimal.
    lines : int
        Lines that stand in both records under one event number.
    """

    who: Who
    source: Who
    exercises: tuple[str, ...] = ()
    lines: int = 0

    def sentence(self, source: str) -> str:
        """Return what was found, with the other's name in it."""
        found = []
        if self.lines:
            found.append(f"{self.lines} lines have the event numbers of {source}")
        if self.exercises:
            listed = ", ".join(self.exercises)
            found.append(f"answers that are right for the numbers of {source}, not for their own: {listed}")
        return "; ".join(found)


Pair = tuple[Who, Who]


def copies(
    answers: Sequence[Answer], shared: Iterable[tuple[Line, Line]] = ()
) -> tuple[tuple[Copied, ...], tuple[Pair, ...]]:
    """Return who has whose answers, and pairs with lines in common of which nothing tells whose they are; both sorted.

    `answers` are a class's, marked again; `shared` the lines that stand under two names.
    """
    typed = {pair: ids for pair, ids in _typed(answers).items() if max(Counter(map(_lab, ids)).values()) >= FEWEST}
    lines, unclear = _taken_over(shared, answers)
    pairs = sorted({*typed, *lines})
    copied = tuple(Copied(*pair, tuple(sorted(typed.get(pair, ()))), lines.get(pair, 0)) for pair in pairs)
    return copied, tuple(sorted(unclear))


def _typed(answers) -> dict[Pair, set[str]]:
    """Return the exercises in which each pair (copier, source) has the same answer, right for the source only."""
    right: dict[tuple[str, str], dict[Who, Answer]] = {}
    for answer in answers:
        if answer.verdict.state == "right":
            right.setdefault(_same(answer), {}).setdefault(answer.who, answer)
    found: dict[Pair, set[str]] = {}
    for answer in answers:
        if answer.verdict.state in ("right", "unattempted") or answer.verdict.slips or not _tells(answer):
            continue
        owners = right.get(_same(answer), {})
        if len(owners) != 1:
            continue
        [other] = owners.values()
        if other.who != answer.who and question(other.given) != question(answer.given) and _after(answer, other):
            found.setdefault((answer.who, other.who), set()).add(answer.exercise)
    return found


def _after(answer, other):
    own, first = (moment(each.line.event["time"]) for each in (answer, other))
    return own is not None and first is not None and own > first


def _lab(id):
    return id.rpartition("-")[0]


def _same(answer):
    return answer.exercise, json.dumps(answer.value, sort_keys=True)


def _tells(answer):
    """Whether an answer holds a number or places of controls that are not whole or half: many settle on those.

    Neither does the same choice of a few tell anything.
    """
    asked = any(part.kind == "number" or isinstance(part, State) for part in exercise(answer.exercise).parts)
    return asked and any(not (2 * value).is_integer() for value in _numbers(answer.value))


def _numbers(value):
    if isinstance(value, dict | list):
        inner = value.values() if isinstance(value, dict) else value
        return [number for entry in inner for number in _numbers(entry)]
    plain = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < _HIGHEST
    return [float(value)] if plain else []


def _taken_over(shared, answers) -> tuple[dict[Pair, int], set[Pair]]:
    """Return how many lines each pair (copier, source) shares, and the pairs where nothing tells who is which.

    Only the shared lines count: who has more of their own beside them may be either.
    """
    at = {(answer.line.path, answer.line.number): answer for answer in answers}
    owned: dict[Pair, list[int]] = {}
    for pair in shared:
        one, other = (_owns(at.get((line.path, line.number))) for line in pair)
        names = (pair[0].who, pair[1].who)
        first = names[0] <= names[1]
        counts = owned.setdefault(names if first else names[::-1], [0, 0, 0])
        counts[2] += 1
        if one != other:
            counts[0 if (one > other) == first else 1] += 1
    lines, unclear = {}, set()
    for (one, other), (of_one, of_other, every) in owned.items():
        if bool(of_one) == bool(of_other):
            unclear.add((one, other))
        else:
            lines[(other, one) if of_one else (one, other)] = every
    return lines, unclear


def _owns(answer) -> bool:
    """Whether an answer is for its learner's own numbers, or, where none stand beside it, is right for them."""
    if answer is None:
        return False
    stored = answer.line.event.get("given")
    return answer.verdict.state == "right" if stored is None else same_values(stored, answer.given)
