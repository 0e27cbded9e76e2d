"""The rack: black boxes by the names their owner gives them, measured once and used wherever they stand.

One JSON file that can be read without this project::

    {
      "rack": 1,
      "boxes": {
        "opto": {"measured": "2026-11-29", "verdict": "nonlinear", "linear": false, "reference_dbfs": -17.0,
                 "output_gain_db": -2.5, "gain_db": 2.9, "ceiling_dbfs": null, "noise_dbfs": -81.2,
                 "gains": [[-51.0, 2.9], [-17.0, 2.5]]}
      }
    }

``gains`` holds the average level at the input and the gain there, from soft to loud; ``output_gain_db`` is that at the
reference with its sign turned. A file that does not fit is refused, and never written over.
"""

import json
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import filelock
import msgspec

from gainlib.audio import GainlibError, write_whole
from gainlib.boxes.linearity import CANNOT_TELL
from gainlib.boxes.probe import ProbeReport
from gainlib.processors import BlackBox
from gainlib.session import Insert, Session
from gainlib.session.checks import nearest
from gainlib.session.strip import BUS

FORMAT = 1
LOCK_S = 10.0


@dataclass(frozen=True)
class RackBox:
    """A box in the rack.

    Attributes
    ----------
    box : BlackBox
        What stands for it in a session.
    measured : str
        The day, ISO 8601.
    verdict : str
        What the recording showed, as for ``classify``.
    gain_db : float
        Of a sine of about 997 Hz where it is steady.
    """

    box: BlackBox
    measured: str
    verdict: str
    gain_db: float


class _Entry(msgspec.Struct, forbid_unknown_fields=True):
    """A box as the file holds it."""

    measured: str
    verdict: str
    linear: bool
    reference_dbfs: float | None
    output_gain_db: float | None
    gain_db: float
    ceiling_dbfs: float | None
    noise_dbfs: float | None
    gains: tuple[tuple[float, float], ...]


class Rack(Mapping[str, RackBox]):
    """The boxes of one file by their names, whatever the case these are written in.

    Parameters
    ----------
    path : str or path
        Of the file; where there is none, the rack is empty.

    Raises
    ------
    GainlibError
        For a file that cannot be read or is no rack, with its place.

    Examples
    --------
    >>> import tempfile
    >>> rack = Rack(Path(tempfile.mkdtemp()) / "rack.json")
    >>> rack.put(RackBox(BlackBox(-17.0, "opto", gains=((-40.0, 2.5),)), "2026-11-29", "nonlinear", 2.9))
    >>> Rack(rack.path)["Opto"].box.output_gain_db
    -2.5
    """

    def __init__(self, path: str | os.PathLike):
        self.path = Path(path)
        self._boxes = self._read()

    def __getitem__(self, name: str) -> RackBox:
        return self._boxes[name.casefold()]

    def __iter__(self):
        return (each.box.name for each in self._boxes.values())

    def __len__(self):
        return len(self._boxes)

    def put(self, each: RackBox) -> None:
        """Keep a box under its name, in place of an earlier measurement of it."""
        if not each.box.name.strip():
            raise GainlibError("the box has no name; give it one that you know it by, such as 'opto'")
        self._write(lambda boxes: boxes | {each.box.name.casefold(): each})

    def remove(self, name: str) -> None:
        """Take a box out; where it stands in a session, it keeps its figures."""
        if name not in self:
            raise GainlibError(
                f"no box is named {name!r}; {nearest(name, list(self)) if self else 'the rack is empty'}"
            )
        self._write(lambda boxes: {key: each for key, each in boxes.items() if key != name.casefold()})

    def known(self, box: BlackBox) -> BlackBox:
        """Return a box with what was measured on the one of its name, if there is one."""
        return self[box.name].box if box.name and box.name in self else box

    # ---- the file --------------------------------------------------------------------------------------------------

    def _read(self) -> dict[str, RackBox]:
        try:
            content = self.path.read_bytes()
        except FileNotFoundError:
            return {}
        except OSError as problem:
            raise GainlibError(f"{self.path} cannot be read ({problem.strerror or problem})") from None
        try:
            document = msgspec.json.decode(content)
            if not isinstance(document, dict) or not isinstance(document.get("boxes"), dict):
                raise GainlibError("it has no 'boxes'")
            if document.get("rack") != FORMAT:
                raise GainlibError(f"it is in format {document.get('rack')!r}, and this release reads {FORMAT}")
            boxes = [_box_of(name, each) for name, each in document["boxes"].items()]
        except (msgspec.MsgspecError, GainlibError, RecursionError, UnicodeError) as problem:
            raise GainlibError(
                f"{self.path} does not hold a rack of boxes: {problem}; repair it, or move it away and measure again"
            ) from None
        return {each.box.name.casefold(): each for each in boxes}

    def _write(self, change):
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with filelock.FileLock(f"{self.path}.lock", timeout=LOCK_S):
                boxes = change(self._read())  # another page may have measured one meanwhile
                entries = {each.box.name: _entry(each) for each in sorted(boxes.values(), key=lambda one: one.box.name)}
                text = json.dumps({"rack": FORMAT, "boxes": entries}, ensure_ascii=False, allow_nan=False, indent=1)
                write_whole(self.path, f"{text}\n")
        except filelock.Timeout:
            raise GainlibError(f"{self.path} is being written by another page; try again") from None
        except OSError as problem:
            raise GainlibError(f"{self.path} cannot be written ({problem.strerror or problem})") from None
        self._boxes = boxes


def _box_of(name, data) -> RackBox:
    try:
        entry = msgspec.convert(data, _Entry)
        box = BlackBox(
            entry.reference_dbfs, name, entry.linear, entry.gains, entry.ceiling_dbfs, entry.noise_dbfs
        )  # fmt: skip
        if not (box.measured and math.isfinite(entry.gain_db)):
            raise GainlibError("it has no gain")
    except (msgspec.ValidationError, GainlibError) as problem:
        raise GainlibError(f"box {name!r}: {problem}") from None
    return RackBox(box, entry.measured, entry.verdict, entry.gain_db)


def _entry(each: RackBox) -> dict[str, Any]:
    box, output = each.box, each.box.output_gain_db
    output, gain = (None if value is None else round(value, 2) + 0.0 for value in (output, each.gain_db))
    own = box.linear, box.reference_dbfs, output, gain, box.ceiling_dbfs, box.noise_dbfs, box.gains
    return msgspec.to_builtins(_Entry(each.measured, each.verdict, *own))


def racked(report: ProbeReport, name: str) -> RackBox:
    """Return a box as it goes into the rack, measured today.

    Parameters
    ----------
    report : ProbeReport
        What its recording showed.
    name : str
        What its owner calls it.

    Returns
    -------
    RackBox

    Raises
    ------
    GainlibError
        Where the recording does not show whether its level matters.
    """
    if report.kind == CANNOT_TELL:
        raise GainlibError(f"{name or 'the box'}: {report.reason[:1].lower()}{report.reason[1:]}")
    return RackBox(report.box(name.strip()), date.today().isoformat(), report.kind, report.gain_db)


def refreshed(session: Session, rack: Rack, only: str | None = None) -> tuple[Session, tuple[str, ...]]:
    """Return a session whose boxes have what the rack says of those of their names, and the names of what has changed.

    A reference that the owner chose for a box stays, unless the box has been measured anew.

    Parameters
    ----------
    session : Session
    rack : Rack
    only : str, optional
        The one box that has just been measured.

    Returns
    -------
    session : Session
    changed : tuple of str
    """
    changed: dict[str, None] = {}

    def renewed(insert: Insert) -> Insert:
        box = insert.processor
        if not isinstance(box, BlackBox) or (only is not None and box.name.casefold() != only.casefold()):
            return insert
        known = rack.known(box)
        chosen = replace(known, reference_dbfs=box.reference_dbfs)
        if known is box or (only is None and chosen == replace(box, fed_dbfs=None)):
            return insert
        if only is None and not box.measured and box.reference_dbfs != BlackBox.reference_dbfs:
            known = chosen
        changed[known.name] = None
        return replace(insert, processor=known)

    for channel in (*session.strips, *session.groups, session.master):
        inserts = tuple(map(renewed, channel.inserts))
        if inserts != channel.inserts:
            session = session.with_(getattr(channel, "name", BUS), inserts=inserts)
    return session, tuple(changed)
