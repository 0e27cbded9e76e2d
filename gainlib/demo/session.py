"""The demo session opened: strips on the faulty stems, with faders as somebody left them, and what each stem passes.

Audio is referred to as ``{"demo": "clean", "standard" or "drawn", "seed": 1, "stem": "01 kick"}``, so that a session
is saved and compared without its samples.
"""

from collections.abc import Callable, Mapping
from functools import partial
from weakref import WeakValueDictionary

from gainlib.audio import GainlibError, prepared
from gainlib.demo.faults import Faults, clean, drawn, standard, usual
from gainlib.demo.recordings import RATE_HZ, RECORDINGS, recorded, together
from gainlib.demo.rng import chance, pick, uniform
from gainlib.processors import AsymmetricSaturation, Compressor, Filter, Processor, Reverb, Saturation, Tape, Tremolo
from gainlib.session import Group, Insert, Send, Session, Strip
from gainlib.session.files import ReferencedAudio

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
    return with_chains(session, drawn_chains(seed) if chains == "drawn" else CHAINS)


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


# ---- what each stem passes -------------------------------------------------------------------------------------------

# Textbook models, none of any particular device. Half of the strips hold a box that cares about its level, the others
# are linear; two boxes in a row ask for the order of setting; the drum group's compressor is driven by four faders.
# Which boxes stand where can be drawn from a seed as well.

DRUMS = ("01 kick", "02 snare", "03 overheads", "04 toms")
WET = ("09 lead vocal", "10 backing")
CUED = ("05 bass", "09 lead vocal")


def _high_pass(frequency_hz: float) -> Filter:
    return Filter("highpass", frequency_hz)


CHAINS: dict[str, tuple[Processor, ...]] = {
    "01 kick": (_high_pass(30.0), Saturation()),
    "02 snare": (Compressor(-20.0, 4.0), AsymmetricSaturation()),
    "03 overheads": (_high_pass(200.0),),
    "04 toms": (Saturation(),),
    "05 bass": (Compressor(-18.0, 4.0, attack_s=0.020, release_s=0.150), AsymmetricSaturation(), _high_pass(30.0)),
    "06 guitar": (Tape(),),
    "07 e-piano": (_high_pass(60.0), Tremolo()),
    "08 pad": (Saturation(), _high_pass(120.0)),
    "09 lead vocal": (_high_pass(80.0), Compressor(-20.0, 3.0), Saturation()),
    "10 backing": (_high_pass(120.0), Compressor(-20.0, 3.0)),
}
"""Processors of each strip, in order."""

GROUPS = (
    Group("drums", inserts=(Insert(Compressor(-16.0, 2.0, attack_s=0.020, release_s=0.150)),)),
    Group("reverb", inserts=(Insert(Reverb(wet_db=-8.0, dry=False)),)),
    Group("cue", to=()),
)
"""The drum group, the return of the effect, and a cue that does not reach the bus."""


Box = Processor | Callable[[object, str], Processor]

THRESHOLDS_DBFS = tuple(float(step) for step in range(-26, -17))
SOFT_THRESHOLDS_DBFS = tuple(float(step) for step in range(-26, -23))
RATIOS = (2.0, 3.0, 4.0)
LOW_CUTS_HZ = {"05 bass": 30.0, "01 kick": 30.0, "03 overheads": 200.0, "08 pad": 120.0, "10 backing": 120.0}
LEAST_COMPRESSORS = 3


def _cut(source, stem):
    return _high_pass(LOW_CUTS_HZ.get(stem, 80.0))


def _compressor(source, stem):
    return Compressor(pick(source, THRESHOLDS_DBFS), pick(source, RATIOS))


def _early(source, stem):
    """Return a compressor for a stem that may arrive far too low: its trim has to reach the reference."""
    return Compressor(pick(source, SOFT_THRESHOLDS_DBFS), pick(source, RATIOS))


def _bright(source, stem):
    return Filter("highshelf", 6000.0, gain_db=pick(source, (2.0, 3.0, 4.0)))


def _bell(source, stem):
    return Filter("peaking", pick(source, (300.0, 900.0, 2500.0)), 1.0, pick(source, (-4.0, -3.0, 2.0, 3.0)))


def _moving(source, stem):
    return Tremolo(pick(source, (3.0, 4.0, 5.0)))


BENT, BENT_ASIDE, TAPED = Saturation(), AsymmetricSaturation(), Tape()

POOLS: dict[str, tuple[tuple[Box, ...], ...]] = {
    "01 kick": ((_cut, BENT), (_compressor, BENT), (_cut, _compressor)),
    "02 snare": ((_early, BENT_ASIDE), (BENT, _cut), (_cut, _early, TAPED)),
    "03 overheads": ((_cut,), (_cut, _bright), (_bell,)),
    "04 toms": ((BENT,), (_compressor, _bell), (_cut, TAPED)),
    "05 bass": ((_early, BENT_ASIDE, _cut), (BENT_ASIDE, _cut), (_cut, _early, BENT)),
    "06 guitar": ((TAPED,), (_cut, BENT), (_bell, _moving)),
    "07 e-piano": ((_cut, _moving), (_early, _bright), (_moving, BENT)),
    "08 pad": ((BENT, _cut), (_cut, _bell), (TAPED, _cut)),
    "09 lead vocal": ((_cut, _early, BENT), (_early, _bell, TAPED), (_cut, BENT_ASIDE, _compressor)),
    "10 backing": ((_cut, _early), (_early, BENT), (_bell, TAPED)),
}
"""What a drawn chain may be: each stem has three, in the order of the signal."""


def drawn_chains(seed: int) -> dict[str, tuple[Processor, ...]]:
    """Return chains drawn from a seed: which boxes stand in which strip, and the levels the compressors work at.

    One strip at least is linear throughout, and three boxes at least are compressors.

    Examples
    --------
    >>> [type(box).__name__ for box in drawn_chains(1)["05 bass"]]
    ['Compressor', 'AsymmetricSaturation', 'Filter']
    """
    source = chance(seed, 6)
    while True:
        found = {
            stem: tuple(box if isinstance(box, Processor) else box(source, stem) for box in pick(source, pools))
            for stem, pools in POOLS.items()
        }
        if sum(isinstance(box, Compressor) for boxes in found.values() for box in boxes) >= LEAST_COMPRESSORS:
            return found


def with_chains(session: Session, chains: Mapping[str, tuple[Processor, ...]]) -> Session:
    """Return a demo session with chains, its drum group, an effect behind the faders and a cue ahead of them."""
    strips = tuple(
        strip.with_(
            inserts=tuple(Insert(processor) for processor in chains.get(strip.name, ())),
            to=("drums",) if strip.name in DRUMS else strip.to,
            sends=_sends(strip.name),
        )
        for strip in session.strips
    )
    return session.with_(strips=strips, groups=GROUPS)


def _sends(name):
    wet = (Send("reverb", -8.0),) if name in WET else ()
    return (*wet, Send("cue", -6.0, "pre")) if name in CUED else wet
