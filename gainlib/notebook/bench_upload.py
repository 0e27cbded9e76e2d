"""Stems that come in through the browser, slice by slice, into a folder of the bench's own.

The field that ipywidgets has for this sends a file as one message, and a server of Jupyter closes the line at 10 MB:
under two minutes of a mono stem. Here a slice is sent when the one before it has been written.
"""

import os
from collections.abc import Callable
from pathlib import Path

import traitlets

from gainlib.audio import GainlibError, audio_suffixes
from gainlib.mix.paths import file_name
from gainlib.notebook import widgets

PART = ".part"


class Incoming:
    """Files on their way into a folder: each appears when it is whole.

    Parameters
    ----------
    folder : pathlib.Path
        Made when the first file comes.

    Attributes
    ----------
    arrived : list of pathlib.Path
        Files of this load that are whole.
    refused : list of str
        A sentence for each that was not taken.

    Examples
    --------
    >>> import tempfile
    >>> coming = Incoming(Path(tempfile.mkdtemp()) / "uploads")
    >>> coming.take("kick.wav", 6, 0, b"abc"), coming.take("kick.wav", 6, 3, b"def"), coming.take("a.exe", 3, 0, b"abc")
    (True, True, False)
    >>> [path.read_bytes() for path in coming.arrived], coming.refused
    ([b'abcdef'], ['a.exe is neither a sound file by its name nor a saved song; it was left out'])
    """

    def __init__(self, folder: Path):
        self.folder, self.arrived, self.refused = folder, [], []

    def abandon(self) -> None:
        """Remove what is half-way, and the folder if nothing else is in it; whole files stay."""
        for left in self.folder.glob(f".*{PART}"):
            left.unlink(missing_ok=True)
        if self.folder.is_dir() and not any(self.folder.iterdir()):
            self.folder.rmdir()

    def take(self, name: str, size: int, at: int, content: bytes) -> bool:
        """Write a slice of a file; False if the file is not taken.

        Parameters
        ----------
        name : str
            As the browser gives it.
        size : int
            Of the whole file, in bytes.
        at : int
            Where the slice begins.
        content : bytes
        """
        stem, dot, suffix = name.replace("\\", "/").rpartition("/")[2].rpartition(".")
        suffix = f"{dot}{suffix}".lower()
        if suffix not in (*audio_suffixes(), ".json"):
            self.refused.append(f"{name} is neither a sound file by its name nor a saved song; it was left out")
            return False
        whole = self.folder / file_name(stem, suffix, set())
        part = whole.with_name(f".{whole.name}{PART}")
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with part.open("r+b" if at else "wb") as file:
                file.seek(at)
                file.write(content)
                complete = file.tell() >= size
            if complete:
                os.replace(part, whole)
                self.arrived.append(whole)
        except OSError as error:
            part.unlink(missing_ok=True)
            self.refused.append(f"{name} could not be written to {self.folder} ({error.strerror or error})")
            return False
        return True


class PickStems(widgets.Scripted):
    """A field to pick files with, which hands the folder they came to to a function.

    Parameters
    ----------
    text : str
        Beside the field.
    incoming : callable
        ``incoming()`` returns the :class:`Incoming` for the load that begins.
    taken : callable
        ``taken(incoming)`` is called when all files are there.
    """

    FILES = ("stems.js", "bench.css")
    text = traitlets.Unicode("").tag(sync=True)
    accept = traitlets.Unicode(",".join((*audio_suffixes(), ".json"))).tag(sync=True)

    def __init__(self, text: str, incoming: Callable[[], Incoming], taken: Callable[[Incoming], None]):
        super().__init__(text=text)
        self._incoming, self._taken, self._coming = incoming, taken, None
        self.on_msg(lambda _widget, said, buffers: self.heard(said, [bytes(each) for each in buffers]))

    def heard(self, said: dict, buffers: list[bytes]) -> None:
        """Take what the page sends, and ask for more."""
        if "begin" in said:
            if self._coming is not None:
                self._coming.abandon()  # the page broke off, or this is the load after a whole one
            self._coming = self._incoming()
            self.send({"next": True})
            return
        if self._coming is None:
            raise GainlibError("a slice came without a file; pick the files again")
        if "end" in said:
            self.send({"next": True})
            self._taken(self._coming)
            return
        good = self._coming.take(said["name"], said["size"], said["at"], buffers[0] if buffers else b"")
        self.send({"next": True} if good else {"refused": True})
