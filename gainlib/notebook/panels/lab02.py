"""Lab 02: what its notebook shows, what its prediction is compared with, and its page to take away."""

from gainlib.notebook.panels.page import Page
from gainlib.words import Table, level_text, number_text

PAGE = Page(
    title="Meters",
    question="Which meter answers which question?",
    minutes=60,
    lessons="two lessons of 45 minutes",
    takeaway="""
### Which meter for which question

| you ask | you read | it answers to |
|---|---|---|
| Will the samples fit? | **sample peak**, dBFS | the highest sample, offset included |
| Will it fit after conversion or coding? | **true peak**, dBTP | the curve between the samples |
| How much power does it carry? | **RMS**, dBFS | the mean square; here a full-scale sine reads 0 |
| How loud is it where something plays? | **active level**, dBFS | RMS of the blocks within 25 dB of the loudest |
| How hard is it driven, at a glance? | **needle**, VU | the rectified average over about 300 ms |
| How loud does it seem, from end to end? | **loudness**, LUFS | weighted power, less what the gates leave out |

### Numbers to keep

- Crest factor = peak − plain RMS, both without offset. Plain RMS is 3.01 dB under the sine-referred one.
- At one peak: square wave +3.01 dB, triangle −1.76 dB against the RMS of a sine. The needle gives a square wave
  +3.92 dB, and noise reads about 1 dB lower on it than on the RMS meter.
- A needle takes 300 ms to get there. A burst of 50 ms moves it to 11 VU under a steady tone.
- Largest under-read of a crest at *f*, sampled at *fs*, read at *n* points a sample period:
  −20·lg cos(π·*f*/(*n*·*fs*)) dB.
- A 997 Hz tone at *p* dBFS in one channel: *p* − 3.01 LUFS; in both: *p* LUFS.
- Gates: blocks at −70 LUFS or under are left out, then those 10 LU under the mean of the rest. So
  silence costs nothing.
- 0 VU means nothing until you say which sine reads 0: here −18 dBFS unless you set it.

### Not to believe

That the needle shows peaks; that equal peaks are equally loud; that RMS is always 3 dB under the peak; that a pause
pulls integrated loudness down by its length; that the samples show the true top.
""",
    cites=(
        "Sample peak and RMS in dBFS, a full-scale sine reads 0: AES17 (standard; clause not checked)",
        "Loudness, its gates, true peak and its under-read: ITU-R BS.1770-5, Annexes 1 and 2 (standard)",
        "Loudness over 400 ms and 3 s: EBU Tech 3341 (standard)",
        "VU: rectified average, 99 % in 300 ms, 1 to 1.5 % overshoot: IEC 60268-17 (standard, from memory)",
        "Line-up at −18 dBFS: EBU R 68 (standard); that a needle reads 0 VU there: common practice, no source",
        "Crest factor, form factor of a sine: handbook formulas",
        "Active level: a definition of this workbook",
    ),
)

CHOICES = {"0 VU": 0.0, "about −3 VU": -3.0, "about −11 VU": -11.0, "under −20 VU": -25.0}


def panel(name: str, learner):
    """Return the lab's panel."""
    from gainlib.audio import GainlibError
    from gainlib.notebook.panels.meterbench import MeterBench

    if name != "meters":
        raise GainlibError(f"lab 02 has no panel {name!r}; it has 'meters'")
    return MeterBench()


def exercise_panel(exercise, given: dict, learner):
    """Return the readings an exercise is about, or None."""
    from gainlib.notebook.panels.takeview import TakeView

    return TakeView(given) if exercise.id == "02-1" else None


def compare():
    """Return how high the needle swings for bursts of every length.

    Returns
    -------
    outcome : str
        The choice that the measurement bears out.
    sentence : str
        Markdown.
    table : gainlib.words.Table
    """
    from gainlib.exercises.metering import bench
    from gainlib.notebook.panels.meterbench import seconds_text

    seen = bench.bursts()
    burst, steady = seen[bench.PREDICTED_BURST_S], seen[bench.STEADY]
    outcome = min(CHOICES, key=lambda choice: abs(CHOICES[choice] - burst.needle_max_vu))
    sentence = (
        f"The burst of {seconds_text(bench.PREDICTED_BURST_S)} has its highest sample at "
        f"{level_text(burst.sample_peak_dbfs, 'dBFS')}, like the steady tone. The needle swings up to "
        f"**{level_text(burst.needle_max_vu, 'VU')}**, for the steady tone to "
        f"{level_text(steady.needle_max_vu, 'VU')}. The movement needs 300 ms to get there, and a burst that is over "
        "sooner never lets it arrive."
    )
    rows = tuple(
        (
            seconds_text(length),
            number_text(each.sample_peak_dbfs, sign=True),
            number_text(each.needle_max_vu, sign=True),
            number_text(each.momentary_max_lufs, sign=True),
        )
        for length, each in seen.items()
    )
    heads = ("burst", "sample peak (dBFS)", "needle, highest (VU)", "loudest 400 ms (LUFS)")
    return outcome, sentence, Table("A 1 kHz tone at −18 dBFS, where 0 VU is", heads, rows)
