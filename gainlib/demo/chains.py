"""The chains of the demo session: what each stem passes, the drum group, the return, the cue.

Textbook models, none of any particular device. Half of the strips hold a box that cares about its level, the others
are linear; two boxes in a row ask for the order of setting; the drum group's compressor is driven by four faders.
"""

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


def with_chains(session: Session) -> Session:
    """Return a demo session with its chains, its drum group, an effect behind the faders and a cue ahead of them.

    Parameters
    ----------
    session : Session
        From ``demo_session``.

    Returns
    -------
    Session
    """
    strips = tuple(
        strip.with_(
            inserts=tuple(Insert(processor) for processor in CHAINS.get(strip.name, ())),
            to=("drums",) if strip.name in DRUMS else strip.to,
            sends=_sends(strip.name),
        )
        for strip in session.strips
    )
    return session.with_(strips=strips, groups=GROUPS)


def _sends(name):
    wet = (Send("reverb", -8.0),) if name in WET else ()
    return (*wet, Send("cue", -6.0, "pre")) if name in CUED else wet
