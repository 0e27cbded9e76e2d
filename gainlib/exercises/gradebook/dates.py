"""What a class file's dates make of a record: answers after a deadline, and what was done in an exam or outside it."""

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from gainlib.exercises.classfile import Class, Exam
from gainlib.exercises.gradebook.marks import shown_name
from gainlib.exercises.gradebook.submissions import Line, moment
from gainlib.exercises.sets import is_exam
from gainlib.levels.printing import number
from gainlib.words import count

Who = tuple[str, str]
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
        if line.event["kind"] == "sitting" and line.event["attempt"] == exam.numbers:
            steps[line.who].append(line.event)
        answers[line.who] += line.event["kind"] == "answer" and _of(line.event, exam)
    return tuple(f"{shown_name(names[who])}: {_sitting(own, exam, answers[who])}" for who, own in steps.items())


def _of(event, exam):
    return is_exam(event) and event["attempt"] == exam.numbers and event["exercise"].rpartition("-")[0] == exam.lab


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
