"""Lab 08: what its notebook shows, what its prediction is compared with, and its page to take away."""

from gainlib.audio import GainlibError
from gainlib.notebook.panels.page import Page
from gainlib.words import Table, number_text

PAGE = Page(
    title="Dynamics: thresholds are levels",
    question="What does a level change do to a compressor, gate or limiter?",
    minutes=70,
    lessons="two lessons of 45 minutes",
    takeaway="""
### A threshold is a level

- Gain ahead of a compressor, gate or limiter and its threshold are the same knob, turned opposite ways.
- Trim −*x* dB ahead: threshold −*x* dB, makeup +*x* dB, and all is as it was.
- Reduction of a steady level *L* over the threshold *T* with the ratio *R*: **(*L* − *T*)·(1 − 1/*R*)**. The rise at
  the output is (*L* − *T*)/*R*.
- Inside a knee of width *W*: (1 − 1/*R*)·(*L* − *T* + *W*/2)²/(2·*W*).

| ratio | 1.5:1 | 2:1 | 3:1 | 4:1 | 8:1 |
|---|---|---|---|---|---|
| reduction, 6 dB over | 2.0 | 3.0 | 4.0 | 4.5 | 5.25 dB |

### Match, then judge

1. Set drive or threshold for the reduction you want while something plays.
2. Makeup = energy in − energy out. Neither the largest nor the mean reduction will do.
3. Look at the peak behind it. Too high? Trim and threshold down together.

### Groups and gates

- All faders −*x* dB into a group compressor, steady and over its threshold: −*x*/*R* at its output. To turn a group
  down and keep its sound, move its **output**.
- Gate: open at least 6 dB over the noise, 3 dB under the softest note; both move with the trim.

### Not to believe

Makeup is the largest reduction. · A clean compressor does not care for the trim. · The ratio scales the whole signal. ·
A fast attack is a limiter. · Faders into a group compressor lower its output by as much.
""",
    cites=(
        "Static curve with knee, smoothing in dB: Giannoulis, Massberg, Reiss, Digital Dynamic Range Compressor "
        "Design, JAES 60(6), 2012 (handbook formulas)",
        "RMS in dBFS, a full-scale sine reads 0: AES17 (standard; clause not checked)",
        "Gains in series add in dB: handbook formula",
        "2 to 4 dB of reduction, margins of a gate: common practice, no source",
        "Match by ungated energy; active level: definitions of this workbook",
    ),
)

MOVE_DB = -6.0
CHOICES = {6.0: "6 dB, as the faders", 3.0: "about 3 dB", 1.5: "1.5 dB, a quarter of it", 0.0: "not at all"}


def panel(name: str, learner):
    """Return the lab's panel."""
    from gainlib.notebook.panels.dynamicsbench import DynamicsBench

    if name != "dynamics":
        raise GainlibError(f"lab 08 has no panel {name!r}; it has 'dynamics'")
    return DynamicsBench()


def exercise_panel(exercise, given: dict, learner):
    """Return the readings or the compressor an exercise is answered from, or None."""
    if exercise.id == "08-3":
        from gainlib.notebook.panels.squeezed import SqueezeView

        return SqueezeView(given)
    if exercise.id == "08-6":
        from gainlib.notebook.panels.squeezed import SetCompressorPanel

        return SetCompressorPanel(given)
    return None


def compare():
    """Return what 6 dB less ahead of a group compressor changes behind it.

    Returns
    -------
    outcome : str
        The choice that comes nearest.
    sentence : str
        Markdown.
    table : gainlib.words.Table
    """
    from gainlib.exercises.dynamics import bench

    rows, drums = [], 0.0
    for ratio in (1.0, 2.0, 4.0, 8.0):
        setting = bench.Setting(ratio=ratio)
        change = bench.change_behind_db(setting, MOVE_DB)
        tone = -20.0 + 18.0
        steady = setting.processor.static_db([tone + MOVE_DB, tone])
        drums = change if ratio == bench.Setting.ratio else drums
        texts = (number_text(value, 2, sign=True) for value in (steady[0] - steady[1], change))
        rows.append((f"{ratio:g}:1", *texts))
    outcome = CHOICES[min(CHOICES, key=lambda about: abs(about + drums))]
    sentence = (
        f"The drums come out **{number_text(-drums)} dB** softer. A steady tone over the threshold would lose a "
        "quarter of the 6 dB; the drums lose more, as some of their energy is under the threshold or over before the "
        "attack is. In any case the compressor takes back a part of what the faders do."
    )
    heads = ("ratio", "a tone 18 dB over the threshold (dB)", "the drums (dB)")
    return outcome, sentence, Table("All faders 6 dB down", heads, tuple(rows))
