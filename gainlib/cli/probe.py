"""``probe``: a test file for a box that cannot be run from here, and what a recording of it tells."""

import argparse
from typing import TYPE_CHECKING

from gainlib.cli.output import check, declare, path_of, write_figures

if TYPE_CHECKING:
    from gainlib.boxes import ProbeReport

SUMMARY = "measure a box by a test file that is played through it"
DESCRIPTION = """\
Measure a box that only sound can get into: a test file goes out, a recording of it comes back.

write  make the test file. Turn speakers and headphones down, or disconnect them, before you play it: it holds steady
       tones that climb to --level. For what the box itself takes, its maker's manual decides.
read   tell from the recording whether the box's level matters, its gain, distortion and noise against level, its
       working range, its reference, and the output gain that makes it as loud as its bypass. Record in mono, 24 bit, at
       the file's rate, from before its start to after its end; delay, speed and polarity are found.
"""
CAUTION = (
    "Caution: turn speakers and headphones down, or disconnect them, before you play this file. It starts soft and "
    "climbs in steps to steady tones of {level}. Look up in the box's manual what it takes."
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the two actions, each with its own options."""
    actions = parser.add_subparsers(metavar="ACTION", required=True, dest="action")
    writing = actions.add_parser(
        "write",
        help="make the test file",
        description=DESCRIPTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    writing.add_argument("file", metavar="FILE", help="the file to make, .wav or .flac; it must not exist yet")
    writing.add_argument("--rate", metavar="HZ", type=_rate, default=48000, help="sample rate (48000)")
    writing.add_argument(
        "--level", metavar="DBFS", type=_level, default=-6.0, help="highest peak level, −30 to 0 dBFS (−6)"
    )
    reading = actions.add_parser(
        "read",
        help="tell what a recording shows",
        description=DESCRIPTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    reading.add_argument("file", metavar="FILE", help="the recording")
    reading.add_argument(
        "--probe", metavar="FILE",
        help="the test file that was played, or a recording of it without the box, which tells whose the noise is",
    )  # fmt: skip
    declare(reading)
    for each in (writing, reading):
        each.set_defaults(usage_error=each.error)


def run(options: argparse.Namespace) -> int:
    """Write or read; a recording that cannot tell is a result like any other."""
    return _write(options) if options.action == "write" else _read(options)


def _rate(text):
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no sample rate; give hertz, such as 48000") from None


def _level(text):
    try:
        return float(text.replace("−", "-").replace(",", "."))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no level; give a number of dBFS, such as -6") from None


def _write(options):
    from gainlib.boxes import write_probe
    from gainlib.cli.table import show
    from gainlib.levels.printing import quantity

    path = path_of(options.file)
    write_probe(path, options.rate, level_max_dbfs=options.level)
    show([f"{path}: written, {options.rate} Hz, mono, up to {quantity(options.level, 'dBFS')}.", ""])
    show(_wrapped(CAUTION.format(level=quantity(options.level, "dBFS"))))
    return 0


def _read(options):
    from gainlib.boxes import read_probe
    from gainlib.cli.table import show

    check(options)
    report = read_probe(path_of(options.file), None if options.probe is None else path_of(options.probe))
    write_figures(options, *_figures(report))
    show([*_table(report), "", *_wrapped(report.sentence)])
    return 0


def _figures(report: "ProbeReport"):
    """Return the steps as rows for a CSV, and all of a report for JSON."""
    from dataclasses import fields

    curve = report.curve
    names = [field.name for field in fields(curve)]
    rows = [
        dict(zip(names, values, strict=True)) for values in zip(*(getattr(curve, name) for name in names), strict=True)
    ]
    whole = {
        "linear": report.linear,
        "kind": report.kind,
        "linear_up_to_dbfs": report.linear_up_to_dbfs,
        "offset_s": report.offset_s,
        "rate_error_ppm": report.rate_error_ppm,
        "polarity": report.polarity,
        "gain_db": report.gain_db,
        "reference_dbfs": report.reference_dbfs,
        "output_gain_db": report.output_gain_db,
        "working_range_dbfs": None if report.working_range is None else list(report.working_range[:3]),
        "noise_dbfs": report.noise_dbfs,
        "rate_hz": report.rate_hz,
        "levels_dbfs": list(report.levels_dbfs),
        "reason": report.reason,
        "range_reason": report.range_reason,
        "curve": rows,
    }
    return rows, whole


def _table(report):
    from gainlib.cli.table import Column, layout, number, screen_width

    curve = report.curve
    thd = ("" if value != value else number(value, 3) for value in curve.thd_percent)
    columns = [
        Column(("gain", "dB"), tuple(number(value, 2) for value in curve.gain_db)),
        Column(("THD", "%"), tuple(thd)),
        Column(("hidden", "under %"), tuple(number(value, 3) for value in curve.floor_percent)),
        Column(("THD+N", "%"), tuple(number(value, 3) for value in curve.thdn_percent)),
        Column(("noise", "dBFS"), tuple(number(value) for value in curve.noise_dbfs)),
    ]
    return layout([number(level, 0) for level in curve.level_dbfs], columns, screen_width(), head="dBFS in")


def _wrapped(text):
    import textwrap

    from gainlib.cli.table import screen_width

    return textwrap.wrap(text, screen_width())
