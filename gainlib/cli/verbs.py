"""The verbs of the command line: what each is called and takes, what its help says, and which function does it.

What a verb works with is imported when it runs, so that ``--help`` starts at once.
"""

import argparse
from collections.abc import Callable, Mapping
from datetime import UTC
from typing import NamedTuple
from zoneinfo import ZoneInfo

from gainlib.cli.output import decimal, told

MEASURE = """\
Measure a sound file, or every sound file of a folder: peaks, averages, needle, loudness.

Hidden files, subfolders and files that are not audio are ignored. A file that cannot be read is named with the reason,
and the others are measured all the same.
"""
CHAINS = """\
CHAINS is TOML (step 3 of the bench writes it); a stem is named as its file is, or by a pattern:

  [stems.kick]
  inserts = ["filter", {box = "saturation", drive = 2}]

  [stems.bass]
  inserts = [{box = "black box", name = "opto", reference = -18}]
  fader = -6

  [stems."vocal *"]
  inserts = [{box = "compressor", threshold = -24, ratio = 3, attack = 10}]
  sends = {echo = -12}

  [groups.echo]
  fader = -3

Levels and gains are in dB, times in ms. Controls: fader, pan, input-trim, output-trim, inverted, dc-block, mute,
group, sends, leave-out. What cannot be run here and depends on level is a "black box". Without CHAINS and SESSION every
stem is linear and every control at 0 dB. JSON, the form of the version before, is still read.
"""
PLAN = f"""\
Plan every gain of a folder of stems: what to set where, and why. The balance stays, the bus comes to its target, and
the result is rendered and measured. A plan that fails its own verification is not written anywhere.

{CHAINS}"""
STAGE = f"""\
Plan the gains of a folder of stems and write the stems anew into OUT, which must not exist yet or be empty.

--through trim: polarity, DC block and trim; load them into the mixer in place of the raw stems. --through bus:
everything, fader and pan included; their sum is the bus, where the master is linear. The originals are only read, and
their checksums compared afterwards. SHA256SUMS lists those of the new files. Turn your monitors down before you load
the new stems: on the same faders they can be much louder than the raw ones.

{CHAINS}"""
SHEETS = """\
Compare two sheets: what changed by more than 0.1 dB from OLD to NEW, and which strips came or went.

OLD and NEW are two plan sheets or two level sheets (CSV), or two folders that "plan --out" wrote.
"""
LABS = """\
Open the labs in JupyterLab, in the browser of this computer. Press Ctrl-C twice here to end it.

Other options are handed to JupyterLab, for example --no-browser or --port 9000.
"""
GRADEBOOK = """\
Mark a class: every learner's numbers are drawn again and every answer is marked again, whatever the records say.

FOLDER holds the record files, in subfolders or zip archives if you like, one or several a learner, or joined. They are
known by what they hold, whatever their names; every file that is not used is named with the reason. The same event in
two files counts once. A line that cannot be read is named with its file, and the rest counts.

With a class file (class.toml, given or found in the folder) its labs are marked, its weights count in totals, and what
was answered after a deadline or outside the exam is noted. Its hand_in folder holds the records, else its own.

--class-list: one learner a line, or a table with the columns learner, class, id and e-mail. --overrides: a table with
the columns learner, class (if needed), exercise, points and note; or JSON, a list of objects with those names.

--send shows the scores that a learning platform (LTI 1.3, AGS 2.0) lacks, a line item a lab; with --yes they are sent.
Its file holds client_id, token_url, line_items_url, key (the file of the private key) and key_id, each a text, and ids,
the file of a table with learner, class and id, where the class list does not have the platform's ids.
"""
KEY = """\
Print the teacher's key for one learner or several: the numbers each has, the question, the right answer with what
counts as right, and the derivation. --class-list takes everybody on a list, as "gradebook" reads it. Names are compared
without regard to case; "" stands for no class code.

--new-secret writes a class secret into a folder of your own and prints the class code that learners then type; with
--secret and no learner it is printed again. Their numbers are drawn from that code, and their key needs the secret.
"""
HANDOUT = """\
Write what a lab needs on paper, as pages that need no other file and fit A4 and Letter: a hand-out (idea, picture of
the desk, worked example, tasks, what to take away), a lesson plan, and for a class answer sheets with each learner's
own numbers and one key to all of them. Print them from a browser.

CLASS is a class file or a folder with one (its labs, and whoever has handed in), a list of learners (one a line, or a
table with the columns learner and class), a folder of records, or a class code followed by the learners.
"""
NBGRADER = """\
Write labs as assignments of nbgrader: COURSE/source/ASSIGNMENT holds the lab's notebook with a hidden test for each
exercise, which gives the points that "gradebook" gives, part of them too. The record lies beside the notebook and is
handed in with it. Go on with nbgrader generate_assignment; it needs this workbook installed beside it.

COURSE/nbgrader_config.py is written where there is none. Whose record it is nbgrader cannot tell: let "gradebook" read
the folder of what was submitted too, it names copies.
"""
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
NULL = """\
Subtract B from A after aligning them to a fraction of a sample: start, speed and polarity, and the level if asked.

This reports the residual, in all and by octave, against the whole of A; how far the two were apart in time, speed,
level and polarity; and what that proves. A deep null shows that two prints are the same. A shallow one shows only that
something differs, not that it can be heard.
"""
DRIVES = {"reference": "restage", "unchanged": "keep"}
FORMER_DRIVES = {policy: drive for drive, policy in DRIVES.items()}
BITS = {"16": "PCM_16", "24": "PCM_24", "32f": "FLOAT"}
_FORMER_BITS = {"PCM_24": "24", "FLOAT": "32f"}
SHEET_FILES = {
    "plan.html": "html", "plan.csv": "csv", "levels.csv": "levels", "hand-off.txt": "note", "session.json": "save",
}  # fmt: skip


class Verb(NamedTuple):
    """A verb: what its help says, what declares its options, and what does it, as module and function.

    That function returns the exit code: 0 done, 1 something failed. Wrong use goes through
    ``options.usage_error(sentence)``, which ends with 2. A verb that ``passes_on`` finds words that nobody knows in
    ``options.rest``.
    """

    name: str
    summary: str
    description: str
    declare: Callable[[argparse.ArgumentParser], None]
    does: str
    passes_on: bool = False


def declare_json(parser: argparse.ArgumentParser) -> None:
    """Declare ``--json``; an action of a verb declares it too, and then the one that was given counts."""
    parser.add_argument(
        "--json", action="store_true", default=argparse.SUPPRESS, help="print one JSON document, and no other line"
    )


# ---- values of options -----------------------------------------------------------------------------------------------


def _value(sentence: str, read: Callable = decimal, fits: Callable = lambda value: True) -> Callable[[str], object]:
    """Return what reads the value of an option, or says what it is not and what would do."""

    def value(text: str) -> object:
        try:
            if fits(found := read(text)):
                return found
        except (ValueError, OSError, KeyError):
            pass
        raise argparse.ArgumentTypeError(f"{text!r} is not {sentence}")

    return value


def _sine_level(text):
    from gainlib.levels import dbfs_to_dbu

    level = decimal(text)
    dbfs_to_dbu(0.0, level)  # knows what is no level
    return level


def _digits(text):
    return int(text) if text.isascii() and text.isdigit() else -1


_COUNT = _value("a count; give 1 or more", _digits, lambda count: count >= 1)
_ATTEMPT = _value("a set of numbers; give 0 for the first, 1 for the second, …", _digits, lambda count: count >= 0)
_OFFSET = _value("an offset; give seconds up to 600, such as 2", fits=lambda seconds: 0.0 < seconds <= 600.0)


def _renaming(old: str, new: str, former: Mapping[str, str] = {}, kind: Callable = str) -> Callable[[str], object]:
    """Return what reads the value of an option, also by names of the version before, which are told."""

    def read(text: str) -> object:
        now = former.get(text, text)
        if (old, text) != (new, now):
            told(f"{old} {text}", f"{new} {now}")
        return kind(now)

    return read


def _former_option(parser, old: str, new: str, former: Mapping[str, str] = {}, kind: Callable = str, **how) -> None:
    """Read an option by its name of the version before as well; it stands in no help."""
    dest, read = new.lstrip("-").replace("-", "_"), _renaming(old, new, former, kind)
    parser.add_argument(old, dest=dest, type=read, default=argparse.SUPPRESS, help=argparse.SUPPRESS, **how)


# ---- options of verbs ------------------------------------------------------------------------------------------------


def _quiet(parser):
    parser.add_argument("-q", "--quiet", action="store_true", help="show no progress bar")


def _rack(parser):
    parser.add_argument("--rack", metavar="F", help="the file of your measured boxes (that of the bench)")


def _figures(parser):
    parser.add_argument("--csv", metavar="F", help="also write the figures to F, as comma-separated values")


def _measure(parser):
    add = parser.add_argument
    add("path", metavar="PATH", help="a sound file, or a folder of them")
    add("--csv", metavar="F", help="also write all figures to F, as comma-separated values")
    level = _value("a level; give a number of dBFS, such as -18", _sine_level)
    what = "level of a sine that reads 0 VU, in dBFS (default −18, EBU R 68)"
    add("--alignment", metavar="DBFS", type=level, default=-18.0, help=what)
    _quiet(parser)


def _plan(parser):
    add = parser.add_argument
    add("folder", metavar="FOLDER", help="the folder that holds your stems")
    add("--chains", metavar="F", help="what each stem goes through, and the balance (see below)")
    add("--session", metavar="F", help="a session saved earlier; FOLDER holds its stems")
    _rack(parser)
    add("--leave-out", metavar="NAME", action="append", default=[], help="a stem to leave out, or a pattern")
    level = _value("a target; give −60 to +6 dBTP, such as -6", fits=lambda level: -60.0 <= level <= 6.0)
    add("--target", metavar="DBTP", type=level, default=-6.0, help="true peak of the bus (default −6 dBTP)")
    what = "bring each processor to its reference, or leave every drive unchanged (reference, unless finished)"
    add("--drive", choices=tuple(DRIVES), type=_renaming("--drive", "--drive", FORMER_DRIVES), help=what)
    _former_option(parser, "--policy", "--drive", FORMER_DRIVES, choices=tuple(DRIVES))
    what = "the meter that is brought to a reference"
    add("--average", choices=("active", "needle"), default="active", help=what)
    what = "the meter that relations are kept by"
    add("--match", choices=("energy", "loudness"), default="energy", help=what)
    _quiet(parser)
    add("--out", metavar="DIR", help=f"write {', '.join(SHEET_FILES)} into DIR")
    add("--csv", metavar="F", help="write the plan sheet to F, as comma-separated values")
    add("--levels", metavar="F", help="write the level sheet to F, as comma-separated values")
    add("--html", metavar="F", help="write all sheets to F, as a page to print")
    add("--save", metavar="F", help="write the planned session to F, as JSON")
    add("--compare", metavar="F", help="print what differs from a sheet (CSV) written earlier")
    _former_option(parser, "--against", "--compare")


def _stage(parser):
    _plan(parser)
    add, through, bits = parser.add_argument, ("trim", "bus"), tuple(BITS)
    add("stems", metavar="OUT", help="the folder to make")
    add("--through", choices=through, default="trim", help="how much is in the stems (trim)")
    _former_option(parser, "--upto", "--through", choices=through)
    what, kind = "16 or 24 bits, or 32-bit float (24)", _renaming("--bits", "--bits", _FORMER_BITS)
    add("--bits", choices=bits, type=kind, default="24", help=what)
    _former_option(parser, "--subtype", "--bits", _FORMER_BITS, choices=bits)
    add("--gain-only", action="store_true", help="leave the DC block out of stems up to the trim")


def _sheets(parser):
    add, action = parser.add_argument, _renaming("sheets", "sheets", {"diff": "compare"})
    add("action", metavar="compare", choices=("compare",), type=action, help="the word compare")
    add("old", metavar="OLD", help="a sheet (CSV), or a folder of sheets")
    add("new", metavar="NEW", help="another one of the same kind")
    limit = _value("a limit; give decibels, such as 0.1", fits=lambda limit: 0.0 <= limit < 100.0)
    add("--limit", metavar="DB", type=limit, default=0.1, help="ignore changes up to this (0.1 dB)")


def _gradebook(parser):
    add = parser.add_argument
    add("folder", metavar="FOLDER", help="a folder of record files, one such file, or a class file")
    add("--csv", metavar="F", required=True, help="write the marks to F, one line a learner and exercise")
    add("--html", metavar="F", help="write a page to F, to read and print")
    add("--wide", metavar="F", help="write the marks to F, one line a learner, one column an exercise")
    add("--questions", metavar="F", help="write to F what each part of each exercise earned")
    add("--feedback", metavar="DIR", help="write a page to give back for each learner into DIR")
    what = "comma as decimal sign in all tables, semicolon between cells"
    add("--decimal-comma", action="store_true", help=what)
    add("--bom", action="store_true", help="mark all tables as UTF-8, as some spreadsheets need")
    zone = _value("a time zone known here; give one such as UTC", ZoneInfo)
    add("--zone", metavar="Z", type=zone, default=UTC, help="time zone of the times, such as Europe/Lisbon (UTC)")
    add("--class-list", metavar="F", help="who should have handed in")
    add("--aliases", metavar="F", help="other names: a table with the columns also, learner, class")
    add("--overrides", metavar="F", help="points given by hand, each with a note")
    add("--send", metavar="F", help="show the scores that the learning platform in F (lti.toml) lacks")
    add("--yes", action="store_true", help="send them")
    add("--lab", metavar="NN", help="this lab only, such as 05")
    what = "count only the first N sets of numbers of an exercise (default all)"
    add("--sets", metavar="N", type=_COUNT, help=what)
    what = "mark N learners at a time (default: as many as save time)"
    add("--processes", metavar="N", type=_COUNT, help=what)
    _quiet(parser)


def _learners(parser, code: str, who: str, everybody: str) -> None:
    """Declare who a key or a sheet is for."""
    parser.add_argument("class_code", metavar="CLASS", help=code)
    learners = parser.add_argument("learner", metavar="LEARNER", nargs="+", default=[], help=who)
    learners.required = False  # with "*" instead, Python 3.11 takes no names after an option that follows CLASS
    parser.add_argument("--class-list", metavar="F", help=everybody)
    parser.add_argument("--secret", metavar="F", help="the class.secret of the class, or the folder it lies in")


def _attempt(parser, second: str) -> None:
    what = f"which set of numbers: 0 for the first (default), 1 {second}, …"
    parser.add_argument("--attempt", metavar="N", type=_ATTEMPT, default=0, help=what)


def _key(parser):
    add, code = parser.add_argument, 'class code as the learner typed it, "" for none; or the class file'
    who = "names or numbers as the learners typed them; none with --class-list"
    _learners(parser, code, who, "everybody on this list; their class stands in it, or is CLASS")
    add("--new-secret", metavar="DIR", help="write a new class.secret into DIR, where no learner reads")
    add("--lab", metavar="NN", help="this lab only, such as 05")
    add("--exercise", metavar="NN-K", help="this exercise only, such as 05-3")
    add("--exam", action="store_true", help="the numbers of the exam that the class file names")
    _attempt(parser, "after asking for new ones once")


def _handout(parser):
    add, code = parser.add_argument, 'class file, class list, folder, or class code, "" for none'
    _learners(parser, code, "names, after a class code", "everybody on this list")
    parser.set_defaults(new_secret=None)
    what = "this lab, such as 05; give it again for more (default: all)"
    add("--lab", metavar="NN", action="append", help=what)
    _attempt(parser, "for the second")
    add("--exam", action="store_true", help="the lab and the numbers of the exam in the class file")
    add("--out", metavar="DIR", default="handouts", help="write into this folder (handouts)")


def _nbgrader(parser):
    parser.add_argument("course", metavar="COURSE", help="the folder of the course")
    parser.add_argument("--lab", metavar="NN", help="this lab only, such as 05")
    parser.add_argument("--assignment", metavar="NAME", help="what the assignment of --lab is called (lab-NN)")


def _probe(parser):
    actions = parser.add_subparsers(metavar="ACTION", required=True, dest="action")
    writing, reading = (
        actions.add_parser(name, help=what, description=PROBE, formatter_class=argparse.RawDescriptionHelpFormatter)
        for name, what in (("write", "make the test file"), ("read", "report what a recording shows"))
    )
    add = writing.add_argument
    add("file", metavar="FILE", help="the file to make, .wav or .flac; it must not exist yet")
    rate = _value("a sample rate; give hertz, such as 48000", int)
    add("--rate", metavar="HZ", type=rate, default=48000, help="sample rate (48000)")
    what = "highest peak level, −30 to 0 dBFS (−6); lower it if in doubt about what the box takes"
    level = _value("a level; give a number of dBFS, such as -6")
    add("--level", metavar="DBFS", type=level, default=-6.0, help=what)
    add = reading.add_argument
    add("file", metavar="FILE", help="the recording")
    what = "the test file that was played, or a recording of it without the box, which shows where the noise comes from"
    add("--probe", metavar="FILE", help=what)
    what = "keep the box in your rack under this name; plan then knows a black box that bears it"
    add("--name", metavar="NAME", help=what)
    _rack(reading)
    _figures(reading)
    for each in (writing, reading):
        declare_json(each)
        each.set_defaults(usage_error=each.error)


def _null(parser):
    add = parser.add_argument
    add("first", metavar="A", help="a print")
    add("second", metavar="B", help="another, at the same rate and with as many channels")
    what = "level: correct level and polarity as well; none: leave them as they are (level)"
    add("--match", choices=("level", "none"), default="level", help=what)
    what = "how far apart the starts may lie, in seconds (2)"
    add("--max-offset", metavar="S", type=_OFFSET, default=2.0, help=what)
    _former_option(parser, "--reach", "--max-offset", kind=_OFFSET)
    _figures(parser)


VERBS = (
    Verb("measure", "measure the levels of a file or a folder of stems", MEASURE, _measure, "measure.run"),
    Verb("plan", "plan every gain of a folder of stems, with reasons", PLAN, _plan, "plan.run_plan"),
    Verb("stage", "write stems with their planned gain", STAGE, _stage, "plan.run_stage"),
    Verb("sheets", "compare two sheets", SHEETS, _sheets, "plan.run_sheets"),
    # All options of labs are JupyterLab's.
    Verb("labs", "open the labs in JupyterLab", LABS, lambda parser: None, "labs.run_labs", passes_on=True),
    Verb("gradebook", "mark a class from its records", GRADEBOOK, _gradebook, "gradebook.run"),
    Verb("key", "print the right answers of learners", KEY, _key, "key.run_key"),
    Verb("handout", "write hand-outs, answer sheets, key and lesson plans", HANDOUT, _handout, "key.run_handout"),
    Verb("nbgrader", "write labs as assignments of nbgrader", NBGRADER, _nbgrader, "labs.run_nbgrader"),
    Verb("probe", "measure a box by a test file played through it", PROBE, _probe, "boxes.run_probe"),
    Verb("null", "subtract two prints of the same music", NULL, _null, "boxes.run_null"),
)
