"""Figures that a verb writes beside what it prints: as CSV, and as JSON."""

import argparse
import os
from collections.abc import Mapping, Sequence
from pathlib import Path


def declare(parser: argparse.ArgumentParser) -> None:
    """Declare ``--csv`` and ``--json``."""
    parser.add_argument("--csv", metavar="F", help="write the figures to F as well, as comma-separated values")
    parser.add_argument("--json", metavar="F", help="write all that was found to F as well, as JSON")


def path_of(text: str) -> Path:
    """Return a path with the home folder filled in."""
    return Path(os.path.expanduser(text))


def check(options: argparse.Namespace) -> None:
    """Refuse targets that cannot be written, before anything long begins."""
    targets = [path_of(each) for each in (options.csv, options.json) if each]
    for target in targets:
        _check(options, target)
    if len({target.resolve() for target in targets}) < len(targets):
        options.usage_error(f"{targets[0]}: is named twice; give each sheet a name of its own")


def write_figures(options: argparse.Namespace, rows: Sequence[Mapping], whole: Mapping) -> None:
    """Write what ``--csv`` and ``--json`` ask for.

    Parameters
    ----------
    options : Namespace
        Of a parser that :func:`declare` has seen.
    rows : sequence of mapping
        Of numbers and texts; one line of the CSV each.
    whole : mapping
        Of numbers, texts, lists and mappings.
    """
    if options.csv:
        _write_csv(path_of(options.csv), rows)
    if options.json:
        _write_json(path_of(options.json), whole)


def _check(options, target):
    from gainlib.audio import audio_suffixes

    if target.suffix.lower() in audio_suffixes():
        options.usage_error(f"{target}: is a sound file by its name; choose another name")
    if target.is_dir():
        options.usage_error(f"{target}: is a folder; name a file in it")
    if not target.resolve().parent.is_dir():
        options.usage_error(f"{target}: the folder {target.resolve().parent} does not exist; make it first")


def _write_csv(target, rows):
    import csv

    from gainlib.audio import replacing

    with replacing(target) as part, part.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(rows[0])
        writer.writerows([_cell(value) for value in row.values()] for row in rows)


def _write_json(target, whole):
    import json

    from gainlib.audio import replacing

    with replacing(target) as part:
        part.write_text(json.dumps(_plain(whole), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def _cell(value):
    """Write a value so that it can be read back: −inf as -inf, None and NaN as nothing, points for decimals."""
    if value is None or value != value:
        return ""
    return value if isinstance(value, str | int) else repr(float(value))


def _plain(value):
    """Return a value as JSON holds it: −inf as "-inf", NaN as null."""
    if isinstance(value, Mapping):
        return {name: _plain(each) for name, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    if value is None or isinstance(value, str | bool | int):
        return value
    number = float(value)
    if number != number:
        return None
    return number if abs(number) < float("inf") else ("-inf" if number < 0 else "inf")
