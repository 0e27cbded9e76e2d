"""Lab 07: what its notebook shows, what its prediction is compared with, and its page to take away."""

from gainlib.audio import GainlibError
from gainlib.notebook.panels.page import Page
from gainlib.words import Table, level_text, number_text

PAGE = Page(
    title="Working range and level-matched bypass",
    question="How hot do I feed it, and is it better or just louder?",
    minutes=80,
    lessons="two lessons of 45 minutes",
    takeaway="""
### Feed it, match it, then judge it

1. Read the **active level** (or the needle) at the input of the box, where something plays. Not the peak, not the RMS
   of a file with pauses.
2. Trim = reference of the box − reading. The maker says the reference; −18 dBFS is a habit, not a law.
3. Look at the peaks behind that trim. Where they have a limit of their own, take the **smaller** of the two trims.
4. Output gain = level of the bypass − level behind the box, by energy or loudness, never by peak.
5. Switch. Now judge.
6. Several boxes: from left to right, each fed and matched before you look at the next. Behind the last, take the trim
   back.

### Numbers to keep

| symmetrical stage, a sine fed at | −30 | −24 | −18 | −12 | −6 | 0 dBFS |
|---|---|---|---|---|---|---|
| distortion (THD) | 0.065 | 0.26 | 1.0 | 3.7 | 11 | 24 % |
| gain of its fundamental | 0.0 | −0.1 | −0.3 | −1.0 | −3.1 | −7.4 dB |

- While distortion is small: third harmonic 3 dB per dB, its share **2 dB per dB**.
- Working range of a stage that bends: 0.3 to 3 % distortion. A linear box has none: trim it or leave it.
- Fed hotter, a box gives back less than it gets. Unmatched, that hides behind the gain you gave it.
- Blind runs: 7 of 8, 9 of 10, 12 of 16 right are rare by luck (p ≤ 0.05). A lower count shows nothing, and proves
  nothing.

### Not to believe

−18 is the law. · More drive is warmer without end. · Equal peaks are equally loud. · 0 VU is right for a snare. ·
The output knob changes the drive.
""",
    cites=(
        "Total harmonic distortion, relative to the fundamental: IEC 60268-3, 14.12 (standard)",
        "RMS in dBFS, a full-scale sine reads 0: AES17 (standard; clause not checked)",
        "Loudness: ITU-R BS.1770-5, Annex 1 (standard)",
        "Line-up at −18 dBFS: EBU R 68 (standard); a box built for it: common practice, no source",
        "Third harmonic of x − k·x³, series of tanh, gains in series, binomial tail: handbook formulas",
        "0.3 to 3 % as a working range; match within 0.1 dB: common practice, no source",
        "Active level: a definition of this workbook",
    ),
)

CHOICES = {1.0: "about 1 % as well", 4.0: "about 4 %", 11.0: "about 11 %", 50.0: "about 50 %"}
LEVELS_DBFS = (-30.0, -18.0, -6.0)
SATURATING, LINEAR = "symmetrical saturation", "high-pass filter"


def panel(name: str, learner):
    """Return the lab's panel."""
    from gainlib.notebook.panels.drivebench import DriveBench

    if name != "drive":
        raise GainlibError(f"lab 07 has no panel {name!r}; it has 'drive'")
    return DriveBench()


def exercise_panel(exercise, given: dict, learner):
    """Return the readings, the strip or the listening tests an exercise is answered from, or None."""
    if exercise.id == "07-1":
        from gainlib.notebook.panels.stemview import StemView

        return StemView(given)
    if exercise.id == "07-4":
        from gainlib.notebook.panels.threestages import ThreeStagesPanel

        return ThreeStagesPanel(given)
    if exercise.id == "07-5":
        from gainlib.notebook.panels.abx import Listening
        from gainlib.notebook.panels.preferring import PreferenceRun, StageRun

        first, second = exercise.parts[:2]
        return Listening({first.label: PreferenceRun(given), second.label: StageRun(given)})
    return None


def compare():
    """Return distortion and gain of a saturating stage and of a filter, fed three ways.

    Returns
    -------
    outcome : str
        The choice that comes nearest.
    sentence : str
        Markdown.
    table : gainlib.words.Table
    """
    from gainlib.exercises.working_range import bench
    from gainlib.notebook.figures.drive import percent_text

    rows, thd = [], {}
    for box in (SATURATING, LINEAR):
        curve = bench.curve(box)
        for level in LEVELS_DBFS:
            at = list(curve.level_dbfs).index(level)
            thd[box, level] = curve.thd_percent[at]
            row = (box, level_text(level, "dBFS", 0), percent_text(curve.thd_percent[at]))
            rows.append((*row, number_text(curve.gain_db[at], 2, sign=True)))
    hot = thd[SATURATING, -6.0]
    outcome = CHOICES[min(CHOICES, key=lambda about: abs(about - hot))]
    sentence = (
        f"Fed 12 dB hotter, the stage goes from {percent_text(thd[SATURATING, -18.0])} to **{percent_text(hot)}**, and "
        "its fundamental sags. While distortion is small its share grows 2 dB per dB, which would be sixteenfold; up "
        "here the curve has begun to level off. The filter does the same at every level."
    )
    heads = ("box", "fed", "THD", "gain of the fundamental (dB)")
    return outcome, sentence, Table("A sine through two boxes", heads, tuple(rows))
