"""The mix: faders near unity, and every relation as it was found: balance, wet to dry, the drum group, the cue."""

from statistics import median

from gainlib.demo.chains import CUED, DRUMS, WET
from gainlib.exercises.capstone.assignment import GROUPS, SOUNDING, short_name
from gainlib.exercises.capstone.measurements import Figures, figures_of
from gainlib.exercises.capstone.parts import Found
from gainlib.levels.printing import quantity

UNITY_DB, BALANCE_DB, WET_DB, REDUCTION_DB, CUE_DB = 3.0, 0.2, 0.2, 0.1, 0.2
DIRECT = (*(stem for stem in SOUNDING if stem not in DRUMS), "drums")
WANTED = (
    "faders within 3 dB of unity; balance, wet to dry and cue within 0.2 dB of what was found; gain reduction of the "
    "drum group within 0.1 dB"
)


def look(answer: dict, given: dict) -> list[Found]:
    """Return what is found of the faders and of everything that has to stay as it was.

    Parameters
    ----------
    answer : dict
        Controls.
    given : dict
        The variant.

    Returns
    -------
    list of Found
    """
    before, now = figures_of(None, given), figures_of(answer, given)
    return [*_faders(answer), *_reduction(before, now), *_balance(before, now), *_wet(before, now), *_cue(before, now)]


def _faders(answer):
    for name in (*SOUNDING, *GROUPS):
        at = answer[name]["fader_db"]
        off = abs(at) - UNITY_DB
        said = f"{short_name(name)}: fader at {quantity(at, 'dB', 1, signed=True)}, wanted within {UNITY_DB:g} dB"
        yield Found(off <= 0, said if off <= 0 else f"{said} of unity, {quantity(off, 'dB', 1)} too far")


def moved(before: Figures, now: Figures, node: str) -> float:
    """Return by how much the energy at a node has moved."""
    return now.energy(node) - before.energy(node)


def common_move(before: Figures, now: Figures) -> float:
    """Return by how much the mix has moved as a whole: the middle of what all that feeds the bus have moved by."""
    return median(moved(before, now, f"{name}/out") for name in DIRECT)


def _balance(before, now):
    common = common_move(before, now)
    drums = median(moved(before, now, f"{name}/out") for name in DRUMS)
    for name in (*SOUNDING, "drums"):
        within = name in DRUMS
        off = moved(before, now, f"{name}/out") - (drums if within else common)
        among = "the other drums" if within else "the rest of the mix"
        said = (
            f"{short_name(name)}: {quantity(abs(off), 'dB', 2)} {'louder' if off >= 0 else 'softer'} against {among} "
            f"than it was, wanted within {BALANCE_DB:g} dB"
        )
        yield Found(abs(off) <= BALANCE_DB, said)


def reduction_db(figures: Figures) -> float:
    """Return how much the drum group's compressor takes off, by energy."""
    return figures.energy("drums/insert 1/in") - figures.energy("drums/insert 1/out")


def _reduction(before, now):
    was, is_now = reduction_db(before), reduction_db(now)
    said = (
        f"drum group: gain reduction {quantity(is_now, 'dB', 2)}, was {quantity(was, 'dB', 2)}, wanted within "
        f"{REDUCTION_DB:g} dB of that"
    )
    yield Found(abs(is_now - was) <= REDUCTION_DB, said)


def wet_change_db(before: Figures, now: Figures, name: str) -> float:
    """Return by how much a strip's share of the effect has moved against the strip itself."""
    through = moved(before, now, "reverb/out") - moved(before, now, "reverb/in")
    return moved(before, now, f"{name}/send reverb") + through - moved(before, now, f"{name}/out")


def _wet(before, now):
    for name in WET:
        off = wet_change_db(before, now, name)
        said = (
            f"{short_name(name)}: {quantity(abs(off), 'dB', 2)} {'more' if off >= 0 else 'less'} effect against the "
            f"dry sound than before, wanted within {WET_DB:g} dB"
        )
        yield Found(abs(off) <= WET_DB, said)


def _cue(before, now):
    for name in CUED:
        off = moved(before, now, f"{name}/send cue")
        said = (
            f"{short_name(name)}: {quantity(abs(off), 'dB', 2)} {'louder' if off >= 0 else 'softer'} in the cue than "
            f"before, wanted within {CUE_DB:g} dB"
        )
        yield Found(abs(off) <= CUE_DB, said)


# ---------------------------------------------------------------------------------------- what went off


def balance_kept(answer: dict, given: dict) -> bool:
    """Whether everything that feeds the bus has moved together."""
    before, now = figures_of(None, given), figures_of(answer, given)
    return all(found.passed for found in _balance(before, now))


def group_driven_elsewhere(answer: dict, given: dict) -> bool:
    """Whether the drums moved at their own strips, so that the compressor of their group works at another level."""
    before, now = figures_of(None, given), figures_of(answer, given)
    feeders = median(moved(before, now, f"{name}/out") for name in DRUMS)
    return abs(feeders) > BALANCE_DB and not all(found.passed for found in _reduction(before, now))


def cue_forgotten(answer: dict, given: dict) -> bool:
    """Whether the mix is kept and the cue went along with the post trims."""
    before, now = figures_of(None, given), figures_of(answer, given)
    return balance_kept(answer, given) and not all(found.passed for found in _cue(before, now))
