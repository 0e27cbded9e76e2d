"""Pictures without a browser: noted down where matplotlib would draw them, said in words and numbers."""

import importlib
import json
import math
import pathlib
import re
from itertools import product

import matplotlib
import numpy as np
import pytest
from matplotlib.colors import to_hex, to_rgb
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

from gainlib.audio import GainlibError
from gainlib.meters import envelope_of, level_counts
from gainlib.notebook import figures
from gainlib.notebook.desk import Desk
from gainlib.notebook.figures import ink, palette
from gainlib.notebook.figures.parts import Drawing, Word, filled, rectangles, words
from gainlib.notebook.live import LiveFigure, TableView
from gainlib.words import Table, level_text, number_text

ROOT = pathlib.Path(__file__).parent.parent
RATE = 48000


def places(noted):
    """Return where the marks of a picture stand, in pixels."""
    return np.frombuffer(noted["places"], "<i2").reshape(-1, 2) / ink.UNITS


def letters(noted):
    return [mark["text"] for mark in noted["marks"] if "text" in mark]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (-3.2, "−3.2 dB"),
        (0.0, "0.0 dB"),
        (-0.01, "0.0 dB"),
        (6, "+6.0 dB"),
        (-math.inf, "silent"),
        (None, "not defined"),
    ],
)
def test_level_text(value, text):
    assert level_text(value) == text


def test_a_table_refuses_a_row_of_another_length():
    with pytest.raises(GainlibError, match="a row has 1 cells; give 2"):
        Table("x", ("a", "b"), (("1",),))


class Ramp(Drawing):
    """A line that rises."""

    def __init__(self, axes):
        (self.line,) = self.artists = axes.plot([0, 1], [0, 1], zorder=5)

    def sentence(self):
        return f"It ends at {self.line.get_ydata()[-1]}."

    def table(self):
        return Table("Ends", ("end", "y"), (("last", f"{self.line.get_ydata()[-1]}"),))


def line_picture(width=400, height=240):
    fig = figures.make_figure(width, height)
    axes = figures.frame(fig.subplots(), "Ramp", "x", "y")
    axes.set(xlim=(0, 1), ylim=(0, 1))
    ramp = Ramp(axes)
    return fig, axes, ramp.line, ramp


def test_what_moves_is_noted_where_matplotlib_would_draw_it():
    fig, axes, line, ramp = line_picture()
    live = LiveFigure(fig, [ramp], title="Ramp")
    line.set_ydata([1, 0.25])
    live.refresh()
    expected = axes.transData.transform([(0, 1), (1, 0.25)])
    np.testing.assert_allclose(places(live.widget.moving), expected * (1, -1) + (0, 240), atol=0.5 / ink.UNITS)
    (mark,) = live.widget.moving["marks"]
    assert mark["line"] == to_hex(line.get_color()) and mark["runs"] == [2]
    assert mark["width"] == pytest.approx(line.get_linewidth() * 100 / 72, abs=0.01)
    assert (live.widget.width_px, live.widget.height_px) == (400, 240)


def test_gaps_closed_shapes_and_signs_are_told_apart():
    axes = figures.make_figure(300, 100).subplots()
    (line,) = axes.plot([0, 1, np.nan, 3, 4], [0, 1, 1, 1, 0])
    (dots,) = axes.plot([0, 1, 2, 1.001], [0, 1, np.nan, 1], "s")
    boxes = filled(axes, "#ff0000", "//")
    boxes.set_verts(rectangles([0, 2], 0.0, 1.0, 1.0))
    gap, signs, area = ink.moving(axes.figure, [line, dots, boxes])["marks"]
    assert gap["runs"] == [2, 2] and "fill" not in gap
    assert signs["runs"] == [2] and signs["sign"] == [-4]  # a square, closed, at the two places to be seen
    assert area["runs"] == [-4, -4] and area["fill"] == "#ff0000" and area["hatch"][0] == "//"
    boxes.set_verts(rectangles([], 0.0, 1.0, 1.0))
    assert ink.moving(axes.figure, [boxes]) == {"marks": [], "places": b""}


@pytest.mark.parametrize("ha", ["left", "center", "right"])
@pytest.mark.parametrize("va", ["top", "center", "bottom", "baseline", "center_baseline"])
def test_a_word_lies_where_matplotlib_puts_the_text(ha, va):
    axes = figures.make_figure(300, 100).subplots()
    axes.set(xlim=(0, 1), ylim=(0, 1))
    text = axes.text(0.5, 0.45, "lead vocal −3.2", ha=ha, va=va, **palette.TEXT)
    theirs = ink.moving(axes.figure, [text])["marks"][0]
    ours = ink.moving(axes.figure, [words(axes, 0.5, 0.45, "lead vocal −3.2", ha=ha, va=va)])["marks"][0]
    assert ours["text"] == theirs["text"] and ours["size"] == theirs["size"]
    np.testing.assert_allclose(ours["at"], theirs["at"], atol=1.0)


def test_the_widths_of_letters_are_those_of_the_font():
    path = TextPath((0, 0), "V", size=ink.GLYPH_SIZE, prop=FontProperties(family=palette.FONT))
    outline, advance = ink.glyph("V")
    corners = np.array([float(v) for v in re.findall(r"-?[\d.]+", outline)]).reshape(-1, 2)
    theirs = path.vertices[path.codes != path.CLOSEPOLY]
    np.testing.assert_allclose(
        [corners.min(axis=0), corners.max(axis=0)], [theirs.min(axis=0), theirs.max(axis=0)], atol=0.2
    )
    assert advance == pytest.approx(0.684 * ink.GLYPH_SIZE, abs=0.1)  # DejaVu Sans: 1401 of 2048 units


def test_what_stays_follows_only_a_redraw():
    fig, axes, line, ramp = line_picture()
    live = LiveFigure(fig, [ramp], title="Ramp")
    first, at = live.widget.ground, places(live.widget.moving)
    axes.set_ylim(0, 2)
    line.set_ydata([0, 2])  # the same place on the new scale
    live.refresh()
    np.testing.assert_array_equal(places(live.widget.moving), at)
    assert live.widget.ground == first
    live.redraw()
    assert letters(live.widget.ground)[-6:] != letters(first)[-6:]  # other numbers at the ticks
    assert set("".join(letters(live.widget.ground))) <= set(live.widget.letters)


@pytest.mark.parametrize("lab", ["05", "08"])
def test_a_move_sends_less_than_20_kb(lab):
    for live in Desk(next(iter(importlib.import_module(f"gainlib.labs.lab{lab}").LAB.experiments.values()))()).pictures:
        live.redraw()
        moved = live.widget.moving
        assert len(json.dumps(moved["marks"])) + len(moved["places"]) < 20_000, live.title


def test_words_and_numbers_are_renewed_on_settle_only():
    fig, _, line, ramp = line_picture()
    live = LiveFigure(fig, [ramp], title="Ramp")
    line.set_ydata([0, 0.5])
    live.refresh()
    assert live.widget.alt == "Ramp. It ends at 1."
    live.settle()
    assert live.widget.alt == "Ramp. It ends at 0.5."
    assert live.widget.sentence == "It ends at 0.5."
    assert live.widget.tables[0]["rows"] == [["last", "0.5"]]


def test_a_picture_needs_a_title():
    fig, _, _, ramp = line_picture()
    with pytest.raises(GainlibError, match="needs a title"):
        LiveFigure(fig, [ramp], title="")


def test_a_picture_is_not_known_to_pyplot():
    import matplotlib.pyplot as plt

    before = plt.get_fignums()
    fig, _, _, ramp = line_picture()
    LiveFigure(fig, [ramp], title="Ramp")
    assert plt.get_fignums() == before


def _luminance(colour):
    # WCAG 2.2, definition of relative luminance
    return float(
        np.dot(
            [0.2126, 0.7152, 0.0722],
            [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)],
        )
    )


def contrast(one, other):
    low, high = sorted((_luminance(one), _luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_formula_knows_its_ends():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG 2.2: black on white is 21:1


def test_colours_are_the_published_set():
    # matplotlib carries Okabe and Ito's set since 3.11
    ours = {palette.BLACK, palette.ORANGE, palette.SKY, palette.GREEN, palette.YELLOW, palette.BLUE, palette.VERMILLION}
    ours |= {palette.PURPLE}
    if "okabe_ito" in matplotlib.color_sequences:
        published = matplotlib.color_sequences["okabe_ito"]
    else:
        # Okabe and Ito, "Color Universal Design" (2008), table of colours, RGB 0 to 255
        rgb = [(0, 0, 0), (230, 159, 0), (86, 180, 233), (0, 158, 115), (240, 228, 66), (0, 114, 178), (213, 94, 0)]
        published = [tuple(c / 255 for c in t) for t in [*rgb, (204, 121, 167)]]
    assert {c.lower() for c in ours} == {to_hex(c) for c in published}


def test_lines_stand_out_and_differ_without_colour():
    for look in palette.LINES:
        assert contrast(look.color, palette.PAPER) >= 3  # WCAG 2.2, 1.4.11
    assert len({look.marker for look in palette.LINES}) == len(palette.LINES)
    assert len({str(look.linestyle) for look in palette.LINES}) == len(palette.LINES)
    assert len(set(palette.FILLS)) == len(palette.FILLS) == 28
    assert contrast(palette.INK, palette.PAPER) >= 4.5  # WCAG 2.2, 1.4.3


def colours(sheet, opens):
    """Return the colours that a style sheet names in the block that begins so."""
    return dict(re.findall(r"--gl-(\w+): (#\w+);", sheet.partition(opens)[2].partition("}")[0]))


def test_panels_are_readable_by_day_and_by_night():
    notebook = ROOT / "gainlib/notebook"
    day = colours((notebook / "static/workbook.css").read_text(), ":where(:root)")
    page = (notebook / "share/voila/templates/workbook/static/page.css").read_text()
    night = colours(page.partition("/* for the panels")[2], "body")
    assert set(day) == set(night) and len(day) == 13
    for each in (day, night):
        grounds = [each[name] for name in ("paper", "aside", "hover", "right", "partly", "wrong")]
        for text, ground in product(("ink", "soft", "link"), grounds):
            assert contrast(each[text], ground) >= 4.5, (text, ground)
        assert contrast(each["faint"], each["paper"]) >= 4.5
        for edge in (each["edge"], each["alarm"], "#8c8c8c"):
            assert contrast(edge, each["paper"]) >= 3
        for curve in palette.LINES[:3] + palette.LINES[4:]:  # the fourth is black, and as white as ink where that is
            assert contrast(curve.color, each["paper"]) >= 3
    assert contrast("#ffffff", "#0072b2") >= 4.5 and contrast("#ffffff", "#005a8c") >= 4.5  # pressed, and the first


NAMES = ("kick", "bass", "pad", "lead vocal")


def test_contributions_stack_up_to_the_bus():
    rng = np.random.default_rng(3)
    stems = rng.normal(0, 0.5, (200, 4))
    bus = stems.sum(axis=1)
    worst = np.argsort(-np.abs(bus))[:6]
    bars = figures.Contributions(figures.make_figure().subplots(), NAMES, count=6, limit=6.0)
    bars.update(worst / RATE, stems[worst] * np.sign(bus[worst])[:, None])
    up, down = np.zeros(6), np.zeros(6)
    for stack in bars.artists[:4]:
        for path in stack.get_paths():
            corners = path.vertices[:4]
            k = round(float(corners[:, 0].mean()))
            low, high = corners[:, 1].min(), corners[:, 1].max()
            if corners[:, 1].mean() >= 0:
                up[k] = max(up[k], high)
            else:
                down[k] = min(down[k], low)
    np.testing.assert_allclose(up + down, np.abs(bus[worst]), atol=1e-9)
    np.testing.assert_allclose(bars.artists[4].get_ydata(), np.abs(bus[worst]), atol=1e-9)
    table = bars.table()
    assert len(table.rows) == 6 and table.columns[2:] == NAMES
    assert table.rows[0][1] == number_text(abs(bus[worst[0]]), 2)


def test_contributions_say_what_they_were_given_wrongly():
    bars = figures.Contributions(figures.make_figure().subplots(), NAMES, count=2)
    with pytest.raises(GainlibError, match="at most 2"):
        bars.update([1, 2, 3], np.zeros((3, 4)))
    bars.update([], np.zeros((0, 4)))
    assert bars.sentence() == "The bus is silent."


def test_names_above_bars_are_clear_of_bars_and_lines_and_no_two_of_eleven_strips_share_a_hue():
    axes = figures.make_figure(700, 300).subplots()
    bars = figures.Contributions(axes, NAMES, count=2, limit=2.0)
    bars.update([1, 2], [[1.0, 0.02, 0.0, -0.1], [3.0, 2.0, 0.0, 0.0]])
    labels = [artist for artist in bars.artists if isinstance(artist, Word)]
    assert [label.get_text() for label in labels] == ["kick", "kick"]
    lines = [line.get_ydata()[0] for line in axes.lines] + list(axes.get_yticks())
    tops = [path.vertices[:, 1].max() for stack in bars.artists[:4] for path in stack.get_paths()]
    low = min(label.get_position()[1] for label in labels) - 0.15 * 2.0  # va="top": a line of text under it
    assert max(*lines, *tops) <= 2.0 <= low + 0.1
    assert len({figures.fill(k).color for k in range(11)}) == 11


def test_a_peak_a_hair_over_full_scale_looks_and_reads_over():
    meters = figures.drawing("bus meters", figures.make_figure(600, 200).subplots())
    meters.update({"sample peak": (20 * math.log10(1.001), "dBFS"), "RMS": (-9.0, "dBFS")})
    under, over, numbers = meters.artists[0], meters.artists[1], meters.artists[3:7]
    assert [len(each.get_paths()) for each in (under, over)] == [1, 1]
    assert [number.get_text() for number in numbers] == ["+0.01 dBFS", "", "−9.0 dBFS", ""]
    assert meters.sentence() == "Bus: sample peak +0.01 dBFS, RMS −9.0 dBFS."


def test_an_envelope_loses_no_sample():
    samples = np.random.default_rng(4).normal(0, 0.3, (10007, 2))
    samples[5003, 1] = 1.7
    low, high = envelope_of(samples, 300)
    assert (len(low), len(high)) == (300, 300)
    assert high.max() == samples.max() == 1.7 and low.min() == samples.min()
    wave = figures.Envelope(figures.make_figure().subplots(), 10007 / RATE)
    wave.update(low, high, over_samples=int((np.abs(samples) > 1).sum()))
    above = wave.artists[1].get_xdata()
    assert np.abs(above - 5003 / RATE).min() <= 10007 / RATE / 300
    (clock,) = LiveFigure(wave.artists[0].figure, [wave], title="The bus").widget.clocks
    assert (clock["from_s"], clock["to_s"]) == (0.0, 10007 / RATE)
    assert f"{int((np.abs(samples) > 1).sum()):,} sample" in wave.sentence()
    assert "1.70" in wave.sentence()
    assert len(wave.table().rows) == 10


def test_level_counts_agree_with_numpy():
    samples = np.random.default_rng(5).normal(0, 0.2, 5000)
    edges = np.arange(-60, 7, 3.0)
    inside = samples[(np.abs(samples) >= 1e-3)]
    ours = level_counts(inside, edges)
    theirs, _ = np.histogram(20 * np.log10(np.abs(inside)), bins=edges)
    np.testing.assert_allclose(ours, 100 * theirs / inside.size, atol=1e-9)
    everything = level_counts(np.append(samples, [0.0, 1e9]), edges)
    assert everything.sum() == pytest.approx(100)
    assert everything[0] > ours[0] * 0.5 and everything[-1] > 0  # silence and what is beyond count to the ends


def test_full_scale_itself_is_not_over():
    # exactly 0 dBFS is legal (the top of the scale); a picture that marks it as over would be wrong
    wave = figures.Envelope(figures.make_figure().subplots(), 1.0)
    wave.update([-1.0], [1.0], 0)
    assert not len(wave.artists[1].get_xdata()) and not len(wave.artists[2].get_xdata())
    assert "no sample is over full scale" in wave.sentence()


def test_meter_bars_show_silence_as_a_word():
    bars = figures.drawing("meters", figures.make_figure().subplots(), ("kick", "shaker"))
    bars.update([-12, -math.inf], [level_text(-12.0), level_text(-math.inf)])
    assert len(bars.artists[0].get_paths()) == 1
    assert [t.get_text() for t in bars.artists[3:5]] == ["−12.0 dB", "silent"]
    assert bars.table().rows[1] == ("shaker", "silent")


def test_table_view_carries_plain_text():
    view = TableView(Table("T", ("a", "b"), (("<b>x</b>", "1"),)))
    assert json.loads(json.dumps(view.get_state()["table"]))["rows"] == [["<b>x</b>", "1"]]


def test_curves_stay_inside_and_point_out_places():
    """Beyond the scale a curve stays at its end; words and numbers tell the value itself."""
    axes = figures.make_figure(400, 240).subplots()
    curves = figures.drawing("curves", axes, ("sum",), y=(-24, 12, 6, "dB"), title="Sum", marks="notch", hertz=True)
    curves.update([50, 100, 200], [[6.0, -90.0, np.nan]], [(100, -90.0)])
    assert curves.artists[0].get_ydata().tolist()[:2] == [6.0, -24.0]
    assert curves.sentence() == "Sum: sum from −90.0 to +6.0 dB; notch at 100.0 Hz: −90.0 dB."
    assert curves.table().rows[0] == ("100.0", "notch", "−90.0") and curves.table().rows[-1][2] == "not defined"
    curves.update([50], [[np.nan]])
    assert curves.sentence() == "Sum: nothing to see."
    with pytest.raises(GainlibError, match="give 1 rows"):
        curves.update([50, 100], [[1.0, 2.0], [3.0, 4.0]])


def test_a_routing_graph_shows_levels_by_bar_and_word():
    boxes = {"a/source": ("source", 0, 0), "send": ("send", 1, 1), "bus": ("bus", 1, 0)}
    graph = figures.drawing("routing", figures.make_figure(400, 240).subplots(), boxes, [("a/source", "bus")])
    graph.update({"a/source": -30.0, "send": -math.inf, "bus": 6.0})
    bars, *texts = graph.artists
    widths = [float(np.ptp(each.vertices[:, 0])) for each in bars.get_paths()]
    assert widths[0] == pytest.approx(widths[2] / 2) and widths[1] == 0.0
    assert [each.get_text() for each in texts] == ["−30.0", "silent", "6.0"]
    assert graph.sentence() == "RMS in dBFS: source −30.0, send silent, bus 6.0."
