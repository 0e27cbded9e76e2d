"""The sheets: figures against other libraries, text that cannot act, paper that fits, differences that are found."""

import csv
import html.parser
import io
import math
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
from browser import headless
from scipy import signal
from stemfolder import RATE, make, samples

from gainlib.audio import Audio, GainlibError
from gainlib.meters import measure
from gainlib.mix import apply_chains, difference, plan, sheet_of
from gainlib.mix.console import DECIMALS, EVERY, told_once
from gainlib.mix.moves import said_once
from gainlib.mix.sheet import SAFETY, bus_report, hand_off, hand_off_note, noise_notes
from gainlib.mix.sheet_files import COLUMNS, channel_drawing, level_csv, one_line, page, plan_csv, tame
from gainlib.processors import BlackBox, Compressor, Gate, Limiter, Saturation
from gainlib.session import Group, Insert, Master, Send, Session, Strip, open_folder


@pytest.fixture(scope="module")
def own(tmp_path_factory):
    """Return the sheet of a folder of six stems with chains, and the folder."""
    folder, chains = make(tmp_path_factory.mktemp("own") / "stems")
    session, notes = apply_chains(open_folder(folder), chains.read_text(encoding="utf-8"))
    return sheet_of(session, plan(session), notes=notes, made="2031-05-06"), folder


def rows(text):
    return list(csv.DictReader(io.StringIO(text)))


def tone(level_dbfs, hz=220.0, seconds=0.5):
    time_s = np.arange(round(seconds * RATE)) / RATE
    return Audio(10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hz * time_s), RATE)


class Reader(html.parser.HTMLParser):
    """Reads a page as a browser would: its elements, and its tables as text."""

    VOID = ("meta", "br", "input", "path", "rect", "circle")

    def __init__(self, text):
        super().__init__()
        self.tags, self.attributes, self.tables, self.open = [], [], [], []
        self._cell = None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, key, value) for key, value in attrs]
        if tag not in self.VOID:
            self.open.append(tag)
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self._cell = ""

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag
        if tag in ("td", "th"):
            self.tables[-1][-1].append(self._cell)
            self._cell = None

    def handle_data(self, data):
        if self._cell is not None:
            self._cell += data


# ---- figures ---------------------------------------------------------------------------------------------------------


def test_levels_against_other_libraries(own):
    sheet, _ = own
    found = {row["strip"]: row for row in rows(level_csv(sheet))}
    assert set(found) == {"bass", "guitar é", "hat", "kick", "tom 1", "vocal"}
    for name, kind in (("kick", "kick"), ("guitar é", "guitar"), ("hat", "hat")):
        x = samples(kind)
        assert float(found[name]["sample_peak_dbfs"]) == pytest.approx(20 * np.log10(np.abs(x).max()), abs=0.01)
        rms = 10 * np.log10(2 * np.mean((x - x.mean(axis=0)) ** 2))  # a full-scale sine reads 0 (AES17)
        assert float(found[name]["rms_dbfs"]) == pytest.approx(rms, abs=0.01)
        loudness = pyloudnorm.Meter(RATE).integrated_loudness(x)
        assert float(found[name]["loudness_lufs"]) == pytest.approx(loudness, abs=0.1)
    guitar = samples("guitar")
    assert float(found["guitar é"]["correlation"]) == pytest.approx(np.corrcoef(guitar.T)[0, 1], abs=1e-3)
    assert float(found["vocal"]["dc_offset"]) == pytest.approx(samples("vocal").mean(), abs=1e-4)
    assert found["vocal"]["flags"] == "too low; DC"
    assert [found[name]["format"] for name in ("bass", "guitar é", "hat")] == [
        "FLAC 16 bit", "WAV 32-bit float", "AIFF 24 bit",
    ]  # fmt: skip


def test_a_line_a_strip_holds_every_control_as_planned(own):
    sheet, _ = own
    found = {row["strip"]: row for row in rows(plan_csv(sheet))}
    planned = sheet.plan.session
    assert list(found) == [*planned.names, "master"]
    for strip in planned.strips:
        row = found[strip.name]
        for column, field in (("trim_db", "trim_db"), ("output_trim_db", "post_trim_db"), ("fader_db", "fader_db")):
            assert float(row[column]) == pytest.approx(getattr(strip, field), abs=0.0501)
        assert float(row["pan"]) == pytest.approx(strip.pan, abs=0.00501)
        for number, insert in enumerate(strip.inserts, 1):
            assert float(row[f"insert_{number}_in_db"]) == pytest.approx(insert.in_db, abs=0.0501)
            assert float(row[f"insert_{number}_out_db"]) == pytest.approx(insert.out_db, abs=0.0501)
    moved = {(name, control) for name, row in found.items() for control in row["moves"].split("; ") if control}
    assert moved == {(move.strip, move.control) for move in sheet.plan.moves}
    assert (found["vocal"]["tap_echo"], found["vocal"]["switches"]) == ("post", "DC block")
    assert float(found["vocal"]["send_echo_db"]) == pytest.approx(planned.strip("vocal").sends[0].level_db, abs=0.0501)
    assert found["guitar é"]["switches"] == "polarity" and found["guitar é"]["source"] == "WAV, stereo"
    assert (found["bass"]["insert_1_processor"], found["bass"]["insert_1_basis"]) == ("black box", "told")
    assert (found["drums"]["kind"], found["drums"]["source"], found["master"]["pan"]) == ("group", "tom 1", "")


def test_the_reading_wanted_is_the_average_at_each_processors_input(own):
    """As a meter shows that is put there: where a knob has no scale, it is set by this figure."""
    sheet, _ = own
    trace = sheet.plan.session.render()
    count = 0
    for row in sheet.rows:
        owner = "bus" if row.kind == "master" else row.name
        for insert in row.inserts:
            active = measure(trace.audio(f"{owner}/insert {insert.number}/in")).active_dbfs
            assert insert.reading_dbfs == pytest.approx(active, abs=0.0501), (row.name, insert)
            count += 1
    assert count == 7
    kick = next(row for row in sheet.rows if row.name == "kick")
    assert kick.inserts[1].reading_dbfs == pytest.approx(Saturation().reference_dbfs, abs=0.06)


def test_the_bus_against_other_libraries(own):
    sheet, _ = own
    table = next(table for table in Reader(page(sheet)).tables if table[0][1:3] == ["before", "after"])
    found = {
        row[0]: dict(zip(("before", "after"), (each.replace("−", "-") for each in row[1:3]), strict=True))
        for row in table[1:]
    }
    for column, session in (("before", sheet.found), ("after", sheet.plan.session)):
        bus = session.render().bus.samples
        peak = 20 * np.log10(np.abs(signal.resample_poly(np.pad(bus, ((64, 64), (0, 0))), 8, 1, axis=0)).max())
        loudness = pyloudnorm.Meter(RATE).integrated_loudness(bus)
        assert float(found["true peak"][column]) == pytest.approx(peak, abs=0.1)
        assert float(found["loudness"][column]) == pytest.approx(loudness, abs=0.1)
        assert float(found["peak-to-loudness ratio"][column]) == pytest.approx(peak - loudness, abs=0.2)
        assert int(found["over full scale"][column]) == np.count_nonzero(np.abs(bus) > 1.0)
    assert float(found["true peak"]["after"]) == pytest.approx(-6.025, abs=0.026)
    master = rows(plan_csv(sheet))[-1]
    assert (master["bus_true_peak_dbtp"], master["bus_loudness_lufs"]) == tuple(
        found[item]["after"] for item in ("true peak", "loudness")
    )


def test_numbers_read_back_and_silence_is_minus_inf():
    strips = (Strip("a", tone(-12.0)), Strip("quiet", tone(-np.inf), fader_db=-np.inf, sends=()))
    session = Session(strips)
    sheet = sheet_of(session, plan(session))
    quiet = rows(level_csv(sheet))[1]
    assert quiet["active_dbfs"] == "-inf" and float(quiet["active_dbfs"]) == -math.inf
    assert quiet["crest_db"] == "" and quiet["flags"] == "silent"
    assert rows(plan_csv(sheet))[1]["fader_db"] == "-inf"
    numbers = (
        "trim_db",
        "fader_db",
        "pan",
        "sample_peak_dbfs",
        "true_peak_dbtp",
        "active_dbfs",
        "loudness_lufs",
        "dc_offset",
    )
    for text in (level_csv(sheet), plan_csv(sheet)):
        found = [row[name] for row in rows(text) for name in numbers if row.get(name)]
        assert len(found) > 5 and all(math.isfinite(float(cell)) or cell == "-inf" for cell in found)
        assert "\r" not in text and text.endswith("\n")


def test_every_check_is_on_the_sheet(own):
    sheet, _ = own
    table = Reader(page(sheet)).tables[-1]
    assert [row[0] for row in table[1:]] == [check.name for check in sheet.plan.verification.checks]
    assert all(row[-1] == "kept" for row in table[1:])


def as_shown(cell):
    """Return a CSV cell as a reader sees it: a true minus sign, a plus sign unless it is a level of nothing."""
    return cell.replace("-inf", "−∞") if cell == "-inf" else cell.replace("-", "−") if float(cell) <= 0 else f"+{cell}"


def test_numbers_are_equal_to_the_last_digit_on_paper_and_in_csv(own):
    sheet, _ = own
    found = {row["strip"]: row for row in rows(plan_csv(sheet))}
    lines = {row[0]: row for row in Reader(page(sheet)).tables[0][1:]}
    every, compared = lines.pop(EVERY), 0
    for name, row in lines.items():
        for column, place in (("trim_db", 2), ("output_trim_db", 4), ("fader_db", 5), ("pan", 6)):
            cell = row[place] or (every[place] if found[name]["kind"] == "strip" else "")
            assert cell == (as_shown(found[name][column]) if found[name][column] else ""), (name, column)
            compared += bool(cell)
        inserts = [
            tuple(as_shown(found[name][f"insert_{k}_{what}"]) for what in ("in_db", "reading_dbfs", "out_db"))
            for k in (1, 2) if found[name][f"insert_{k}_number"]
        ]  # fmt: skip
        assert re.findall(r"(\S+) → (\S+) → ([+−.\d]+)", row[3]) == inserts
        if sent := found[name]["send_echo_db"]:
            assert row[7] == f"echo {as_shown(sent)} post"
    assert compared == 4 * 9 + 2


def test_what_strips_share_is_said_once_and_equal_moves_too():
    strips = [Strip(f"s{k}", tone(-20.0 - k), fader_db=-9.0, pan=0.1 * k) for k in range(6)]
    session = Session((*strips, Strip("odd", tone(-30.0), fader_db=-2.0)))
    sheet = sheet_of(session, plan(session))
    shared = told_once(sheet.rows)
    assert set(shared) == {"trim", "output trim", "fader"} and shared["fader"].text == "0.0" and shared["fader"].moved
    lines = Reader(page(sheet)).tables[0]
    assert [row[5] for row in lines[1:]] == ["0.0", *[""] * 6, "−2.0", "0.0"]
    assert [row[6] for row in lines[2:9]] == ["0.00", "+0.10", "+0.20", "+0.30", "+0.40", "+0.50", "0.00"]
    said = said_once(sheet.plan.moves)
    assert [strips for strips, move, _ in said if move.control == "fader"] == [tuple(f"s{k}" for k in range(6))]
    assert told_once(sheet.rows[:3]) == {}, "few are quicker read one by one"
    assert DECIMALS == {"pan": 2}


# ---- sentences -------------------------------------------------------------------------------------------------------


def test_the_hand_off_note_has_the_figures_and_what_to_know(own):
    sheet, folder = own
    note = hand_off_note(sheet)
    reading = sheet.after.stem.reading
    for figure in (reading.true_peak_dbtp, reading.loudness_lufs, sheet.after.plr_db):
        assert f"{figure:.1f}".replace("-", "−") in note
    assert "48000 Hz" in note and "2031-05-06" in note and "DC offset" in note and "noise floor" in note
    assert "timbre of kick, vocal and drums" not in note  # the drum group keeps its drive
    assert re.search(r"timbre of kick and vocal changes", note)
    assert "bass, processor 1, black box: you say that it is built for −20.0 dBFS" in note
    assert str(folder) not in note


def test_what_is_on_the_bus_is_said():
    session = Session((Strip("a", tone(-8.0)),), master=Master(inserts=(Insert(Limiter(-1.0)),)))
    assert any("On the bus: limiter" in said for said in hand_off(sheet_of(session, plan(session))))
    kept = Session((Strip("a", tone(-8.0), inserts=(Insert(Saturation()),)),), finished=True)
    assert any("Every drive was left" in said for said in hand_off(sheet_of(kept, plan(kept))))


def test_where_a_noise_floor_comes_to_stand():
    rng = np.random.default_rng(1)
    time_s = np.arange(6 * RATE) / RATE
    music = 0.05 * np.sin(2 * np.pi * 220 * time_s) * (time_s % 2 < 1.2)
    hiss = 0.002 * rng.standard_normal(len(time_s))
    session = Session((Strip("tape", Audio(music + hiss, RATE), inserts=(Insert(BlackBox(-18.0)),)),))
    result = plan(session)
    (said,) = noise_notes(sheet_of(session, result))
    floor = 20 * np.log10(0.002 * np.sqrt(2))  # a sine of the hiss's power
    wanted = floor + result.session.strip("tape").trim_db
    figures = [float(figure.replace("−", "-")) for figure in re.findall(r"[−\d.]+(?= dBFS)", said)]
    assert figures == pytest.approx([floor, wanted], abs=0.3)
    assert ("gate it" in said) == (wanted > -50)


def test_a_gate_shows_its_threshold():
    session = Session((Strip("tom", tone(-30.0), inserts=(Insert(Gate(-45.0)), Insert(Saturation()))),))
    sheet = sheet_of(session, plan(session))
    (row, _) = rows(plan_csv(sheet))
    assert float(row["insert_1_threshold_dbfs"]) == pytest.approx(-45.0 + float(row["trim_db"]), abs=0.1)
    assert f"1 gate (opens {as_shown(row['insert_1_threshold_dbfs'])})" in Reader(page(sheet)).tables[0][1][3]


def test_switches_are_said_in_words(own):
    lines = {row[0]: row for row in Reader(page(own[0])).tables[0]}
    assert lines["guitar é"][1] == "WAV, stereo; polarity inverted"
    assert "; <b>DC block on</b>" in page(own[0])
    muted = Session((Strip("a", tone(-8.0)), Strip("b", tone(-8.0), mute=True)))
    assert Reader(page(sheet_of(muted, plan(muted)))).tables[0][2][5] == "0.0; muted"


# ---- text that cannot act --------------------------------------------------------------------------------------------

EVIL = (
    "=cmd|'calc'!A0",
    "+1",
    "-2 dB pad",
    "@sum",
    "<script>alert(1)",
    "a\nb",
    "\u202etxt.exe",
    "'q",
    '"&',
)


@pytest.fixture(scope="module")
def evil():
    """Return the sheet of a session whose names want to do something."""
    strips = [Strip(name, tone(-20.0 - k), sends=(Send("<b>echo", -9.0),)) for k, name in enumerate(EVIL)]
    session = Session(strips, (Group("<b>echo"),), name="<img src=x>")
    return sheet_of(session, plan(session), notes=("<i>note",), made="")


def test_no_name_becomes_a_formula(evil):
    for text in (level_csv(evil), plan_csv(evil)):
        cells = [cell for row in csv.reader(io.StringIO(text)) for cell in row]
        acting = [cell for cell in cells if cell[:1] in ("=", "+", "@", "\t", "\r")]
        acting += [cell for cell in cells if cell.startswith("-") and not re.fullmatch(r"-(inf|\d+(\.\d+)?)", cell)]
        assert acting == []
        assert all("\n" not in cell and "\u202e" not in cell for cell in cells)
    names = [row["strip"] for row in rows(level_csv(evil))]
    assert names == [tame(name) for name in EVIL] and names[0] == f"'{EVIL[0]}" and names[7] == "''q"


def test_names_come_back_from_a_sheet(evil):
    found = difference(level_csv(evil), level_csv(replace(evil, stems=evil.stems[1:])))
    assert found.removed == (one_line(EVIL[0]),) and found.changes == ()


def test_no_name_becomes_markup(evil):
    text = page(evil)
    read = Reader(text)
    assert read.open == []
    assert not {"script", "img", "i", "a", "link", "iframe"} & set(read.tags)
    assert all(re.fullmatch(r"[+−]?[\d.]+", moved) for moved in re.findall("<b>(.*?)</b>", text))
    names = [row[0] for row in read.tables[0][2:]]
    assert names == [*(one_line(name) for name in EVIL), "<b>echo", "master"]
    assert "<title>&lt;img src=x&gt;" in text and "\u202e" not in text


def test_pages_need_nothing_else_and_tell_no_place(own):
    sheet, folder = own
    texts = [page(sheet), level_csv(sheet), plan_csv(sheet), hand_off_note(sheet)]
    assert not any(str(folder.parent) in text or "/tmp" in text for text in texts)
    assert not [entry for entry in Reader(texts[0]).attributes if entry[1] in ("src", "href", "onclick", "action")]
    assert "http" not in re.sub(r'xmlns="[^"]*"', "", texts[0]) and "url(" not in texts[0] and "@import" not in texts[0]


# ---- paper -----------------------------------------------------------------------------------------------------------


def test_the_drawing_is_sound_and_names_every_column(own):
    drawing = ElementTree.fromstring(channel_drawing())
    spelled = [node.text for node in drawing.iter() if node.tag.endswith("text")]
    assert set(COLUMNS) <= set(spelled)
    assert drawing.find("{*}title").text and drawing.get("role") == "img"
    heads = " ".join(Reader(page(own[0])).tables[0][0])
    assert re.findall(r"\b([A-G])(?=[ a-z]|$)", heads) == list(COLUMNS)


def test_the_page_is_black_grey_and_white_and_says_verdicts_in_words(own):
    text = page(own[0])
    colours = re.findall(r"#([0-9a-f]{3,6})\b", re.search("<style>(.*?)</style>", text, re.S)[1])
    colours += re.findall(r'(?:fill|stroke)="#([0-9a-f]+)"', text)
    assert colours and all(len(set(colour)) == 1 for colour in colours)
    verdicts = {row[-1] for row in Reader(text).tables[-1][1:]}
    assert verdicts == {"kept"}
    failed = replace(own[0].plan.verification.checks[0], measured=0.0)
    plan_ = replace(own[0].plan, verification=replace(own[0].plan.verification, checks=(failed,)))
    bad = page(replace(own[0], plan=plan_))
    assert "NOT VERIFIED" in bad and "MISSED" in bad


def test_ticks_reasons_safety_and_language(own):
    text = page(own[0])
    read = Reader(text)
    reasons = next(table for table in read.tables if table[0][-1] == "why")
    assert len(reasons) - 1 == len(said_once(own[0].plan.moves))
    assert all(row[-1] and row[2] for row in reasons[1:])
    assert read.tags.count("input") == len(own[0].rows)
    labels = [value for tag, key, value in read.attributes if (tag, key) == ("input", "aria-label")]
    assert len(labels) == read.tags.count("input") and ("html", "lang", "en") in read.attributes
    assert all(part in html.unescape(text) for part in SAFETY)
    assert read.tags.count("caption") == len(read.tables)
    assert read.tags.count("thead") == len(read.tables)


@pytest.fixture(scope="module")
def crowd():
    """Return the sheet of 24 stems with long names, three processors and two sends each."""
    boxes = (Insert(Compressor()), Insert(Saturation()), Insert(BlackBox(-20.0, "bus box, left of the door")))
    strips = [
        Strip(
            f"{k:02d} second violin, far microphone, take {k}", tone(-20.0 - k / 2, 110.0 + 13 * k, 0.3), inserts=boxes,
            fader_db=-9.0, pan=(k % 5 - 2) / 4, sends=(Send("echo", -9.0), Send("cue", -6.0, "pre")),
        )
        for k in range(24)
    ]  # fmt: skip
    session = Session(strips, (Group("echo"), Group("cue", to=())))
    return sheet_of(session, plan(session))


@pytest.mark.browser
@pytest.mark.exhaustive
def test_twenty_four_strips_fit_one_page_of_either_paper(crowd, tmp_path):
    """What prints ahead of the appendix is one page, and in print nothing of it is wider or taller than that page."""
    path = tmp_path / "sheet.html"
    path.write_text(page(crowd), encoding="utf-8")
    with headless() as browser:
        view = browser.new_page()
        view.emulate_media(media="print")
        for paper, width_mm, height_mm in (("A4", 297.0, 210.0), ("Letter", 279.4, 215.9)):
            width, height = (round((side - 20.0) * 96 / 25.4) for side in (width_mm, height_mm))
            view.set_viewport_size({"width": width, "height": height})
            view.goto(path.as_uri())
            tall, wide = view.eval_on_selector(".first", "each => [each.offsetHeight, each.scrollWidth]")
            assert tall <= height and wide <= width, (paper, tall, wide)
            shots = Path(__file__).parent / "shots"
            shots.mkdir(exist_ok=True)
            view.screenshot(path=shots / f"console_{paper}.png")
            whole = len(re.findall(rb"/Type\s*/Page\b", view.pdf(format=paper, landscape=True)))
            view.add_style_tag(content=".appendix { display: none }")
            alone = len(re.findall(rb"/Type\s*/Page\b", view.pdf(format=paper, landscape=True)))
            assert alone == 1 < whole, (paper, alone, whole)


# ---- differences -----------------------------------------------------------------------------------------------------


def session_of(levels, **changes):
    return Session([Strip(name, tone(level), **changes) for name, level in levels.items()])


def test_what_changed_by_more_than_a_tenth_is_told():
    old, new = (
        session_of(levels) for levels in ({"a": -12.0, "b": -20.0, "c": -9.0}, {"a": -12.05, "b": -21.5, "d": -9})
    )
    sheets = [sheet_of(session, plan(session)) for session in (old, new)]
    found = difference(*map(level_csv, sheets))
    assert (found.added, found.removed) == (("d",), ("c",))
    changed = {(change.strip, change.item): change.change for change in found.changes}
    assert {strip for strip, _ in changed} == {"b"}
    assert changed["b", "rms_dbfs"] == pytest.approx(-1.5, abs=0.01)
    assert changed["b", "sample_peak_dbfs"] == pytest.approx(-1.5, abs=0.01)
    assert found.drifted == ("b",)
    finer = difference(*map(level_csv, sheets), limit_db=0.04)
    assert {change.strip for change in finer.changes} == {"a", "b"}


def test_settings_switches_flags_and_silence_differ_too(own):
    sheet, _ = own
    text = plan_csv(sheet)
    assert difference(text, text).changes == ()
    table = rows(text)

    def changed(strip, **cells):
        out = io.StringIO()
        writer = csv.DictWriter(out, table[0], lineterminator="\n")
        writer.writeheader()
        writer.writerows(row | (cells if row["strip"] == strip else {}) for row in table)
        return difference(text, out.getvalue()).changes

    (fader,) = changed("kick", fader_db="-inf")
    assert (fader.strip, fader.item, fader.before, fader.after, fader.change) == ("kick", "fader", "0.0", "-inf", None)
    (block,) = changed("vocal", switches="")
    assert (block.item, block.before, block.after) == ("DC block", "1", "")
    (gone,) = changed("kick", insert_2_out_db="")
    assert gone.after == "" and gone.item == "insert 2 out"
    assert changed("kick", trim_db="9") and changed("vocal", send_echo_db="-3.0")[0].item == "send echo"
    (pan,) = changed("kick", pan="0.05")
    assert pan.change == pytest.approx(0.05)
    assert changed("kick", insert_1_reading_dbfs="-1.0") == (), "what is no setting is no change of one"


FORMER = """kind,strip,item,processor,unit,before,after,place,reason
setting,a,DC block,,switch,0,1,before,It moves
setting,a,trim,,dB,0,3.04,before,
setting,a,insert 1 in,Compressor,dB,0,0,ahead,
setting,a,insert 1 out,Compressor,dB,0,2.5,behind,
setting,a,post trim,,dB,0,-5.25,after,
setting,a,fader,,dB,-9,0,the fader itself,
setting,a,pan,,,0,-0.25,after,
setting,a,send echo,,dB,-9,-8.349,the send's own level,
bus,bus,true peak,,dBTP,-1,-6.02,,
bus,bus,sample peak,,dBFS,-1,-6.3,,
check,,bus true peak,,dBTP,,-6.02,,kept; wanted -6.05 to -6.00
"""
LATER = """strip,kind,source,switches,trim_db,insert_1_number,insert_1_in_db,insert_1_out_db,output_trim_db,fader_db,\
pan,send_echo_db,tap_echo,bus_true_peak_dbtp,bus_loudness_lufs,moves
a,strip,"WAV, mono",DC block,3.0,1,0.0,2.5,-5.3,0.0,{pan},-8.3,post,,,fader
"""


def test_a_plan_sheet_of_the_version_before_is_compared_with_one_of_now():
    """Both written by hand, after the form of either version."""
    assert {(each.strip, each.item) for each in difference(FORMER, LATER.format(pan="-0.25")).changes} == set()
    assert difference(FORMER, LATER.format(pan="-0.25")).removed == ("bus",)
    (moved,) = difference(FORMER, LATER.format(pan="0.50")).changes
    assert (moved.item, moved.change) == ("pan", 0.75)
    (heard,) = difference(FORMER, FORMER.replace(",-6.02,,\nbus", ",-7,,\nbus")).changes
    assert (heard.strip, heard.item) == ("bus", "true peak")


@pytest.mark.parametrize("text", ["", "a,b\n1,2\n", "{}", "strip\n", '"'])
def test_what_is_no_sheet_is_refused(own, text):
    with pytest.raises(GainlibError, match="sheet"):
        difference(text, level_csv(own[0]))


def test_sheets_of_two_kinds_are_refused(own):
    with pytest.raises(GainlibError, match="two of one kind"):
        difference(level_csv(own[0]), plan_csv(own[0]))
    with pytest.raises(GainlibError, match="unequal length"):
        difference(level_csv(own[0]), level_csv(own[0]) + "kick,1\n")


def test_samples_over_full_scale_count_once_where_flat_tops_are_looked_for_again():
    """A sine clipped at full scale and turned up by 9 dB: its flat tops have the bus read a second time."""
    loud = Audio(np.clip(tone(6.0, 50.0, 3.0).samples, -1.0, 1.0), RATE)
    session = Session([Strip("loud", loud, fader_db=9.0)])
    bus = bus_report(session)
    assert "clipped" in bus.stem.tags
    assert bus.overs == np.count_nonzero(np.abs(session.render().bus.samples) > 1.0) > 0
