"""Lab 05: what its notebook shows, what its prediction is compared with, and its page to take away."""

from functools import cache

from gainlib.notebook.panels.page import Page
from gainlib.notebook.panels.panel_options import Look
from gainlib.words import level_text, number_text

PAGE = Page(
    title="Summing and the mix bus",
    question="Why does the mix clip when no track does, and what do you pull?",
    minutes=70,
    lessons="two lessons of 50 minutes",
)

LOUD_SOURCE = Look(switch=False, master=False, without=False, overview=False, listening=False)
ALL_FADERS = Look(switch=False, mutes=False, without=False, overview=False, listening=False)
NONE = "no single one"
CHOICES = {"01 kick": "kick", "05 bass": "bass", "08 pad": "pad", "10 backing": "backing"}


@cache
def session(take: int = 1, faults="drawn"):
    """Return the song with all faders at 0: take 1 as the lab knows it, later ones with other faults."""
    from gainlib.demo import demo_session

    return demo_session(1, True, "unity") if take == 1 else demo_session(take - 1, faults, "unity")


def panel(name: str, learner):
    """Return the lab's panel."""
    from gainlib.audio import GainlibError
    from gainlib.notebook.panels.bus import BusPanel

    if name != "bus":
        raise GainlibError(f"lab 05 has no panel {name!r}; it has 'bus'")
    return BusPanel(session(), another=session)


def exercise_panel(exercise, given: dict, learner):
    """Return the mix an exercise is about, under the hand, or None."""
    from gainlib.notebook.panels.bus import BusPanel

    if exercise.id == "05-4":
        return BusPanel(exercise.material(given), LOUD_SOURCE)
    if exercise.id == "05-5":
        return BusPanel(exercise.material(given), ALL_FADERS)
    return None


def compare():
    """Return what muting one stem does to the mix the prediction was about.

    Returns
    -------
    outcome : str
        The choice that the measurement bears out.
    sentence : str
        Markdown.
    table : gainlib.words.Table
    """
    from gainlib.notebook.panels import busload

    found = busload.contributions(busload.shadow_of(session()))
    whole, without = found.bus, found.without
    cures = [name for name, each in without.items() if each.over_samples == 0]
    outcome = CHOICES.get(cures[0], cures[0]) if len(cures) == 1 else NONE
    fewest = min(without, key=lambda name: without[name].over_samples)
    lowest = min(without, key=lambda name: without[name].sample_peak_dbfs)
    sentence = (
        f"All together peak at {level_text(whole.sample_peak_dbfs, 'dBFS')}, with {whole.over_samples:,} samples over "
        f"full scale. Muting **{busload.short_name(fewest)}** takes away most of those samples: "
        f"{without[fewest].over_samples:,} stay. "
        f"Muting **{busload.short_name(lowest)}** lowers the peak most, to "
        f"{level_text(without[lowest].sample_peak_dbfs, 'dBFS')}. "
        + (f"**{outcome}** alone makes it clip." if len(cures) == 1 else "None of them makes it fit.")
        + f" The worst peak, at {number_text(found.peaks[0].time_s, 2)} s, is the work of several."
    )
    return outcome, sentence, busload.without_table(found)
