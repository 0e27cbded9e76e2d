"""What is said of a record is true of the place, and whoever sits down is not taken for the one before."""

import pytest

from gainlib.notebook import Index, Lab, identity
from gainlib.notebook.records import SaveButton, about_here

PLACES = {
    "own": ({}, "on this computer, and sent nowhere", "only read"),
    "hub": ({"JUPYTERHUB_USER": "anna"}, "which other learners cannot read", "leave your computer"),
    "binder": ({"JUPYTERHUB_USER": "x-1", "BINDER_REF_URL": "x"}, "forgotten a few minutes after", "are lost when"),
}


@pytest.fixture
def at(monkeypatch):
    """Return a function that says where this runs."""
    for name in ("JUPYTERHUB_USER", "BINDER_REF_URL", "CODESPACE_NAME", "GAINLIB_CLASS", "GAINLIB_SHARED"):
        monkeypatch.delenv(name, raising=False)

    def at(**variables):
        for name, value in variables.items():
            monkeypatch.setenv(name, value)

    at(JPY_PARENT_PID="1")
    return at


def within(box):
    """Yield a widget and all that it holds."""
    yield box
    for child in getattr(box, "children", ()):
        yield from within(child)


@pytest.mark.parametrize("place", PLACES)
def test_each_place_is_told_what_is_true_of_it(tmp_path, at, place):
    variables, kept, stems = PLACES[place]
    at(**variables)
    heading = Lab("05", folder=tmp_path).title()
    said = Index(folder=tmp_path).who().said.text
    assert kept in heading._facts.value and kept in said and kept in about_here() and stems in about_here()
    assert ("Download your record before you leave" in about_here()) is (place == "binder")
    assert any(isinstance(each, SaveButton) for each in within(heading)) is (place == "binder")


def test_a_hub_says_who_is_here(tmp_path, at):
    identity.keep(tmp_path, identity.pseudonym(), "")
    at(JUPYTERHUB_USER="anna", GAINLIB_CLASS="7b")
    assert identity.kept(tmp_path) == {"learner": "anna", "class_code": "7b"}
    lab = Lab("05", folder=tmp_path)
    assert (lab.learner.name, lab.learner.class_code) == ("anna", "7b")
    lab.learner.become("Anna M.", "8")
    assert identity.kept(tmp_path) == {"learner": "Anna M.", "class_code": "8"}, "what was entered stays"


def test_after_another_start_the_index_asks_whether_it_is_still_the_same(tmp_path, at):
    Index(folder=tmp_path).shelf.become("anna", "7b")
    assert Index(folder=tmp_path).who().last.layout.display == "none"
    at(JPY_PARENT_PID="2")
    Lab("05", folder=tmp_path)  # opened first, it does not answer for anna
    who = Index(folder=tmp_path).who()
    assert who.last.layout.display == "" and "**anna, class 7b** worked here last. Is that you?" in who.said.text
    who.same.click()
    assert who.last.layout.display == "none" and not identity.from_before(tmp_path)
    at(JPY_PARENT_PID="3")
    who = Index(folder=tmp_path).who()
    who.other.click()
    assert identity.is_pseudonym(identity.kept(tmp_path)["learner"]) and who.name.value == ""


def test_where_pupils_share_an_account_nobody_is_taken_for_the_last_one(tmp_path, at):
    Index(folder=tmp_path).shelf.become("anna", "7b")
    at(JPY_PARENT_PID="2", GAINLIB_SHARED="1")
    assert identity.kept(tmp_path) == {}
    assert identity.is_pseudonym(Lab("05", folder=tmp_path).learner.name)
