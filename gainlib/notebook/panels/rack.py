"""The rack on a page: the boxes that were measured, and one taken out."""

from gainlib.audio import GainlibError
from gainlib.notebook.panels.bench_base import button, menu, offer, sheet, table
from gainlib.words import level_text

HEADS = ("box", "measured", "what it is", "built for", "output gain there", "ceiling", "noise")


class RackPart:
    """The widgets of a rack; a panel places them and says what happens.

    Attributes
    ----------
    shown : HTML
        The boxes with their figures.
    which : Dropdown
        One of them.
    remove : Button
    """

    def __init__(self):
        self.shown, self.which = sheet(), menu("In your rack:", ())
        self.remove = button("Take it out", tooltip="Forget what was measured; where it stands it keeps its figures")
        self._empty(True)

    def show(self, rack) -> None:
        """Show what is in a rack; nothing where it is empty."""
        rows = [
            (
                each.box.name, each.measured, each.verdict, _level(each.box.reference_dbfs),
                _level(each.box.output_gain_db, "dB"), _level(each.box.ceiling_dbfs), _level(each.box.noise_dbfs),
            )
            for each in rack.values()
        ]  # fmt: skip
        self.shown.value = table("Your rack of black boxes", HEADS, rows, (3, 4, 5, 6)) if rows else ""
        offer(self.which, list(rack))
        self._empty(not rows)

    def take_out(self, rack) -> str:
        """Take the chosen box out; return what to say."""
        if self.which.value is None:
            raise GainlibError("the rack is empty; read the recording of a box first")
        name = self.which.value
        rack.remove(name)
        self.show(rack)
        return f"“{name}” is no longer in the rack; where it stands in a song, it keeps its figures."

    def _empty(self, empty):
        for each in (self.which, self.remove):
            each.layout.display = "none" if empty else ""


def _level(value, unit="dBFS"):
    return "–" if value is None else level_text(value, unit)
