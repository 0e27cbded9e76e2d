"""``probe`` and ``null``: what a recording of a test file tells of a box, and what one print less another proves."""

import argparse
from typing import TYPE_CHECKING

from gainlib.cli import Verb
from gainlib.cli.output import (
    Column,
    check_figures,
    decimal,
    declare_figures,
    declare_rack,
    figure,
    former_option,
    layout,
    path_of,
    plain,
    rack_of,
    wrapped,
    write_figures,
)  # fmt: skip
from gainlib.cli.report import declare_json

if TYPE_CHECKING:
    from gainlib.boxes import ProbeReport

PROBE = """\
Measure a black box by sound: a test file goes out, and a recording of it comes back.

write  make the test file. Before you play it, disconnect speakers and headphones, or switch the amplifier off, until
       the recording is done: it holds steady tones that climb to --level. The maximum input level in the maker's
       manual, and local rules, come first; choose a lower --level if in doubt.
read   report from the recording whether the box's level matters, its gain, distortion and noise against level, its
       working range, its reference, and the output gain that makes it as loud as its bypass. Record in mono, 24-bit,
       at the file's rate, from before its start to after its end, with input monitoring muted; delay, speed and
       polarity are found.
"""
CAUTION = (
    "Caution: before you play this file, disconnect speakers and headphones, or switch the amplifier off, until the "
    "recording is done. It starts soft and climbs in steps to steady tones of {level}. The maximum input level in the "
    "box's manual, and local rules, come first; write a softer file with --level if in doubt. Mute input monitoring "
    "while you record, switch phantom power off, and never send line level into a microphone input."
)
NULL = """\
Subtract B from A after aligning them to a fraction of a sample: start, speed and polarity, and the level if asked.

This reports the residual, in all and by octave, against the whole of A; how far the two were apart in time, speed,
level and polarity; and what that proves. A deep null shows that two prints are the same. A shallow one shows only that
something differs, not that it can be heard.
"""
_PROBE_FIGURES = (
    "linear", "kind", "linear_up_to_dbfs", "opens_dbfs", "offset_s", "rate_error_ppm", "polarity", "gain_db",
    "reference_dbfs", "output_gain_db", "noise_dbfs", "rate_hz", "levels_dbfs", "reason", "range_reason",
)  # fmt: skip
_NULL_FIGURES = (
    "depth_db", "raw_depth_db", "residual_dbfs", "offset_s", "drift_ppm", "polarity", "matched", "alike", "compared_s",
    "left_out_s", "sentence",
)  # fmt: skip


def probe_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the two actions, each with its own options."""
    actions = parser.add_subparsers(metavar="ACTION", required=True, dest="action")
    writing = actions.add_parser(
        "write",
        help="make the test file",
        description=PROBE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    writing.add_argument("file", metavar="FILE", help="the file to make, .wav or .flac; it must not exist yet")
    writing.add_argument("--rate", metavar="HZ", type=_rate, default=48000, help="sample rate (48000)")
    writing.add_argument(
        "--level",
        metavar="DBFS",
        type=_level,
        default=-6.0,
        help="highest peak level, −30 to 0 dBFS (−6); lower it if in doubt about what the box takes",
    )
    reading = actions.add_parser(
        "read",
        help="report what a recording shows",
        description=PROBE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    reading.add_argument("file", metavar="FILE", help="the recording")
    reading.add_argument(
        "--probe", metavar="FILE",
        help="the test file that was played, or a recording of it without the box, which shows where the noise comes "
            "from",
    )  # fmt: skip
    reading.add_argument(
        "--name", metavar="NAME",
        help="keep the box in your rack under this name; plan then knows a black box that bears it",
    )  # fmt: skip
    declare_rack(reading)
    declare_figures(reading)
    for each in (writing, reading):
        declare_json(each)
        each.set_defaults(usage_error=each.error)


def run_probe(options: argparse.Namespace) -> int:
    """Write or read; a recording that cannot tell is a result like any other."""
    return _write(options) if options.action == "write" else _read(options)


def _rate(text):
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a sample rate; give hertz, such as 48000") from None


def _level(text):
    try:
        return decimal(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a level; give a number of dBFS, such as -6") from None


def _write(options):
    from gainlib.boxes import write_probe
    from gainlib.levels.printing import quantity

    path = path_of(options.file)
    write_probe(path, options.rate, level_max_dbfs=options.level)
    options.report.result |= {"file": path.name, "rate_hz": options.rate, "level_max_dbfs": options.level}
    options.report.show([f"{path}: written, {options.rate} Hz, mono, up to {quantity(options.level, 'dBFS')}.", ""])
    options.report.show(wrapped(CAUTION.format(level=quantity(options.level, "dBFS"))))
    return 0


def _read(options):
    from gainlib.boxes import racked, read_probe

    check_figures(options)
    report = read_probe(path_of(options.file), None if options.probe is None else path_of(options.probe))
    rows, options.report.result = _probe_figures(report)
    write_figures(options, rows)
    options.report.show([*_probe_table(report), "", *wrapped(report.sentence)])
    if options.name is not None:
        rack = rack_of(options)
        rack.put(racked(report, options.name))
        options.report.result["name"] = options.name
        options.report.show(["", f"In your rack as {plain(options.name)}: {rack.path}"])
    return 0


def _probe_figures(report: "ProbeReport"):
    """Return the steps as rows for a CSV, and all of a report for JSON."""
    from dataclasses import fields

    curve = report.curve
    names = [field.name for field in fields(curve)]
    rows = [
        dict(zip(names, values, strict=True)) for values in zip(*(getattr(curve, name) for name in names), strict=True)
    ]
    whole = {name: getattr(report, name) for name in _PROBE_FIGURES}
    whole |= {"working_range_dbfs": None if report.working_range is None else report.working_range[:3], "curve": rows}
    return rows, whole


def _probe_table(report):
    curve = report.curve
    thd = ("" if value != value else figure(value, 3) for value in curve.thd_percent)
    columns = [
        Column(("gain", "dB"), tuple(figure(value, 2) for value in curve.gain_db)),
        Column(("THD", "%"), tuple(thd)),
        Column(("hidden", "under %"), tuple(figure(value, 3) for value in curve.floor_percent)),
        Column(("THD+N", "%"), tuple(figure(value, 3) for value in curve.thdn_percent)),
        Column(("noise", "dBFS"), tuple(figure(value) for value in curve.noise_dbfs)),
    ]
    return layout([figure(level, 0) for level in curve.level_dbfs], columns, head="dBFS in")


# ---------------------------------------------------------------------------------------------------------------- null


def null_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the two prints and how they are compared."""
    parser.add_argument("first", metavar="A", help="a print")
    parser.add_argument("second", metavar="B", help="another, at the same rate and with as many channels")
    parser.add_argument(
        "--match", choices=("level", "none"), default="level",
        help="level: correct level and polarity as well; none: leave them as they are (level)",
    )  # fmt: skip
    parser.add_argument(
        "--max-offset", metavar="S", type=_seconds, default=2.0,
        help="how far apart the starts may lie, in seconds (2)",
    )  # fmt: skip
    former_option(parser, "--reach", "--max-offset", kind=_seconds)
    declare_figures(parser)


def run_null(options: argparse.Namespace) -> int:
    """Subtract, print, write."""
    from gainlib.audio import AudioFile
    from gainlib.boxes import null_test

    check_figures(options)
    first, second = (AudioFile(path_of(each)).load() for each in (options.first, options.second))
    report = null_test(first, second, match=options.match == "level", reach_s=options.max_offset)
    rows, options.report.result = _null_figures(report)
    write_figures(options, rows)
    options.report.show(_null_lines(report))
    return 0


def _seconds(text):
    try:
        seconds = decimal(text)
    except ValueError:
        seconds = -1.0
    if not 0.0 < seconds <= 600.0:
        raise argparse.ArgumentTypeError(f"{text!r} is not an offset; give seconds up to 600, such as 2")
    return seconds


def _null_figures(report):
    """Return the octaves, with the whole first, as rows for a CSV, and all of a report for JSON."""
    rows = [{"octave_hz": "all", "residual_db": report.depth_db}]
    rows += [{"octave_hz": hz, "residual_db": level} for hz, level in report.octaves.items()]
    whole = {name: getattr(report, name) for name in _NULL_FIGURES}
    whole |= {"gain_db": report.gain_db if report.alike else None, "octaves": rows[1:]}
    return rows, whole


def _null_lines(report):
    levels = [report.depth_db, *report.octaves.values()]
    names = ["all", *(f"{hz:g} Hz" for hz in report.octaves)]
    column = Column(("remains", "dB"), tuple(figure(level, silent="nothing") for level in levels))
    return [*layout(names, [column], "octave"), "", *wrapped(_known(report)), "", *wrapped(report.sentence)]


def _known(report):
    """Say how the two prints lay before anything was taken out, in plain words."""

    def off(value, decimals, unit, more, less, none):
        return f"{figure(abs(value), decimals)} {unit} {more if value > 0 else less}" if value else none

    said = [
        off(1000.0 * report.offset_s, 3, "ms", "after A", "before A", "with A"),
        "runs " + off(report.drift_ppm, 2, "millionths", "faster", "slower", "at its speed"),
    ]
    if report.alike:
        said.append("is not inverted" if report.polarity > 0 else "is inverted")
        level = round(report.gain_db, 3)
        said.append("is " + off(level, 3, "dB", "above it", "below it", "at its level"))
    raw = report.raw_depth_db
    before = "nothing" if raw == float("-inf") else f"{figure(raw)} dB"
    left = " and ".join(f"{figure(s, 2)} s of {w}" for s, w in zip(report.left_out_s, "AB", strict=True) if s)
    return (
        f"B starts {', '.join(said[:-1])} and {said[-1]}. Before alignment, {before} remained. Compared: "
        f"{figure(report.compared_s, 2)} s{f', but not {left}' if left else ''}."
    )


VERBS = (
    Verb("probe", "measure a box by a test file played through it", PROBE, probe_arguments, run_probe),
    Verb("null", "subtract two prints of the same music", NULL, null_arguments, run_null),
)
