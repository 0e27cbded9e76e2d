"""The balance of a song saved earlier, laid on the song at hand: faders, pans and mutes, by name.

Only these are read; the stems of the saved song need not be there any more.
"""

from dataclasses import dataclass

import msgspec

from gainlib.audio import GainlibError
from gainlib.session import Session
from gainlib.session.strip import BUS

FIELDS = ("fader_db", "pan", "mute")


@dataclass(frozen=True)
class Balanced:
    """A session with another one's balance.

    Attributes
    ----------
    session : Session
    taken : tuple of str
        Strips and groups that were set.
    left : tuple of str
        Those of the session that the saved song does not hold.
    unknown : tuple of str
        Those of the saved song that the session does not hold.
    """

    session: Session
    taken: tuple[str, ...]
    left: tuple[str, ...]
    unknown: tuple[str, ...]


def take_balance(session: Session, text: str | bytes) -> Balanced:
    """Return a session with faders, pans and mutes of a saved one.

    Parameters
    ----------
    session : Session
    text : str or bytes
        JSON, as :func:`gainlib.session.to_json` writes it.

    Returns
    -------
    balanced : Balanced

    Raises
    ------
    GainlibError
        For a text that is no saved song, and for values that are no balance.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> from gainlib.session import Strip
    >>> song = Session([Strip("kick", Audio(np.zeros(48), 48000))])
    >>> taken = take_balance(song, '{"strips": [{"name": "kick", "fader_db": -6.0}, {"name": "bass"}]}')
    >>> taken.session.strip("kick").fader_db, taken.unknown
    (-6.0, ('bass',))
    """
    try:
        data = msgspec.json.decode(text)
    except msgspec.DecodeError as error:
        raise GainlibError(f"this is no JSON: {error}") from None
    if not isinstance(data, dict) or not isinstance(data.get("strips"), list):
        raise GainlibError("this is no saved song: it has no strips; give the .json that the bench or a plan wrote")
    saved = {name: each for each in _channels(data) if isinstance(name := each.get("name"), str)}
    balanced = session
    for name in session.names:
        if name in saved:
            balanced = balanced.with_(name, **_controls(saved[name]))
    master = data.get("master")
    if isinstance(master, dict) and "fader_db" in master:
        balanced = balanced.with_(BUS, fader_db=_level(master["fader_db"]))
    return Balanced(
        balanced,
        tuple(name for name in session.names if name in saved),
        tuple(name for name in session.names if name not in saved),
        tuple(name for name in saved if name not in session.names),
    )


def _channels(data):
    groups = data.get("groups")
    return [each for each in (*data["strips"], *(groups if isinstance(groups, list) else ())) if isinstance(each, dict)]


def _controls(saved):
    return {name: _level(saved[name]) for name in FIELDS if name in saved}


def _level(value):
    return float("-inf") if value == "-inf" else value
