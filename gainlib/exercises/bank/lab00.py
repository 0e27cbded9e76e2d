"""Lab 00, orientation: how long ears may take a level, and what a blind comparison allows one to say."""

from math import comb

from gainlib.exercises.blind import matching, orders, pairs
from gainlib.exercises.choosing import Choice, Multi
from gainlib.exercises.listening import Abx, LevelMatch, NoListening, tail_probability
from gainlib.exercises.model import Exercise, Option, Slip
from gainlib.exercises.numeric import Number
from gainlib.exercises.text import fill
from gainlib.exercises.variants import draws, either, grid, one_of
from gainlib.levels.exposure import minutes_a_day, percent_of_week

BINOMIAL = "Handbook formula: tail of the binomial distribution with probability ½"
MATCHED = "Level matching within 0.1 dB for a fair comparison: common practice in controlled listening tests, no source"
MOST_PERCENT, LEAST_PERCENT = 500, 5
LEAST_APART_DB = 6


def _stretches(g):
    return [(g["h1"], g["L1"]), (g["h2"], g["L2"])]


def _percent(g, limit_dba=80.0):
    return percent_of_week(_stretches(g), limit_dba)


def _mean_level(g):
    return (g["h1"] * g["L1"] + g["h2"] * g["L2"]) / (g["h1"] + g["h2"])


DAY = Exercise(
    id="00-1",
    title="How long may it be this loud?",
    parts=(Number("Time a day", "min", relative=0.02, aliases=("minutes", "minute", "mins"), points=2),),
    given=draws(L=grid(86, 103, 0.1)),
    statement=(
        "You listen at {L} dBA. A limit for the day is 85 dBA for 8 hours, and every 3 dB more halve the time. After "
        "how many **minutes** is it used up? Give one decimal."
    ),
    solve=lambda g: minutes_a_day(g["L"]),
    slips=(
        Slip(
            "other rule",
            lambda g: minutes_a_day(g["L"], 90.0, exchange_db=5.0),
            "That is another rule, 90 dBA for 8 hours with the time halved every 5 dB. This one starts at 85 and "
            "halves every 3 dB.",
        ),
        Slip(
            "ten decibels",
            lambda g: minutes_a_day(g["L"], exchange_db=10.0),
            "You halved the time every 10 dB, which is about where a sound seems twice as loud. The energy that ears "
            "take doubles every 3 dB.",
        ),
        Slip("hours", lambda g: minutes_a_day(g["L"]) / 60, "That is in hours; asked are minutes."),
    ),
    hints=(
        "How many times does the step of 3 dB go into what exceeds 85 dBA? Parts of a step count too.",
        "Eight hours are 480 minutes. Each step halves them: divide by two to the power of the number of steps.",
    ),
    explain=lambda g: fill(
        "{L} dBA are {over:.1f} dB above 85, which is {steps:.3f} steps of 3 dB. 480 min / 2^{steps:.3f} = "
        "{answer:.2f} min.",
        {"L": g["L"], "over": g["L"] - 85, "steps": (g["L"] - 85) / 3, "answer": minutes_a_day(g["L"])},
    ),
    cites=("85 dBA for 8 hours, halved every 3 dB: NIOSH publication 98-126 (standard; clause not checked)",),
)

WEEK = Exercise(
    id="00-2",
    title="A week of headphones",
    parts=(Number("Share of the week's allowance", "%", relative=0.03, aliases=("percent",), points=2),),
    given=draws(
        h1=grid(2, 20),
        L1=grid(74, 95),
        h2=grid(2, 20),
        L2=grid(74, 95),
        where=lambda g: abs(g["L1"] - g["L2"]) >= LEAST_APART_DB and LEAST_PERCENT <= _percent(g) <= MOST_PERCENT,
    ),
    statement=(
        "This week you listened for {h1} h at {L1} dBA and for {h2} h at {L2} dBA. The allowance for a week is 80 dBA "
        "for 40 hours, and every 3 dB more count double. What percentage of it did you use?"
    ),
    solve=_percent,
    slips=(
        Slip(
            "mean level",
            lambda g: percent_of_week([(g["h1"] + g["h2"], _mean_level(g))]),
            "That is the dose of the mean level. Doses add, decibels do not: work out each stretch by itself.",
        ),
        Slip(
            "day's limit",
            lambda g: _percent(g, 85.0),
            "You counted from 85 dBA, the level of the limit for a day. The week's allowance starts at 80 dBA.",
        ),
        Slip(
            "hours only",
            lambda g: 100 * (g["h1"] + g["h2"]) / 40,
            "You added the hours alone. An hour counts double for every 3 dB above 80 dBA, and half for every 3 dB "
            "below.",
        ),
    ),
    hints=(
        "Dose adds, decibels do not: turn each stretch into hours at 80 dBA.",
        "An hour at a level counts as two to the power of (level − 80)/3 hours. Add both stretches, then take the "
        "share of the hours allowed.",
    ),
    explain=lambda g: fill(
        "{h1} h at {L1} dBA count as {d1:.2f} h at 80 dBA, {h2} h at {L2} dBA as {d2:.2f} h. Together {sum:.2f} h of "
        "40 h: {answer:.1f} %.",
        {
            **g,
            "d1": g["h1"] * 2 ** ((g["L1"] - 80) / 3),
            "d2": g["h2"] * 2 ** ((g["L2"] - 80) / 3),
            "sum": 0.4 * _percent(g),
            "answer": _percent(g),
        },
    ),
    cites=("80 dBA for 40 hours a week: ITU-T H.870 with the WHO (standard, from memory)",),
)

MATCH = Exercise(
    id="00-3",
    title="As loud as the other",
    parts=(
        LevelMatch(
            "B as loud as A",
            "dB",
            points=3,
            trials=matching.TRIALS,
            silent=NoListening(
                LevelMatch(
                    "From the readings: by how much you turn each B",
                    "dB",
                    points=3,
                    trials=matching.TRIALS,
                    tolerance=0.1,
                    sharp=-1.0,  # reading a meter well is no sharp ear
                ),
                matching.settings_db,
            ),
        ),
    ),
    given=matching.Draw(),
    statement=(
        "Five sounds, each twice: A, and B at another level. Turn B until it is as loud as A, by ear. The mean of the "
        "five errors counts: up to 1.0 dB is right, up to 0.5 dB is sharp. Cannot listen? Switch to the readings "
        "below; they are worth the same."
    ),
    solve=matching.settings_db,
    slips=(
        Slip(
            "wrong way",
            lambda g: [-setting for setting in matching.settings_db(g)],
            "You turned by the right amount and the wrong way: where B is the louder one it has to come down.",
            spots=matching.turned_the_wrong_way,
        ),
        Slip(
            "left alone",
            lambda g: [0.0] * matching.TRIALS,
            "You left B as it was in every pair. In none of them are the two equally loud.",
            spots=matching.left_alone,
        ),
    ),
    hints=(
        "Close your eyes, sweep past the place where both seem equal, and come back from the other side.",
        "Compare the middle of the sound, not its first attack, and switch while it lasts.",
    ),
    explain=lambda g: (
        "B was louder than A by "
        + ", ".join(
            fill("{offset:+.2f} dB ({clip})", {"offset": offset, "clip": clip})
            for clip, offset in zip(g["clips"], g["offsets_db"], strict=True)
        )
        + ". Turned by as much the other way, both are the same sound at the same level. Trained listeners stop "
        "noticing at a difference of a few tenths of a dB."
    ),
    cites=("Smallest differences heard, 0.3 to 0.5 dB at ordinary levels: Jesteadt, Wier and Green 1977, from memory",),
    material=matching.sounds,
)

BLIND = Exercise(
    id="00-4",
    title="A, B or X, and a run that is a sham",
    parts=(
        Abx(
            "Run 1, 3 dB apart",
            points=2,
            trials=orders.TRIALS,
            silent=NoListening(
                Multi("From the readings: tick the trials in which X is B", points=2, options=orders.trial_options),
                orders.trials_with_b,
            ),
        ),
        Abx(
            "Run 2, the sham",
            points=1,
            trials=orders.TRIALS,
            must_show=False,
            silent=NoListening(
                Choice(
                    "A minus B reads “silent” in every trial of the sham run. What is left to hear?",
                    points=1,
                    options=tuple(Option(key, text) for key, text in orders.LEFT_OVER.items()),
                ),
                lambda g: "nothing",
            ),
        ),
        Choice("What does a score in the sham run mean?", points=1, options=orders.meaning_options),
    ),
    given=orders.Draw(),
    statement=(
        "**Run 1**: A and B differ by 3 dB, and X is one of them. Ten trials, no more and no fewer; at least 9 right "
        "count, since guessing seldom gets that far. **Run 2** is a sham: A and B are the same sound. Ten trials "
        "again; any count will do, then say what it means. New numbers start another run 1, which has to be better "
        "the more runs there were."
    ),
    solve=lambda g: [list(g["real"]), list(g["sham"]), "luck"],
    slips=(
        Slip(
            "luck taken for hearing",
            lambda g: [None, None, "hearing"],
            "In the sham run there was nothing to tell apart. A high count there is what luck looks like: about one "
            "guesser in twenty gets 8 or more of ten.",
        ),
        Slip(
            "luck taken for deafness",
            lambda g: [None, None, "deaf"],
            "In the sham run there were no 3 dB to hear. A low count there says as little about your ears as a high "
            "one.",
        ),
    ),
    hints=(
        "Switch while the same note sounds, and go from X to A and back before you go to B.",
        "In the sham run a high score would be luck. So would a low one.",
    ),
    explain=lambda g: (
        f"In run 1, X was {', '.join(g['real'])}; {g['louder']} was the louder one by 3 dB. Guessing gets 9 or more of "
        "ten right in 1.1 % of all runs, 8 or more in 5.5 %: hence 9. In run 2 there was no right or wrong to hear."
    ),
    cites=(BINOMIAL, "Several runs: Bonferroni's inequality, handbook formula"),
    material=orders.sounds,
)

GUESSING = Exercise(
    id="00-5",
    title="How good is guessing?",
    parts=(Number("Probability", relative=0.02, points=2),),
    given=either(
        draws(n=one_of(10), k=grid(5, 8)),
        draws(n=one_of(12), k=grid(6, 9)),
        draws(n=one_of(16), k=grid(8, 12)),
        draws(n=one_of(20), k=grid(10, 14)),
    ),
    statement=(
        "Somebody gets {k} of {n} trials right, each a choice of two. With what probability does pure guessing get at "
        "least that many? Give a number between 0 and 1 with three significant figures, such as 0.623."
    ),
    solve=lambda g: tail_probability(g["k"], g["n"]),
    slips=(
        Slip(
            "exactly",
            lambda g: comb(g["n"], g["k"]) / 2 ** g["n"],
            "That is the probability of exactly that many. A better score would impress you as well, so the whole tail "
            "counts.",
        ),
        Slip(
            "more than",
            lambda g: tail_probability(g["k"] + 1, g["n"]),
            "That is the probability of more than that many. The count itself belongs to “at least”.",
        ),
        Slip(
            "percent",
            lambda g: 100 * tail_probability(g["k"], g["n"]),
            "That is in percent; asked is a number between 0 and 1.",
        ),
    ),
    hints=(
        "“At least” means this count and every better one: sum the tail.",
        "The number of ways to get i of n right is n over i; all orders of right and wrong are equally likely, and "
        "there are two to the power of n.",
    ),
    explain=lambda g: fill(
        "Of 2^{n} = {all} equally likely runs, {ways} have {k} or more right: {ways} / {all} = {p:.5f}.",
        {
            **g,
            "all": f"{2 ** g['n']}",
            "ways": f"{sum(comb(g['n'], i) for i in range(g['k'], g['n'] + 1))}",
            "p": tail_probability(g["k"], g["n"]),
        },
    ),
    cites=(BINOMIAL,),
)

FAIR = Exercise(
    id="00-6",
    title="Fit for a fair comparison",
    parts=(Multi("Pairs fit for a fair comparison", points=3, options=pairs.options),),
    given=pairs.Draw(),
    statement=(
        "Six pairs of clips were measured. Which of them may be compared as they are, without the louder one winning "
        "for being louder? Ask for a match within 0.1 LU.\n\n" + pairs.table()
    ),
    solve=pairs.fit,
    slips=(
        Slip(
            "by peak",
            lambda g: pairs.equal_in(g, "peak", 0.1),
            "Those pairs agree in peak. A peak lasts a millisecond and says little about how loud a sound is.",
        ),
        Slip(
            "by RMS",
            lambda g: pairs.equal_in(g, "rms", 0.1),
            "Those pairs agree in RMS, which counts bass as much as the range where ears are sharp. Loudness is the "
            "other column.",
        ),
        Slip(
            "all",
            lambda g: [option.key for option in pairs.options(g)],
            "You picked all of them. In at least two, one clip is louder by 0.4 LU or more, which is enough to be "
            "preferred.",
        ),
    ),
    hints=(
        "Match loudness, not peak.",
        "Which of the three columns is weighted as ears are, and has a unit of its own?",
    ),
    explain=lambda g: f"Differences in loudness: {pairs.gaps_in_words(g)}. Those of at most 0.1 LU are fit.",
    cites=("Loudness: ITU-R BS.1770-5, Annex 1 (standard)", MATCHED),
)

EXERCISES = (DAY, WEEK, MATCH, BLIND, GUESSING, FAIR)
