"""A made-up class and its record files, for the tests of the gradebook.

Every learner follows a plan, one word an exercise. What each plan must earn is written out below from the rules that
learners are told (15 % for each hint that was not free, the best set of numbers counts), not from the code that counts.
"""

import csv
import json
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser

from gainlib.__main__ import main
from gainlib.exercises import exercise
from gainlib.exercises.bank import edition_now
from gainlib.exercises.record import RULE

CLASS = "7b"
TYPED = ("05-1", "05-2", "05-3", "05-6")
"""Answered by many: they take little time to mark."""
PERFORMED = ("05-4", "05-5")
IDS = sorted((*TYPED, *PERFORMED))
SHARES = {
    "right": 1.0,
    "wrong": 0.0,
    "hint": 0.85,
    "three hints": 0.55,
    "second try": 1.0,
    "new numbers": 1.0,
    "partly": 0.5,
    "junk": 1.0,
    "nothing": 0.0,
}
STATES = {"wrong": "wrong", "partly": "partly", "nothing": "unattempted"}
FIRST = {"wrong", "second try", "new numbers", "partly", "nothing"}
"""Plans whose first readable answer is not right, or that have none."""


class Writer:
    """Writes one learner's events, a minute apart, into lines of JSON."""

    def __init__(self, learner, class_code=CLASS, day=4, rule=RULE):
        self.rule = {} if rule is None else {"rule": rule}
        self.learner, self.class_code, self.lines, self._drawn = learner, class_code, [], {}
        self._time = datetime(2026, 5, day, 8, tzinfo=UTC)

    def event(self, kind, **fields):
        """Add an event and return it."""
        self._time += timedelta(minutes=1)
        own = {"id": f"{self.learner}/{self.class_code}/{len(self.lines)}/{self._time:%d}", "kind": kind}
        who = {"time": self._time.isoformat(), "learner": self.learner, "class_code": self.class_code, "version": "0"}
        edition = {"edition": edition_now(fields["exercise"])} if self.rule and "exercise" in fields else {}
        event = {**own, **who, **self.rule, **edition, **fields}
        self.lines.append(event)
        return event

    def given(self, id, attempt=0):
        """Return this learner's numbers."""
        if (id, attempt) not in self._drawn:
            self._drawn[id, attempt] = exercise(id).variant(self.learner, attempt, self.class_code)
        return self._drawn[id, attempt]

    def answer(self, id, answer, attempt=0, **fields):
        """Add an answer beside the numbers it is for."""
        stored = {"given": self.given(id, attempt), **fields}
        return self.event("answer", exercise=id, attempt=attempt, answer=answer, **stored)

    def right(self, id, attempt=0):
        """Return the right answer."""
        return exercise(id).solve(self.given(id, attempt))

    def wrong(self, id, attempt=0):
        """Return an answer that is wrong in every part."""
        right = self.right(id, attempt)
        if id == "05-6":
            return [name for name in self.given(id, attempt)["set_ups"] if name not in right]
        if id == "05-4":
            return [next(name for name in ("01 kick", "05 bass") if name != right[0]), right[1] + 2.5]
        if id in ("05-3", "05-5"):
            return {"01 kick": {"fader_db": -40.0}}
        return [value + 3.1 for value in right] if isinstance(right, list) else right + 3.1

    def _back(self, id):
        """Return the fader that was pulled down put back, and none moved after it."""
        given = self.given(id)
        faders = zip(self.right(id), given["faders_db"], strict=True)
        return {name: {"fader_db": db + given["y"] * (name[3:] == given["track"])} for name, db in faders}

    def do(self, id, plan):
        """Add what a plan says."""
        right = self.right(id)
        if plan in ("hint", "three hints"):
            for number in range(1, 2 if plan == "hint" else 4):
                self.event("hint", exercise=id, attempt=0, hint=number)
        if plan in ("right", "hint", "three hints"):
            self.answer(id, right)
        elif plan == "wrong":
            self.answer(id, self.wrong(id))
        elif plan == "second try":
            self.answer(id, self.wrong(id))
            self.answer(id, right)
        elif plan == "new numbers":
            self.answer(id, self.wrong(id))
            self.event("attempt", exercise=id, attempt=1)
            self.answer(id, self.right(id, 1), attempt=1)
        elif plan == "partly":
            self.answer(id, self._back(id))
        elif plan == "junk":
            self.answer(id, "loud")
            self.answer(id, right)
        return self

    def text(self):
        """Return the record as it stands in a file."""
        return "".join(json.dumps(event, ensure_ascii=False) + "\n" for event in self.lines)

    def save(self, folder, name=None):
        """Write the record into a folder."""
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"{name or self.learner}.jsonl"
        path.write_text(self.text(), encoding="utf-8")
        return path


def plans(rng, count, performing=2):
    """Return the plan of each of so many learners: a word for every exercise."""
    words = {
        "05-1": ("right", "wrong", "hint", "second try", "new numbers", "junk", "nothing"),
        "05-2": ("right", "wrong", "three hints", "second try", "new numbers", "nothing"),
        "05-3": ("right", "wrong", "partly", "hint", "second try", "junk"),
        "05-6": ("right", "wrong", "hint", "nothing"),
    }
    drawn = [{id: str(rng.choice(words[id])) for id in TYPED} for _ in range(count)]
    for plan in drawn[:performing]:
        plan |= {id: str(rng.choice(("right", "wrong", "hint"))) for id in PERFORMED}
    return [{**dict.fromkeys(PERFORMED, "nothing"), **plan} for plan in drawn]


def run(*arguments):
    """Run a verb in this process and return its exit code, also where argparse ends it."""
    try:
        return main([str(word) for word in arguments])
    except SystemExit as end:
        return end.code


def rows_of(path):
    """Read a CSV back."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def id_of(row):
    """Return the id of a row's exercise, behind which its title stands lest a spreadsheet takes it for a date."""
    id, title = row["exercise"].split(" ", 1)
    assert title == exercise(id).title
    return id


def write_list(folder, text, encoding="utf-8"):
    """Write a class list or overrides as some program would."""
    path = folder / "list.csv"
    path.write_bytes(text.encode(encoding))
    return path


class Reading(HTMLParser):
    """Reads a page as a browser does: elements, their nesting, and the text of cells and list entries."""

    def __init__(self, text):
        super().__init__()
        self.open, self.seen, self.texts, self.scopes, self.attributes = [], [], [], [], set()
        self.feed(text)
        assert not self.open, "every element is closed"

    def handle_starttag(self, tag, attributes):
        self.seen.append(tag)
        self.attributes |= {name for name, _ in attributes}
        if tag == "th":
            self.scopes.append(dict(attributes).get("scope"))
        if tag in ("th", "td", "li"):
            self.texts.append("")
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.texts and {"th", "td", "li"} & set(self.open):
            self.texts[-1] += data
