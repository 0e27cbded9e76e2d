"""The contract every exercise of the bank keeps, over many learners.

Exercises on rendered audio take a twentieth of them; of the capstone's, where a right answer takes a render of the
song, it is two by day, one where a share of them does, and ten with --all.
"""

import json
from functools import cache
from itertools import product
from math import inf, prod

import pytest
from daily import everything
from probes import probes_of

from gainlib.audio import GainlibError
from gainlib.exercises import bank, exercise, mark
from gainlib.exercises.model import nothing
from gainlib.exercises.text import printed_numbers
from gainlib.exercises.variants import Draws, Either, OneOf, fair

LEARNERS = 200
WHO = ("anna", "ben")
"""The capstone's first two; other tests measure these two's songs as well."""
MANY = 500
BANK = {each.id: each for each in bank()}


def learners(each):
    """Return how many learners an exercise is tried with: fewer where audio has to be rendered."""
    if each.lab == "12" and not everything():
        return len(WHO)
    return LEARNERS if each.material is nothing else LEARNERS // 20


def variants(each, share=1.0):
    """Yield the variants of so many learners, or of a share of them, the first one last: whose song then stays open."""
    least = 1 if learners(each) == len(WHO) and share < 1 else 2
    for index in reversed(range(max(least, round(share * learners(each))))):
        yield variant_of(each.id, index)


@cache
def variant_of(id, index):
    return BANK[id].variant(learner(BANK[id], index), class_code="7b")


def learner(each, index):
    return WHO[index] if each.lab == "12" and index < len(WHO) else f"learner {index}"


def fair_variants(each, source):
    """Return how many fair variants a draw from written-out sets can give; infinity where there are many."""
    if isinstance(source, Either):
        return sum(fair_variants(each, branch) for branch in source.branches)
    if not isinstance(source, Draws) or any(not isinstance(field, OneOf) for field in source.fields.values()):
        return inf
    if prod(len(field.values) for field in source.fields.values()) > MANY:
        return inf
    drawn = (dict(zip(source.fields, values, strict=True)) for values in combinations(source))
    return sum(source.holds(given) and fair(each, {"exercise": each.id, "attempt": 0, **given}) for given in drawn)


def combinations(source):
    return product(*(field.values for field in source.fields.values()))


@pytest.fixture(scope="module", params=sorted(BANK))
def each(request):
    """Each exercise in turn, all tests of one behind one another: what it renders is kept that long."""
    return BANK[request.param]


def test_how_many_learners_were_tried(each, capsys):
    with capsys.disabled():
        print(f" [{each.id}: {learners(each)} learners]", end="")
    assert learners(each) >= (2 if each.lab == "12" else 10)


def test_the_reference_answer_is_right_and_shown_nowhere(each):
    for given in variants(each):
        answer = each.solve(given)
        verdict = mark(each, given, answer)
        assert (verdict.state, verdict.points) == ("right", each.points), (given, verdict.feedback)
        texts = (each.statement_for(given), *each.hints_for(given))
        printed = [value for text in texts for value in printed_numbers(text)]
        for part, entry in zip(each.parts, each.values(answer), strict=True):
            if part.kind == "number" and not part.may_be_printed:
                assert not [value for value in printed if abs(value - entry) <= part.half_width(entry)], given


def test_given_and_answer_survive_json(each):
    for given in variants(each, 0.25):
        answer = each.solve(given)
        given_again, answer_again = json.loads(json.dumps([given, answer], allow_nan=False))
        assert given_again == given
        assert each.solve(given_again) == answer
        assert mark(each, given_again, answer_again).state == "right"


def test_shown_values_are_rounded(each):
    """What is shown is what is computed with: no value has more than three decimals."""
    for given in variants(each):
        for value in given.values():
            for number in value if isinstance(value, list) else [value]:
                assert not isinstance(number, float) or number == round(number, 3), given


def paid_by_piece(each):
    """Whether each thing measured or chosen earns points of its own, so that a wrong way is paid for what it meets."""
    shared = any(getattr(part, "each", "") or getattr(part, "by_chance", 0) for part in each.parts)
    return shared or any(aim.points for part in each.parts for aim in getattr(part, "aims", ()))


def test_every_active_slip_is_wrong_and_answered(each):
    tried = set()
    for given in variants(each):
        for slip in each.slips:
            if not slip.active(given):
                continue
            tried.add(slip.name)
            verdict = mark(each, given, slip.answer(given))
            states = ("wrong", "partly") if paid_by_piece(each) else ("wrong",)
            assert verdict.state in states, (given, slip.name, verdict.feedback)
            assert verdict.points < each.points if verdict.state == "partly" else verdict.points == 0
            assert slip.sentence in verdict.feedback
            others = [other for other in each.slips if other is not slip and other.sentence in verdict.feedback]
            assert not others, (given, slip.name, [other.name for other in others])
    assert tried == {slip.name for slip in each.slips}, "every slip is active for some learner"


def test_an_empty_answer_is_unattempted(each):
    given = variant_of(each.id, 0)
    for empty in (None, "", " ", [], {}, [None] * len(each.parts)):
        assert mark(each, given, empty).state == "unattempted"


def test_probes_of_every_part_get_their_verdict(each):
    """Half a tolerance off is right, two tolerances are wrong, junk is invalid and says what was expected."""
    for given in variants(each, 0.1 if each.material is nothing else 0.2):
        reference = each.values(each.solve(given))
        for place, part in enumerate(each.parts):
            probes = probes_of(part, part.read(reference[place], given), given)
            for wanted in ("right", "wrong", "invalid"):
                for probe in getattr(probes, wanted):
                    verdict = mark(each, given, each.answer([*reference[:place], probe, *reference[place + 1 :]]))
                    state = verdict.parts[place].state if verdict.parts else verdict.state
                    assert state == wanted, (given, part.label, probe, verdict.feedback)
                    assert verdict.feedback.strip()
                    if wanted == "invalid":
                        assert (verdict.state, verdict.points) == ("invalid", 0)


def test_another_exercises_values_are_refused(each):
    given = variant_of(each.id, 0)
    answer = each.solve(given)
    for other in BANK.values():
        if other is not each:
            assert mark(each, variant_of(other.id, 0), answer).state == "invalid"
            assert mark(each, {**variant_of(other.id, 0), "exercise": each.id}, answer).state == "invalid"
    for name, value in given.items():
        tampered = [True, "loud", None, [], {}] + ([value[:-1]] if isinstance(value, list) else [float("nan"), 10**400])
        for wrong in tampered:
            if wrong != value:
                assert mark(each, {**given, name: wrong}, answer).state == "invalid", (name, wrong)


def test_what_a_screen_and_a_teacher_read(each):
    given = variant_of(each.id, 0)
    assert each.title and each.points > 0 and each.lab == each.id[:2]
    assert 1 <= len(each.hints) <= 3 and each.cites
    texts = [each.statement_for(given), *each.hints_for(given), each.explain_for(given)]
    key = zip(each.parts, each.values(each.solve(given)), strict=True)
    texts += [part.show(part.read(value, given), given) for part, value in key]
    texts += [slip.sentence for slip in each.slips] + [part.label_for(given) for part in each.parts]
    texts += [option.text for part in each.parts for option in part.options_for(given)]
    for text in texts:
        assert text.strip() and "{" not in text and "None" not in text
        assert not [word for word in text.split() if word[0] == "-" and word[1:2].isdigit()], (
            f"hyphen for minus: {text}"
        )


def test_the_explanation_ends_at_the_answer(each):
    """Every number of the key stands in the derivation, to the key's tolerance."""
    for given in variants(each, 0.1):
        told = printed_numbers(each.explain_for(given))
        for part, entry in zip(each.parts, each.values(each.solve(given)), strict=True):
            if part.kind == "number":
                assert [value for value in told if abs(value - entry) <= part.half_width(entry)], given


def test_variants_differ_between_learners(each):
    """In a class of forty hardly two have the same numbers, and nobody gets their own again.

    A question may have few numbers by its nature; then as many differ as chance allows.
    """
    count, space = min(40, learners(each)), fair_variants(each, each.given)
    expected = count if space == inf else space * (1 - (1 - 1 / space) ** count)
    assert len({json.dumps(variant_of(each.id, index)) for index in range(count)}) >= 0.9 * expected
    assert each.variant(learner(each, 0), 1, "7b") != {**variant_of(each.id, 0), "attempt": 1}


def test_ids_and_sentences_are_unlike():
    assert list(BANK) == sorted(BANK)
    sentences = [slip.sentence for each in BANK.values() for slip in each.slips]
    for sentence in sentences:
        assert sum(sentence in other for other in sentences) == 1


def test_an_unknown_exercise_is_named():
    assert exercise("05-1") is BANK["05-1"]
    with pytest.raises(GainlibError, match="no exercise '05-99'; there are 05-1"):
        exercise("05-99")
