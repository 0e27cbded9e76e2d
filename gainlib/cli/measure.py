"""``measure``: every meter of a file or of a folder of files, as a table and as CSV."""

import argparse
import math
import os
import sys
import warnings
from dataclasses import astuple, fields
from functools import partial
from pathlib import Path
from typing import NamedTuple

from gainlib import meters
from gainlib.audio import AudioFile, GainlibError, audio_files, audio_suffixes
from gainlib.audio.types import watched
from gainlib.cli.output import Bar, check_target, figure, layout, path_of, plain, wrapped, write_csv
from gainlib.words import Table

_NOTE = (
    "Averages in dBFS are sine-referred: a full-scale sine reads 0. 0 VU is {alignment} dBFS. Flat runs are tops at "
    "one level, as clipping leaves them. A missing figure means too short or too silent to say."
)
_COLUMNS = {
    "peak\ndBFS": "sample_peak_dbfs",
    "true pk\ndBTP": "true_peak_dbtp",
    "RMS\ndBFS": "rms_dbfs",
    "active\ndBFS": "active_dbfs",
    "typical\nVU": "hover_vu",
    "loudness\nLUFS": "loudness_lufs",
    "range\nLU": "loudness_range_lu",
    "crest\ndB": "active_crest_db",
    "flat\nruns": "flat_runs",
}
_HEADS = ("file", "ch", "rate\nkHz", "length\nmin:s", *_COLUMNS)
_SPARE = ("ch", "rate\nkHz", "range\nLU", "crest\ndB")


class Row(NamedTuple):
    """What came of one file: a reading, or an error in its place."""

    path: Path
    source: AudioFile | None = None
    reading: meters.Reading | None = None
    error: str = ""


def run(options: argparse.Namespace) -> int:
    """Measure, print the table, write the CSV; 1 if any file failed or there is none."""
    path, report = path_of(options.path), options.report
    paths = audio_files(path) if os.path.isdir(path) else [path]
    target = _target(options, paths)
    if not paths:
        report.problem(f"{path}: no sound file in this folder; looked for {', '.join(audio_suffixes())}")
        return 1
    rows = _measured(paths, options.alignment, options.quiet)
    lines = [_figures(row) | {"error": report.without_places(row.error)} for row in rows]
    report.result |= {"alignment_dbfs": options.alignment, "files": lines}
    problem = ""
    try:
        if target:
            write_csv(target, lines)
    except GainlibError as error:  # what was measured is shown all the same
        problem = str(error)
    _print(report, rows, options.alignment)
    if problem:
        report.problem(problem)
    return 1 if problem or any(row.error for row in rows) else 0


def _target(options, paths):
    """Check where the CSV shall go before anything long begins."""
    if not options.csv:
        return None
    target = path_of(options.csv)
    if any(_same(target, path) for path in paths):
        options.usage_error(f"{target} is a sound file by its content; choose another name for the CSV")
    check_target(options, target, "the CSV")
    return target


def _same(one, other):
    try:
        return os.path.samefile(one, other)
    except OSError:
        return False


def _measured(paths, alignment_dbfs, quiet):
    """Open all, then measure one by one; the bar counts seconds of sound, so that it can tell what is left."""
    rows = [_opened(path) for path in paths]
    total, done = sum(row.source.duration_s for row in rows if row.source), 0.0
    bar = Bar(quiet, "{percentage:3.0f}% |{bar}| {n:.0f} of {total:.0f} s, {remaining} left  {desc}")

    def advance(source, block):
        nonlocal done
        done += len(block) / source.rate_hz
        bar("files", done, total, source.path.name[:24])

    try:
        return [_read(row, alignment_dbfs, advance) if row.source else row for row in rows]
    finally:
        bar.close()


def _opened(path):
    try:
        return Row(path, AudioFile(path))
    except GainlibError as error:
        return Row(path, error=str(error))


def _read(row, alignment_dbfs, advance):
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # of what is too large for a square; said below, in words
            reading = meters.measure(watched(row.source, partial(advance, row.source)), alignment_dbfs)
    except GainlibError as error:
        return row._replace(error=str(error))
    if any(value is not None and not value < math.inf for value in astuple(reading)):
        reason = f"its samples, up to {reading.sample_peak_dbfs:+.0f} dBFS, are too large for levels to be worked out"
        return row._replace(error=f"{row.path}: {reason}; export the file again")
    return row._replace(reading=reading)


def _figures(row):
    """Return what is known of a file: what it is, and every field of its reading."""
    own = {name: getattr(row.source, name, None) for name in ("channels", "rate_hz", "frames")}
    read = {field.name: getattr(row.reading, field.name, None) for field in fields(meters.Reading)}
    return {"file": row.path.name} | own | read


def _print(report, rows, alignment_dbfs):
    good = [row for row in rows if row.reading]
    if good:
        lines = layout(Table("", _HEADS, map(_line, good)), _SPARE)
        report.show([*lines, "", *wrapped(_NOTE.format(alignment=figure(alignment_dbfs)))])
    for row in rows:
        if row.error:
            report.problem(row.error)
    if len(good) < len(rows):
        print(f"{len(good)} of {len(rows)} files measured.", file=sys.stderr)


def _line(row):
    source = row.source
    yield from (plain(row.path.name), source.channels, f"{source.rate_hz / 1000:g}", _duration(source.duration_s))
    for field in _COLUMNS.values():
        yield figure(getattr(row.reading, field), 0 if field == "flat_runs" else 1)


def _duration(seconds):
    """Write a length of time as minutes and seconds.

    Examples
    --------
    >>> _duration(5.25), _duration(185), _duration(59.99)
    ('0:05.2', '3:05.0', '1:00.0')
    """
    tenths = round(seconds * 10)
    return f"{tenths // 600}:{tenths // 10 % 60:02d}.{tenths % 10}"
