"""Records written by an earlier version are marked as that version marked them.

`records/*.jsonl` were written by version 0.1.0 (commit b1293ef) for three invented learners: right answers, usual
mistakes, answers partly right, unreadable or empty, hints, new and practised numbers, whole sessions, and numbers that
were not the learner's. `verdicts.csv` and `tallies.csv` hold what the same version made of them.
"""

from functools import cache
from pathlib import Path

import pytest
from school import rows_of

from gainlib.exercises import bank, exercise, read_events, tally
from gainlib.exercises.tally import marked_again

RECORDS = Path(__file__).parent / "records"
LEARNERS = [("Odile Brack", ""), ("Pim Vasko", "2C"), ("Þóra Ñuin", "")]
WHOLE_SONG = {"12-3", "12-5"}
"""Only one learner answered these; to mark one takes seconds."""
WHO_MIXED = "Pim Vasko"
LABS = ("00", "02", "05", "06", "07", "08", "09", "12")
"""All that the earlier version had; labs that came later are not in its records."""
FOREIGN = {
    "Odile Brack": ("00-4", "02-4", "05-4", "06-4", "07-4", "08-4", "09-4"),
    "Pim Vasko": ("00-2", "02-2", "05-2", "06-2", "07-2", "08-2", "09-2", "12-2"),
    "Þóra Ñuin": ("00-6", "02-6", "05-6", "06-6", "07-6", "08-6", "09-6"),
}
"""Where one line holds numbers that were not the learner's. Once an exercise is drawn in another way, nobody can tell
any more: the line is marked from the numbers it holds, and the gradebook says so."""
QUICK = sorted({each.id for each in bank() if each.lab in LABS} - {"12-3", "12-4", "12-5", "12-6"})


@cache
def events():
    return read_events(*sorted(RECORDS.glob("*.jsonl")))


@cache
def rows(name):
    return rows_of(RECORDS / f"{name}.csv")


def verdict_now(event):
    verdict, _ = marked_again(event, event["learner"], event["class_code"])
    parts = " ".join(part.state for part in verdict.parts)
    return (event["id"], verdict.state, f"{verdict.points:.6f}", parts)


def assert_marked_as_before(exercises):
    then = {row["id"]: row for row in rows("verdicts") if row["exercise"] in exercises}
    now = [each for each in events().events if each["kind"] == "answer" and each["exercise"] in exercises]
    assert {each["exercise"] for each in now} == set(exercises) and len(now) == len(then)
    for event in now:
        if not can_be_told(event["exercise"], event["learner"]):
            continue
        before = then[event["id"]]
        assert verdict_now(event) == tuple(before[name] for name in ("id", "state", "points", "parts")), event


def can_be_told(id, learner):
    return id not in FOREIGN[learner] or exercise(id).edition == 1


def written(value):
    return f"{value:.6f}" if isinstance(value, float) else "" if value is None else str(value)


def assert_counted_as_before(learner, class_code, lab):
    scores = tally(events(), learner, class_code, lab=lab).scores
    counted = 0
    for row in rows("tallies"):
        who, then = (row["learner"], row["class_code"]), dict(list(row.items())[2:])
        if who == (learner, class_code) and row["exercise"] in scores:
            counted += 1
            if not can_be_told(row["exercise"], learner):
                assert scores[row["exercise"]].former == int(row["answers"])
                continue
            assert {name: written(getattr(scores[row["exercise"]], name)) for name in then} == then
    assert counted == 6


def test_every_line_is_read():
    assert not events().damaged
    assert {each["exercise"] for each in events().events if each["kind"] == "answer"} == {*QUICK, *WHOLE_SONG}
    wanted = {(class_code.casefold(), learner.casefold()) for learner, class_code in LEARNERS}
    assert set(events().learners()) == wanted
    assert sum(each["kind"] == "prediction" for each in events().events) == 8 * len(LEARNERS)


@pytest.mark.parametrize("id", QUICK)
def test_an_answer_is_marked_as_before(id):
    assert_marked_as_before({id})


@pytest.mark.parametrize("lab", LABS[:-1])
@pytest.mark.parametrize(("learner", "class_code"), LEARNERS)
def test_points_are_counted_as_before(learner, class_code, lab):
    assert_counted_as_before(learner, class_code, lab)


def test_points_of_the_capstone_are_counted_as_before():
    for learner, class_code in LEARNERS:
        if learner != WHO_MIXED:
            assert_counted_as_before(learner, class_code, "12")


@pytest.mark.exhaustive
def test_a_mix_of_the_whole_song_is_marked_as_before():
    assert_marked_as_before(WHOLE_SONG)
    assert_counted_as_before(WHO_MIXED, "2C", "12")
