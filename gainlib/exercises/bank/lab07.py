"""Lab 07, working range and matched bypass: how hot a box is fed, and whether it is better or just louder."""

from gainlib.exercises.checks import Check
from gainlib.exercises.choosing import Choice, Multi
from gainlib.exercises.listening import Abx, NoListening
from gainlib.exercises.model import Exercise, Option, Slip
from gainlib.exercises.numeric import Number
from gainlib.exercises.practical import State
from gainlib.exercises.text import fill
from gainlib.exercises.variants import draws, either, grid
from gainlib.exercises.working_range import runs, stages, trims
from gainlib.meters.average import SINE_CREST_DB

GAINS = "Handbook formula: gains in series add in dB"
ACTIVE = "Active level: a definition of this workbook"
REFERENCE = "A reference level of −18 dBFS: common practice, no source; the box and its maker decide"
ENERGY = "Bypass matched by ungated energy: a decision of this workbook"

TO_REFERENCE = Exercise(
    id="07-1",
    title="Into the reference",
    parts=(Number("Input trim", "dB", tolerance=0.3, points=2),),
    given=trims.LevelledStems(),
    statement=(
        "This stem goes into a box built for an average of {reference} dBFS, and its meter is one of active level. "
        "What the meters read on the stem stands in the panel. Which input trim brings the active level to "
        "{reference} dBFS?"
    ),
    solve=trims.trim_db,
    slips=(
        Slip(
            "sign",
            lambda g: g["active"] - g["reference"],
            "Wrong way round. Too hot needs a negative trim, too soft a positive one: reference minus reading.",
        ),
        Slip(
            "peak for average",
            lambda g: g["reference"] - g["peak"],
            "You took the peak. The reference is an average; the peak stands far above it, the more so on drums.",
        ),
        Slip(
            "pauses counted",
            lambda g: g["reference"] - g["whole"],
            "You took the RMS of the whole file. Its pauses pull it down, and the box would be fed too hot where "
            "something plays.",
        ),
        Slip(
            "3 dB slip",
            lambda g: g["reference"] - g["active"] + SINE_CREST_DB,
            "You are 3 dB off: that is plain RMS. Average levels here are sine-referred, a full-scale sine reads 0.",
        ),
    ),
    hints=(
        "The trim takes the reading to the reference: reference minus reading.",
        "Which of the readings is an average over the time in which something plays?",
    ),
    explain=lambda g: fill(
        "The active level is {active:.1f} dBFS, wanted is {reference} dBFS: {reference} − ({active:.1f}) = "
        "{trim:+.1f} dB. The peak ({peak:.1f} dBFS) moves along and has to be looked at apart; the RMS of the whole "
        "({whole:.1f} dBFS) has the pauses in it.",
        {**g, "trim": trims.trim_db(g)},
    ),
    cites=(GAINS, ACTIVE, REFERENCE),
    material=trims.levelled,
)


def _third(g, slope=2):
    return g["q"] * 10 ** (slope * g["delta"] / 20)


THIRD_HARMONIC = Exercise(
    id="07-2",
    title="How fast distortion grows",
    parts=(Number("Third harmonic", "%", relative=0.10, aliases=("percent",), points=2),),
    given=draws(
        a=grid(-30, -14, 0.5),
        q=grid(0.02, 0.1, 0.005),
        delta=grid(-10, 8, 0.5),
        where=lambda g: abs(g["delta"]) >= 3.5 and _third(g) < 1.0,
    ),
    statement=(
        "A gentle, symmetrical stage shows {q} % third harmonic with a sine of {a} dBFS. You turn its input by "
        "{delta:+.1f} dB. Estimate the third harmonic now, in percent of the fundamental."
    ),
    solve=_third,
    slips=(
        Slip(
            "linear",
            lambda g: _third(g, 1),
            "You let the share grow with the level. The harmonic grows three times as fast in dB, the fundamental "
            "once, so their ratio twice.",
        ),
        Slip(
            "cube",
            lambda g: _third(g, 3),
            "You took the growth of the harmonic itself. The share is taken of a fundamental that grows as well.",
        ),
        Slip(
            "wrong way",
            lambda g: _third(g, -2),
            "Wrong way round: fed louder, the stage bends more.",
        ),
    ),
    hints=(
        "The bend of a gentle symmetrical curve goes with the cube of its input: for 1 dB more its harmonic grows by "
        "how many dB?",
        "And the fundamental? The share is the ratio of the two.",
    ),
    explain=lambda g: fill(
        "The harmonic grows 3 dB per dB, the fundamental 1, their ratio 2: {delta:+.1f} dB change it by {change:+.1f} "
        "dB. {q} % × 10^({change:.1f}/20) = {answer:.5f} %. It holds while the share is small, here below 1 %.",
        {**g, "change": 2 * g["delta"], "answer": _third(g)},
    ),
    cites=("Third harmonic of x − k·x³, k·A²/4 of the fundamental for small A: handbook formula",),
)

MATCHED = Exercise(
    id="07-3",
    title="Output gain for a fair bypass",
    parts=(Number("Output gain", "dB", tolerance=0.05, points=2),),
    given=draws(
        Li=grid(-32, -14, 0.1),
        Lo=grid(-34, -10, 0.1),
        where=lambda g: 1.0 <= abs(g["Li"] - g["Lo"]) <= 12.0,
    ),
    statement=(
        "In front of a box you measure {Li} LUFS, behind it {Lo} LUFS. Which output gain makes active and bypass "
        "equally loud?"
    ),
    solve=lambda g: round(g["Li"] - g["Lo"], 1),
    slips=(
        Slip(
            "sign",
            lambda g: g["Lo"] - g["Li"],
            "Wrong way round: a box that has made it louder needs a negative output gain.",
        ),
        Slip(
            "met half way",
            lambda g: (g["Li"] - g["Lo"]) / 2,
            "You met half way. The bypass cannot move, so the output gain makes the whole of the difference.",
        ),
    ),
    hints=("The bypass is the reference: it stays what it is.", "What has to be added to the output to get the input?"),
    explain=lambda g: fill(
        "The bypass is at {Li} LUFS, so the output has to get there from {Lo}: {Li} − ({Lo}) = {gain:+.1f} dB.",
        {**g, "gain": g["Li"] - g["Lo"]},
    ),
    cites=("Loudness: ITU-R BS.1770-5, Annex 1 (standard)", GAINS, "Match within 0.1 dB: common practice, no source"),
)


def _stage_checks():
    for place in range(stages.STAGES):
        yield Check(f"active level into stage {place + 1}", stages.into(place), stages.reference(place), "dBFS")
    matched = (-stages.MATCH_DB, stages.MATCH_DB)
    for place in range(stages.STAGES):
        name = f"stage {place + 1} against its bypass"
        yield Check(name, stages.against_bypass(place), matched, "dB", 2, "too loud", "too soft")
    yield Check("the whole strip against the stem", stages.in_all, matched, "dB", 2, "too loud", "too soft")


THREE_STAGES = Exercise(
    id="07-4",
    title="Three stages in a row",
    parts=(
        State(
            "Trim, in and out gains, post trim",
            points=4,
            controls=stages.controls,
            checks=tuple(_stage_checks()),
            from_session=stages.compact,
            nudges=stages.nudges,
        ),
    ),
    given=stages.Chains(),
    statement=(
        "Three stages in a row: {kinds[0]}, built for {references[0]} dBFS, {kinds[1]}, built for {references[1]} "
        "dBFS, and {kinds[2]}, built for {references[2]} dBFS. Set the trim, the gain into and out of each stage, and "
        "the post trim. The active level at each stage's input has to be its reference within 1 dB. Each stage has to "
        "be as loud as its bypass within 0.2 dB, and so has the whole strip as the stem it plays; both by energy (RMS)."
    ),
    solve=stages.walked,
    slips=(
        Slip(
            "not matched",
            lambda g: stages.walked(g, match="none"),
            "Every stage is fed well, but no out gain was touched: switch a stage off and the level jumps. What went "
            "in as gain has to come out again.",
            spots=stages.not_matched,
        ),
        Slip(
            "matched by peak",
            lambda g: stages.walked(g, match="peak"),
            "You made the peaks equal. A stage that bends takes more off the peaks than off the rest, so an equal peak "
            "is a louder sound. Match by energy.",
            active=stages.misleads("peak"),
            spots=stages.matched_by("clear_peak_dbfs"),
        ),
        Slip(
            "matched by active level",
            lambda g: stages.walked(g, match="active"),
            "You made the active levels equal. A stage that bends brings soft stretches up among the active ones, and "
            "then that meter no longer hears the same stretches. Match by the energy of the whole.",
            active=stages.misleads("active"),
            spots=stages.matched_by("active_dbfs"),
        ),
        Slip(
            "post trim forgotten",
            lambda g: stages.walked(g, post=False),
            "Feeds and matches are right, but the strip is not as loud as the stem any more: the trim is still in it. "
            "Take it back behind the last stage.",
            spots=stages.no_post_trim,
        ),
    ),
    hints=(
        "Walk from left to right, and do not look at stage 2 before stage 1 is fed and matched.",
        "Matching stage 1 changes what stage 2 gets. A stage with a higher reference needs gain in, and about the same "
        "taken off behind it.",
        "All matched? Then the strip differs from the stem by the trim alone.",
    ),
    explain=stages.derivation,
    cites=(ACTIVE, REFERENCE, ENERGY),
    material=stages.chain,
)

BETTER_OR_LOUDER = Exercise(
    id="07-5",
    title="Better, or just louder?",
    parts=(
        runs.Preference(
            "Run 1: the one you like better",
            points=1,
            trials=runs.PREFERENCES,
            silent=NoListening(
                Multi(
                    "From the readings: tick the trials in which A is the louder one",
                    points=1,
                    options=runs.trial_options(runs.PREFERENCES),
                ),
                runs.trials_in_which("louder", "A"),
            ),
        ),
        Abx(
            "Run 2: stage against bypass",
            points=1,
            trials=runs.TRIALS,
            must_show=False,
            silent=NoListening(
                Multi(
                    "From the readings: tick the trials in which X is the stage",
                    points=1,
                    options=runs.trial_options(runs.TRIALS),
                ),
                runs.trials_in_which("order", "B"),
            ),
        ),
        Choice("What the eight preferences of run 1 tell", points=1, options=runs.options("meanings", runs.MEANINGS)),
        Choice(
            "What the data of run 2 allow you to say",
            points=1,
            options=runs.options("verdicts", runs.VERDICTS),
            follows=runs.conclusion,
        ),
    ),
    given=runs.Runs(),
    statement=(
        "**Run 1**: eight times the same sound twice, one of the two louder by {louder_db} dB. Pick what you like "
        "better. **Run 2**: A is the bypass, B the saturating stage at the drive you choose, both matched; X is one of "
        "them. Sixteen trials, no more and no fewer; any count is complete. Then say what the data allow; from a "
        "second run on it takes one more right pick. If you take the readings instead, judge the count of somebody "
        "else, {other} of 16 in a first run."
    ),
    solve=lambda g: [list(g["louder"]), list(g["order"]), "level", runs.SHOWN],
    slips=(
        Slip(
            "level taken for tone",
            lambda g: [None, None, "tone", None],
            "In run 1 both were one and the same sound, sample by sample, apart from their level. There was no tone to "
            "choose between.",
        ),
        Slip(
            "absence proved",
            lambda g: [None, None, None, runs.PROVED],
            "A count that guessing reaches shows nothing, either way. Sixteen trials cannot prove that two sounds are "
            "the same.",
        ),
        Slip(
            "difference taken for quality",
            lambda g: [None, None, None, runs.BETTER],
            "Telling two sounds apart is not liking one of them better. X asked which is which, nothing else.",
        ),
    ),
    hints=(
        "Run 1 plays one sound at two levels. So what can a preference be about?",
        "Guessing gets 12 or more of 16 right in fewer than 5 % of all runs; from a second run on ask for 13.",
    ),
    explain=lambda g: fill(
        "In run 1 the louder one was {orders}; nothing else differed. In run 2, X was {xs}. Guessing alone gets 12 or "
        "more of 16 in 3.8 % of all runs (p = 0.038), 11 or more in 10.5 %: hence 12, and 13 for a second to fourth "
        "run. A lower count shows no difference and proves nothing.",
        {"orders": ", ".join(g["louder"]), "xs": ", ".join(g["order"])},
    ),
    cites=(
        "Handbook formula: tail of the binomial distribution with probability ½; Bonferroni's inequality",
        "That the louder of two is often preferred: common practice, no source",
    ),
    material=lambda g: runs.pair(g, 0),
)

TWO_LIMITS = Exercise(
    id="07-6",
    title="Average or peak: which rule binds?",
    parts=(
        Number("Input trim", "dB", tolerance=0.1, points=2),
        Choice(
            "Which rule binds?",
            points=1,
            options=(
                Option("average", "The average: it reaches its reference before the peaks reach their limit."),
                Option("peak", "The peak: the peaks reach their limit before the average reaches its reference."),
            ),
        ),
    ),
    given=either(trims.percussive("average"), trims.percussive("peak")),
    statement=(
        "A percussive stem has an active level of {A} dBFS and peaks at {P} dBFS. The box is built for an average of "
        "{ref} dBFS, and peaks at its input must not pass {Pm} dBFS. Which is the highest trim that goes beyond "
        "neither, and which of the two rules binds?"
    ),
    solve=lambda g: (
        [trims.by_average(g), "average"] if trims.by_average(g) <= trims.by_peak(g) else [trims.by_peak(g), "peak"]
    ),
    slips=(
        Slip(
            "the larger",
            lambda g: [max(trims.by_average(g), trims.by_peak(g)), None],
            "That is the larger of the two trims. It keeps one rule and breaks the other; the smaller keeps both.",
        ),
        Slip(
            "peak for average",
            lambda g: [trims.by_average({**g, "A": g["P"]}), None],
            "You brought the peak to the reference. The reference is an average; the peaks have a limit of their own.",
        ),
        Slip(
            "sign",
            lambda g: [-min(trims.by_average(g), trims.by_peak(g)), None],
            "Wrong way round: trim is what is wanted minus what is read.",
        ),
    ),
    hints=(
        "Work out both trims: the one that the average asks for, and the one that the peaks allow.",
        "Which of the two keeps both rules?",
    ),
    explain=lambda g: fill(
        "By the average {ref} − ({A}) = {average:+.1f} dB, by the peak {Pm} − ({P}) = {peak:+.1f} dB. The smaller "
        "keeps both: {trim:+.1f} dB. With a crest factor of {crest:.1f} dB the {which} binds.",
        {
            **g,
            "average": trims.by_average(g),
            "peak": trims.by_peak(g),
            "trim": min(trims.by_average(g), trims.by_peak(g)),
            "crest": trims.crest_db(g),
            "which": "average" if trims.by_average(g) <= trims.by_peak(g) else "peak",
        },
    ),
    cites=(ACTIVE, "Handbook formula: crest factor is peak over RMS", REFERENCE),
)

EXERCISES = (TO_REFERENCE, THIRD_HARMONIC, MATCHED, THREE_STAGES, BETTER_OR_LOUDER, TWO_LIMITS)
