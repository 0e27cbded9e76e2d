"""The glossary: terms of the trade, what they mean in plain words, and the sign for them on screen."""

from dataclasses import dataclass

from gainlib.notebook import widgets
from gainlib.notebook.errors import Panel, entry
from gainlib.notebook.prose import LiveRegion
from gainlib.words import Table


@dataclass(frozen=True)
class Term:
    """One entry.

    Parameters
    ----------
    term : str
        As it is said in the trade.
    plain : str
        The same in plain words.
    symbol : str
        How it is written on screen, empty where it has no sign of its own.
    """

    term: str
    plain: str
    symbol: str = ""


_ENTRIES = (
    (
        "A, B, X",
        "Blind test: X is the same as A or as B, and you say which, in a number of trials fixed beforehand.",
        "X",
    ),
    ("active level", "Average level of the parts where something plays; pauses do not count.", "active level"),
    ("alignment level", "The level in dBFS that reads 0 on a needle meter; here −18 dBFS.", "0 VU"),
    (
        "balance",
        "How loud the tracks are against each other. Moving all of them by the same number of dB keeps the balance.",
    ),
    ("bus", "The place where several tracks are added up.", "bus"),
    (
        "ceiling",
        "The highest level that a converter, a file or a processor lets through; anything above it is cut off.",
    ),
    ("clipping", "Peaks cut off flat because they exceed a ceiling. This cannot be undone."),
    ("comb", "The effect of adding a delayed copy on the spectrum: evenly spaced notches, like the teeth of a comb."),
    ("compressor", "A processor that turns down what exceeds a threshold."),
    ("converter", "A device that turns voltage into numbers or back; its ceiling is full scale."),
    ("correlation", "How far two waves agree: +1 is the same, 0 unrelated, −1 the same but inverted.", "ρ"),
    ("crest factor", "How far the highest peak lies above the average. Drums have a lot of it, pads little.", "crest"),
    ("dB", "A ratio as a logarithm. +6 dB is twice the voltage, +3 dB twice the power.", "dB"),
    ("dBA", "Sound level at the ear, weighted roughly as ears hear soft sounds.", "dBA"),
    ("dBFS", "Level against digital full scale: 0 is the highest a fixed-point file can hold.", "dBFS"),
    ("dB SPL", "Sound pressure level against 20 micropascal; 94 dB SPL is 1 pascal.", "dB SPL"),
    ("dBTP", "True peak against digital full scale.", "dBTP"),
    ("dBu", "Level of a voltage against 0.775 V.", "dBu"),
    ("dBV", "Level of a voltage against 1 V.", "dBV"),
    ("VU", "What a needle shows: it is slow, close to loudness, and misses short peaks.", "VU"),
    (
        "dither",
        "Noise of about one step, added before a word gets shorter, so that the error does not follow the sound.",
    ),
    ("dual mono", "A stereo file whose two sides are the same."),
    ("dynamics", "The difference between soft and loud passages; or the processors that change it."),
    ("EIN", "Noise of a preamp as if it were all made at its input, unweighted.", "dBu"),
    ("fader", "The long control of a track that sets its place in the balance."),
    ("fixed point", "Numbers with full scale as a ceiling; a sum above it is cut off.", "fixed point"),
    ("floating point", "Numbers that keep what is above full scale until something cuts it off.", "floating point"),
    ("full scale", "The highest value a fixed-point number can have.", "full scale"),
    ("gain", "By how much something is made louder or softer.", "dB"),
    ("gain reduction", "By how much a compressor or limiter turns down at the moment."),
    ("gain staging", "Setting the level at every step of the way, so that each step works where it should."),
    ("group", "A bus for some tracks, with a fader of its own, on the way to the mix bus."),
    ("headroom", "The room between the highest peak and the ceiling."),
    ("insert", "A processor in the path of one track."),
    ("limiter", "A compressor that lets nothing exceed its ceiling."),
    ("linear", "What comes out is what went in, scaled or filtered; the level makes no difference."),
    ("loudness", "How loud something seems, as measured by ITU-R BS.1770.", "LUFS"),
    ("loudness range", "How far soft and loud passages of a piece lie apart.", "LU"),
    ("level diagram", "The signal from average to peak at every point of its way, between ceiling and noise."),
    ("line-up tone", "A steady tone of an agreed level, by which levels at two places are made to agree."),
    ("LU", "A difference in loudness; one LU is one dB of it.", "LU"),
    ("makeup gain", "Gain behind a processor that makes up for what it took off."),
    ("master fader", "The fader of the mix bus, behind the sum.", "master"),
    ("noise floor", "The hiss that is always there; a signal below it is lost."),
    ("nonlinear", "It treats loud and soft differently, so the level that you send into it changes the sound."),
    ("null", "Subtracting one version from the other; what is left is the difference.", "silent"),
    ("oversampling", "Working out values between the samples.", "true peak"),
    ("pad", "A fixed attenuation ahead of an amplifier, written as a positive number of dB."),
    ("pan", "Where between left and right a track sits."),
    ("pan law", "By how much a track is turned down in the middle."),
    ("parallel path", "A second path for the same sound, added to the first further on."),
    ("peak-to-loudness ratio", "True peak minus loudness: how much a master was compressed."),
    ("phantom power", "48 V sent to a microphone through its cable."),
    ("pink noise", "Noise with the same power in every octave; for setting levels."),
    ("polarity", "Whether a wave is inverted or not. Two copies of opposite polarity cancel.", "out of polarity"),
    ("preamp", "An amplifier that brings a microphone up to the level of a line."),
    ("pre-fader, post-fader", "Taken ahead of the fader, or behind it."),
    ("quantising", "Rounding to the steps that a number with that many bits has."),
    ("residual", "What is left when you subtract the original from what came out."),
    ("return", "The group in which the output of an effect comes back."),
    ("RMS", "An average over power; a full-scale sine reads 0 dBFS.", "RMS"),
    ("S/N", "How far the signal lies above the noise."),
    ("sample peak", "The highest sample.", "sample peak"),
    ("self-noise", "Noise of a microphone, given as the sound level that would make as much.", "dBA"),
    ("send", "A second output of a track, into an effect or to headphones."),
    ("sensitivity", "The voltage a microphone gives for 1 pascal, or 94 dB SPL.", "mV/Pa"),
    ("sham run", "A blind test in which A and B are the same sound, so that its score is luck."),
    ("stem", "One track or group of a song as a file."),
    ("threshold", "The level from which a compressor, limiter or gate acts."),
    ("transient", "A short peak at the start of a sound."),
    ("trim", "A gain ahead of everything else in a track (input trim), or behind its inserts (output trim)."),
    ("true peak", "The highest point of the wave, between the samples too.", "true peak"),
    ("typical VU", "Where a VU needle stays most of the time."),
    ("unity", "A gain of 0 dB: the signal comes out as it went in.", "0 dB"),
    ("Wilson interval", "The shares of right picks that may be behind your count.", "95 % interval"),
    ("word length", "How many bits a sample has."),
    ("working range", "The levels at which a processor does what it is built for."),
)
GLOSSARY = tuple(sorted((Term(*entry) for entry in _ENTRIES), key=lambda entry: entry.term.casefold()))


def matching(text: str) -> tuple[Term, ...]:
    """Return the entries with a text in the term, the plain words or the sign; all for an empty text.

    Examples
    --------
    >>> [entry.term for entry in matching("inverted")]
    ['correlation', 'polarity']
    """
    wanted = text.strip().casefold()
    return tuple(
        entry
        for entry in GLOSSARY
        if any(wanted in part.casefold() for part in (entry.term, entry.plain, entry.symbol))
    )


class GlossaryView(Panel):
    """The glossary as a table, with a line to find a word.

    Attributes
    ----------
    find : ipywidgets.Text
        What to look for.
    """

    def __init__(self):
        self.find = entry("Find a word", placeholder="peak")
        self._said = LiveRegion()
        self._table = widgets.HTML().add_class("gl-score")
        super().__init__(self.find, self._said, self._table)
        self.add_class("gl-form")
        self.find.observe(self.guarded(lambda _change: self.show()), "value")
        self.show()

    def show(self) -> None:
        """Show what was looked for."""
        found = matching(self.find.value)
        count = f"{len(found)} of {len(GLOSSARY)} entries" if found else "There is no such entry; try a shorter word"
        self._said.say("note", "", f"{count}." if self.find.value.strip() else "")
        rows = [(entry.term, entry.plain, entry.symbol) for entry in found]
        self._table.value = Table("", ("in the trade", "in plain words", "on screen"), rows).html() if found else ""
