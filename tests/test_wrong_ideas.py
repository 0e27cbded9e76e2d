"""No wrong idea is rewarded: the tempting wrong methods of each exercise are tried on many learners.

`wrong_ideas/labNN.py` holds them, beside the slips that the exercises declare themselves. What a method gets right by
chance may be one learner in fifty (of forty, one). And every exercise can be drawn for everybody. With --all that
is 200 learners and 2,000 draws, but for 12-3 and 12-4, where marking one learner renders the whole song: ten learners
there. `-s` prints the rates.
"""

import importlib
import pkgutil
from functools import cache

import pytest
import wrong_ideas
from daily import everything
from shares import WAYS, shares

from gainlib.exercises import bank, mark
from gainlib.exercises.model import nothing
from gainlib.words import number_text

BANK = {each.id: each for each in bank()}
MOST = 0.02
IDEAS = [
    pytest.param(id, name, answer, id=f"{id} {name}", marks=[pytest.mark.exhaustive] * (id[:2] == "12"))
    for found in sorted(each.name for each in pkgutil.iter_modules(wrong_ideas.__path__))
    for id, methods in importlib.import_module(f"wrong_ideas.{found}").WRONG.items()
    for name, answer in methods.items()
]
MEASURED = {each.id for each in BANK.values() if each.material is not nothing or not all(p.keyed for p in each.parts)}


WHOLE_SONG = {"12-3": 10, "12-4": 10}
"""Learners tried where an answer takes seconds to mark."""


def learners(id, by_day, of_all):
    """Return how many learners are tried: by day a tenth where something is rendered."""
    return of_all if everything() else max(2, by_day // 10) if id in MEASURED else by_day


@cache
def given_to(id, index):
    return BANK[id].variant(f"pupil {index}", class_code="8c")


@pytest.mark.parametrize(("id", "name", "answer"), IDEAS)
def test_a_wrong_idea_is_not_rewarded(id, name, answer):
    count = min(learners(id, 40, 200), WHOLE_SONG.get(id, 200))
    right = 0
    for index in range(count):
        verdict = mark(BANK[id], given_to(id, index), answer(given_to(id, index)))
        assert verdict.state != "invalid", (name, verdict.feedback)
        right += verdict.state == "right"
    print(f"\n{id} {name}: {right} of {count}")
    assert right <= max(MOST * count, count >= 40)


@pytest.mark.parametrize("id", sorted(BANK))
def test_everybody_gets_numbers(id):
    for index in range(learners(id, 50, 2000)):
        given = given_to(id, index)
        assert given["exercise"] == id and BANK[id].statement_for(given)


def test_what_is_done_by_hand():
    """Shares of each lab's points; worked by hand: from curriculum and findings, at least 60 % of the desk labs."""
    table = {lab: shares(lab) for lab in sorted({each.lab for each in bank()})}
    print("\nlab  points  " + "  ".join(WAYS))
    for lab, (points, found) in table.items():
        print(f"{lab}  {points:6g}  " + "  ".join(f"{number_text(100 * found[way], 0):>{len(way)}}" for way in WAYS))
    for lab, (_, found) in table.items():
        assert sum(found.values()) == pytest.approx(1.0), lab
