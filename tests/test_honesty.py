"""A simulated class over the bank: what is earned by honesty, by hints, by guessing, by trying all, by copying.

Everybody works at the desk a form works at (`LearnerSession`), and reads what a form would say. The marks have to stand
in this order, a guess never tells a value, blind picks and trying earn under 5 % of a lab's points, and what was earned
by trying is named in the gradebook. `-s` prints the expected marks of each lab.
"""

import random
import tempfile
from contextlib import contextmanager
from functools import cache
from unittest.mock import patch

import pytest
from daily import daily, everything
from school import Writer

from gainlib.exercises import Choice, Events, Matching, Multi, Number, bank, exercise, mark, tally
from gainlib.exercises.bank import declared
from gainlib.exercises.gradebook import gradebook
from gainlib.exercises.gradebook.rows import MANY_TRIES
from gainlib.exercises.model import nothing
from gainlib.exercises.record import ALL_TRIES_ALIKE, FIVE_TRIES
from gainlib.exercises.sets import MOST_TRIES, NUMBER_TRIES, chosen
from gainlib.exercises.text import printed_numbers
from gainlib.notebook.learner import LearnerSession

LABS = sorted({each.lab for each in bank()} - (set() if everything() else {"12"}))
LEARNERS = 60 if everything() else 2
FEW = 30 if everything() else 1
"""Learners tried where something is rendered for everybody."""
WHOLE_SONG = 2
"""Learners tried in lab 12, where an answer takes seconds."""
BRUTE_RUNS = 400 if everything() else 60
BLIND_RUNS = 4000
UNDER = 0.05
PICKED = [each.id for each in bank() if each.lab in LABS and chosen(each) and len(chosen(each)) == len(each.parts)]
LISTS = [id for id in PICKED if not any(isinstance(part, Choice) for part in exercise(id).parts)]


# ---- who learns how --------------------------------------------------------------------------------------------------


def honest(desk, exercise):
    """Right at first."""
    desk.answer(exercise, exercise.solve(desk.given(exercise)))


def hint_user(desk, exercise):
    """Opens every hint there is, then is right."""
    for _ in range(desk.hints_there(exercise)):
        desk.open_hint(exercise)
    honest(desk, exercise)


def guesser(desk, exercise):
    """0 first, then every number that the feedback holds; choices are tried on the way."""
    picks = try_picks(desk, exercise, number=0.0)
    numbers, tried = {0.0}, set()
    while numbers - tried and len(tried) < 20 and not desk.numbers(exercise).closed:
        number = min(numbers - tried)
        tried.add(number)
        entries = [number if part.kind == "number" else None for part in exercise.parts]
        for place, pick in picks.items():
            entries[place] = pick
        verdict = desk.answer(exercise, exercise.answer(entries))
        numbers |= set(printed_numbers(desk.said(exercise, verdict)))


def brute_forcer(desk, exercise):
    """Tries all choices, and closes in on numbers by high and low, from ±100."""
    picks = try_picks(desk, exercise)
    low = [-100.0] * len(exercise.parts)
    high = [100.0] * len(exercise.parts)
    for _ in range(12):
        middle = [(a + b) / 2 for a, b in zip(low, high, strict=True)]
        entries = [middle[k] if part.kind == "number" else picks.get(k) for k, part in enumerate(exercise.parts)]
        if desk.numbers(exercise).closed or not any(part.kind == "number" for part in exercise.parts):
            break
        verdict = desk.answer(exercise, exercise.answer(entries))
        if verdict.state == "right":
            break
        for k, part in enumerate(verdict.parts):
            if "too high" in part.feedback:
                high[k] = middle[k]
            elif "too low" in part.feedback:
                low[k] = middle[k]
            elif part.state == "right":
                low[k] = high[k] = middle[k]


def _any(part, given, rng):
    keys = [option.key for option in part.options_for(given)]
    if isinstance(part, Multi):
        return [key for key in keys if rng.random() < 0.5] or [rng.choice(keys)]
    if isinstance(part, Matching):
        return {item.key: rng.choice(keys) for item in part.items_for(given)}
    if part.kind == "order":
        return rng.sample(keys, len(keys))
    return rng.choice(keys)


def try_picks(desk, exercise, seed=0, number=None):
    """Answer choices, three times, never the same twice, and read what is told; return the last picks."""
    rng, given = random.Random(f"{desk.name} {exercise.id} {seed}"), desk.given(exercise)
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
    desk.answer(exercise, exercise.solve(exercise.variant(NEIGHBOUR)))


NEIGHBOUR = "honest 0"
WAYS = {each.__name__: each for each in (honest, hint_user, guesser, brute_forcer, copier)}


@contextmanager
def seat(lab, name):
    """Give a desk with a record of its own; that it is on the disk before a verdict is shown is not tried here."""
    with tempfile.TemporaryDirectory() as folder, patch("os.fsync"):
        desk = LearnerSession(lab, folder, name)
        try:
            yield desk
        finally:
            desk.kept.flush()


def rendered(exercise):
    """Whether an exercise renders something for every learner."""
    desk = exercise.id in declared(exercise.lab).tasks
    return desk or exercise.material is not nothing or not all(part.keyed for part in exercise.parts)


def tried_by(exercise):
    """Return how many learners try an exercise."""
    return WHOLE_SONG if exercise.lab == "12" else min(FEW, LEARNERS) if rendered(exercise) else LEARNERS


@cache
def scores(lab, way, number):
    """Return the scores of one learner in one lab, of the exercises that this many learners try."""
    with seat(lab, f"{way} {number}") as desk:
        done = [each for each in desk.exercises.values() if number < tried_by(each)]
        for each in done:
            WAYS[way](desk, each)
        counted = desk.tally().scores
        return {each.id: counted[each.id] for each in done}


def share(lab, way):
    """Return the expected share of a lab's points that a way earns."""
    runs = [scores(lab, way, number) for number in range(WHOLE_SONG if lab == "12" else LEARNERS)]
    asked = [each for each in bank() if each.lab == lab]
    earned = sum(sum(run[each.id].points for run in runs if each.id in run) / tried_by(each) for each in asked)
    return earned / sum(each.points for each in asked)


# ---- what they earn --------------------------------------------------------------------------------------------------


def test_marks_stand_in_the_order_of_honesty():
    table = {lab: {way: share(lab, way) for way in WAYS} for lab in LABS}
    print("\nlab  " + "  ".join(f"{way:>12}" for way in WAYS))
    for lab, row in table.items():
        print(f"{lab}   " + "  ".join(f"{100 * value:11.1f}%" for value in row.values()))
    for lab, row in table.items():
        assert row["honest"] == pytest.approx(1.0), lab
        assert row["honest"] > row["hint_user"] > max(row["guesser"], row["brute_forcer"], row["copier"]), (lab, row)
        assert not everything() or max(row["guesser"], row["brute_forcer"]) < UNDER, (lab, row)
    total = {way: sum(row[way] for row in table.values()) / len(table) for way in WAYS}
    assert total["hint_user"] > 0.5 and max(total[way] for way in ("guesser", "brute_forcer", "copier")) < 2 * UNDER


def blind(exercise, rng):
    """Return what a blind pick at everything earns on average: nothing where choices stand beside something else."""
    if exercise.id not in PICKED:
        return 0.0
    given, total = exercise.variant("blind"), 0.0
    for _ in range(BLIND_RUNS):
        picks = [_any(part, given, rng) for part in exercise.parts]
        total += mark(exercise, given, exercise.answer(picks)).points
    return total / BLIND_RUNS


@pytest.mark.parametrize("lab", [*daily(sorted(LABS, key=("10", "05", "00").__contains__, reverse=True), 3)])
def test_blind_picks_earn_under_five_percent_of_a_lab(lab):
    """Worked by hand: a lone choice of n is worth 1/n of its points, six boxes to tick 1/63."""
    asked, rng = [each for each in bank() if each.lab == lab], random.Random(lab)
    chance = sum(blind(each, rng) for each in asked) / sum(each.points for each in asked)
    print(f"\n{lab}: {100 * chance:.1f} % by chance")
    assert chance < UNDER


@pytest.mark.parametrize("lab", [lab for lab in LABS if lab != "12"])
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


def _is_nought(part, key, given):
    return isinstance(part, Number) and part.judge(0.0, part.read(key, given), given, [0.0]).share == 1


@pytest.mark.parametrize("id", PICKED)
def test_trying_choices_hardly_pays(id):
    """Expected points of one set of numbers; worked by hand for six boxes to tick: 1/63 + 1/2 · 1/62 + 1/4 · 1/20.

    After the second try the count is told, which leaves 20 ways at the most. One of several earns at the first try.
    """
    asked, earned = exercise(id), 0.0
    with seat(asked.lab, "brute") as desk:
        for run in range(BRUTE_RUNS):
            try_picks(desk, asked, run)
            numbers = desk.numbers(asked)
            assert numbers.spent or numbers.right or numbers.tries == MOST_TRIES
            earned += numbers.points
            desk.new_numbers(asked)
    expected, lab = earned / BRUTE_RUNS, sum(each.points for each in bank() if each.lab == asked.lab)
    shares = (
        f"{100 * expected / asked.points:.1f} % of {asked.points:g} points, {100 * expected / lab:.1f} % of the lab"
    )
    print(f"\n{id}: {shares}")
    assert expected / lab < UNDER and (id not in LISTS or expected / asked.points < 3 * UNDER)


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
    assert (score.points, score.hints, score.tries, score.answers, score.unaided) == (0.5, 2, 4, 6, 0)


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


def test_the_solution_ends_a_set_and_what_was_earned_stays():
    with seat("10", "anna") as desk:
        pan = desk.exercise("10-1")
        right = pan.solve(desk.given(pan))
        desk.answer(pan, [right[0], 80, 80])
        desk.show_solution(pan)
        assert not desk.numbers(pan).closed, "not before the second wrong try"
        desk.answer(pan, [right[0], 81, 81])
        desk.show_solution(pan)
        desk.answer(pan, right)
        score = desk.score(pan)
        assert (score.points, score.state, score.shown, score.tries) == (1.0, "partly", 1, 3)


def test_a_part_left_empty_is_no_wrong_try():
    with seat("10", "anna") as desk:
        pan = desk.exercise("10-1")
        desk.answer(pan, [pan.solve(desk.given(pan))[0], None, None])
        assert (desk.numbers(pan).tries, desk.numbers(pan).wrong) == (1, 0)


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
    sums = exercise("02-5")
    old, new = Writer("anna", rule=None), Writer("anna", day=5)
    right = sums.solve(old.given("02-5"))
    old.event("hint", exercise="02-5", attempt=0, hint=1)
    old.answer("02-5", 99)
    old.answer("02-5", right)
    found = _counted(old)
    assert (found.points, found.told, found.earlier, found.hints) == (pytest.approx(1.7), True, 2, 1)
    new.answer("02-5", right)
    assert _counted(old, new).points == pytest.approx(1.7), "the value was named: these numbers are closed"
    new.answer("02-5", sums.solve(new.given("02-5", 1)), attempt=1)
    found = _counted(old, new)
    assert (found.points, found.attempt, found.told, found.earlier) == (2.0, 1, False, 2)


def _counted(*writers):
    lines = tuple(event for writer in writers for event in writer.lines)
    return tally(Events(lines), "anna", "7b").scores["02-5"]


# ---- later tries -----------------------------------------------------------------------------------------------------


def test_at_one_of_several_only_the_first_try_earns_and_new_numbers_earn_all():
    with seat("10", "anna") as desk:
        pairs = desk.exercise("10-5")
        right = pairs.solve(desk.given(pairs))
        others = [key for key in (o.key for o in pairs.parts[2].options_for(desk.given(pairs))) if key != right[2]]
        verdict = desk.answer(pairs, [*right[:2], others[0]])
        shown, counted = desk.score(pairs), sum(part.points for part in pairs.parts[:2])
        assert desk.veiled(pairs, verdict) and (shown.points, shown.state) == (0.0, "wrong"), "nothing is told yet"
        assert _in_gradebook(desk, "10-5").points == pytest.approx(counted), "it counts all the same"
        desk.answer(pairs, right)
        shown = desk.score(pairs)
        assert (shown.points, shown.unaided) == (pytest.approx(counted), 0), "the second tells, and earns nothing more"
        desk.new_numbers(pairs)
        honest(desk, pairs)
        assert desk.score(pairs).points == pairs.points and desk.score(pairs).unaided == 1


def _in_gradebook(desk, id):
    return next(row for row in gradebook(desk.folder).rows if row.exercise == id)


@pytest.mark.parametrize(("wrong", "share"), [(0, 1.0), (1, 0.5), (2, 0.25)])
def test_ticks_earn_half_at_the_second_try_and_a_quarter_at_the_third(desk, wrong, share):
    ticks = desk.exercise("05-6")
    right = ticks.solve(desk.given(ticks))
    for key in [key for key in desk.given(ticks)["set_ups"] if [key] != right][:wrong]:
        desk.answer(ticks, [key])
    desk.answer(ticks, right)
    score = desk.score(ticks)
    assert score.points == pytest.approx(share * ticks.points) and score.state == "right"
    assert score.unaided == (not wrong)


def test_a_choice_counts_once_something_beside_it_is_right():
    with seat("07", "anna") as desk:
        asked = desk.exercise("07-6")
        right = asked.solve(desk.given(asked))
        desk.answer(asked, [1e6, 1e6, right[2]])
        assert desk.numbers(asked).tries == 1
        assert desk.score(asked).points == 0
        desk.answer(asked, right)
        assert desk.score(asked).points == asked.points
        desk.new_numbers(asked)
        right = asked.solve(desk.given(asked))
        for late in range(4):
            desk.answer(asked, [1e6 + late, 1e6 + late, right[2]])
        desk.answer(asked, right)
        assert desk.numbers(asked).points == 0, "a number that was closed in on lets no choice count"


@pytest.mark.parametrize(("wrong", "share"), [(0, 1.0), (1, 1.0), (2, 0.5), (3, 0.25), (4, 0.0)])
def test_a_number_earns_all_in_two_tries_and_less_in_two_more(desk, wrong, share):
    sums = desk.exercise("05-1")
    for k in range(wrong):
        desk.answer(sums, 80 + k)
    honest(desk, sums)
    assert desk.score(sums).points == share * sums.points and not desk.numbers(sums).closed
    desk.new_numbers(sums)
    honest(desk, sums)
    assert desk.score(sums).points == sums.points


def test_a_mistake_that_is_explained_costs_no_try_the_first_time(desk):
    """Everybody who falls into all known mistakes of an exercise, once each, and learns from them, earns everything."""
    sums = desk.exercise("05-2")
    slips = [slip.answer(desk.given(sums)) for slip in sums.slips]
    for entry in slips:
        assert desk.answer(sums, entry).slips
    honest(desk, sums)
    assert desk.score(sums).points == sums.points
    desk.new_numbers(sums)
    for entry in [sums.slips[0].answer(desk.given(sums)), 80, sums.slips[0].answer(desk.given(sums)), 81]:
        desk.answer(sums, entry)
    assert desk.numbers(sums).missed == (3,)


@pytest.mark.parametrize(("wrong", "right", "share"), [(0, 4, 7 / 12), (1, 4, 0.0), (1, 6, 0.5), (2, 5, 0.0)])
def test_a_list_is_paid_in_part_at_the_first_try_only(wrong, right, share):
    """Worked by hand: four of six boxes are (4/6 − 1/5)/(1 − 1/5) = 7/12 of the points."""
    with seat("06", "anna") as desk:
        boxes = desk.exercise("06-1")
        key = boxes.solve(desk.given(boxes))
        kinds = [option.key for option in boxes.parts[0].options_for(desk.given(boxes))]

        def with_right(count, turn=1):
            rest = [*key][count:]
            return {**key, **{box: kinds[(kinds.index(key[box]) + turn) % len(kinds)] for box in rest}}

        for turn in range(wrong):
            desk.answer(boxes, with_right(0, turn + 2))
        desk.answer(boxes, with_right(right))
        [row] = [row for row in gradebook(desk.folder).rows if row.exercise == "06-1"]
        assert row.points == pytest.approx(share * boxes.points)


def test_what_later_tries_earned_before_they_counted_less_stays():
    old = Writer("anna", rule=ALL_TRIES_ALIKE)
    right = old.right("05-6")
    for key in [key for key in old.given("05-6")["set_ups"] if [key] != right][:2]:
        old.answer("05-6", [key])
    old.answer("05-6", right)
    found = _scored("05-6", old)
    assert (found.points, found.unaided, found.earlier) == (exercise("05-6").points, 1, 0)
    for k in range(9):
        old.answer("05-1", 80 + k)
    old.answer("05-1", old.right("05-1"))
    assert _scored("05-1", old).points == exercise("05-1").points


@pytest.mark.parametrize("tries", [NUMBER_TRIES, NUMBER_TRIES + 1])
def test_what_five_tries_at_a_number_and_lists_in_part_earned_stays(tries):
    old = Writer("anna", rule=FIVE_TRIES)
    for k in range(tries - 1):
        old.answer("05-1", 80 + k)
    old.answer("05-1", old.right("05-1"))
    assert _scored("05-1", old).points == (exercise("05-1").points if tries == NUMBER_TRIES else 0)
    right = old.right("06-1")
    swapped = {**right, **{box: next(k for k in right.values() if k != right[box]) for box in [*right][4:]}}
    old.answer("06-1", dict.fromkeys(right, "nonlinear"))
    old.answer("06-1", swapped)
    assert _scored("06-1", old).points == pytest.approx(exercise("06-1").points * 7 / 12 / 2), "half, at the second try"


def _scored(id, *writers):
    lines = tuple(event for writer in writers for event in writer.lines)
    return tally(Events(lines), "anna", "7b").scores[id]


def test_how_much_of_a_list_of_the_capstone_is_right_is_told_three_times():
    with seat("12", "anna") as desk:
        kinds = desk.exercise("12-2")
        given = desk.given(kinds)
        right, keys = kinds.solve(given), [option.key for option in kinds.parts[0].options_for(given)]
        boxes = list(right)

        def with_wrong(count):
            turned = {box: next(key for key in keys if key != right[box]) for box in boxes[:count]}
            return {**right, **turned}

        earned = []
        for count in (9, 8, 7, 6, 5):
            verdict = desk.answer(kinds, with_wrong(count))
            assert verdict.state != "right" and ("right; you need" in desk.said(kinds, verdict)) == (count >= 7)
            earned.append(desk.score(kinds).points)
        assert desk.veiled(kinds, verdict) and earned[2:] == earned[2:3] * 3, "the fourth and the fifth tell nothing"
        desk.answer(kinds, right)
        assert desk.score(kinds).points == kinds.points and not desk.veiled(kinds, desk.verdict(kinds, right))
        assert any("6 tries at one set" in note for note in _in_gradebook(desk, "12-2").notes)


# ---- what a teacher sees ---------------------------------------------------------------------------------------------


NAMES = {way: NEIGHBOUR if way == "honest" else way for way in WAYS}


@pytest.fixture(scope="module")
def school(tmp_path_factory):
    """The gradebook of five records, one a way, each through labs 02 and 05; the honest solve two sets of numbers."""
    folder = tmp_path_factory.mktemp("class")
    for way, does in WAYS.items():
        for lab in ("02", "05"):
            desk = LearnerSession(lab, folder / way, NAMES[way])
            for each in desk.exercises.values():
                does(desk, each)
                if way == "honest":
                    desk.new_numbers(each)
                    does(desk, each)
            desk.kept.flush()
    return gradebook(folder)


def test_the_gradebook_names_what_each_did(school):
    assert school.files == len(WAYS)
    rows = {way: [row for row in school.rows if row.learner == name] for way, name in NAMES.items()}
    assert all(row.mastered and row.points == row.max_points and not row.notes for row in rows["honest"])
    assert all(row.hints and 0 < row.points < row.max_points and not row.mastered for row in rows["hint_user"])
    typed = [each.id for each in bank() if all(part.kind == "number" for part in each.parts)]
    tried = [row for row in rows["brute_forcer"] if row.exercise in typed]
    for row in tried:
        assert row.points == 0 or row.tries > 1, row
        assert row.tries < MANY_TRIES or any("tries at one set" in note for note in row.notes), row
    assert sum(row.tries for row in tried) > MANY_TRIES * len(tried)
    ticks = next(row for row in rows["brute_forcer"] if row.exercise == "05-6")
    assert (ticks.tries, ticks.spent) == (3, 1)
    guessed = {row.exercise: row.tries for row in rows["guesser"]}
    assert guessed["05-4"] == MOST_TRIES and max(row.tries for row in rows["copier"]) == 1
    [copied] = school.copied
    assert copied.who == ("", "copier") and copied.source == ("", NEIGHBOUR) and len(copied.exercises) >= 3


def test_marks_of_the_class_stand_in_order(school):
    points = {name: sum(row.points for row in school.rows if row.learner == name) for name in NAMES.values()}
    assert points[NEIGHBOUR] == sum(each.points for each in bank() if each.lab in ("02", "05"))
    assert points["hint_user"] > 0.5 * points[NEIGHBOUR]
    assert max(points[name] for name in ("guesser", "brute_forcer", "copier")) < 0.2 * points[NEIGHBOUR]


def test_searching_through_new_numbers_is_named(desk):
    ticks = desk.exercise("05-6")
    for run in range(8):
        try_picks(desk, ticks, run)
        desk.new_numbers(ticks)
    row = _in_gradebook(desk, "05-6")
    assert row.spent >= 3 and any("sets of numbers tried and not solved" in note for note in row.notes)


def test_solutions_shown_are_counted(desk):
    sums = desk.exercise("05-1")
    desk.answer(sums, 1)
    desk.answer(sums, 2)
    desk.show_solution(sums)
    row = _in_gradebook(desk, "05-1")
    assert (row.shown, row.tries, row.points) == (1, 2, 0)
