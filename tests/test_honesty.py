"""A simulated class over the bank: what is earned by honesty, by guessing, by trying all choices, by hints, by copying.

Everybody works at the desk a form works at (`LearnerSession`), and reads what a form would say. The marks have to stand
in the order honest > hint-user > guesser ≥ brute-forcer, a guess never tells a value, and trying ticks and maps earns
under 5 %. `-s` prints the expected marks of each lab.
"""

import random
import tempfile
from contextlib import contextmanager
from functools import cache

import pytest
from daily import everything
from school import Writer

from gainlib.exercises import Events, Matching, Multi, Number, bank, exercise, tally
from gainlib.exercises.gradebook import gradebook
from gainlib.exercises.sets import MOST_TRIES, chosen
from gainlib.exercises.text import printed_numbers
from gainlib.notebook.learner import LearnerSession

LABS = sorted({each.lab for each in bank()} - {"12"})
LEARNERS = 60 if everything() else 2
BRUTE_RUNS = 1000 if everything() else 60
LISTS = [each.id for each in bank() if each.lab in LABS and all(isinstance(p, Multi | Matching) for p in each.parts)]


# ---- who learns how --------------------------------------------------------------------------------------------------


def honest(desk, exercise):
    """Right at first."""
    desk.answer(exercise, exercise.solve(desk.given(exercise)))


def hint_user(desk, exercise):
    """Opens every hint, then is right."""
    for _ in exercise.hints:
        desk.open_hint(exercise)
    honest(desk, exercise)


def guesser(desk, exercise):
    """0 first, then every number that the feedback holds; choices are tried on the way, as a brute-forcer does."""
    picks = brute_forcer(desk, exercise, number=0.0)
    numbers, tried = {0.0}, set()
    while numbers - tried and len(tried) < 20 and not desk.numbers(exercise).closed:
        number = min(numbers - tried)
        tried.add(number)
        entries = [number if part.kind == "number" else None for part in exercise.parts]
        for place, pick in picks.items():
            entries[place] = pick
        verdict = desk.answer(exercise, exercise.answer(entries))
        numbers |= set(printed_numbers(desk.said(exercise, verdict)))


def _any(part, given, rng):
    keys = [option.key for option in part.options_for(given)]
    if isinstance(part, Multi):
        return [key for key in keys if rng.random() < 0.5] or [rng.choice(keys)]
    if isinstance(part, Matching):
        return {item.key: rng.choice(keys) for item in part.items_for(given)}
    return rng.choice(keys)


def brute_forcer(desk, exercise, seed=0, number=None):
    """Answers choices only, three times, never the same twice, and reads what is told; returns the last picks."""
    rng, given = random.Random(f"{exercise.id} {seed}"), desk.given(exercise)
    tried = {k: [] for k in chosen(exercise)}
    while tried and len(next(iter(tried.values()))) < MOST_TRIES and not desk.numbers(exercise).closed:
        entries = [number if part.kind == "number" else None for part in exercise.parts]
        for k, past in tried.items():
            entries[k] = _next_try(exercise.parts[k], given, past, rng)
        verdict = desk.answer(exercise, exercise.answer(entries))
        said = desk.said(exercise, verdict)
        for k, past in tried.items():
            told = not desk.veiled(exercise, verdict)
            past.append((entries[k], verdict.parts[k].state if told else "", said if told else ""))
        if all(verdict.parts[k].state == "right" for k in tried):
            break
    return {k: past[-1][0] for k, past in tried.items()}


def _next_try(part, given, past, rng):
    if past and past[-1][1] == "right":
        return past[-1][0]
    last, _, said = past[-1] if past else (None, "", "")
    for _ in range(1000):
        entry = _any(part, given, rng)
        if isinstance(part, Matching) and "check" in said:
            wrong = said.rpartition("check ")[2]
            entry = {
                item.key: entry[item.key] if item.text in wrong else last[item.key] for item in part.items_for(given)
            }
            if any(entry[item.key] == last[item.key] for item in part.items_for(given) if item.text in wrong):
                continue
        if isinstance(part, Multi) and "right" in said and " of " in said:
            count = int(said.split(" of ")[0].split()[-1])
            if len(part.options_for(given)) - len(set(entry) ^ set(last)) != count:
                continue
        if entry not in [each for each, _, _ in past]:
            return entry
    return entry


def copier(desk, exercise):
    """Types what an honest neighbour has."""
    desk.answer(exercise, exercise.solve(exercise.variant("the neighbour")))


WAYS = {each.__name__: each for each in (honest, hint_user, guesser, brute_forcer, copier)}


@contextmanager
def seat(lab, name):
    """Give a desk with a record of its own."""
    with tempfile.TemporaryDirectory() as folder:
        desk = LearnerSession(lab, folder, name)
        try:
            yield desk
        finally:
            desk.kept.flush()


@cache
def scores(lab, way, number):
    """Return the scores of one learner in one lab."""
    with seat(lab, f"{way} {number}") as desk:
        for exercise in desk.exercises.values():
            WAYS[way](desk, exercise)
        return desk.tally().scores


def share(lab, way):
    """Return the mean share of a lab's points that a way earns."""
    runs = [scores(lab, way, number) for number in range(LEARNERS)]
    earned = sum(score.points for run in runs for score in run.values())
    return earned / sum(score.max_points for run in runs for score in run.values())


# ---- what they earn --------------------------------------------------------------------------------------------------


def test_marks_stand_in_the_order_of_honesty():
    table = {lab: {way: share(lab, way) for way in WAYS} for lab in LABS}
    print("\nlab  " + "  ".join(f"{way:>12}" for way in WAYS))
    for lab, row in table.items():
        print(f"{lab}   " + "  ".join(f"{100 * value:11.1f}%" for value in row.values()))
    for lab, row in table.items():
        assert row["honest"] == pytest.approx(1.0), lab
        assert row["honest"] > row["hint_user"] > row["guesser"], (lab, row)
        assert row["hint_user"] > row["copier"] and row["honest"] > row["brute_forcer"], (lab, row)
    total = {way: sum(row[way] for row in table.values()) for way in WAYS}
    assert total["honest"] > total["hint_user"] > total["guesser"] >= total["brute_forcer"]


@pytest.mark.parametrize("lab", LABS)
def test_a_guess_never_tells_a_value(lab):
    """What numbers earn is what 0 earned by itself, where 0 is the right value: nothing comes of reading on."""
    for number in range(LEARNERS):
        for id, score in scores(lab, "guesser", number).items():
            asked = exercise(id)
            by_number = [k for k, part in enumerate(asked.parts) if isinstance(part, Number)]
            if any(part.chosen for part in asked.parts) or not by_number:
                continue
            given = asked.variant(f"guesser {number}")
            right = asked.values(asked.solve(given))
            nought = [part.points for part, key in zip(asked.parts, right, strict=True) if _is_nought(part, key, given)]
            assert score.points == sum(nought), (id, number, score.feedback)
            assert not nought or id == "08-1", "a curve below its knee reduces by 0 dB"


def _is_nought(part, key, given):
    return isinstance(part, Number) and part.judge(0.0, part.read(key, given), given, [0.0]).share == 1


@pytest.mark.parametrize("id", LISTS)
def test_trying_ticks_and_maps_hardly_pays(id):
    """Expected points of one set of numbers; worked by hand: three tries / number of answers there are.

    Of six boxes to tick three of 63 ways are 4.8 %. Who also reads the count told after the second try has as many ways
    left as there are to be that far off, 20 at the most, and finds about as much again with the third.
    """
    lists, earned = exercise(id), 0.0
    [part] = lists.parts
    given = lists.variant("brute")
    options, items = len(part.options_for(given)), len(part.items_for(given))
    assert MOST_TRIES / (options**items if items else 2**options - 1) < 0.05
    with seat(lists.lab, "brute") as desk:
        for run in range(BRUTE_RUNS):
            brute_forcer(desk, lists, run)
            numbers = desk.numbers(lists)
            assert numbers.spent or numbers.right
            earned += numbers.points
            desk.new_numbers(lists)
    expected = earned / BRUTE_RUNS / lists.points
    print(f"\n{id}: {100 * expected:.1f} % of {lists.points:g} points")
    assert expected < 0.15


# ---- the rule, step by step ------------------------------------------------------------------------------------------


@pytest.fixture
def desk():
    """A desk of lab 05."""
    with seat("05", "anna") as desk:
        yield desk


def test_hints_are_free_from_the_second_wrong_try_one_a_try(desk):
    sums = desk.exercise("05-1")
    desk.answer(sums, "loud")
    desk.answer(sums, 90)
    desk.answer(sums, "90 dBFS")
    assert desk.numbers(sums).wrong == 1 and "costs 0.3" in desk.hint_price(sums), "the same twice is one try"
    desk.answer(sums, 91)
    assert desk.hint_price(sums).startswith("free")
    desk.open_hint(sums)
    assert "costs 0.3" in desk.hint_price(sums), "the next one with the next wrong try"
    desk.answer(sums, 92)
    assert desk.hint_price(sums).startswith("free")
    desk.open_hint(sums)
    desk.answer(sums, sums.solve(desk.given(sums)))
    score = desk.score(sums)
    assert (score.points, score.hints, score.tries, score.answers, score.unaided) == (2.0, 2, 4, 6, 0)


def test_two_sets_solved_unaided_are_mastered(desk):
    sums = desk.exercise("05-1")
    desk.open_hint(sums)
    honest(desk, sums)
    assert desk.score(sums).points == pytest.approx(1.7)
    for unaided in (1, 2):
        desk.new_numbers(sums)
        assert desk.hints_open(sums) == 0
        honest(desk, sums)
        score = desk.score(sums)
        assert (score.points, score.unaided, score.mastered) == (2.0, unaided, unaided == 2)


def test_the_solution_ends_a_set_and_what_was_earned_stays(desk):
    move = desk.exercise("05-3")
    right = move.solve(desk.given(move))
    desk.answer(move, [right[0], 80])
    desk.show_solution(move)
    assert not desk.numbers(move).closed, "not before the second wrong try"
    desk.answer(move, [right[0], 81])
    desk.show_solution(move)
    desk.answer(move, right)
    score = desk.score(move)
    assert (score.points, score.state, score.shown, score.tries) == (1.0, "partly", 1, 3)


def test_a_part_left_empty_is_no_wrong_try(desk):
    move = desk.exercise("05-3")
    desk.answer(move, [move.solve(desk.given(move))[0], None])
    assert (desk.numbers(move).tries, desk.numbers(move).wrong) == (1, 0)


def test_a_choice_is_spent_after_three_wrong_tries_and_its_counts_come_late(desk):
    ticks = desk.exercise("05-6")
    given = desk.given(ticks)
    right = set(ticks.solve(given))
    wrong = [[key] for key in given["set_ups"] if {key} != right][:3]
    said = [desk.said(ticks, desk.answer(ticks, each)) for each in wrong]
    assert said[0] == "Not all of it is right yet."
    assert "of 6 are right" in said[1] and desk.numbers(ticks).spent
    honest(desk, ticks)
    score = desk.score(ticks)
    assert (score.points, score.state, score.tries, score.spent) == (0.0, "wrong", 4, 1)
    desk.new_numbers(ticks)
    honest(desk, ticks)
    assert desk.score(ticks).points == 3.0


def test_a_number_beside_a_choice_may_be_corrected_while_the_choice_stands(desk):
    culprit = desk.exercise("05-4")
    name, level = culprit.solve(desk.given(culprit))
    other = next(o.key for o in culprit.parts[0].options_for(desk.given(culprit)) if o.key != name)
    for entry in (level + 5, level + 6, level + 7, level + 8):
        desk.answer(culprit, [other, entry])
    assert not desk.numbers(culprit).spent and desk.numbers(culprit).wrong == 4


def test_controls_are_measured_every_time_and_never_spent():
    with seat("05", "anna") as desk:
        faders = desk.exercise("05-5")
        for down in (-30, -31, -32, -33):
            verdict = desk.answer(faders, {"01 kick": {"fader_db": down}})
            assert "dB" in desk.said(faders, verdict)
        assert not desk.numbers(faders).closed
        honest(desk, faders)
        assert desk.score(faders).points == faders.points and desk.score(faders).tries == 5


def test_lines_of_the_earlier_rule_keep_what_they_earned_and_the_better_counts():
    sums = exercise("05-1")
    old, new = Writer("anna", rule=None), Writer("anna", day=5)
    right = sums.solve(old.given("05-1"))
    old.event("hint", exercise="05-1", attempt=0, hint=1)
    old.answer("05-1", 99)
    old.answer("05-1", right)
    found = _counted(old)
    assert (found.points, found.told, found.earlier, found.hints) == (pytest.approx(1.7), True, 2, 1)
    new.answer("05-1", right)
    assert _counted(old, new).points == pytest.approx(1.7), "the value was named: these numbers are closed"
    new.answer("05-1", sums.solve(new.given("05-1", 1)), attempt=1)
    found = _counted(old, new)
    assert (found.points, found.attempt, found.told, found.earlier) == (2.0, 1, False, 2)


def _counted(*writers):
    lines = tuple(event for writer in writers for event in writer.lines)
    return tally(Events(lines), "anna", "7b").scores["05-1"]


def test_the_gradebook_names_what_each_did(tmp_path):
    with seat("05", "gus") as desk:
        for id, way in (("05-1", guesser), ("05-6", brute_forcer)):
            way(desk, desk.exercise(id))
        desk.answer(desk.exercise("05-1"), 1)
        desk.answer(desk.exercise("05-1"), 2)
        desk.show_solution(desk.exercise("05-1"))
        rows = {row.exercise: row for row in gradebook(desk.folder).rows}
    assert rows["05-1"].shown == 1 and rows["05-1"].tries >= 3 and rows["05-1"].points == 0
    assert rows["05-6"].tries == 3 and rows["05-6"].spent == 1
