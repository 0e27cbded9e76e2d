"""Lab 00, orientation: how long ears may take a level, and what a blind comparison allows one to say."""

from functools import cache
from math import comb, log

from gainlib.audio import Audio
from gainlib.exercises import Choice, Exercise, Multi, Number, Slip, fill
from gainlib.exercises import bypass as runs
from gainlib.exercises.clips import CLIPS, clip, louder, loudness_lufs, residual_db
from gainlib.exercises.experiment import Experiment, Slider, picture
from gainlib.exercises.lab import Lab, Worked
from gainlib.exercises.listening import Abx, LevelMatch, NoListening, percent, share_of_guessers, tail_probability
from gainlib.exercises.listening import Run as Score
from gainlib.exercises.variants import BlindOrder, Recipe, draws, either, grid, one_of, pick, shuffled
from gainlib.levels import exposure as limits
from gainlib.levels.exposure import minutes_a_day, percent_of_week
from gainlib.meters import sample_peak_dbfs
from gainlib.words import Table, number_text, time_text

# ------------------------------------------------------------------------------------------------------- the experiment

LEVELS_DBA = range(70, 116)
DAY_LIMIT = "a day’s limit (8 hours at 85 dBA)"
WEEKS = {
    "a week’s allowance (40 hours at 80 dBA)": limits.WEEK_DBA,
    "a child’s weekly allowance (40 hours at 75 dBA)": limits.CHILD_WEEK_DBA,
}


def _allowed(level_dba, name, days=7):
    """Return minutes a day; a week's allowance is spread over so many days."""
    if name == DAY_LIMIT:
        return minutes_a_day(float(level_dba))
    return minutes_a_day(float(level_dba), WEEKS[name], limits.WEEK_HOURS / days)


def _used(run):
    """Return minutes allowed a day, and percent used, of every limit."""
    level, hours, days = run.setting.level_dba, run.setting.hours, run.setting.days
    used = {DAY_LIMIT: (_allowed(level, DAY_LIMIT), limits.percent_of_day(level, hours))}
    for name, limit in WEEKS.items():
        used[name] = (_allowed(level, name, days), percent_of_week([(hours * days, level)], limit))
    return used


def _told(run):
    setting, (of_day, of_week, of_child) = run.setting, [f"{number_text(used, 0)} %" for _, used in run.seen.values()]
    return (
        f"{time_text(60 * setting.hours)} a day at {number_text(setting.level_dba, 0)} dBA use **{of_day}** of a day’s "
        f"limit and, {number_text(setting.days, 0)} days a week, **{of_week}** of a week’s allowance; for a child it "
        f"would be {of_child}."
    )


def _limits_table(run):
    rows = tuple((name, time_text(allowed), f"{number_text(used, 0)} %") for name, (allowed, used) in run.seen.items())
    head = f"At {number_text(run.setting.level_dba, 0)} dBA"
    return Table(head, ("limit", "allowed a day", "used"), rows)


@cache
def exposure() -> Experiment:
    """Level, hours a day and days a week, and what share of each limit they use."""
    return Experiment(
        title="How loud, how long",
        controls=(
            Slider("level_dba", "Level at ear", LEVELS_DBA[0], LEVELS_DBA[-1], 1, 85, "dBA", page=3, decimals=0),
            Slider("hours", "Time a day", 0.25, 12, 0.25, 2, "h", page=1, decimals=2),
            Slider("days", "Days a week", 1, 7, 1, 5, "days", page=1, decimals=0),
        ),
        pictures=(
            picture(
                "How long you may listen at a level",
                "safe times",
                lambda run: (run.setting.level_dba, 60 * run.setting.hours, run.seen),
                levels_dba=LEVELS_DBA,
                limits_min={name: [_allowed(level, name) for level in LEVELS_DBA] for name in (DAY_LIMIT, *WEEKS)},
                margins={"right": 0.97},
            ),
        ),
        read=_used,
        told=_told,
        numbers=_limits_table,
        lines=2,
    )


# --------------------------------------------------------------------------------------------------- how long, how loud

BINOMIAL = "Handbook formula: tail of the binomial distribution with probability ½"
MATCHED = "Level matching within 0.1 dB for a fair comparison: common practice in controlled listening tests, no source"
MOST_PERCENT, LEAST_PERCENT = 500, 5
LEAST_APART_DB = 6
SOFT, LOUD = grid(74, 79), grid(80, 95)


def _stretches(g):
    return [(g["h1"], g["L1"]), (g["h2"], g["L2"])]


def _week(**levels):
    """Return the draw of a week in which one of the two levels is under 80 dBA."""
    hours = {"h1": grid(2, 20), "h2": grid(2, 20)}

    def fair(g):
        return abs(g["L1"] - g["L2"]) >= LEAST_APART_DB and LEAST_PERCENT <= _percent(g) <= MOST_PERCENT

    return draws(fair, **hours, **levels)


def _percent(g, limit_dba=80.0):
    return percent_of_week(_stretches(g), limit_dba)


def _mean_level(g):
    return (g["h1"] * g["L1"] + g["h2"] * g["L2"]) / (g["h1"] + g["h2"])


DAY = Exercise(
    id="00-1",
    title="How long may it be this loud?",
    parts=(Number("Time a day", "min", relative=0.02, aliases=("minutes", "minute", "mins"), points=2),),
    edition=2,
    given=draws(L=grid(86, 103, 0.1), where=lambda g: 0.2 < (g["L"] - 85) % 3 < 2.8),
    statement="You listen at {L} dBA. The limit is 8 hours a day at 85 dBA, and every 3 dB more halves the time. After "
    "how many **minutes** have you used it up? Give one decimal.",
    solve=lambda g: minutes_a_day(g["L"]),
    slips=(
        Slip(
            "other rule",
            lambda g: minutes_a_day(g["L"], 90.0, exchange_db=5.0),
            "You used another rule, which allows 8 hours at 90 dBA and halves the time every 5 dB. This one starts at "
            "85 dBA and halves it every 3 dB.",
        ),
        Slip(
            "ten decibels",
            lambda g: minutes_a_day(g["L"], exchange_db=10.0),
            "You halved the time every 10 dB, which is roughly where a sound seems twice as loud. What harms ears is "
            "energy, and that doubles every 3 dB.",
        ),
        Slip(
            "hours",
            lambda g: minutes_a_day(g["L"]) / 60,
            "You gave hours; the question asks for minutes.",
            spots=lambda a, g: abs(60 * a / minutes_a_day(g["L"]) - 1) <= 0.02,
        ),
    ),
    hints=(
        "How many steps of 3 dB lie between 85 dBA and this level? Parts of a step count too.",
        "Eight hours are 480 minutes. Each step halves them: divide by two to the power of the number of steps.",
    ),
    explain="{L} dBA is {over:.1f} dB above 85, which is {steps:.3f} steps of 3 dB. 480 min / 2^{steps:.3f} = "
    "{key:.2f} min.",
    terms=lambda g: {"over": g["L"] - 85, "steps": (g["L"] - 85) / 3},
    cites=("8 hours a day at 85 dBA, halved every 3 dB: NIOSH publication 98-126 (standard)",),
)

WEEK = Exercise(
    id="00-2",
    title="A week of headphones",
    parts=(Number("Share of the week's allowance", "%", relative=0.03, aliases=("percent",), points=2),),
    edition=2,
    given=either(_week(L1=SOFT, L2=LOUD), _week(L1=LOUD, L2=SOFT)),
    statement="This week you listened for {h1} h at {L1} dBA and for {h2} h at {L2} dBA. The allowance is 40 hours a "
    "week at 80 dBA, and every 3 dB more makes an hour count double. What percentage of it did you use?",
    solve=_percent,
    slips=(
        Slip(
            "mean level",
            lambda g: percent_of_week([(g["h1"] + g["h2"], _mean_level(g))]),
            "You took the dose of the mean level. Doses add, but decibels do not: work out each stretch by itself.",
        ),
        Slip(
            "day's limit",
            lambda g: _percent(g, 85.0),
            "You counted from 85 dBA, which belongs to the daily limit. The week's allowance starts at 80 dBA.",
        ),
        Slip(
            "below does not count",
            lambda g: percent_of_week([(hours, level) for hours, level in _stretches(g) if level >= 80]),
            "You left out the hours below 80 dBA. They count for less, but they count: half for every 3 dB below.",
        ),
        Slip(
            "hours only",
            lambda g: 100 * (g["h1"] + g["h2"]) / 40,
            "You added the hours alone. An hour counts double for every 3 dB above 80 dBA, and half for every 3 dB "
            "below.",
        ),
    ),
    hints=(
        "Doses add, but decibels do not: turn each stretch into hours at 80 dBA.",
        "An hour at a level counts as two to the power of (level − 80)/3 hours. Add both stretches, then take the "
        "share of the hours allowed.",
    ),
    explain="{h1} h at {L1} dBA count as {d1:.2f} h at 80 dBA, and {h2} h at {L2} dBA as {d2:.2f} h. Together that is "
    "{sum:.2f} h of 40 h, or {key:.1f} %.",
    terms=lambda g: {
        **{f"d{k}": hours * 2 ** ((level - 80) / 3) for k, (hours, level) in enumerate(_stretches(g), start=1)},
        "sum": 0.4 * _percent(g),
    },
    cites=("40 hours a week at 80 dBA: ITU-T H.870 with the WHO (standard)",),
)

# -------------------------------------------------------------------------------- five pairs of one sound at two levels

OFFSETS_DB = tuple(sign * step for sign in (-1, 1) for step in grid(1.5, 6, 0.25).values)


def _draw_matches(rng):
    """Return every clip once, and by how many dB the second of each pair is louder, differences of both signs."""
    offsets = [pick(rng, OFFSETS_DB) for _ in CLIPS]
    if len({offset > 0 for offset in offsets}) < 2:
        return None
    return {"clips": shuffled(rng, CLIPS), "offsets_db": offsets}


def matched_db(given: dict) -> list[float]:
    """Return by how much each B has to be turned, up is positive."""
    return [-offset + 0.0 for offset in given["offsets_db"]]


def match_sounds(given: dict) -> list[tuple[Audio, Audio]]:
    """Return the pairs A, B as they are found; the louder of the two always has the same loudness."""
    made = []
    for name, offset in zip(given["clips"], given["offsets_db"], strict=True):
        top = -max(offset, 0.0)
        made.append((louder(clip(name), top), louder(clip(name), top + offset)))
    return made


def match_readings(given: dict) -> list[tuple[float, ...]]:
    """Return the loudness of A and B of every pair, as from two loudspeakers, and their sample peaks."""
    return [
        tuple(read(each) for read in (loudness_lufs, sample_peak_dbfs) for each in pair) for pair in match_sounds(given)
    ]


def _entries(answer):
    return answer["silent"] if isinstance(answer, dict) else answer


def _wrong_way(answer, given):
    off = [abs(mine + right) for mine, right in zip(_entries(answer), matched_db(given), strict=True)]
    return sum(off) / len(off) <= 1.0


def _left_alone(answer, given):
    return all(entry == 0 for entry in _entries(answer))


# no praise for the readings: to read a meter well is no sharp ear
READ_MATCH = LevelMatch(
    "From the readings: by how much do you turn each B?", "dB", points=3, trials=len(CLIPS), tolerance=0.1, sharp=-1.0
)
MATCH = Exercise(
    id="00-3",
    title="As loud as the other",
    parts=(
        LevelMatch("B as loud as A", "dB", points=3, trials=len(CLIPS), silent=NoListening(READ_MATCH, matched_db)),
    ),
    given=_draw_matches,
    statement="You hear five sounds, each as A and as B at another level. Turn B until it is as loud as A, by ear. The "
    "mean of the five errors counts: up to 1.0 dB is right, and up to 0.5 dB shows a sharp ear. If you cannot listen, "
    "switch to the readings below; they are worth the same.",
    solve=matched_db,
    slips=(
        Slip(
            "wrong way",
            lambda g: [-setting for setting in matched_db(g)],
            "You turned B by the right amount but in the wrong direction: where B is louder, turn it down.",
            spots=_wrong_way,
        ),
        Slip(
            "left alone",
            lambda g: [0.0] * len(CLIPS),
            "You left B as it was in every pair. In none of them are the two equally loud.",
            spots=_left_alone,
        ),
    ),
    hints=(
        "Close your eyes, sweep past the point where both seem equal, and come back from the other side.",
        "Compare the middle of the sound, not its first attack, and switch while it lasts.",
    ),
    explain="Against A, B was {found}. Turn B by as much the other way, and both are the same sound at the same level. "
    "Trained listeners stop noticing a difference below a few tenths of a dB.",
    terms=lambda g: {
        "found": [
            f"{abs(offset):.2f} dB {'louder' if offset > 0 else 'softer'} ({clip})"
            for clip, offset in zip(g["clips"], g["offsets_db"], strict=True)
        ]
    },
    cites=("Smallest differences heard, 0.5 to 1 dB at ordinary levels: Jesteadt, Wier and Green 1977",),
    material=match_sounds,
)

# ------------------------------------------------------------------------------------ which of two is X, trial by trial

TRIALS, APART_DB = 10, 3.0
RUNS = ("real", "sham")
MEANINGS = {
    "luck": "Nothing but luck: A and B were the same sound, so every count there came from guessing.",
    "hearing": "If it is high, I hear differences that no meter shows.",
    "deaf": "If it is low, I cannot hear 3 dB either.",
}
LEFT_OVER = {
    "nothing": "Nothing: the two are the same sample by sample, so there is no difference to hear.",
    "small": "A difference too small for the meter, which trained ears may still hear.",
    "level": "A difference in level of 3 dB, since a null only shows differences in tone.",
}


ORDERS = dict.fromkeys(RUNS, BlindOrder(TRIALS, 3))
WORDS = {"clip": one_of(*CLIPS), "louder": one_of("A", "B")}


def _draw_runs(rng):
    orders = {name: order.draw(rng) for name, order in ORDERS.items()}
    if None in orders.values():
        return None
    return orders | {name: word.draw(rng) for name, word in WORDS.items()} | {"meanings": shuffled(rng, MEANINGS)}


def abx_sounds(given: dict, run: str = "real") -> tuple[Audio, Audio]:
    """Return A and B of a run, as samples of their own: 3 dB apart in the real run, the same in the sham run."""
    down = {name: 0.0 if run == "sham" or given["louder"] == name else -APART_DB for name in "AB"}
    return tuple(louder(clip(given["clip"]), down[name]) for name in "AB")


def abx_residuals_db(given: dict, run: str = "real") -> list[float]:
    """Return for each trial what subtracting X from A leaves, in dB below A; −inf where X is A."""
    pair = dict(zip("AB", abx_sounds(given, run), strict=True))
    left = {name: residual_db(pair["A"], sound) for name, sound in pair.items()}
    return [left[name] for name in given[run]]


WHAT_IS_LEFT = "A minus X reads “silent” in every trial of the sham run. What is there left to hear?"
SHAM_READ = NoListening(Choice(WHAT_IS_LEFT, points=1, options=LEFT_OVER), lambda g: "nothing")
BLIND = Exercise(
    id="00-4",
    title="A, B or X, and a sham run",
    parts=(
        runs.blind_run("Run 1, 3 dB apart", "real", TRIALS, points=2),
        Abx("Run 2, the sham", points=1, trials=TRIALS, must_show=False, silent=SHAM_READ),
        Choice("What does a score in the sham run mean?", points=1, options=runs.options("meanings", MEANINGS)),
    ),
    given=Recipe(_draw_runs, ORDERS | WORDS),
    statement="**Run 1**: A and B differ by 3 dB, and X is one of them. Do exactly ten trials; you need at least 9 "
    "right, because guessing seldom gets that far. **Run 2** is a sham: A and B are the same sound. Do ten trials "
    "again; any count will do, but then say what it means. New numbers start another run 1, and the more runs you have "
    "done, the better it has to be.",
    solve=lambda g: [list(g["real"]), list(g["sham"]), "luck"],
    slips=(
        Slip(
            "chance mistaken for hearing",
            lambda g: [None, None, "hearing"],
            "In the sham run there was nothing to tell apart, so a high count there is luck: about one guesser in "
            "twenty gets 8 or more of ten.",
        ),
        Slip(
            "chance mistaken for poor hearing",
            lambda g: [None, None, "deaf"],
            "In the sham run there was no difference of 3 dB to hear. A low count there says as little about your ears "
            "as a high one.",
        ),
    ),
    hints=(
        "Switch while the same note is playing, and go from X to A and back before you go to B.",
        "In the sham run a high score would be luck, and so would a low one.",
    ),
    explain="In run 1, X was {xs}; {louder} was the louder one by 3 dB. Guessing gets 9 or more of ten right in 1.1 % "
    "of all runs, and 8 or more in 5.5 %, which is why you need 9. In run 2 there was no right or wrong to hear.",
    terms=lambda g: {"xs": list(g["real"])},
    cites=(BINOMIAL, "Several runs: Bonferroni's inequality, handbook formula"),
    material=abx_sounds,
)

GUESSING = Exercise(
    id="00-5",
    title="How good is guessing?",
    parts=(Number("Probability", relative=0.02, points=2, shares=True),),
    given=either(
        draws(n=one_of(10), k=grid(5, 8)),
        draws(n=one_of(12), k=grid(6, 9)),
        draws(n=one_of(16), k=grid(8, 12)),
        draws(n=one_of(20), k=grid(10, 14)),
    ),
    statement="Someone gets {k} of {n} trials right, each a choice of two. How likely is it that pure guessing gets at "
    "least that many? Give a number between 0 and 1, such as 0.623, to within 2 %.",
    solve=lambda g: tail_probability(g["k"], g["n"]),
    slips=(
        Slip(
            "exactly",
            lambda g: comb(g["n"], g["k"]) / 2 ** g["n"],
            "That is the probability of exactly that many. A better score would impress you as well, so add up the "
            "whole tail.",
        ),
        Slip(
            "more than",
            lambda g: tail_probability(g["k"] + 1, g["n"]),
            "That is the probability of more than that many. The count itself belongs to “at least”.",
        ),
        Slip(
            "percent",
            lambda g: 100 * tail_probability(g["k"], g["n"]),
            "You gave a percentage; the question asks for a number between 0 and 1.",
        ),
    ),
    hints=(
        "“At least” means this count and every better one: sum the tail.",
        "The number of ways to get i of n right is the binomial coefficient “n choose i”; all orders of right and "
        "wrong are equally likely, and there are two to the power of n of them.",
    ),
    explain="Of 2^{n} = {all} equally likely runs, {ways} have {k} or more right, so p = {ways} / {all} = {key:.5f}.",
    terms=lambda g: {
        "all": f"{2 ** g['n']}",
        "ways": f"{sum(comb(g['n'], i) for i in range(g['k'], g['n'] + 1))}",
    },
    cites=(BINOMIAL,),
)

# ---------------------------------------------------------------- readings of six pairs, some fit for a fair comparison

PAIRS_READ, FAIR_LU = 6, 0.1
NEAR_LU, CLOSE_LU, OFF_LU = grid(0.02, 0.08, 0.01), grid(0.12, 0.3, 0.01), grid(0.4, 1.5, 0.01)
DECIMALS = {"lufs": 2, "peak": 1, "rms": 2}
_PEAK_APART_DB, _RMS_APART_DB = grid(1.5, 4, 0.1), grid(0.5, 2, 0.05)
_LUFS, _OVER_LUFS_DB, _RMS_OVER_DB = grid(-28, -20, 0.01), grid(9, 14, 0.1), grid(-1, 3, 0.05)
_ROUNDING = 1e-6


def _draw_pairs(rng):
    """Return loudness, peak and RMS of A and B, two to four of the six pairs fit, in any place.

    Peaks agree in one fit pair and in one that is not, and so does RMS. One pair is off by 0.3 LU or less.
    """
    count = pick(rng, (2, 3, 4))
    fit = shuffled(rng, [True] * count + [False] * (PAIRS_READ - count))
    kinds = [[k for k in range(PAIRS_READ) if fit[k] is kind] for kind in (True, False)]
    same_rms, same_peak = ({pick(rng, kind) for kind in kinds} for _ in range(2))
    close = pick(rng, kinds[1])
    drawn = {f"{side}_{name}": [] for side in "ab" for name in DECIMALS}
    for k in range(PAIRS_READ):
        apart = {
            "lufs": (NEAR_LU if fit[k] else CLOSE_LU if k == close else OFF_LU).draw(rng),
            "peak": 0.0 if k in same_peak else _PEAK_APART_DB.draw(rng),
            "rms": 0.0 if k in same_rms else _RMS_APART_DB.draw(rng),
        }
        loudness = _LUFS.draw(rng)
        over = {"lufs": 0.0, "peak": _OVER_LUFS_DB.draw(rng), "rms": _RMS_OVER_DB.draw(rng)}
        for name, decimals in DECIMALS.items():
            sign = pick(rng, (-1, 1))
            drawn[f"a_{name}"].append(round(loudness + over[name], decimals))
            drawn[f"b_{name}"].append(round(drawn[f"a_{name}"][-1] + sign * apart[name], decimals))
    return drawn


PAIRS = {str(k): f"pair {k}" for k in range(1, PAIRS_READ + 1)}


def _equal_in(given, column, within):
    """Return the pairs in which a column agrees within so much, as keys of options."""
    readings = zip(given[f"a_{column}"], given[f"b_{column}"], strict=True)
    return [str(k) for k, (a, b) in enumerate(readings, start=1) if abs(a - b) <= within + _ROUNDING]


def fit_pairs(given: dict) -> list[str]:
    """Return the pairs matched within 0.1 LU."""
    return _equal_in(given, "lufs", FAIR_LU)


def _pairs_table():
    """Return the template of the readings as a table in Markdown."""
    heads = "| pair | loudness A, B (LUFS) | sample peak A, B (dBFS) | RMS A, B (dBFS) |\n|---|---|---|---|\n"
    cells = "{{a_lufs[{k}]:.2f}}, {{b_lufs[{k}]:.2f}} | {{a_peak[{k}]:.1f}}, {{b_peak[{k}]:.1f}}"
    row = "| {n} | " + cells + " | {{a_rms[{k}]:.2f}}, {{b_rms[{k}]:.2f}} |"
    return heads + "\n".join(row.format(k=k, n=k + 1) for k in range(PAIRS_READ))


def _gaps(given):
    return [abs(a - b) for a, b in zip(given["a_lufs"], given["b_lufs"], strict=True)]


FAIR = Exercise(
    id="00-6",
    edition=2,
    title="Fit for a fair comparison",
    parts=(Multi("Pairs fit for a fair comparison", points=3, options=PAIRS),),
    given=_draw_pairs,
    statement="Six pairs of clips were measured. Which of them can you compare as they are, without the louder one "
    "winning because it is louder? Require a match within 0.1 LU.\n\n" + _pairs_table(),
    solve=fit_pairs,
    slips=(
        Slip(
            "by peak",
            lambda g: _equal_in(g, "peak", 0.1),
            "Those pairs agree in peak. A peak lasts a millisecond and says little about how loud a sound is.",
        ),
        Slip(
            "by RMS",
            lambda g: _equal_in(g, "rms", 0.1),
            "Those pairs agree in RMS, which counts bass as much as the range where ears are most sensitive. Loudness "
            "is in the other column.",
        ),
        Slip(
            "all",
            lambda g: list(PAIRS),
            "You picked all of them. In at least two, one clip is louder by more than 0.1 LU.",
        ),
    ),
    hints=(
        "Match loudness, not peak.",
        "Which of the three columns is weighted the way ears are, and has a unit of its own?",
    ),
    explain="Differences in loudness: {gaps}. Pairs that differ by at most 0.1 LU are fit.",
    terms=lambda g: {
        "gaps": [fill("pair {k}: {gap:.2f} LU", {"k": k, "gap": gap}) for k, gap in enumerate(_gaps(g), 1)]
    },
    cites=("Loudness: ITU-R BS.1770-5, Annex 1 (standard)", MATCHED),
)

# ------------------------------------------------------------------------------------------------------- the prediction

GUESSED = Score(7, 10)
CHOICES = {0.01: "one run in 100", 0.05: "one run in 20", 1 / 6: "one run in 6", 0.5: "every second run"}
GUESSERS = 20_000


def compare() -> tuple[str, str, Table]:
    """Return how often guessing gets 7 of 10: by the formula, and by letting many guess."""
    guessed = share_of_guessers(GUESSED.trials, GUESSERS)
    nearest = min(CHOICES, key=lambda share: abs(log(share / GUESSED.alone)))
    sentence = (
        f"Of {GUESSERS:,} simulated guessers {percent(guessed[GUESSED.right])} got {GUESSED.right} or more of "
        f"{GUESSED.trials} right; the formula says {percent(GUESSED.alone)}, **{CHOICES[nearest]}**. So "
        f"{GUESSED.right} of {GUESSED.trials} shows nothing. With {GUESSED.needed} or more you have shown a difference."
    )
    rows = tuple(
        (f"{right} or more", percent(Score(right, GUESSED.trials).alone), percent(guessed[right]))
        for right in range(GUESSED.trials, 4, -1)
    )
    return CHOICES[nearest], sentence, Table("Guessing ten times", ("right", "by the formula", "guessers"), rows)


WORKED = Worked(
    "You record for 2 hours at 88 dBA, and then mix at 91 dBA. How many minutes of mixing are left of this day, if its "
    "limit is 8 hours at 85 dBA and every 3 dB more halves the time?",
    (
        "At 88 dBA you are 3 dB over 85, which is one halving: 480 min / 2 = 240 min would use up the whole day.",
        "You were there for 120 of these 240 min, so half of the day's dose is used. Doses add; levels in dBA do not.",
        "At 91 dBA you are 6 dB over 85, which is two halvings: 480 min / 4 = 120 min would use up a whole day.",
    ),
    Number("Minutes left at 91 dBA", "min", tolerance=0.5),
    60.0,
    "Half of the dose is left, so half of the 120 min: 60 min. The mean of 88 and 91 dBA gives another figure, because "
    "it takes levels for doses.",
)

LAB = Lab(
    title="Safe listening and blind comparison",
    question="Can I trust what I hear here, at this level?",
    minutes=40,
    lessons="one lesson of 50 minutes",
    exercises=(DAY, WEEK, MATCH, BLIND, GUESSING, FAIR),
    experiments={"exposure": exposure},
    compare=compare,
    worked=WORKED,
)
