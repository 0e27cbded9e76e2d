"""Numbers of one's own: seeds, redraws, branches."""

import hashlib
import json
import unicodedata

import numpy as np
import pytest

from gainlib.audio import GainlibError
from gainlib.exercises import Exercise, Number, Slip, bank, draws, either, grid, one_of, pick, shuffled
from gainlib.exercises.variants import REDRAWS, fair, gap, seed_for

LEARNERS = [f"learner {index}" for index in range(300)]


def exercise(given, slips=(), **fields):
    """Return a small exercise about the value x."""
    base = {
        "id": "99-1",
        "title": "Small",
        "parts": (Number("x", "dB", tolerance=0.5),),
        "statement": "Which number?",
        "solve": lambda g: float(g["x"]),
    }
    return Exercise(given=given, slips=tuple(slips), **{**base, **fields})


def test_the_seed_is_sha256_of_the_joined_fields():
    fields = ["salt", "7b", "zoë", "05-1", "2"]
    digest = hashlib.sha256(unicodedata.normalize("NFC", "\x1f".join(fields)).encode()).digest()
    assert seed_for(" ZOE\u0308 ", "05-1", 2, "7B", "Salt") == int.from_bytes(digest[:8], "big")


def test_the_same_person_gets_the_same_numbers_and_another_gets_others():
    sums = bank()[0]
    assert sums.variant("Anna") == sums.variant(" anna\t")
    variants = {json.dumps(sums.variant(name, attempt)) for name in LEARNERS[:50] for attempt in range(4)}
    assert len(variants) > 150
    assert sums.variant("anna", salt="a") != sums.variant("anna", salt="b")
    assert sums.variant("anna", class_code="7a") != sums.variant("anna", class_code="7b")


def test_draws_take_nothing_but_the_raw_stream():
    """The stream of PCG64 itself is what NumPy promises to keep; integers() and choice() may change."""
    raw = np.random.PCG64(5)
    expected = [int((int(word) >> 11) / 2**53 * 7) for word in raw.random_raw(20)]
    rng = np.random.Generator(np.random.PCG64(5))
    assert [pick(rng, range(7)) for _ in range(20)] == expected
    assert sorted(shuffled(rng, "abcdef")) == list("abcdef")
    assert len(set(shuffled(rng, range(10), 6))) == 6


def test_a_grid_is_rounded_and_whole_numbers_stay_whole():
    assert grid(-0.3, 0.3, 0.1).values == (-0.3, -0.2, -0.1, 0.0, 0.1, 0.2, 0.3)
    assert all(type(value) is int for value in grid(2, 48).values)
    assert grid(-1, 1, 0.25).values[1] == -0.75


def test_a_variant_too_near_a_slip_is_redrawn():
    near = exercise(draws(x=grid(0, 9)), [Slip("two", lambda g: 2.0, "Not two.")])
    drawn = {near.variant(name)["x"] for name in LEARNERS}
    assert drawn == {0, 4, 5, 6, 7, 8, 9}, "three tolerances of 0.5 around 2 are closed"


def test_two_slips_that_could_be_mixed_up_are_redrawn():
    slips = [Slip("a", lambda g: 100.0, "Not a."), Slip("b", lambda g: 100.0 + g["x"] / 4, "Not b.")]
    drawn = {exercise(draws(x=grid(0, 9)), slips).variant(name)["x"] for name in LEARNERS}
    assert drawn == {4, 5, 6, 7, 8, 9}, "two tolerances of 0.5 apart"


def test_an_inactive_slip_is_not_looked_at():
    trap = Slip("trap", lambda g: float(g["x"]), "Mind the trap.", active=lambda g: g["trap"])
    trapped = exercise(draws(x=grid(0, 9), trap=one_of(True)), [trap])
    assert not fair(trapped, trapped.variant("anna")), "it is looked at where it is active"
    assert exercise(draws(x=grid(0, 9), trap=one_of(False)), [trap]).variant("anna")["trap"] is False


def test_the_branch_is_drawn_first_and_survives_redraws():
    """One branch is refused four times of five; it is still met half of the time."""
    slip = Slip("small", lambda g: 2.0, "Not two.")
    often = draws(x=one_of(2, 2, 2, 2, 50), branch=one_of("redrawn"))
    never = draws(x=one_of(60), branch=one_of("kept"))
    branched = exercise(either(often, never), [slip])
    met = [branched.variant(name)["branch"] for name in LEARNERS]
    assert 120 <= met.count("redrawn") <= 180, "within 3.5 standard deviations of one half"


def test_the_answer_does_not_stand_in_statement_or_hint():
    drawn = {exercise(draws(x=grid(0, 9)), statement="Three is 3.").variant(name)["x"] for name in LEARNERS}
    assert 3 not in drawn
    drawn = {exercise(draws(x=grid(0, 9)), hints=("Try 7.",)).variant(name)["x"] for name in LEARNERS}
    assert 7 not in drawn
    printed = (Number("x", "dB", tolerance=0.5, may_be_printed=True),)
    assert exercise(draws(x=one_of(3)), statement="{x}", parts=printed).variant("anna")["x"] == 3


def test_what_cannot_be_drawn_fairly_is_the_fairest_drawn():
    """Fewer than three tolerances of 0.5 apart whatever is drawn; 4 is the farthest from 3 there is."""
    near = exercise(draws(x=one_of(2.5, 3, 4)), [Slip("three", lambda g: 3.0, "Not three.")])
    assert {near.variant(name)["x"] for name in LEARNERS} == {4}
    shown = exercise(draws(x=grid(0, 3)), statement="One of 0, 1, 2 and 3.")
    assert {shown.variant(name)["x"] for name in LEARNERS} == {0, 1, 2, 3}, "no slip, no preference"


def test_a_draw_that_hardly_ever_succeeds_is_drawn_on():
    calls = []

    def rarely(rng):
        calls.append(1)
        return {"x": 5} if len(calls) > REDRAWS + 100 else None

    assert exercise(rarely).variant("anna")["x"] == 5


def test_redraws_come_to_an_end():
    calls = []
    hopeless = exercise(lambda rng: calls.append(1))
    with pytest.raises(GainlibError, match="99-1: nothing was drawn in 2000 tries; widen its values"):
        hopeless.variant("anna")
    assert len(calls) == 2000


def test_a_condition_nothing_meets_is_named():
    with pytest.raises(GainlibError, match="no draw of x met its condition"):
        exercise(draws(x=grid(0, 9), where=lambda g: g["x"] > 10)).variant("anna")


def test_a_guard_on_several_parts_takes_the_part_that_differs_most():
    parts = (Number("x", "dB", tolerance=1.0), Number("y", "dB", tolerance=1.0))
    pair = exercise(draws(x=one_of(5)), parts=parts, solve=lambda g: [5.0, 7.0])
    given = {"exercise": "99-1", "attempt": 0, "x": 5}
    assert gap(pair, given, [5.0, 7.0], [5.0, 10.0], [5.0, 7.0]) == pytest.approx(3.0)
    assert gap(pair, given, [5.0, 7.0], [None, 8.0], [5.0, 7.0]) == pytest.approx(1.0)
    assert gap(pair, given, [None, 7.0], [5.0, None], [5.0, 7.0]) == float("inf")
    assert fair(pair, given)
