"""Step 3 of the bench: what each stem passes, as far as level matters there."""

import html

import ipywidgets as widgets

from gainlib.audio import GainlibError
from gainlib.notebook.panels.bench_base import Slot, Step, button, entry, menu, row, sheet, table
from gainlib.notebook.panels.bench_boxes import BoxRow, in_words
from gainlib.notebook.prose import prose
from gainlib.notebook.words import level_text
from gainlib.staging.pasted import pasted_path, text_of

TEXT = """
A chain that holds nothing but equalisers, delays and the like is **linear**: it needs no box here, and its level does
not matter. A box that cares how loud it is fed goes in as **a box of your own that depends on level**, with the
average its maker built it for; −18 dBFS is common practice where nobody says (no source). Or choose a textbook model,
which is none of your devices. The order is that of the signal.
"""
FILE = "**Many stems?** Write what they pass into a chains file, which may hold groups, sends and the balance as well."
MEASURED = """
**Measured.** The test file goes through a real box, hardware or not, and the recording of what comes out tells
whether it depends on level and which average it is built for. Play it at the level the file has; turn monitors off
meanwhile: it holds loud tones.
"""
EVERYTHING = "master"


class ChainsStep(Step):
    """A menu of the stems, the boxes of the chosen one, and files that say it all at once.

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song

    Attributes
    ----------
    which, kind : Dropdown
        The strip that is edited, and the box to add.
    rows : list of BoxRow
        Its chain.
    read_file, read_recording : callable
        What the buttons do, at once.
    """

    def __init__(self, song):
        from gainlib.processors.controls import kinds_in_words

        kinds = [
            (f"{words}{'' if name == 'Unseen' else f' ({name})'}", name) for name, words in kinds_in_words().items()
        ]
        self.which, self.kind = menu("Chain of:", ()), menu("Box:", kinds, "Unseen")
        self.add_box, self.clear = button("Add the box", button_style="primary"), button("Nothing here: linear")
        self.rows, self._boxes, self.overview = [], widgets.VBox(), sheet()
        self.file, self.take = entry("Chains file (.json):"), button("Read the chains file")
        self._measuring()
        super().__init__(
            song, prose(TEXT), row(self.which), self._boxes, Slot(self.kind, self.add_box, self.clear), self.overview,
            prose(FILE), self.file, Slot(self.take), _example(), *self._measured,
        )  # fmt: skip
        self.at_once(self.add_box, self.add)
        self.at_once(self.clear, lambda: self._set(()))
        self.read_file = self.action(
            self.take, _read_chains, self._chains_read, "Reading …",
            lambda: (song.opened(), pasted_path(self.file.value, "the path of the chains file")),
        )  # fmt: skip
        self._measured_actions()
        self.which.observe(self.guarded(lambda _change: self._fill()), "value")
        song.watch(self._changed)
        self._changed("opened")

    # ---- one chain under the hand ----------------------------------------------------------------------------------

    @property
    def inserts(self) -> tuple:
        """The chain that is edited, as it stands in the song."""
        session = self._named()
        if self.which.value == EVERYTHING:
            return session.master.inserts
        return next(each for each in (*session.strips, *session.groups) if each.name == self.which.value).inserts

    def _named(self):
        session = self.song.opened()
        if self.which.value is None:
            raise GainlibError("no stem is chosen; choose one")
        return session

    def add(self) -> None:
        """Add the chosen box at the end of the chain."""
        from gainlib.processors import named
        from gainlib.session import Insert

        self._set((*self.inserts, Insert(named(self.kind.value)())))

    def _set(self, inserts, rebuild=True):
        self._named()
        name = "bus" if self.which.value == EVERYTHING else self.which.value
        self.song.change(self.song.session.with_(name, inserts=tuple(inserts)), "chains")
        if rebuild:
            self._fill()
        self.said.say("right", "Set", f"{self.which.value}: {in_words(self.inserts)}.")

    def _edited(self, place, read):
        inserts = list(self.inserts)
        inserts[place] = read()
        self._set(inserts, rebuild=False)

    def _moved(self, place, step):
        inserts = list(self.inserts)
        box = inserts.pop(place)
        if step:
            inserts.insert(max(place + step, 0), box)
        self._set(inserts)

    def _fill(self):
        """Put the chosen chain on the page."""
        self.rows = [] if self.song.session is None or self.which.value is None else [
            BoxRow(
                insert, place + 1,
                self.guarded(lambda read, place=place: self._tried(lambda: self._edited(place, read))),
                self.guarded(lambda step, place=place: self._tried(lambda: self._moved(place, step))),
            )
            for place, insert in enumerate(self.inserts)
        ]  # fmt: skip
        self._boxes.children = self.rows

    # ---- files -----------------------------------------------------------------------------------------------------

    def _chains_read(self, found):
        session, notes = found
        self.song.notes = (*self.song.notes, *notes)
        self.song.change(session, "chains")
        self.song._tell("balance")  # a chains file brings faders along
        self._changed("opened")
        boxes = sum(bool(strip.inserts) for strip in session.strips)
        text = f"{boxes} of {len(session.strips)} stems pass something. " + " ".join(f"{note}." for note in notes)
        self.said.say("partly" if notes else "right", "Read", text)

    def _measuring(self):
        self.probe = entry("Write the test file to (.wav):")
        self.recorded = entry("Recording of what came out:")
        self.write_probe, self.read_probe = button("Write the test file"), button("Read the recording")
        self._measured = (prose(MEASURED), self.probe, Slot(self.write_probe), self.recorded, Slot(self.read_probe))

    def _measured_actions(self):
        def to_write():
            rate = self.song.session.rate_hz if self.song.session is not None else 48000
            return pasted_path(self.probe.value, "the path of a new WAV file"), rate

        def to_read():
            self._named()
            return self.which.value, pasted_path(self.recorded.value, "the path of the recording")

        self.write_test = self.action(self.write_probe, _write_probe, self._probe_written, "Writing …", to_write)
        self.read_recording = self.action(self.read_probe, _read_probe, self._probe_read, "Reading …", to_read)

    def _probe_written(self, path):
        self.said.say("right", "Written", f"{path}. Play it through the box, record what comes out from start to end.")

    def _probe_read(self, found):
        name, report = found
        self.add_measured(name, report)

    def add_measured(self, name: str, report) -> None:
        """Put a measured box at the end of a chain.

        Parameters
        ----------
        name : str
            Strip, group or "master".
        report : ProbeReport
            What was read from the recording; a linear box needs no place in a chain.

        Raises
        ------
        GainlibError
            For a box that depends on level without any level that could be read as its reference.
        """
        from gainlib.processors import Unseen
        from gainlib.session import Insert

        self.which.value = name
        if report.linear:
            self.said.say(
                "right", "Measured", f"{report.kind}: its level does not matter, so {name} needs no box for it."
            )
            return
        if report.reference_dbfs is None:
            raise GainlibError(
                f"the box is {report.kind}, but the recording shows no level it is built for; add a box of your own to "
                f"{name}, with the level its maker gives"
            )
        self._set((*self.inserts, Insert(Unseen(report.reference_dbfs))))
        built = level_text(report.reference_dbfs, "dBFS")
        behind = ""
        if report.output_gain_db is not None:
            behind = f" For a matched bypass its output wants {level_text(report.output_gain_db)}."
        self.said.say("right", "Measured", f"{report.kind}, built for {built}; it stands at the end of {name}.{behind}")

    # ---- what the song tells ---------------------------------------------------------------------------------------

    def _changed(self, what):
        if what in ("opened", "stems"):
            self._offer()
            self._fill()
        if what == "opened":
            text = "" if self.song.session is not None else "Open a song first; its stems appear here."
            self.note(text)
        if what in ("opened", "stems", "chains"):
            self._show()

    def _offer(self):
        session = self.song.session
        names = [*session.names, EVERYTHING] if session is not None else []
        chosen = self.which.value
        self.which.options = names
        self.which.value = chosen if chosen in names else names[0] if names else None

    def _show(self):
        session = self.song.session
        if session is None:
            self.overview.value = ""
            return
        channels = [*session.strips, *session.groups]
        rows = [(each.name, in_words(each.inserts), ", ".join(each.outputs)) for each in channels]
        rows.append((EVERYTHING, in_words(session.master.inserts), ""))
        self.overview.value = table("All chains", ("strip or group", "passes", "goes to"), rows)


def _read_chains(tell, session, path):
    from gainlib.staging import apply_chains

    return apply_chains(session, text_of(path, "a chains file"))


def _write_probe(tell, path, rate_hz):
    from gainlib.staging import write_probe

    write_probe(path, rate_hz)
    return path


def _read_probe(tell, name, path):
    from gainlib.audio import read
    from gainlib.staging import read_probe

    return name, read_probe(read(path))


def _example():
    from gainlib.staging import chainsfile

    text = html.escape(chainsfile.__doc__.partition("::\n")[2].strip("\n"))
    return widgets.HTML(f"<details><summary>What a chains file looks like</summary><pre>{text}</pre></details>")
