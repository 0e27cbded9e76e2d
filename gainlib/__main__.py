"""The command line: ``python -m gainlib measure stems/``."""

import argparse
import errno
import os
import sys
from importlib import import_module
from pathlib import Path

from gainlib import __version__
from gainlib.cli.output import Report, document, path_of, told
from gainlib.cli.verbs import VERBS, declare_json
from gainlib.errors import GainlibError

_EPILOG = """\
exit code: 0 done, 1 something failed or nothing was found, 2 wrong use, 130 interrupted
Results go to standard output, all else to the error stream. With --json a verb prints one JSON document and nothing
else there; --json-schema prints what may stand in it. Files that are read are never altered.
"… VERB --help" tells more.
"""


def build_parser() -> argparse.ArgumentParser:
    """Return the parser with all verbs declared."""
    parser = argparse.ArgumentParser(
        prog="python -m gainlib",
        description="Levels from microphone to master: measure, mix, stage and check gain.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"gainlib {__version__}")
    parser.add_argument("--json-schema", action=_Schema, nargs=0, help="print the JSON Schema of what --json prints")
    verbs = parser.add_subparsers(metavar="VERB", required=True)
    for verb in VERBS:
        own = verbs.add_parser(
            verb.name,
            help=verb.summary,
            description=verb.description,
            epilog=_EPILOG.splitlines()[0],
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        verb.declare(own)
        declare_json(own)
        own.set_defaults(does=verb.does, verb=verb.name, passes_on=verb.passes_on)
        own.set_defaults(**({} if own.get_default("usage_error") else {"usage_error": own.error}))
    return parser


class _Schema(argparse.Action):
    """Prints the schema and ends, as ``--version`` does."""

    def __call__(self, parser, *_):
        print(Path(__file__).parent.joinpath("cli", "schema.json").read_text(encoding="utf-8").rstrip())
        parser.exit()


def main(arguments: list[str] | None = None) -> int:
    """Run one verb: the words after ``python -m gainlib``, those of this process by default.

    Returns 0 done, 1 something failed, 130 interrupted. Wrong use ends the process with 2.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a file name may hold what the screen's alphabet lacks
            stream.reconfigure(errors="backslashreplace")
    try:
        code = _run(sys.argv[1:] if arguments is None else arguments)
        if sys.stdout:
            sys.stdout.flush()
        return code
    except BrokenPipeError:  # whoever read our output has had enough; say nothing when Python closes it
        for stream in (sys.stdout, sys.stderr):
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
        return 1
    except KeyboardInterrupt:
        print("\nInterrupted; nothing half-written is left behind.", file=sys.stderr)
        return 130
    except OSError as error:
        if error.errno not in (errno.ENOSPC, errno.EFBIG, errno.EIO, errno.EDQUOT):
            raise
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        print(f"What was found cannot be written to standard output ({error.strerror}).", file=sys.stderr)
        return 1


def _run(arguments):
    words, former_json = _former_json(arguments)
    options, rest = build_parser().parse_known_args(words)
    if rest and not options.passes_on:
        options.usage_error(f"unrecognized arguments: {' '.join(rest)}")
    options.rest, options.former_json = [word for word in rest if word != "--"], former_json
    given = [
        text for name, text in vars(options).items() if isinstance(text, str) and name not in ("verb", "action", "does")
    ]
    report = options.report = Report(options.verb, vars(options).get("json", False), given)
    module, name = options.does.split(".")
    try:
        code = getattr(import_module(f"gainlib.cli.{module}"), name)(options)
        if former_json:
            told("--json F", "--json > F")
            from gainlib.audio import write_whole

            write_whole(path_of(former_json), document(report.result) + "\n")
    except GainlibError as error:
        report.problem(error)
        code = 1
    report.close(code)
    return code


def _former_json(words):
    """Take ``--json F`` of the version before out of the words of the verbs that had it."""
    for place, word in enumerate(words[1:], 1) if words[:1] in (["null"], ["probe"]) else ():
        if word.startswith("--json="):
            return [*words[:place], *words[place + 1 :]], word.removeprefix("--json=")
        if word == "--json" and words[place + 1 : place + 2] and words[place + 1].casefold().endswith(".json"):
            return [*words[:place], *words[place + 2 :]], words[place + 1]
    return words, ""


if __name__ == "__main__":
    sys.exit(main())
