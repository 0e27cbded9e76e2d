"""Every kind of part, on small exercises made for the purpose, and the five states of a verdict."""

import json
import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given as drawn
from hypothesis import strategies as st
from probes import probes_of

from gainlib.exercises import (
    Abx,
    Aim,
    Choice,
    Control,
    Exercise,
    LevelMatch,
    Matching,
    Measured,
    Multi,
    NoListening,
    Number,
    Order,
    Slip,
    State,
    hint_price,
    least_right,
    mark,
    score,
    tail_probability,
    wilson_interval,
)

STEMS = {"kick": "Kick drum", "bass": "Bass", "pad": "Pad"}
KINDS = {"linear": "linear", "bent": "nonlinear"}
GIVEN = {"exercise": "99-1", "attempt": 0, "n": 4}


def exercise(*parts, key, slips=(), given=lambda rng: {"n": 4}):
    """Return an exercise of these parts whose right answer is `key`."""
    solve = key if callable(key) else lambda g: key
    return Exercise("99-1", "Small", parts, given, "{n} of them?", solve, slips=tuple(slips), guard=False)


def verdicts(made, probes, place=0):
    """Return the states that probes of one part get, the other parts answered rightly."""
    reference = made.values(made.solve(GIVEN))
    answers = [made.answer([*reference[:place], probe, *reference[place + 1 :]]) for probe in probes]
    return [mark(made, GIVEN, answer).state for answer in answers]


def gains(answer):
    """Return the sum of the gains set."""
    return sum(fields["gain_db"] for fields in answer.values())


def unequal(answer):
    """Return how far the gains are apart, and which two."""
    low, high = sorted(answer, key=lambda stage: answer[stage]["gain_db"])[:: len(answer) - 1]
    return Measured(answer[high]["gain_db"] - answer[low]["gain_db"], f"distance of {low} and {high}")


CHAIN = State(
    "Gains",
    points=3,
    controls=lambda g: tuple(Control(f"stage {n}", "gain_db", 0.0, -20.0, 40.0) for n in (1, 2)),
    aims=(
        Aim("sum", gains, 12.0, 0.5, too_high="too hot", too_low="too low"),
        Aim("", unequal, at_most=1.0, too_high="too much"),
    ),
)
CHAIN_KEY = {"stage 1": {"gain_db": 6.0}, "stage 2": {"gain_db": 6.0}}
TRUTH = list("ABBABAABBABAABAB")
SILENT = NoListening(Number("Residual", "dB", tolerance=0.5), lambda g: -60.0)

EVERY_KIND = {
    "number": exercise(Number("x", "dB", tolerance=0.1), key=-3.0),
    "relative": exercise(Number("x", "V", relative=0.02), key=0.5),
    "choice": exercise(Choice("Which?", options=STEMS), key="bass"),
    "multi": exercise(Multi("Which ones?", options=STEMS), key=["kick", "pad"]),
    "order": exercise(Order("Quietest first", options=lambda g: STEMS), key=["pad", "kick", "bass"]),
    "map": exercise(
        Matching("What are they?", options=KINDS, items=STEMS), key={"kick": "bent", "bass": "linear", "pad": "bent"}
    ),
    "tags": exercise(
        Matching("Faults", options=KINDS, items=STEMS, several=True, enough=0.8),
        key={"kick": ["bent"], "bass": [], "pad": ["bent", "linear"]},
    ),
    "state": exercise(CHAIN, key=CHAIN_KEY),
    "abx": exercise(Abx("X is", trials=16, silent=SILENT), key=TRUTH),
    "sham": exercise(Abx("X is", trials=16, must_show=False), key=TRUTH),
    "match": exercise(LevelMatch("As loud as A", "dB", trials=5), key=[-2.0, 1.5, 4.0, -3.25, 2.0]),
    "two": exercise(Choice("Which?", options=STEMS), Number("By", "dB", tolerance=0.2, points=2), key=["pad", 4.0]),
}


@pytest.mark.parametrize("name", EVERY_KIND)
def test_probes_of_every_kind_get_their_verdict(name):
    made = EVERY_KIND[name]
    assert mark(made, GIVEN, made.solve(GIVEN)).points == made.points
    for place, part in enumerate(made.parts):
        key = part.read(made.values(made.solve(GIVEN))[place], GIVEN)
        probes = probes_of(part, key, GIVEN)
        assert probes.right and probes.invalid
        assert set(verdicts(made, probes.right, place)) == {"right"}
        assert set(verdicts(made, probes.wrong, place)) <= {"wrong", "partly"}
        assert set(verdicts(made, probes.invalid, place)) == {"invalid"}
        assert part.label_for(GIVEN) and part.show(key, GIVEN) and part.kind and part.band


@pytest.mark.parametrize("name", EVERY_KIND)
@pytest.mark.parametrize("nothing", [None, "", "  ", {}, [], [None], [None, ""], ()])
def test_nothing_is_unattempted(name, nothing):
    verdict = mark(EVERY_KIND[name], GIVEN, nothing)
    assert (verdict.state, verdict.points, verdict.max_points) == ("unattempted", 0.0, EVERY_KIND[name].points)


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.floats()
    | st.integers()
    | st.text(max_size=8)
    | st.sampled_from(["A", "kick", "stage 1"]),
    lambda inner: st.lists(inner, max_size=16) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=20,
)


@drawn(st.sampled_from(sorted(EVERY_KIND)), JSON)
def test_marking_never_raises_and_invalid_costs_nothing(name, answer):
    verdict = mark(EVERY_KIND[name], GIVEN, answer)
    assert verdict.state in ("unattempted", "invalid", "wrong", "partly", "right")
    assert verdict.feedback
    assert 0 <= verdict.points <= verdict.max_points
    if verdict.state in ("invalid", "unattempted"):
        assert verdict.points == 0


class _Contrary:
    def __eq__(self, other):
        raise RuntimeError

    def __str__(self):
        raise RuntimeError


@pytest.mark.parametrize("name", EVERY_KIND)
@pytest.mark.parametrize("junk", [_Contrary(), np.zeros(4), [np.zeros(4)] * 2, lambda: 1, {_Contrary: 1}, b"-3"])
def test_what_is_not_even_json_is_invalid(name, junk):
    assert mark(EVERY_KIND[name], GIVEN, junk).state == "invalid"


@pytest.mark.parametrize(
    "foreign",
    [
        *(None, {}, [], "x", {"exercise": "99-1"}, {**GIVEN, "more": 1}, {**GIVEN, "exercise": "99-2"}),
        *({**GIVEN, name: value} for name in ("n", "attempt") for value in ("4", math.nan, True, None, [4])),
        {**GIVEN, "attempt": -1},
    ],
)
def test_foreign_given_values_are_invalid(foreign):
    verdict = mark(EVERY_KIND["number"], foreign, -3.0)
    assert verdict.state == "invalid"
    assert "99-1" in verdict.feedback


def test_feedback_says_what_is_off_and_in_which_direction():
    number = EVERY_KIND["number"]
    assert mark(number, GIVEN, -1.5).feedback == "−1.5 dB is too high."
    assert mark(number, GIVEN, "−3,05 dB").feedback == "−3.05 dB is right (−3.00 ± 0.1 dB)."
    assert mark(EVERY_KIND["relative"], GIVEN, 0.4).feedback == "0.4 V is too low."
    state = mark(EVERY_KIND["state"], GIVEN, {"stage 1": {"gain_db": 10}, "stage 2": {"gain_db": 5.3}})
    assert state.feedback == (
        "Sum: 15.3 dB is 2.8 dB too hot; aim for 11.5 to 12.5 dB. "
        "Distance of stage 2 and stage 1: 4.7 dB is 3.7 dB too much; aim for at most 1.0 dB."
    )


def test_rounding_never_hides_on_which_side_of_a_limit_a_value_is():
    aim = Aim("bus", lambda level: level, -6.5, 0.5, unit="dBTP", too_high="too hot")
    assert aim.judged(-3.2, {}) == (False, "bus: −3.2 dBTP is 2.8 dB too hot; aim for −7.0 to −6.0 dBTP")
    assert aim.judged(-5.996, {}) == (False, "bus: −5.996 dBTP is 0.004 dB too hot; aim for −7.0 to −6.0 dBTP")
    assert aim.judged(-6.0, {})[0] and aim.judged(-7.0, {})[0]
    assert aim.judged(-math.inf, {}) == (False, "bus: −∞ dBTP is too low; aim for −7.0 to −6.0 dBTP")
    assert aim.judged(None, {}) == (False, "bus: there is nothing to measure; aim for −7.0 to −6.0 dBTP")


def test_several_parts_earn_partly():
    two = EVERY_KIND["two"]
    verdict = mark(two, GIVEN, ["pad", 9])
    assert (verdict.state, verdict.points) == ("partly", 1.0)
    assert [part.state for part in verdict.parts] == ["right", "wrong"]
    assert "By: 9 dB is too high" in verdict.feedback
    assert mark(two, GIVEN, ["pad", None]).state == "partly"
    assert mark(two, GIVEN, ["kick", 4]).points == 2.0
    assert mark(two, GIVEN, ["kick", 9]).state == "wrong"
    assert mark(two, GIVEN, ["kick", "loud"]).state == "invalid"
    assert "2 answers (Which?, By)" in mark(two, GIVEN, "pad").feedback
    assert "you gave 3" in mark(two, GIVEN, ["pad", 4, 4]).feedback


def test_checks_with_points_of_their_own_earn_their_share():
    each = (Aim("sum", gains, 12.0, 0.5, points=2), Aim("", unequal, at_most=1.0, points=1))
    shared = exercise(State("Gains", points=3, controls=CHAIN.controls, aims=each), key=CHAIN_KEY)
    verdict = mark(shared, GIVEN, {"stage 1": {"gain_db": 12}})
    assert (verdict.state, verdict.points) == ("partly", pytest.approx(2.0))
    assert mark(shared, GIVEN, {"stage 1": {"gain_db": 30}}).state == "wrong"


def test_controls_out_of_the_band_are_wrong_and_out_of_range_invalid():
    moved, beyond = ({"stage 1": {"gain_db": gain_db}} for gain_db in (9.0, 40.5))
    assert verdicts(EVERY_KIND["state"], (moved, beyond)) == ["wrong", "invalid"]


def test_a_closed_control_needs_one_that_closes():
    def level(answer):
        return answer["kick"]["fader_db"]

    closing = State("Fader", controls=lambda g: (Control("kick", "fader_db", 0.0, -math.inf, 10.0),))
    made = exercise(
        State("Fader", controls=closing.controls, aims=(Aim("kick", level, at_most=-90.0),)),
        key={"kick": {"fader_db": "-inf"}},
    )
    assert mark(made, GIVEN, {"kick": {"fader_db": "−∞"}}).state == "right"
    assert mark(made, GIVEN, json.dumps({"kick": {"fader_db": "-inf"}})).state == "right"
    assert "cannot be closed" in mark(EVERY_KIND["state"], GIVEN, {"stage 1": {"gain_db": "-inf"}}).feedback


def test_slips_are_recognised_where_they_were_made():
    slips = (
        Slip("sign", lambda g: [3.0, 5.0], "Sign."),
        Slip("second", lambda g: [None, 8.0], "Second."),
        Slip("never", lambda g: [1.0, 1.0], "Never.", active=lambda g: False),
        Slip("seen", lambda g: [0.0, 0.0], "Seen.", spots=lambda answer, g: answer[0] == 0),
    )
    parts = (Number("a", "dB", tolerance=0.5), Number("b", "dB", tolerance=0.5))
    made = exercise(*parts, key=[-3.0, -5.0], slips=slips)
    assert mark(made, GIVEN, [3.2, 5.1]).slips == ("sign",)
    assert mark(made, GIVEN, [-3, 5]).slips == ("sign",)
    assert mark(made, GIVEN, [3, 8]).slips == ("second",), "a slip that explains all it speaks of goes first"
    assert mark(made, GIVEN, [1, 1]).slips == ()
    assert mark(made, GIVEN, [0, -5]).slips == ("seen",)
    assert mark(made, GIVEN, [-3, -5]).slips == ()
    assert mark(made, GIVEN, [3, 5]).feedback.endswith("\nSign.")


def test_a_conclusion_may_follow_from_the_other_answers():
    sentences = {"shown": "A difference was shown", "not shown": "None was shown"}

    def follows(values, given):
        right = sum(mine == own for mine, own in zip(values[0], TRUTH, strict=True))
        return "shown" if right >= 12 else "not shown"

    made = exercise(
        Abx("X is", trials=16, must_show=False), Choice("So?", options=sentences, follows=follows), key=[TRUTH, "shown"]
    )
    assert mark(made, GIVEN, [TRUTH, "shown"]).state == "right"
    assert mark(made, GIVEN, [["A"] * 16, "shown"]).state == "partly"
    assert mark(made, GIVEN, [["A"] * 16, "None was shown"]).state == "right"
    early = mark(made, GIVEN, [None, "shown"])
    assert early.state == "wrong" and "depends on the other answers" in early.feedback


def test_bands_in_words():
    assert Number("x", "dBTP", tolerance=0.1).band == "± 0.1 dB"
    assert Number("x", "V", tolerance=0.01, relative=0.02).band == "± 0.01 V or ± 2 %"
    assert CHAIN.band == "sum 11.5 to 12.5 dB; at most 1.0 dB"
    assert Multi("Which?", options=STEMS).band == "exact"


def test_a_listening_part_says_how_well_one_has_to_hear():
    """12 of 16 is the count that guessing reaches with 3.84 %, 11 of 16 with more than 5 % (binomial law)."""
    assert Abx("X is", trials=16).band == "12 of 16 or more in run 1, more in later runs"
    assert Abx("X is", trials=16, must_show=False).band == "any complete run"
    by_meter = NoListening(LevelMatch("Read", "dB", tolerance=0.1), lambda given: [0.0])
    matched = LevelMatch("As loud as A", "dB", trials=5, silent=by_meter)
    assert matched.band == "mean error up to 1 dB; from the readings: mean error up to 0.1 dB"


@pytest.mark.parametrize("trials", range(5, 41))
def test_odds_of_guessing_against_the_binomial_law(trials):
    """Second opinion: scipy's binomial distribution and its Wilson interval."""
    for right in range(trials + 1):
        assert tail_probability(right, trials) == pytest.approx(scipy.stats.binom.sf(right - 1, trials, 0.5), rel=1e-9)
        interval = scipy.stats.binomtest(right, trials).proportion_ci(method="wilson")
        assert wilson_interval(right, trials) == pytest.approx((interval.low, interval.high), abs=1e-6)
    assert scipy.stats.binom.sf(least_right(trials) - 1, trials, 0.5) <= 0.05
    assert scipy.stats.binom.sf(least_right(trials) - 2, trials, 0.5) > 0.05


def test_a_repeated_run_has_to_be_better():
    made = EVERY_KIND["abx"]
    twelve = [pick if index < 12 else "AB"[pick == "A"] for index, pick in enumerate(TRUTH)]
    thirteen = [*twelve[:12], TRUTH[12], *twelve[13:]]
    assert mark(made, GIVEN, twelve).feedback == "You got 12 of 16 right, p (chance) = 0.038."
    second = mark(made, {**GIVEN, "attempt": 1}, twelve)
    assert second.state == "wrong"
    assert "you need 13 in run 2. This run shows no audible difference (95 % interval 51 to 90 %)" in second.feedback
    assert mark(made, {**GIVEN, "attempt": 1}, thirteen).state == "right"


@pytest.mark.parametrize(("hints", "share"), [(0, 1.0), (1, 0.85), (2, 0.7), (3, 0.55), (4, 0.4), (9, 0.4)])
def test_hints_cost_fifteen_percent_down_to_forty(hints, share):
    assert score(2.0, hints) == pytest.approx(2.0 * share)
    assert ("nothing" in hint_price(2.0, hints)) is (hints >= 4)
