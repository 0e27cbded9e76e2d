"""Forms, fields and the desk without a page: what is entered is what is marked, and a lab goes on where it was left."""

import asyncio
import json

import pytest

from gainlib.audio import GainlibError
from gainlib.exercises import (
    Choice,
    Exercise,
    ExerciseScore,
    Matching,
    Multi,
    Number,
    Order,
    bank,
    draws,
    exercise,
    grid,
    mark,
)
from gainlib.notebook import Lab
from gainlib.notebook.assets import html_of
from gainlib.notebook.background import BackgroundTask
from gainlib.notebook.fields import BEHIND_S, field_for
from gainlib.notebook.forms import ExerciseForm
from gainlib.notebook.identity import WHO_FILE
from gainlib.notebook.learner import LearnerSession
from gainlib.notebook.ungraded import Prediction

OPTIONS = {key: f"the option {key}" for key in "pqrs"}
ITEMS = {"u": "first item", "v": "second item"}
EVERY_KIND = Exercise(
    id="98-1",
    title="Every kind of part",
    parts=(
        Number("Level", "dBFS", tolerance=0.1),
        Choice("One", options=OPTIONS),
        Multi("Some", options=OPTIONS),
        Order("All", options=OPTIONS),
        Matching("Each", items=ITEMS, options=OPTIONS),
        Matching("Tags", items=ITEMS, options=OPTIONS, several=True),
    ),
    given=draws(u=grid(1, 9)),
    statement="{u} dB of <b>something</b>",
    solve=lambda g: [-g["u"], "q", ["p", "s"], list("srqp"), {"u": "p", "v": "q"}, {"u": ["p", "q"], "v": ["r"]}],
)


@pytest.fixture
def learner(tmp_path):
    """A desk of lab 05, its record in a folder of its own."""
    return LearnerSession("05", tmp_path, "anna", "7b")


class OneExercise(LearnerSession):
    """A desk at which an exercise outside the bank is worked on; only what a form asks of it."""

    def score(self, exercise):
        """Nothing outside the bank is counted."""
        return ExerciseScore(exercise.id, max_points=exercise.points)


@pytest.mark.parametrize("part", range(len(EVERY_KIND.parts)), ids=[part.label for part in EVERY_KIND.parts])
def test_a_field_gives_back_what_it_shows(part):
    given = EVERY_KIND.variant("anna")
    field = field_for(EVERY_KIND.parts[part], given)
    assert field.value() is None
    wanted = EVERY_KIND.solve(given)[part]
    field.show(wanted)
    read = EVERY_KIND.parts[part].read
    assert read(field.value(), given) == read(json.loads(json.dumps(wanted)), given)
    field.show(None)
    assert field.value() is None
    field.show({"no": "such answer"})  # an answer given from code may be anything
    field.show("loud")


def test_a_form_of_every_kind_is_marked_right(tmp_path):
    learner = OneExercise("05", tmp_path, "anna")
    form = ExerciseForm(EVERY_KIND, learner)
    assert form.entered() == [None] * 6
    form.submit()
    form.show_answer(EVERY_KIND.solve(form.given))
    assert mark(EVERY_KIND, form.given, form.entered()).state == "right"
    form.show_answer("not a list of six")
    assert form.entered() == [None] * 6


def test_a_part_without_a_field_is_refused_by_name():
    part = Number("x")
    object.__setattr__(part, "kind", "smell")
    with pytest.raises(GainlibError, match="'smell'"):
        field_for(part, {})


@pytest.mark.parametrize("id", [each.id for each in bank() if each.lab == "05"])
def test_what_the_form_holds_is_what_code_would_hand_in(id, tmp_path):
    lab = Lab("05", folder=tmp_path, learner="anna")
    form = lab.exercise(id)
    assert form.exercise.values(form.entered()) == [None] * len(form.fields)
    verdict = lab.answer(id, exercise(id).solve(lab.given(id)))
    assert verdict.state == "right"
    assert "✓ Right" in form.said.text
    assert mark(form.exercise, form.given, form.entered()).state == "right"
    assert lab.score().points == verdict.points


def test_a_click_on_nothing_is_not_recorded(learner, tmp_path):
    form = ExerciseForm(learner.exercise("05-1"), learner)
    form.submit()
    assert "answer" not in (tmp_path / "record.jsonl").read_text()


def test_a_lab_goes_on_where_it_was_left(tmp_path):
    lab = Lab("05", folder=tmp_path, learner="anna", class_code="7b")
    lab.exercise("05-1").new_numbers()
    lab.exercise("05-1").open_hint()
    given = lab.given("05-1")
    lab.answer("05-1", exercise("05-1").solve(given))
    again = Lab("05", folder=tmp_path)
    assert (again.learner.name, again.learner.class_code) == ("anna", "7b")
    assert again.given("05-1") == given
    form = again.exercise("05-1")
    assert "✓ Right" in form.said.text and "1.7 of 2" in form.said.text
    assert len(form._hints.children) == 1
    assert again.score().points == pytest.approx(1.7)


def test_a_new_learner_gets_a_pseudonym_that_stays(tmp_path):
    first = LearnerSession("05", tmp_path).name
    assert first.startswith("learner-")
    assert LearnerSession("05", tmp_path).name == first
    (tmp_path / WHO_FILE).write_text("damaged")
    assert LearnerSession("05", tmp_path).name.startswith("learner-")


def test_a_lab_or_exercise_that_is_not_there_is_named(tmp_path, learner):
    for number in ("77", "five", "05/../05"):
        with pytest.raises(GainlibError, match="there is no lab"):
            Lab(number, folder=tmp_path)
    with pytest.raises(GainlibError, match="'05-9'; it has 05-1"):
        learner.exercise("05-9")
    with pytest.raises(GainlibError, match="name is empty"):
        learner.become("  ")


def test_a_prediction_is_kept_by_question(learner):
    box = Prediction(learner, "Which one?", ("this", "that"))
    assert box.choice is None
    box.radio.value = "that"
    assert box.choice == "that" and "that" in box.said.text
    assert Prediction(learner, "Which one?", ("this", "that")).radio.value == "that"
    assert Prediction(learner, "Another question?", ("this", "that")).radio.value is None
    with pytest.raises(GainlibError, match="at least two"):
        Prediction(learner, "Which one?", ("this",))


def test_a_prediction_is_locked_before_the_comparison_shows_anything(tmp_path):
    lab = Lab("05", folder=tmp_path, learner="anna")
    box, compare, desk = lab.predict("Which one?", "kick", "pad"), lab.compare(), lab.panel("bus")
    sheet = desk._views[-1]
    compare.ask.click()
    assert "Predict first" in compare._verdict.text and compare._table.children == () and not lab.learner.locked
    assert sheet.widget.children == (sheet._shut,) and sheet.view is None
    box.radio.value = "pad"
    assert sheet.widget.children == (sheet._shut,) and not box.radio.disabled
    desk.bar.chosen = desk.bar.tabs.index("Without one source")
    compare.ask.click()
    assert (
        "You said **pad**" in compare._verdict.text and box.radio.disabled and "You predicted **pad**" in box.said.text
    )
    assert sheet.widget.children == (sheet.view.widget,)
    lab.learner.predict("Which one?", "kick")
    assert lab.learner.prediction() == "pad", "a locked one stays"
    locked = [each for each in lab.learner.record.events().events if each.get("locked")]
    assert [(each["kind"], each["choice"]) for each in locked] == [("prediction", "pad")] and locked[0]["time"]
    again = Lab("05", folder=tmp_path, learner="anna")
    assert again.learner.locked and again.predict("Which one?", "kick", "pad").radio.disabled
    lab.learner.become("ben")
    assert compare._verdict.text == "" and compare._table.children == () and not box.radio.disabled
    assert sheet.widget.children == (sheet._shut,)


def test_two_masters_are_neither_seen_nor_heard_before_the_prediction_is_locked(tmp_path):
    lab = Lab("11", folder=tmp_path, learner="anna")
    box, compare, desk = (
        lab.predict("Which?", "the one that was made louder", "both alike"),
        lab.compare(),
        lab.panel("delivery"),
    )
    desk.bar.chosen = desk.bar.tabs.index("Two masters, played")
    waits = desk._views[desk.bar.chosen]
    assert waits.view is None and desk.player is None and "prediction is locked" in desk._stand.children[0].value
    box.radio.value = "both alike"
    compare.ask.click()
    assert waits.widget.children == (waits.view.widget,) and desk._stand.children == (desk.player,)


def test_what_a_learner_types_is_shown_and_not_obeyed(learner):
    form = ExerciseForm(learner.exercise("05-1"), learner)
    verdict = learner.answer(learner.exercise("05-1"), "<img src=x onerror=alert(1)>")
    form.show_verdict(verdict)
    assert verdict.state == "invalid" and "<img" not in form.said.html and "&lt;img" in form.said.html
    assert "javascript:" not in html_of("[click](javascript:alert(1))")


def test_a_wrong_state_answer_leaves_the_faders(tmp_path):
    lab = Lab("05", folder=tmp_path, learner="anna")
    form = lab.exercise("05-5")
    start = list(form.panel.mixers["faders_db"].values_db)
    for junk in ("loud", {"01 kick": {"fader_db": "loud"}}, {"01 kick": 3}, {"no strip": {"fader_db": 0.0}}, 7):
        assert lab.answer("05-5", junk).state == "invalid"
        assert form.panel.mixers["faders_db"].values_db == start


def test_undo_and_back_to_start_take_the_master_along(tmp_path):
    desk = Lab("05", folder=tmp_path, learner="anna").exercise("05-5").panel
    start = desk.setting
    desk.set(faders_db={**start["faders_db"], "master": -6.0})
    desk.set(faders_db={**desk.setting["faders_db"], "01 kick": -12.0})
    assert desk.controls()["master"] == {"fader_db": -6.0}
    desk.undo()
    assert desk.setting["faders_db"] == {**start["faders_db"], "master": -6.0}
    desk.undo()
    assert desk.setting == start and desk.controls() is None
    desk.set(faders_db={**start["faders_db"], "master": -6.0})
    desk.reset()
    assert desk.controls() is None


def test_of_several_requests_beside_the_hand_only_the_newest_is_worked_out():
    import asyncio
    import time

    from gainlib.notebook.errors import Panel

    worked, seen, lost = [], [], []

    def work(progress, number):
        worked.append(number)
        time.sleep(0.05)
        progress(0.5, "half")
        if number < 0:
            raise ValueError("planted")
        return number

    panel = Panel()
    beside = BackgroundTask(panel, work, seen.append, lambda: lost.append(True))

    async def gestures():
        for number in range(5):
            beside.ask(number)
            await asyncio.sleep(0.01)
        await asyncio.sleep(0.5)
        beside.ask(-1)
        await asyncio.sleep(0.5)

    loop_errors = []

    async def main():
        asyncio.get_running_loop().set_exception_handler(lambda _loop, context: loop_errors.append(context))
        await gestures()

    asyncio.run(main())
    assert worked == [4, -1] and seen == [4] and lost == [True]
    assert "planted" in panel.notice.message
    assert [str(each["exception"]) for each in loop_errors] == ["planted"]  # outside a kernel it goes on as it is


def test_the_solution_is_offered_after_the_second_wrong_try_and_asks_first(tmp_path):
    lab = Lab("05", folder=tmp_path, learner="anna")
    form, key = lab.exercise("05-1"), exercise("05-1").solve(lab.given("05-1"))
    lab.answer("05-1", 90)
    assert form.solution.layout.display == "none" and form.hint.description == "Hint 1 of 2"
    assert not any(each.layout.display for each in (form.check, form.hint, form.again)), "these stay in sight"
    assert "too high" in form.said.text and f"{key:.1f}".replace("-", "−") not in form.said.text
    lab.answer("05-1", 91)
    assert form.solution.layout.display == "" and form.hint.description == "Hint 1, free"
    form.ask_for_solution()
    assert form._explain.layout.display == "none", "not before the answer to the question"
    form.question.yes.click()
    assert form._explain.layout.display == "" and form.check.disabled
    again = Lab("05", folder=tmp_path, learner="anna").exercise("05-1")
    assert again._explain.layout.display == "" and again.check.disabled, "it stays so"
    form.new_numbers()
    assert form._explain.layout.display == "none" and not form.check.disabled
    lab.answer("05-1", exercise("05-1").solve(lab.given("05-1")))
    assert lab.score().points == 2


def test_how_many_ticks_are_right_is_told_from_the_second_try_on(tmp_path):
    lab = Lab("05", folder=tmp_path, learner="anna")
    form, right = lab.exercise("05-6"), exercise("05-6").solve(lab.given("05-6"))
    wrong = [[key] for key in lab.given("05-6")["set_ups"] if [key] != right]
    lab.answer("05-6", wrong[0])
    assert "of 6" not in form.said.text and "points)" not in form.said.text
    lab.answer("05-6", wrong[1])
    assert "of 6 are right" in form.said.text
    lab.answer("05-6", wrong[2])
    assert "third wrong try" in form.said.text and form.check.disabled and form._explain.layout.display == ""


def test_letters_behind_the_button_are_waited_for(tmp_path):
    """The page holds letters back while the kernel is busy, and sends the press of a button ahead of them."""
    lab = Lab("05", folder=tmp_path, learner="anna")
    form = lab.exercise("05-1")
    right = str(form.exercise.solve(form.given)).replace("-", "−")

    async def at_the_page():
        form.fields[0]._line.value = right[:2]
        form.check.click()
        await asyncio.sleep(0.05)
        form.fields[0]._line.value = right
        await asyncio.sleep(BEHIND_S + 0.2)

    asyncio.run(at_the_page())
    assert [event["answer"] for event in lab.learner.answers(form.exercise)] == [right]


def test_a_form_says_what_later_tries_at_choices_earn(tmp_path):
    lab = Lab("10", folder=tmp_path, learner="anna")
    form, asked = lab.exercise("10-5"), lab.learner.exercise("10-5")
    right = asked.solve(lab.given("10-5"))
    keys = [[option.key for option in part.options_for(form.given)] for part in asked.parts]
    others = [next(key for key in each if key != wanted) for each, wanted in zip(keys, right, strict=True)]
    lab.answer("10-5", [*right[:2], others[2]])
    assert "not all of these are right yet" in form.said.text and "points" not in form.said.word
    assert "best so far 0 of" in form._head.value and "New numbers" in form.said.text
    lab.answer("10-5", [*others[:2], right[2]])
    assert "(0 of 3 points)" in form.said.word and "An earlier try counts: 2 of 3 points." in form.said.text
    assert "best so far 2 of" in form._head.value
    lab.answer("10-5", right)
    assert "✓ Right (0 of 3 points)" in form.said.word and "An earlier try counts: 2 of 3 points." in form.said.text
