"""What a look at stems brings up."""

from dataclasses import dataclass

from gainlib.meters import Reading

TAGS = (
    "too hot", "too low", "clipped", "DC", "noisy", "polarity", "dual mono", "low activity", "silent",
    "high crest", "over full scale", "split stereo", "duplicate", "mix print", "length mismatch",
)  # fmt: skip
FORMER_TAGS = {
    "sparse": "low activity", "pair": "split stereo", "copy": "duplicate", "print": "mix print",
    "lengths": "length mismatch",
}  # fmt: skip
"""Tags in sheets of the version before, which are read for one more."""


@dataclass(frozen=True)
class Finding:
    """One thing found.

    Attributes
    ----------
    strip : str
        Name of the strip.
    tag : str
        One of ``TAGS``.
    sure : bool
        False where the same picture has an innocent cause as well.
    sentence : str
        What was measured, what it may mean, what would do.
    """

    strip: str
    tag: str
    sure: bool
    sentence: str


@dataclass(frozen=True)
class Stem:
    """A stem as measured.

    Attributes
    ----------
    name : str
    reading : Reading
    channels, rate_hz, frames : int
    noise_dbfs : float or None
        Level of a steady floor in the pauses; None where there are no pauses to measure it in.
    correlation : float or None
        Between left and right, −1 to 1; None for mono and for silence.
    side_db : float or None
        Level of left minus right against the whole; −inf when they are equal.
    findings : tuple of Finding
    """

    name: str
    reading: Reading
    channels: int
    rate_hz: int
    frames: int
    noise_dbfs: float | None
    correlation: float | None
    side_db: float | None
    findings: tuple[Finding, ...]

    @property
    def tags(self) -> tuple[str, ...]:
        """Tags of all findings."""
        return tuple(finding.tag for finding in self.findings)
