"""What the lines of records tell besides marks: by a class file's dates, and by links, clocks, pace and class codes.

Figures, never a judgement. A link shows that a line before it is gone or was changed, by hand or by a fault of a disk;
whoever can program writes all of them anew. So what is noted is a reason to ask, and its absence proves nothing.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from gainlib.exercises.classfile import Class, Exam, arrived
from gainlib.exercises.gradebook.marks import Answer, shown_name
from gainlib.exercises.gradebook.submissions import HandedIn, Line, moment
from gainlib.exercises.record import Who, link
from gainlib.exercises.text import shorten
from gainlib.exercises.variants import normal_form
from gainlib.words import count, number

FEWEST, FASTEST_S = 10, 1.5
"""So many right answers, each this soon after the one before: who has filled in a whole page needs longer to press."""
BACK_S = 3 * 3600.0
"""Clocks of two systems on one computer often differ by an hour or two, those of two computers by minutes."""
AHEAD_S = 24 * 3600.0
"""A clock set for another time zone is off by less."""


def circumstances(
    handed: HandedIn, answers: Sequence[Answer], course: Class | None = None, now: float | None = None
) -> list[tuple[Who, str]]:
    """Return a sentence a case: whose record it is, and what its lines tell, whatever lab they are about.

    `now` is the time of the marking, in seconds since 1970; this very time if left out.
    """
    now = datetime.now(UTC).timestamp() if now is None else now
    linked = {link(line.event): line for line in (*(other for _, other in handed.rewritten), *handed.lines)}
    lines: dict[Who, list[Line]] = {}
    right: dict[Who, list[Line]] = {}
    for line in handed.lines:
        lines.setdefault(line.who, []).append(line)
    for answer in answers:
        if answer.verdict.state == "right":
            right.setdefault(answer.who, []).append(answer.line)
    found = []
    for who, own in lines.items():
        said = (*_links(own, linked), *_clocks(own, linked, now), *_pace(right.get(who, [])))
        said = (*said, *_begun_anew(own, linked), *_code(own, course))
        found += [(who, sentence) for sentence in said]
    return found


def _links(own, linked) -> Iterator[str]:
    loose = [line for line in own if line.event.get("after") and str(line.event["after"]) not in linked]
    if loose:
        yield f"lines are missing or were changed in {count(len(loose), 'place')}, the first right before [{loose[0]}]"
    first = min((_at(line) for line in own if "after" in line.event), default=math.inf)
    bare = [line for line in own if "after" not in line.event and _at(line) > first + BACK_S]
    if bare:
        yield f"{_lines(bare)} without a link later than others that have one, as an earlier version writes [{bare[0]}]"


def _clocks(own, linked, now) -> Iterator[str]:
    before = ((linked.get(str(line.event.get("after"))), line) for line in own)
    back = [(_at(one) - _at(line), line) for one, line in before if one and _at(line)]
    most, line = max(back, key=lambda each: each[0], default=(0.0, None))
    if most > BACK_S:
        yield f"the time goes back {most / 3600:.1f} h, as where a clock is set or two computers differ [{line}]"
    handed = {path: min(now, arrived(path)) for path in {line.path for line in own}}
    ahead = [line for line in own if _at(line) > handed[line.path] + AHEAD_S]
    if ahead:
        what = "marking" if _at(ahead[-1]) > now else "hand-in"
        yield f"{_lines(ahead)} dated after the {what}, the last {_when(_at(ahead[-1]))} [{ahead[-1]}]"


def _pace(right) -> Iterator[str]:
    """Yield the longest run of answers right, of each set of numbers once, that came sooner than a hand can press."""
    once = {(line.event["exercise"], line.event["attempt"]): line for line in reversed(right)}
    times = sorted(filter(None, map(_at, once.values())))
    runs: list[tuple[int, int]] = []
    for first in range(len(times) - FEWEST + 1):
        last = first + FEWEST - 1
        if times[last] - times[first] < FASTEST_S * (FEWEST - 1):
            begun = runs.pop()[0] if runs and runs[-1][1] >= first else first
            runs.append((begun, last))
    if runs:
        first, last = max(runs, key=lambda run: run[1] - run[0])
        yield f"{last - first + 1} right answers in {times[last] - times[first]:.0f} s, from {_when(times[first])}"


def _begun_anew(own, linked) -> Iterator[str]:
    """Yield how many sets of numbers were answered in two records that stand in no file together."""
    begins: dict[int, int] = {}
    files: dict[int, set[Path]] = {}
    answered: dict[tuple[str, int], set[int]] = {}
    for line in own:
        before = linked.get(str(line.event.get("after")))
        begin = begins[id(line)] = begins.get(id(before), id(line) if line.event.get("after") == "" else 0)
        files.setdefault(begin, set()).add(line.path)
        if line.event["kind"] == "answer" and begin:
            answered.setdefault((line.event["exercise"], line.event["attempt"]), set()).add(begin)
    apart = [each for each in answered.values() if len(each) > 1 and not set.intersection(*map(files.get, each))]
    if apart:
        sets = f"{count(len(apart), 'set')} of numbers answered anew in another record"
        yield f"{sets}, as on two computers, or by two learners of one name"


def _code(own, course) -> Iterator[str]:
    code = own[-1].event["class_code"]
    answers = sum(line.event["kind"] == "answer" for line in own)
    if course and answers and course.is_for(code) and normal_form(course.typed) != normal_form(code):
        numbers = f"the numbers of class code “{shorten(code)}”"
        yield f"{count(answers, 'answer')} to {numbers}; that of the class is {course.typed}"


def _lines(lines):
    return count(len(lines), "line")


def _at(line):
    return moment(line.event["time"]) or 0.0


def _when(seconds):
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%d %H:%M:%S} UTC"


# -------------------------------------------------------------------------------------------------- deadlines and exams


OUTSIDE = "{} outside the exam, not counted"


def counting(events: Sequence[dict], course: Class, lab: str) -> tuple[list[dict], list[dict]]:
    """Return a learner's events that count for a lab, and those of them that were in time.

    In the lab of the exam the numbers of the exam alone count.
    """
    own = [each for each in events if not _elsewhere(each, course, lab)]
    in_time = [each for each in own if not late_h(each.get("time", ""), course, lab)]
    return (in_time if course.late == "drop" else own), in_time


def late_h(time: str, course: Class, lab: str) -> int:
    """Return by how many hours, begun ones included, a time is after the deadline of a lab, or before its exam."""
    at, deadline, exam = moment(time), course.deadlines.get(lab), course.exam
    if at is None or deadline is None:
        return 0
    early_s = exam.opens.timestamp() - at if exam and exam.lab == lab else 0.0
    return math.ceil(max(at - deadline.timestamp(), early_s, 0.0) / 3600)


def date_notes(events: Sequence[dict], course: Class, score, in_time) -> tuple[str, ...]:
    """Return what the dates have to say of one exercise: `score` is what counts, `in_time` what the deadline saw."""
    lab = score.exercise.rpartition("-")[0]
    answers = [each for each in events if each.get("exercise") == score.exercise and each["kind"] == "answer"]
    own, notes = [each for each in answers if not _elsewhere(each, course, lab)], []
    late = [hours for each in own if (hours := late_h(each["time"], course, lab))]
    by_then = f"; {number(in_time.points)} of {number(in_time.max_points)} by then"
    if course.late == "note" and score.time and (hours := late_h(score.time, course, lab)):
        notes.append(f"late by {hours} h{by_then}")
    elif course.late == "drop" and late:
        notes.append(f"late by {min(late)} h, not counted")
    if course.exam and course.exam.lab == lab:
        opened = course.exam.opens.timestamp()
        outside = sum(_elsewhere(each, course, lab) and (moment(each["time"]) or 0) >= opened for each in answers)
        notes += [OUTSIDE.format(count(outside, "answer"))] if outside else []
    return tuple(notes)


def _elsewhere(event, course, lab):
    """Whether an event is about other numbers of the exam's lab than the exam's."""
    exam = course.exam
    here = exam is not None and exam.lab == lab and event.get("exercise", "").rpartition("-")[0] == lab
    return here and event.get("attempt") != exam.numbers


def sittings(lines: Iterable[Line], exam: Exam, names: Mapping[Who, Who]) -> tuple[str, ...]:
    """Return a sentence for every learner: when the sitting began and ended, as the record tells."""
    steps: dict[Who, list[dict]] = {who: [] for who in names}
    answers = dict.fromkeys(names, 0)
    for line in lines:
        event = line.event
        if event["kind"] not in ("sitting", "answer") or event["attempt"] != exam.numbers:
            continue
        if event["kind"] == "sitting":
            steps[line.who].append(event)
        else:
            answers[line.who] += event["exercise"].rpartition("-")[0] == exam.lab
    return tuple(f"{shown_name(names[who])}: {_sitting(own, exam, answers[who])}" for who, own in steps.items())


def _sitting(own, exam, answers):
    begun = [each["time"] for each in own if each["step"] == "begin"]
    ended = [each["time"] for each in own if each["step"] == "end"]
    answered = count(answers, "answer")
    if not begun:
        return f"no sitting begun, {answered}"
    again = f", begun {len(begun)} times" if len(begun) > 1 else ""
    end = f"to {_clock(max(ended), exam)}" if ended else "on, no end written"
    return f"from {_clock(min(begun), exam)} {end}, {answered}{again}"


def _clock(time, exam):
    at = moment(time)
    return time if at is None else f"{datetime.fromtimestamp(at, exam.opens.tzinfo):%Y-%m-%d %H:%M}"
