"""Sentences that a user reads: worn patterns that once made them read translated, unclear or unsafe stay out."""

import ast
import json
import re
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
CODE, LABS = ROOT / "gainlib", ROOT / "labs"
DOCUMENTED = ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef

PATTERNS = {
    "lg for log₁₀": r"\\lg\b|\blg\b|\blog10\b",
    "wanted X, Y off": r"\bwanted [^.]*, [^.]*\b(off|short|too \w+)\b|, wanted (all|at|another|within)\b",
    "passive without a doer": r"\b(Told|Asked|Compared) (are|were)\b|\basked (are|is) (minutes|a|those)\b",
    "told for shown": r"\bis told\b|\btold now\b|Nothing is told",
    "stands for is": r"\bstands? (above|at|over|under|in the panel|behind the letters|in its)\b|\bas it stands\b",
    "taken out for corrected": r"\b(found and|level|speed|polarity) taken out\b",
    "boxes and ears as persons": r"\b(box|that|which|it|not) cares?\b|nobody here can|\bEars (take|believe)\b",
    "marking in odd words": r"free of charge|\b(judged|matched) rightly\b|” is not it\b|points short",
    "somebody, shall": r"\b[Ss]omebody\b|\bshall\b",
    "verdict without a subject": r"(^|[.?!] )(Wrong way|Upside down|Twice the exponent|Subtracted, )",
    "ends without a verb": r"(?<!\w)Others:(\s|$)",
    "no for not a": r"(?<!there )\bis no (JSON|CSV|count|level|limit|offset|record|sample rate|target)\b",
    "private words": r"Sixty more hits|make the hand worse|\bWhat (came up|it amounts to|comes of it)\b|\blets go\b",
    "luck": r"\bluck taken for\b|\bit was luck\b",
    "bits": r"\bfiles? of 24 bit\b|\bhas \{\} bit,",
    "worn caution": r"Ringing or dullness afterwards|as much as ears should get",
    "the day's limit without its hours": r"85 dBA? ?(for|are) 8 h|85 dB\(?A\)? for 8 hours(?! a day)|80 dBA for 40",
    "a path of a computer": r"/home/|/work/|/root/|/Users/|C:\\\\Users",
    "a hyphen for a minus": r"(?<![\w`/.=,–-])-\d+(\.\d+)? ?(dB|LU|VU|ms|%)",
}
STATE = r"clause not checked|\bfrom memory\b"  # of a source: in the list of sources of a hand-out, nowhere else


def _literals(path):
    """Yield line and text of every literal of several words that is no docstring; fields of f-strings as {}."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    bodies = [node.body for node in ast.walk(tree) if isinstance(node, DOCUMENTED) and node.body]
    silent = {id(body[0].value) for body in bodies if isinstance(body[0], ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            silent |= {id(part) for part in ast.walk(node) if part is not node}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in silent:
            text = node.value
        elif isinstance(node, ast.JoinedStr) and id(node) not in silent:
            text = "".join(part.value if isinstance(part, ast.Constant) else "{}" for part in node.values)
        else:
            continue
        if " " in text.strip():
            yield f"{path.relative_to(ROOT)}:{node.lineno}", text


def _markdown(path):
    """Yield place and text of every Markdown cell, without its code."""
    for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
        if cell["cell_type"] == "markdown":
            text = re.sub(r"```.*?```|`[^`]*`", "", "".join(cell["source"]), flags=re.DOTALL)
            yield f"{path.name} [{cell['id']}]", text


@cache
def sentences():
    """Return place and text of everything a user can read."""
    code = [each for path in sorted(CODE.rglob("*.py")) for each in _literals(path)]
    plans = [(f"plans/{path.name}", path.read_text(encoding="utf-8")) for path in sorted(LABS.glob("plans/*.md"))]
    return code + plans + [each for path in sorted(LABS.glob("*.ipynb")) for each in _markdown(path)]


def test_there_is_something_to_read():
    texts = dict(sentences())
    assert len(texts) > 1500 and sum(place.endswith("]") for place in texts) > 150


@pytest.mark.parametrize("what", PATTERNS)
def test_a_worn_pattern_stays_out(what):
    pattern = re.compile(PATTERNS[what], re.MULTILINE)
    found = [f"{place}: … {hit[0]} …" for place, text in sentences() for hit in pattern.finditer(text)]
    assert not found, "\n".join(found)


def test_the_state_of_a_source_is_told_in_lists_of_sources_alone():
    lists = ("-takeaway-text]", "-standards]")
    found = [place for place, text in sentences() if re.search(STATE, text) and not place.endswith(lists)]
    assert not found, found
