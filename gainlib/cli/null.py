"""``null``: one print subtracted from another, and what the rest proves."""

import argparse

from gainlib.cli.figures import check, declare, path_of, write_figures

SUMMARY = "subtract two prints of the same music"
DESCRIPTION = """\
Subtract B from A after aligning them to a fraction of a sample: start, speed and polarity, and the level if asked.

Told are what remains, in all and by octave, against the whole of A; how far the two were apart in time, speed, level
and polarity; and what that proves. A deep null shows that two prints are the same. A shallow one shows only that
something differs, not that it can be heard.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the two prints and how they are compared."""
    parser.add_argument("first", metavar="A", help="a print")
    parser.add_argument("second", metavar="B", help="another, at the same rate and with as many channels")
    parser.add_argument(
        "--match", choices=("level", "none"), default="level",
        help="level: take level and polarity out as well; none: leave them as they are (level)",
    )  # fmt: skip
    parser.add_argument(
        "--reach", metavar="S", type=_seconds, default=2.0, help="how far apart the starts may lie, in seconds (2)"
    )
    declare(parser)


def run(options: argparse.Namespace) -> int:
    """Subtract, print, write."""
    from gainlib.audio import AudioFile
    from gainlib.cli.table import show
    from gainlib.staging import null_test

    check(options)
    first, second = (AudioFile(path_of(each)).load() for each in (options.first, options.second))
    report = null_test(first, second, match=options.match == "level", reach_s=options.reach)
    write_figures(options, *_figures(report))
    show(_lines(report))
    return 0


def _seconds(text):
    try:
        seconds = float(text.replace(",", "."))
    except ValueError:
        seconds = -1.0
    if not 0.0 < seconds <= 600.0:
        raise argparse.ArgumentTypeError(f"{text!r} is no reach; give seconds up to 600, such as 2")
    return seconds


def _figures(report):
    """Return the octaves, with the whole first, as rows for a CSV, and all of a report for JSON."""
    rows = [{"octave_hz": "all", "residual_db": report.depth_db}]
    rows += [{"octave_hz": hz, "residual_db": level} for hz, level in report.octaves.items()]
    whole = {
        "depth_db": report.depth_db,
        "raw_depth_db": report.raw_depth_db,
        "residual_dbfs": report.residual_dbfs,
        "offset_s": report.offset_s,
        "drift_ppm": report.drift_ppm,
        "polarity": report.polarity,
        "gain_db": report.gain_db,
        "matched": report.matched,
        "octaves": rows[1:],
        "sentence": report.sentence,
    }
    return rows, whole


def _lines(report):
    import textwrap

    from gainlib.cli.table import Column, layout, number, screen_width

    levels = [report.depth_db, *report.octaves.values()]
    names = ["all", *(f"{hz:g} Hz" for hz in report.octaves)]
    column = Column(("remains", "dB"), tuple(number(level, silent="nothing") for level in levels))
    before = number(report.raw_depth_db, silent="nothing")
    known = (
        f"B starts {number(1000.0 * report.offset_s, 3)} ms after A, runs {number(report.drift_ppm, 2)} millionths "
        f"fast, {'is not inverted' if report.polarity > 0 else 'is inverted'}, and stands "
        f"{number(report.gain_db, 3)} dB against it. As they were, {before} dB remained."
    )
    width = screen_width()
    table = layout(names, [column], width, head="octave")
    return [*table, "", *textwrap.wrap(known, width), "", *textwrap.wrap(report.sentence, width)]
