"""The mix and its stems written as files of 24 bit, and what is measured on these files.

What is measured, with the checksum of the mix, becomes part of an answer; the place of the files does not.
"""

import os
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from gainlib.audio import AudioFile, GainlibError, write
from gainlib.exercises.capstone import assignment
from gainlib.levels import ratio_to_db
from gainlib.meters import levels_of
from gainlib.mix.export import write_stems
from gainlib.mix.moves import Plan, Verification

MIX, STEMS = "mix.wav", "stems"


@dataclass(frozen=True)
class Written:
    """An export.

    Attributes
    ----------
    folder : Path
        Where it is.
    facts : dict
        What was measured on it, as an answer takes it.
    """

    folder: Path
    facts: dict


def write_export(answer: dict, given: dict, folder: str | Path, progress=None) -> Written:
    """Write the mix, and the stems as they arrive at the bus, and measure what was written.

    Parameters
    ----------
    answer : dict
        Controls.
    given : dict
        The variant.
    folder : path
        For both; an export of before is replaced once the new one is whole.
    progress : callable, optional
        ``progress(done, text)``, from 0 to 1.

    Returns
    -------
    Written

    Raises
    ------
    GainlibError
        When the mix or a stem would clip, and for a folder that holds anything but an export; the sentence names it,
        and nothing is left behind.
    """
    told = progress or (lambda done, text: None)
    folder, session = Path(folder), assignment.staged(answer, given)
    inside = {each.name for each in folder.iterdir()} if folder.is_dir() else set()
    other = sorted(inside - {MIX, STEMS} if MIX in inside else inside)
    if other:
        raise GainlibError(f"{folder}: holds {other[0]!r}, which is no part of an export; name a folder of its own")
    told(0.05, "Rendering the mix …")
    bus = session.render().bus
    peak = float(np.abs(bus.samples).max())
    if peak > 1.0:
        raise GainlibError(
            f"the bus peaks at {ratio_to_db(peak):+.1f} dBFS; a file of 24 bit would cut that off: bring everything "
            "that feeds the bus down together, then export again"
        )
    folder.parent.mkdir(parents=True, exist_ok=True)
    part = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        facts = _write_into(part, session, bus, told)
        if folder.is_dir():
            shutil.rmtree(folder)
        os.replace(part, folder)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    return Written(folder, facts)


def _write_into(folder, session, bus, told):
    """Write stems and mix into a new folder, and return what is measured on them."""
    told(0.3, "Writing the stems …")
    nothing_asked = Plan(session, (), (), (), Verification(()), "restage", 0.0)
    stems = write_stems(nothing_asked, folder / STEMS, through="bus")
    told(0.8, "Writing the mix …")
    write(folder / MIX, bus, "PCM_24")
    told(0.9, "Subtracting the stems from the mix …")
    return measured(folder / MIX, [folder / STEMS / file.name for file in stems.files])


def measured(mix: Path, stems: list[Path]) -> dict:
    """Return what is measured on an exported mix and its stems.

    Parameters
    ----------
    mix : Path
        The mix.
    stems : list of Path
        What should add up to it.

    Returns
    -------
    dict
        See :data:`gainlib.exercises.capstone.delivered.FACTS`.
    """
    file = AudioFile(mix)
    samples = np.asarray(file.load().samples, np.float64)
    left = samples.copy()
    for stem in stems:
        part = np.asarray(AudioFile(stem).load().samples, np.float64)
        left[: len(part)] -= part
    level = levels_of(file, ("rms", "true_peak"))
    null_db = float(ratio_to_db(np.linalg.norm(left) / np.linalg.norm(samples)))
    return {
        "bits": int(file.subtype.removeprefix("PCM_")) if file.subtype.startswith("PCM_") else 32,
        "frames": file.frames,
        "true_peak_dbtp": round(level.true_peak_dbtp, 3),
        "rms_dbfs": round(level.energy_dbfs, 3),
        "null_db": round(max(null_db, -300.0), 1),
        "sha256": file.sha256,
    }
