"""The sheets as one page of HTML that needs no other file and prints on A4 and Letter, landscape, in black and white.

Tables come in pieces of twelve stems, each on a page of its own with its heading. Nothing is said by colour alone.
Names are what somebody typed: every text goes through :func:`_said`.
"""

import html
import math
from collections.abc import Iterable, Iterator

from gainlib import __version__
from gainlib.levels.printing import number, quantity
from gainlib.mix.sheet import OVERS, Setting, Sheet, bus_rows
from gainlib.mix.sheet_csv import one_line
from gainlib.mix.sheet_drawing import COLUMNS, channel_drawing
from gainlib.mix.sheet_words import SAFETY, file_format, hand_off, noise_notes

A_PAGE = 12
STYLE = """
@page { size: landscape; margin: 10mm; }
body { margin: 0; background: #fff; color: #000; font: 13px/1.35 system-ui, "DejaVu Sans", sans-serif; }
main { max-width: 1180px; margin: 0 auto; padding: 8px 16px 24px; }
h1 { font-size: 21px; margin: 6px 0 2px; }
h2 { font-size: 16px; margin: 18px 0 4px; border-bottom: 2px solid #000; break-after: avoid; }
p { margin: 3px 0; }
ul, ol { margin: 3px 0 3px 20px; padding: 0; }
li { overflow-wrap: anywhere; break-inside: avoid; }
svg { width: 100%; max-width: 1000px; height: auto; font-family: inherit; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; margin: 4px 0; width: 100%; }
caption { text-align: left; padding: 2px 0 4px; font-weight: 600; }
th, td { border: 1px solid #666; padding: 2px 5px; text-align: right; vertical-align: top; }
thead th { text-align: center; font-weight: 600; border-bottom-width: 2px; }
tbody th, .text { text-align: left; overflow-wrap: anywhere; }
tbody th { min-width: 7em; max-width: 14em; }
input { width: 13px; height: 13px; margin: 1px; }
.control, .glance tbody th { min-width: 12em; }
.glance td:nth-of-type(3) { min-width: 24em; }
.place { min-width: 15em; }
.by, .moved { white-space: nowrap; }
.moved { font-weight: 700; }
@media print {
  main { max-width: none; padding: 0; }
  thead { display: table-header-group; }
  tr, svg { break-inside: avoid; }
  .page { break-before: page; }
  body { font-size: 8.5pt; }
}
"""


def page(sheet: Sheet) -> str:
    """Return the sheets as a whole HTML document.

    Parameters
    ----------
    sheet : Sheet

    Returns
    -------
    str
    """
    body = "".join([_top(sheet), *_levels(sheet), *_glance(sheet), _moves(sheet), _bus(sheet), _verification(sheet)])
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{_said(sheet.title)}: gain plan</title><style>{STYLE}</style></head>"
        f"<body><main>{body}</main></body></html>\n"
    )


def _said(text: str) -> str:
    return html.escape(one_line(str(text)))


def _name(text: str) -> str:
    return f"<bdi>{_said(text)}</bdi>"


def _figure(value: float | None, decimals: int = 1, signed: bool = False) -> str:
    return "" if value is None else number(value, decimals, signed)


def _list(sentences: Iterable[str], kind: str = "ul") -> str:
    items = "".join(f"<li>{_said(sentence)}</li>" for sentence in sentences)
    return f"<{kind}>{items}</{kind}>" if items else ""


def _section(title: str, content: str, new_page: bool = False) -> str:
    return f"<section{' class=page' if new_page else ''}><h2>{title}</h2>{content}</section>" if content else ""


def _table(caption: str, heads: Iterable[str], rows: Iterable[str], kind: str = "plain") -> str:
    head = "".join(f'<th scope="col">{each}</th>' for each in heads)
    body = "".join(f"<tr>{row}</tr>" for row in rows)
    return (
        f"<table class={kind}><caption>{caption}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    )


def _pieces(rows: list, title: str) -> Iterator[tuple[str, list]]:
    """Cut rows into pieces for a page each, with a caption that says which they are."""
    for start in range(0, len(rows), A_PAGE):
        piece = rows[start : start + A_PAGE]
        which = f", {start + 1} to {start + len(piece)} of {len(rows)}" if len(rows) > A_PAGE else ""
        yield f"{title}{which}", piece


# ---------------------------------------------------------------------------------------------------------------- first


def _top(sheet):
    plan, kept = sheet.plan, sheet.plan.verification.passed
    verdict = "verified by a full render" if kept else "NOT VERIFIED: do not use it, see the last page"
    reading = sheet.after.stem.reading
    count = f"{len(sheet.stems)} stem{'s' * (len(sheet.stems) > 1)}, {sheet.found.rate_hz} Hz"
    comes = quantity(reading.true_peak_dbtp, "dBTP", 2)
    made = f"{sheet.made + ', ' if sheet.made else ''}gainlib {__version__}"
    about = (
        f"{count}; policy “{plan.policy}”; bus planned for {quantity(sheet.target_dbtp, 'dBTP')}, comes to {comes}; "
        f"{verdict}. {made}."
    )
    steps = (
        "Turn the monitors down. Write down what you have, so that you can go back.",
        "Strip by strip, left to right in the drawing: A, B, then each processor's gain in and out (C).",
        "Then post trim and fader (D, E), and the sends (G). Groups and the master come last.",
        f"Play the loudest passage: the bus peaks at {quantity(reading.true_peak_dbtp, 'dBTP', 1)}, "
        "and the balance is the one you had.",
    )
    letters = "; ".join(f"{letter} {words}" for letter, words in COLUMNS.items())
    return (
        f"<h1>{_name(sheet.title)}: gain plan</h1><p>{_said(about)}</p>"
        + _section("Where each column sits", f"{channel_drawing()}<p>{letters}. A group and the master have the same "
                   "order from the trim on. On your mixer a trim may be called gain, and a post trim may be a gain "
                   "at the end of the inserts.</p>")
        + _section("In this order", _list(steps, "ol"))
        + _section("What came up", _list((*sheet.notes, *plan.warnings)))
        + _section("For you to decide; nothing was moved for it", _list(plan.advice))
        + _section("Stay safe", _list(SAFETY))
    )  # fmt: skip


# --------------------------------------------------------------------------------------------------------------- levels

_LEVEL_HEADS = (
    "stem", "format", "peak<br>dBFS", "true peak<br>dBTP", "RMS<br>dBFS", "active<br>dBFS", "active<br>% of time",
    "crest<br>dB", "hover<br>VU", "needle<br>max VU", "loudness<br>LUFS", "DC<br>%", "floor<br>dBFS", "flat<br>runs",
    "L/R<br>corr.", "flags",
)  # fmt: skip
_LEVEL_NOTE = (
    "Averages are sine-referred: a full-scale sine reads 0 dBFS. Active: blocks within 25 dB of the loudest. Crest: "
    "peak over active level. 0 VU is −18 dBFS. Floor: a steady level in pauses; no figure means that it cannot be "
    "measured, not that it is clean. Flat runs: tops at one level, as clipping leaves them. “?”: possible, listen."
)


def _levels(sheet) -> Iterator[str]:
    formats = {strip.name: file_format(strip) for strip in sheet.found.strips}
    for caption, stems in _pieces(list(sheet.stems), "Levels of the stems as found"):
        rows = (_level_row(stem, formats[stem.name]) for stem in stems)
        note = f"<p>{_said(_LEVEL_NOTE)}</p>"
        yield _section("Level sheet", _table(caption, _LEVEL_HEADS, rows) + note, new_page=True)
    found = [finding.sentence for stem in sheet.stems for finding in stem.findings]
    yield _section("What the flags say", _list((*found, *noise_notes(sheet))))


def _level_row(stem, form):
    reading = stem.reading
    sure = {finding.tag: finding.sure for finding in stem.findings}
    flags = ", ".join(f"{tag}{'' if known else '?'}" for tag, known in sure.items())
    width = {1: "mono", 2: "stereo"}.get(stem.channels, f"{stem.channels} ch")
    figures = (
        _figure(reading.sample_peak_dbfs),
        _figure(reading.true_peak_dbtp),
        _figure(reading.rms_dbfs),
        _figure(reading.active_dbfs),
        _figure(100 * reading.activity, 0),
        _figure(reading.active_crest_db),
        _figure(reading.hover_vu),
        _figure(reading.needle_max_vu),
        _figure(reading.loudness_lufs),
        _figure(100 * reading.dc_offset, 2),
        _figure(stem.noise_dbfs),
        str(reading.flat_runs),
        _figure(stem.correlation, 2),
    )
    return (
        f'<th scope="row">{_name(stem.name)}</th><td class="text">{_said(form)}, {width}</td>'
        + "".join(f"<td>{figure}</td>" for figure in figures)
        + f'<td class="text">{_said(flags)}</td>'
    )


# ----------------------------------------------------------------------------------------------------------------- plan


def _glance(sheet) -> Iterator[str]:
    owners: dict[str, list[Setting]] = {}
    for setting in sheet.settings:
        owners.setdefault(setting.strip, []).append(setting)
    heads = ("strip", *(f"{letter}<br>{words}" for letter, words in COLUMNS.items()))
    note = "<p>In dB; “before → after” in bold where it moves, one figure where it stays.</p>"
    for caption, piece in _pieces(list(owners.items()), "Every control"):
        rows = (_glance_row(name, settings) for name, settings in piece)
        yield _section("Plan sheet: settings at a glance", _table(caption, heads, rows, "glance") + note, new_page=True)


def _glance_row(name, settings):
    cells: dict[str, dict[str, list[str]]] = {letter: {} for letter in COLUMNS}
    for setting in settings:
        letter, label, end = _column(setting)
        cells[letter].setdefault(label, []).append(f"{end} {_change(setting)}".strip())
    lines = ("<br>".join(f"{label} {', '.join(ends)}".strip() for label, ends in cells[c].items()) for c in COLUMNS)
    return f'<th scope="row">{_name(name)}</th>' + "".join(f'<td class="text">{line}</td>' for line in lines)


def _column(setting):
    """Return the letter of a setting's column, and what stands ahead of its figures: a line's label, and a word."""
    control = setting.control
    if control.startswith("insert "):
        count, _, end = control.removeprefix("insert ").partition(" ")
        return "C", f"{count} {_said(setting.processor)}:", end
    if control.startswith("send "):
        return "G", f"{_name(control.removeprefix('send '))}:", ""
    if control == "mute":
        return "E", "muted", ""
    known = {"trim": "B", "post trim": "D", "fader": "E", "pan": "F"}
    return (known[control], "", "") if control in known else ("A", _said(control), "")


def _change(setting):
    before, after = _value(setting, setting.before), _value(setting, setting.after)
    if setting.control == "mute":
        return ""
    return f'<span class="moved">{before} → {after}</span>' if setting.moves else after


def _value(setting, value):
    if setting.unit == "switch":
        return "inverted" if setting.control == "polarity" else "on" if value else "off"
    return number(value, 2 if setting.control == "pan" else 1, signed=math.isfinite(value))


def _moves(sheet):
    moved = [setting for setting in sheet.settings if setting.moves]
    heads = ("done", "strip", "", "control", "where it sits", "before → after", "by", "why")
    rows = (
        f'<td><input type="checkbox" aria-label="done: {_said(each.strip)}, {_said(each.control)}"></td>'
        f'<th scope="row">{_name(each.strip)}</th><td>{_column(each)[0]}</td>'
        f'<td class="control text">{_said(_control(each))}</td>'
        f'<td class="place text">{_said(each.place)}</td><td>{_change(each)}</td><td class="by">{_by(each)}</td>'
        f'<td class="text">{_said(each.reason)}</td>'
        for each in moved
    )
    if not moved:
        return _section("Plan sheet: what to move, and why", "<p>Nothing: everything stands where it should.</p>")
    count = f"{len(moved)} moves; everything else stays"
    return _section("Plan sheet: what to move, and why", _table(count, heads, rows), new_page=True)


def _control(setting):
    return f"{setting.control} ({setting.processor})" if setting.processor else setting.control


def _by(setting):
    if setting.unit == "switch" or not math.isfinite(setting.before) or not math.isfinite(setting.after):
        return ""
    return f"{number(setting.after - setting.before, 1, signed=True)} dB"


# ------------------------------------------------------------------------------------------------------------------ bus


def _bus(sheet):
    def row(item, unit, before, after):
        decimals = {"DC offset": 4, OVERS: 0}.get(item, 2)
        cells = (_figure(value, decimals) or "not measurable" for value in (before, after))
        return f'<th scope="row">{item}</th>' + "".join(f"<td>{cell}</td>" for cell in cells) + f"<td>{unit}</td>"

    rows = (row(*each) for each in bus_rows(sheet.before, sheet.after))
    table = _table("The bus before and after", ("", "before", "after", "unit"), rows)
    peak = quantity(sheet.before.stem.reading.true_peak_dbtp, "dBTP", 2)
    moved = (
        f"The bus peaked at {peak}, the target is {quantity(sheet.target_dbtp, 'dBTP')}: everything that reaches it "
        f"moved by {quantity(sheet.plan.offset_db, 'dB', 2, signed=True)}; no relation changed."
    )
    note = _list(hand_off(sheet))
    return _section("Bus report", f"{table}<p>{_said(moved)}</p>", new_page=True) + _section("Hand-off note", note)


def _verification(sheet):
    def row(check):
        verdict = "kept" if check.passed else "MISSED"
        wanted = f"{number(check.low, 2)} to {number(check.high, 2)}"
        return (
            f'<th scope="row">{_said(check.name)}</th><td>{number(check.measured, 2)}</td><td>{wanted}</td>'
            f'<td>{_said(check.unit)}</td><td class="text">{verdict}</td>'
        )

    checks = sheet.plan.verification.checks
    missed = len(sheet.plan.verification.missed)
    caption = f"{len(checks)} checks on a full render of the plan, {missed or 'none'} missed"
    table = _table(caption, ("check", "measured", "wanted", "unit", "verdict"), map(row, checks))
    return _section("Verification", table, new_page=True)
