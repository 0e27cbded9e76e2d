"""The demo session opened: strips on the faulty stems, with faders as somebody left them.

Audio is referred to as ``{"demo": "clean", "standard" or "drawn", "seed": 1, "stem": "01 kick"}``, so that a session
is saved and compared without its samples.
"""

from functools import partial
from weakref import WeakValueDictionary

from gainlib.audio import GainlibError, prepared
from gainlib.demo import chains as boxes
from gainlib.demo.faults import Faults, clean, drawn, standard, usual
from gainlib.demo.recordings import RATE_HZ, RECORDINGS, recorded, together
from gainlib.demo.rng import chance, uniform
from gainlib.session.files import ReferencedAudio
from gainlib.session.session import Session
from gainlib.session.strip import Strip

DEMOS = {False: "clean", True: "standard", "drawn": "drawn"}
_ASSIGNMENTS = {"clean": lambda seed: clean(), "standard": standard, "drawn": drawn}

BALANCES = ("unity", "rough", "spread")
ROUGH_DB = {
    "01 kick": -9.0,
    "02 snare": 2.0,
    "03 overheads": 4.0,
    "04 toms": -8.0,
    "05 bass": -14.0,
    "06 guitar": -7.0,
    "07 e-piano": 0.0,
    "08 pad": -19.0,
    "09 lead vocal": 18.0,
    "10 backing": -15.0,
    "11 shaker": 0.0,
}
"""The rough balance: gain of every stem of the standard demo, at its raw level, in dB."""

ROUGH_TOP_DB = 6.0
SPREAD_DB = (-25.0, 8.0)
TRIM_LIMIT_DB = 24.0

_alive: WeakValueDictionary = WeakValueDictionary()


def demo_session(
    seed: int = 1, faults: bool | str = True, balance: str = "rough", *, chains: bool | str = False
) -> Session:
    """Open the demo song as a session of eleven strips.

    Parameters
    ----------
    seed : int
        Draws the faults' details, and the faders of the spread balance; the music is fixed. 0 or more.
    faults : True, False or "drawn"
        True: the standard faults. False: clean stems at workable levels. "drawn": who bears which fault is shuffled.
    balance : {"rough", "unity", "spread"}
        "unity": everything at 0 dB. "rough": a mix that works, the same for all faults; what exceeds +6 dB sits on
        the input trim. "spread": the same mix with faders from −25 to +8 dB, the rest on the output trim.
    chains : bool or "drawn"
        True: the strips hold their processors, four of them feed a compressed drum group, two an effect behind the
        faders, and two a cue ahead of them. "drawn": the same, with the strips' processors drawn from the seed.

    Returns
    -------
    Session
        48 kHz, 40 s. Its audio can be saved as references.

    Raises
    ------
    GainlibError
        For other values, or if the recordings are missing.

    Examples
    --------
    >>> session = demo_session(seed=3)
    >>> session.strip("09 lead vocal").fader_db, session.strip("09 lead vocal").trim_db
    (6.0, 12.0)
    """
    demo, seed = _demo(faults), _seed(seed)
    if balance not in BALANCES:
        raise GainlibError(f'balance is {balance!r}; it is "rough", "unity" or "spread"')
    if not (isinstance(chains, bool) or chains == "drawn"):
        raise GainlibError(f'chains is {chains!r}; it is True, False or "drawn"')
    assigned = _ASSIGNMENTS[demo](seed)
    audio = together(partial(_stem, demo, seed), list(RECORDINGS))
    strips = [
        Strip(stem, source, **_controls(balance, seed, number, _total_db(demo, stem, assigned[stem])))
        for number, (stem, source) in enumerate(zip(RECORDINGS, audio, strict=True))
    ]
    session = Session(strips, name="Demo song in A minor")
    if not chains:
        return session
    return boxes.with_chains(session, boxes.drawn(seed) if chains == "drawn" else None)


def fault_list(seed: int = 1, faults: bool | str = True) -> dict[str, set[str]]:
    """Return what is wrong with each stem of ``demo_session(seed, faults)``.

    Parameters
    ----------
    seed, faults
        As in :func:`demo_session`.

    Returns
    -------
    dict of str to set of str
        Every stem's tags out of ``TAGS``; {"none"} for a stem without fault.

    Examples
    --------
    >>> sorted(fault_list(seed=1)["10 backing"])
    ['clipped', 'too hot']
    """
    return {stem: set(each.tags) for stem, each in fault_details(seed, faults).items()}


def fault_details(seed: int = 1, faults: bool | str = True) -> dict[str, Faults]:
    """Return what is wrong with each stem of ``demo_session(seed, faults)``, and how badly.

    Parameters
    ----------
    seed : int
        Draws the faults.
    faults : bool or str
        As for :func:`demo_session`.

    Returns
    -------
    dict of str to Faults
        By the name of the stem.
    """
    return _ASSIGNMENTS[_demo(faults)](_seed(seed))


def audio_of(reference: dict) -> ReferencedAudio:
    """Return the audio a reference stands for.

    Parameters
    ----------
    reference : dict
        ``{"demo": …, "seed": …, "stem": …}``.

    Raises
    ------
    GainlibError
        For anything else.

    Examples
    --------
    >>> audio_of({"demo": "clean", "seed": 1, "stem": "11 shaker"}).duration_s
    40.0
    """
    if set(reference) != {"demo", "seed", "stem"}:
        raise GainlibError(f"audio is {reference!r}; a demo's stem has just demo, seed and stem")
    demo, stem = reference["demo"], reference["stem"]
    if not isinstance(demo, str) or demo not in _ASSIGNMENTS:
        raise GainlibError(f'the demo is {demo!r}; it is "clean", "standard" or "drawn"')
    if not isinstance(stem, str) or stem not in RECORDINGS:
        raise GainlibError(f"the demo has no stem {stem!r}; there is {', '.join(RECORDINGS)}")
    return _stem(demo, _seed(reference["seed"]), stem)


def _stem(demo, seed, stem):
    """Make a stem, or hand out the one that is in use already."""
    audio = _alive.get((demo, seed, stem))
    if audio is None:
        faults, source = _ASSIGNMENTS[demo](seed)[stem], chance(seed, 4, list(RECORDINGS).index(stem))

        def make():
            return faults.done_to(recorded(stem).samples, stem, source)

        # The song as the labs know it is the same for all.
        samples = prepared.array(f"standard {stem}", make) if (demo, seed) == ("standard", 1) else make()
        audio = ReferencedAudio(samples, RATE_HZ, stem, {"demo": demo, "seed": seed, "stem": stem})
        _alive[demo, seed, stem] = audio
    return audio


def _demo(faults):
    try:
        if isinstance(faults, bool | str):
            return DEMOS[faults]
    except KeyError:
        pass
    raise GainlibError(f'faults is {faults!r}; it is True, False or "drawn"')


def _seed(seed):
    if isinstance(seed, bool) or not hasattr(type(seed), "__index__") or int(seed) < 0:
        raise GainlibError(f"the seed is {seed!r}; give a whole number, 0 or more")
    return int(seed)


def _total_db(demo, stem, faults):
    """Return the gain that puts a stem where the rough balance has it, whatever its faults, in half decibels."""
    if demo == "standard":
        return ROUGH_DB[stem]
    usual_db = usual()[stem].net_gain_db(stem)
    return round(2 * (ROUGH_DB[stem] + usual_db - faults.net_gain_db(stem))) / 2


def _controls(balance, seed, number, total_db):
    if balance == "unity":
        return {}
    if balance == "rough":
        fader_db = min(total_db, ROUGH_TOP_DB)
        return {"fader_db": fader_db, "trim_db": total_db - fader_db}
    low, high = (max(SPREAD_DB[0], total_db - TRIM_LIMIT_DB), min(SPREAD_DB[1], total_db + TRIM_LIMIT_DB))
    fader_db = round(2 * uniform(chance(seed, 5, number), low, high)) / 2
    return {"fader_db": fader_db, "post_trim_db": total_db - fader_db}
