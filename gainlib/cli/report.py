"""What a verb found: told line by line on the screen, or given as one JSON document on standard output.

All else goes to the error stream: progress, cautions, what went wrong. ``schema.json`` beside this file describes the
documents of all verbs; its number, ``SCHEMA``, goes up where one of them changes so that a script would notice.
"""

import argparse
import json
import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import Any

from gainlib import __version__
from gainlib.cli.output import plain, show

SCHEMA = 1


class Report:
    """What a verb tells and finds.

    Parameters
    ----------
    verb : str
    as_json : bool
        Whether standard output gets one document at the end and nothing else.
    places : sequence of str
        Paths as typed; folders ahead of what they name stand in no document.

    Attributes
    ----------
    result : dict
        What was found, by name; see ``schema.json``.
    """

    def __init__(self, verb: str, as_json: bool, places: Sequence[str] = ()):
        self._verb, self.as_json, self._problems, self.result = verb, as_json, [], {}
        self._places = _folders(places)

    def show(self, lines: Sequence[str]) -> None:
        """Print lines for a reader, unless a script reads."""
        if not self.as_json:
            show(lines)

    def problem(self, sentence: object) -> None:
        """Tell what went wrong."""
        print(plain(str(sentence)), file=sys.stderr)
        self._problems.append(self.without_places(str(sentence)))

    def without_places(self, sentence: str) -> str:
        """Return a sentence with files by their names alone: where they lie is nobody's business elsewhere."""
        for place in self._places:
            sentence = sentence.replace(place, "")
        return sentence

    def close(self, code: int) -> None:
        """Give the document, if that is what was asked for."""
        if self.as_json:
            whole = {"schema": SCHEMA, "gainlib": __version__, "verb": self._verb, "exit": code}
            print(document(whole | {"problems": self._problems, "result": self.result}))


def declare_json(parser: argparse.ArgumentParser) -> None:
    """Declare ``--json``; an action of a verb declares it too, and then the one that was given counts."""
    parser.add_argument(
        "--json", action="store_true", default=argparse.SUPPRESS, help="print one JSON document, and no other line"
    )


def _folders(texts):
    """Return what may stand ahead of a file's name, the longest first."""
    folders = {os.getcwd()}
    for path in (Path(os.path.expanduser(text)) for text in texts if text):
        for each in (path, Path(os.path.abspath(path)), Path(os.path.realpath(path))):
            folders |= {
                str(folder) for folder in (each, each.parent) if len(folder.parts) > 1 or not folder.is_absolute()
            }
    return sorted((f"{folder}{os.sep}" for folder in folders if folder not in (".", "")), key=len, reverse=True)


def document(whole: object) -> str:
    """Return JSON: −inf as "-inf", NaN as null, and no sign that breaks a line or ends in the middle of a letter."""
    text = json.dumps(jsonable(whole), indent=1, ensure_ascii=False)
    return text.encode("utf-8", "backslashreplace").decode()


def jsonable(value: Any) -> Any:
    """Return a value as JSON holds it: dataclasses as objects, −inf as "-inf", NaN as null."""
    if is_dataclass(value):
        value = asdict(value)
    if isinstance(value, Mapping):
        return {str(name): jsonable(each) for name, each in value.items()}
    if isinstance(value, list | tuple):
        return [jsonable(each) for each in value]
    if value is None or isinstance(value, str | bool | int):
        return value
    number = float(value)
    if number != number:
        return None
    return number if abs(number) < float("inf") else ("-inf" if number < 0 else "inf")
