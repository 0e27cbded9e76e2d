"""``measure``: every meter of a file or of a folder of files, as a table and as CSV."""

import argparse
import math
import os
import sys
from dataclasses import astuple
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from gainlib.cli import Verb
from gainlib.cli.output import (
    Bar,
    Column,
    cell,
    check_target,
    decimal,
    figure,
    layout,
    path_of,
    plain,
    wrapped,
    write_csv,
)  # fmt: skip

if TYPE_CHECKING:
    from gainlib.audio import AudioFile
    from gainlib.meters import Reading

DESCRIPTION = """\
Measure a sound file, or every sound file of a folder: peaks, averages, needle, loudness.

Hidden files, subfolders and files that are not audio are ignored. A file that cannot be read is named with the reason,
and the others are measured all the same.
"""
_NOTE = (
    "Averages in dBFS are sine-referred: a full-scale sine reads 0. 0 VU is {alignment} dBFS. Flat runs are tops at "
    "one level, as clipping leaves them. A missing figure means too short or too silent to say."
)


class Row(NamedTuple):
    """What came of one file: a reading, or an error in its place."""

    path: Path
    source: "AudioFile | None" = None
    reading: "Reading | None" = None
    error: str = ""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the path and the options."""
    parser.add_argument("path", metavar="PATH", help="a sound file, or a folder of them")
    parser.add_argument("--csv", metavar="F", help="also write all figures to F, as comma-separated values")
    parser.add_argument(
        "--alignment", metavar="DBFS", type=_level, default=-18.0,
        help="level of a sine that reads 0 VU, in dBFS (default −18, EBU R 68)",
    )  # fmt: skip
    parser.add_argument("-q", "--quiet", action="store_true", help="show no progress bar")


def run(options: argparse.Namespace) -> int:
    """Measure, print the table, write the CSV; 1 if any file failed or there is none."""
    path = path_of(options.path)
    paths = _paths(path)
    target = _target(options, paths)
    if not paths:
        from gainlib.audio import audio_suffixes

        options.report.problem(f"{path}: no sound file in this folder; looked for {', '.join(audio_suffixes())}")
        return 1
    rows = _measured(paths, options.alignment, options.quiet)
    lines = _lines(rows, options.report.without_places)
    problem = _csv_problem(target, lines)
    options.report.result |= {"alignment_dbfs": options.alignment, "files": lines}
    _print(options.report, rows, options.alignment)
    if problem:
        options.report.problem(problem)
    return 1 if problem or any(row.error for row in rows) else 0


def _level(text):
    from gainlib.levels import dbfs_to_dbu

    try:
        level = decimal(text)
        dbfs_to_dbu(0.0, level)  # knows what is no level
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a level; give a number of dBFS, such as -18") from None
    return level


def _paths(path):
    from gainlib.audio import audio_files

    return audio_files(path) if os.path.isdir(path) else [path]


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

    def advance(seconds, name):
        nonlocal done
        done += seconds
        bar("files", done, total, name[:24])

    try:
        for k, row in enumerate(rows):
            if row.source:
                rows[k] = _read(row, alignment_dbfs, advance)
    finally:
        bar.close()
    return rows


def _opened(path):
    from gainlib.audio import AudioFile, GainlibError

    try:
        return Row(path, AudioFile(path))
    except GainlibError as error:
        return Row(path, error=str(error))


def _read(row, alignment_dbfs, advance):
    import warnings

    from gainlib.audio import GainlibError
    from gainlib.meters import measure

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # of what is too large for a square; said below, in words
            reading = measure(_Watched(row.source, advance), alignment_dbfs)
    except GainlibError as error:
        return row._replace(error=str(error))
    if any(value is not None and not value < math.inf for value in astuple(reading)):
        reason = f"its samples, up to {reading.sample_peak_dbfs:+.0f} dBFS, are too large for levels to be worked out"
        return row._replace(error=f"{row.path}: {reason}; export the file again")
    return row._replace(reading=reading)


class _Watched:
    """A source that says how far it has been read."""

    def __init__(self, source, advance):
        self.rate_hz, self.channels, self.frames = source.rate_hz, source.channels, source.frames
        self._source, self._advance = source, advance

    def blocks(self, *arguments, **options):
        for block in self._source.blocks(*arguments, **options):
            yield block
            self._advance(len(block) / self.rate_hz, self._source.path.name)


def _print(report, rows, alignment_dbfs):
    good = [row for row in rows if row.reading]
    if good:
        lines = layout([plain(row.path.name) for row in good], _columns(good))
        report.show([*lines, "", *wrapped(_NOTE.format(alignment=figure(alignment_dbfs)))])
    for row in rows:
        if row.error:
            report.problem(row.error)
    if len(good) < len(rows):
        print(f"{len(good)} of {len(rows)} files measured.", file=sys.stderr)


def _columns(rows):
    def column(what, unit, field, decimals=1, spare=False):
        cells = tuple(figure(getattr(row.reading, field), decimals) for row in rows)
        return Column((what, unit), cells, spare)

    return [
        Column(("ch", ""), tuple(str(row.source.channels) for row in rows), spare=True),
        Column(("rate", "kHz"), tuple(f"{row.source.rate_hz / 1000:g}" for row in rows), spare=True),
        Column(("length", "min:s"), tuple(_duration(row.source.duration_s) for row in rows)),
        column("peak", "dBFS", "sample_peak_dbfs"),
        column("true pk", "dBTP", "true_peak_dbtp"),
        column("RMS", "dBFS", "rms_dbfs"),
        column("active", "dBFS", "active_dbfs"),
        column("typical", "VU", "hover_vu"),
        column("loudness", "LUFS", "loudness_lufs"),
        column("range", "LU", "loudness_range_lu", spare=True),
        column("crest", "dB", "active_crest_db", spare=True),
        column("flat", "runs", "flat_runs", 0),
    ]


def _duration(seconds):
    """Write a length of time as minutes and seconds.

    Examples
    --------
    >>> _duration(5.25), _duration(185), _duration(59.99)
    ('0:05.2', '3:05.0', '1:00.0')
    """
    tenths = round(seconds * 10)
    return f"{tenths // 600}:{tenths // 10 % 60:02d}.{tenths % 10}"


def _csv_problem(target, lines):
    """Write the CSV if there is to be one; return why it could not be, for what was measured is shown all the same."""
    from gainlib.audio import GainlibError

    try:
        if target:
            write_csv(target, [list(lines[0]), *([cell(value) for value in line.values()] for line in lines)])
    except GainlibError as error:
        return str(error)
    return ""


def _lines(rows, without_places):
    """Return what is known of each file: what it is, every field of its reading, the error if there was one."""
    from dataclasses import fields

    from gainlib.meters import Reading

    return [
        {"file": row.path.name}
        | {name: getattr(row.source, name) if row.source else None for name in ("channels", "rate_hz", "frames")}
        | {field.name: getattr(row.reading, field.name) if row.reading else None for field in fields(Reading)}
        | {"error": without_places(row.error)}
        for row in rows
    ]


VERBS = (Verb("measure", "measure the levels of a file or a folder of stems", DESCRIPTION, arguments, run),)
