"""The chains of the demo session: what each stem passes, the drum group, the return, the cue.

Textbook models, none of any particular device. Half of the strips hold a box that cares about its level, the others
are linear; two boxes in a row ask for the order of setting; the drum group's compressor is driven by four faders. Which
boxes stand where can be drawn from a seed as well.
"""

from collections.abc import Callable, Mapping

from gainlib.demo.rng import chance, pick
from gainlib.processors import AsymmetricSaturation, Compressor, Filter, Processor, Reverb, Saturation, Tape, Tremolo
from gainlib.session import Group, Insert, Send, Session

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


def drawn(seed: int) -> dict[str, tuple[Processor, ...]]:
    """Return chains drawn from a seed: which boxes stand in which strip, and the levels the compressors work at.

    One strip at least is linear throughout, and three boxes at least are compressors.

    Examples
    --------
    >>> [type(box).__name__ for box in drawn(1)["05 bass"]]
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


def with_chains(session: Session, chains: Mapping[str, tuple[Processor, ...]] | None = None) -> Session:
    """Return a demo session with chains, its drum group, an effect behind the faders and a cue ahead of them."""
    chains = CHAINS if chains is None else chains
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
