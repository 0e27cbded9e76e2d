"""Lab 12, the capstone: a session reported on, staged, balanced, handed over and written down, all on one session.

The six exercises are a series: one session for all of them, and another one for all when it is changed. A run that
counts opens one hint an exercise; a practice run opens all, free of charge, and earns nothing. Weights add up to 100.
"""

from gainlib.exercises.capstone import assignment, balanced, delivered, reference, staged, worksheet
from gainlib.exercises.capstone.parts import Staging
from gainlib.exercises.choosing import Matching
from gainlib.exercises.model import Exercise, Option, Slip
from gainlib.exercises.text import fill
from gainlib.processors import Compressor

SERIES = "12"
LEVELS = "Active level: a definition of this workbook; sample peak and RMS in dBFS: AES17 (clause not checked)"
BUS_METERS = "True peak and loudness: ITU-R BS.1770-5, Annexes 1 and 2"
PRACTICE = "Common practice, no source: feeding by the reference, faders near unity, 24 bit and −6 dBTP for a mix"
SUMS = "Handbook formulas: gains in series add in dB; a sum of linear paths is the sum of what each brings"

_COMMON = {"series": SERIES, "graded_hints": 1, "guard": False, "material": assignment.session}


def _report(given):
    words = {option.key: option.text for option in assignment.tags(given)}
    lines = [f"- {stem}: {', '.join(words[tag] for tag in tags)}" for stem, tags in assignment.faults(given).items()]
    return (
        "The floors: too hot from −13 dBFS active level, too low down to −34 dBFS, clipped where ten or more tops are "
        "flat at the stem's own maximum, whatever that is; an offset from 0.5 % of full scale; noise 22 to 36 dB under "
        "the active level in the pauses; reversed where the correlation is −0.15 or less; dual mono where left minus "
        "right is silent; sparse where it plays 15 % of the time or less.\n\n" + "\n".join(lines)
    )


REPORT = Exercise(
    id="12-1",
    title="Fault report",
    parts=(
        Matching(
            "What is wrong with each stem",
            points=20,
            options=assignment.tags,
            items=assignment.stems,
            several=True,
            enough=1.0,
            partly_from=0.85,
        ),
    ),
    given=assignment.Drawn("report"),
    statement=(
        "Eleven stems have arrived. Tick for each what is wrong with it; several may hold. **Too hot**: active level "
        "of −13 dBFS or more. **Too low**: −34 dBFS or less. **Hum or hiss**: a steady floor 22 to 36 dB under the "
        "active level. **Sparse**: it plays 15 % of the time or less. **DC**: from 0.5 %. **Polarity**: one side of a "
        "stereo stem is reversed, or a close microphone against the overheads (then tick the close one). A stem with "
        "nothing to report gets *none of these*. All points for a report without a mistake; in proportion from 85 % "
        "agreement."
    ),
    solve=assignment.faults,
    hints=(
        "Measure before you listen, and measure every stem, not only those that look odd.",
        "A clipped stem need not reach full scale: somebody may have turned it down afterwards. What stays is the "
        "number of flat tops.",
        "A close microphone and the overheads hear the same drum some milliseconds apart. What sign has the main peak "
        "of their correlation?",
    ),
    explain=_report,
    cites=(LEVELS, "The floors: choices of this workbook", "Agreement: F1 measure over all pairs of stem and tag"),
    **_COMMON,
)


def _compressors_for_linear(given):
    kinds = assignment.kinds(given)
    return {
        name: "linear" if isinstance(assignment.processor(given, name), Compressor) else kind
        for name, kind in kinds.items()
    }


def _kinds_explained(given):
    rows = [f"- {name}: {type(assignment.processor(given, name)).__name__}, {kind}" for name, kind in _kinds(given)]
    return (
        "A box is linear when a gain ahead of it could as well stand behind it, at every level. A tremolo changes with "
        "time and a reverb remembers, and both are linear; what has a threshold or bends is not, even where it happens "
        "to do nothing.\n\n" + "\n".join(rows)
    )


def _kinds(given):
    return assignment.kinds(given).items()


LINEAR = Exercise(
    id="12-2",
    title="Which boxes care",
    parts=(
        Matching(
            "Each box",
            points=10,
            options=(Option("linear", "linear"), Option("nonlinear", "nonlinear")),
            items=assignment.box_options,
            enough=0.9,
        ),
    ),
    given=assignment.Drawn("boxes"),
    statement=(
        "Mark every box of the session, those of the groups included: linear, or nonlinear, which here means anything "
        "that depends on level anywhere between silence and full scale. 90 % of them right will do."
    ),
    solve=assignment.kinds,
    slips=(
        Slip(
            "compressors taken for linear",
            _compressors_for_linear,
            "Some of these are linear only up to a level, and you took them for linear. A box with a threshold cares "
            "how loud it is fed: try it above and below.",
        ),
    ),
    hints=(
        "Feed a box softly, then loudly. Does its gain stay the same at every level?",
        "A gain that changes with time is not a gain that changes with level.",
    ),
    explain=_kinds_explained,
    cites=("Homogeneity and superposition: handbook definitions of a linear system",),
    **_COMMON,
)


def _not_matched(answer, given):
    found = staged.look(answer, given)
    outs = (value for fields in answer.values() for name, value in fields.items() if name.endswith("out_db"))
    return all(each.passed for each in found[::2]) and not any(outs)


DRIVE = Exercise(
    id="12-3",
    title="Drive and bypass",
    parts=(
        Staging(
            "Trims, in and out gains",
            points=25,
            controls=assignment.controls,
            from_session=assignment.compact,
            look=staged.look,
            wanted=staged.WANTED,
        ),
    ),
    given=assignment.Drawn("drive"),
    statement=(
        "Set trims, in gains and out gains of all strips. Every level-dependent box is to be fed the active level it "
        "is built for, within 1 dB; where its peaks would pass −3 dBFS, they decide, within 1 dB of that. Behind each "
        "of them the energy (RMS) is that of its bypass within 0.3 dB. A linear box may be left alone. All or nothing, "
        "as often as you like."
    ),
    solve=reference.controls,
    slips=(
        Slip(
            "not matched",
            reference.unmatched,
            "Every box is fed well and no out gain was touched. Switch one off and the level jumps: what a box takes "
            "or gives has to be taken back behind it, or nobody can judge it.",
            spots=_not_matched,
        ),
    ),
    hints=(
        "Walk each strip from left to right, and do not look at a box before the one ahead of it is fed and matched.",
        "Gain ahead of the first level-dependent box goes on the trim. For the boxes behind it there is the in gain.",
        "Reference minus reading, and highest peak allowed minus peak: the smaller of the two is the move.",
    ),
    explain=lambda given: f"One of many right settings, move by move:\n\n{reference.reasons(given)}",
    cites=(LEVELS, PRACTICE),
    **_COMMON,
)


def _only_one_off(answer, given):
    failing = [each for each in balanced.look(answer, given) if not each.passed]
    return len(failing) == 1 and "than it was" in failing[0].said


MIX = Exercise(
    id="12-4",
    title="Faders near unity, the mix as it was",
    parts=(
        Staging(
            "Post trims, faders, sends and groups",
            points=20,
            controls=assignment.controls,
            from_session=assignment.compact,
            look=balanced.look,
            wanted=balanced.WANTED,
        ),
    ),
    given=assignment.Drawn("mix"),
    statement=(
        "Bring every fader within 3 dB of unity, the groups' as well. The mix you found has to stay: every track "
        "against the others and the effect against its dry track within 0.2 dB, the gain reduction of the drum group "
        "within 0.1 dB, the cue within 0.2 dB of what it got. The mix as a whole may move. The silent stem is left out."
    ),
    solve=reference.controls,
    slips=(
        Slip(
            "one fader",
            reference.one_fader,
            "One track went alone. What its fader goes up, its post trim has to come down, and what moves the mix "
            "moves all of it.",
            spots=_only_one_off,
        ),
        Slip(
            "drums moved ahead of their compressor",
            reference.drums_at_the_strips,
            "The drums were moved at their own strips, and the compressor of their group works at another level now. "
            "Leave what feeds it, and move the output of the group.",
            spots=balanced.group_driven_elsewhere,
        ),
        Slip(
            "cue forgotten",
            reference.cue_forgotten,
            "The mix is kept and the cue is not: it is taken ahead of the fader and behind the post trim, so its send "
            "goes the other way by what the trim moved.",
            spots=balanced.cue_forgotten,
        ),
    ),
    hints=(
        "Drive, in and out gains changed what arrives at the post trim. Post trim plus fader has to make up for that "
        "as well; read the level at the bus, not the controls.",
        "The drum group is moved at its output, behind its compressor.",
        "A send behind the fader follows its track; one ahead of it follows the post trim only.",
    ),
    explain=lambda given: (
        fill(
            "The mix moves as a whole by {move:+.1f} dB, and nothing moves against it. One of many right settings:\n\n",
            {"move": _common_move(given)},
        )
        + reference.reasons(given)
    ),
    cites=(SUMS, PRACTICE),
    **_COMMON,
)


def _common_move(given):
    from gainlib.exercises.capstone.measurements import figures_of

    return balanced.common_move(figures_of(None, given), figures_of(reference.controls(given), given))


def _clips(answer, given):
    from gainlib.exercises.capstone.measurements import figures_of

    return figures_of(answer["controls"], given).over_samples > 0


HAND_OVER = Exercise(
    id="12-5",
    title="Bus level and export",
    parts=(delivered.HandedOver("Controls and export", points=15),),
    given=assignment.Drawn("hand-over"),
    statement=(
        "Bring the true peak of the bus between −6.5 and −6.0 dBTP, the master staying where it is. Then export the "
        "mix as a file of 24 bit, and the stems as they arrive at the bus; subtracted from the mix, their sum has to "
        "leave less than −90 dB of it. The bus counts 10 points, the export 5."
    ),
    solve=reference.handed_over,
    slips=(
        Slip(
            "clipped bus",
            reference.clipped,
            "The bus is over full scale. Inside a floating-point mixer nothing is lost yet; the file is of whole "
            "numbers and cuts it off. Bring everything that feeds the bus down together.",
            spots=_clips,
        ),
    ),
    hints=(
        "Target minus reading is the move, the same number for everything that feeds the bus: direct tracks, the "
        "output of the drum group, the return.",
        "A direct track that moves takes its send to the effect along. What has to happen to that send?",
    ),
    explain=lambda given: fill(
        "With everything staged, one common move brings the bus to {peak:.1f} dBTP; a true peak moves exactly with "
        "the gain, so one move is enough. The parts, each rounded to 24 bit, leave {null:.0f} dB of the mix.",
        {"peak": reference.handed_over(given)["export"]["true_peak_dbtp"], "null": _null(given)},
    ),
    cites=(BUS_METERS, SUMS, PRACTICE),
    **_COMMON,
)


def _null(given):
    return reference.handed_over(given)["export"]["null_db"]


def _sheet_explained(given):
    rows = zip(given["cells"], reference.filled_sheet(given)["cells"], strict=True)
    listed = "\n".join(fill("- {cell}: {value:.1f}", {"cell": worksheet.label(cell), "value": v}) for cell, v in rows)
    return f"Each cell is one meter at one place. With the settings of the plan they read:\n\n{listed}"


SHEET = Exercise(
    id="12-6",
    title="Ten cells of the sheet",
    parts=(worksheet.FilledSheet("Controls and readings", points=10),),
    given=worksheet.Sheets(),
    statement=(
        "Whoever mixes this needs a sheet of its levels. Fill ten cells of it, as the session stands now under your "
        "controls; each has to agree within 0.3 dB with what is measured there. Move a control, and the cells behind "
        "it read something else."
    ),
    solve=reference.filled_sheet,
    hints=(
        "Look at the place first, then at the meter: ahead of a gain or behind it, average or peak?",
        "RMS is of the whole file, active level of where something plays.",
    ),
    explain=_sheet_explained,
    cites=(LEVELS, BUS_METERS),
    **_COMMON,
)

EXERCISES = (REPORT, LINEAR, DRIVE, MIX, HAND_OVER, SHEET)
