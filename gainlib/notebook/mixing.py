"""A mix that is heard while it is moved: stems go to the browser once, and gains there follow the hand.

The browser asks for what it has not got, the part that is heard first. What depends on level is rendered here for that
part whenever the hand has let go (:mod:`gainlib.mix.live` says what that is), in a thread. Sounds travel as FLAC, 16
bit below their own peak: the error lies 98 dB under it, and eleven stems of 40 s are 15 MB in place of 130.
"""

import asyncio
import io
import math
from collections.abc import Iterable, Mapping

import numpy as np
import soundfile
import traitlets

from gainlib.audio import Audio, GainlibError
from gainlib.meters.needle import between, high_pass, movement
from gainlib.mix.live import Part, live_mix, response
from gainlib.notebook.background import EAR
from gainlib.notebook.controls import on_wire
from gainlib.notebook.errors import soon
from gainlib.notebook.listen import CEILING_DBTP, QUIETEST_DB, Heard, Player, gains, guard_of, heard
from gainlib.processors import HardClip
from gainlib.session import Session

PIECE_S = 10.0
LOUDEST_16 = 32767
ALIGNMENT_DBFS = -18.0
KEPT = 64
MOST_SAMPLES = 60_000_000  # of all stems together, that a browser is to hold as 32-bit floats: 240 MB
MEASURED_AFTER_S = 0.4
BALLISTICS = {"highPass": high_pass, "movement": movement, "between": between}
UNKNOWN = {"match_db": [], "ceiling_db": QUIETEST_DB, "quietest_db": QUIETEST_DB}
UNHEARD = Heard(-math.inf, -math.inf, -math.inf)


def packed(audio: Audio) -> tuple[bytes, float]:
    """Return samples as FLAC and what they are to be multiplied by; silence is no bytes."""
    peak = float(np.abs(audio.samples).max(initial=0.0))
    if peak == 0.0:
        return b"", 0.0
    whole = np.round(audio.samples * (LOUDEST_16 / peak)).astype(np.int16)
    file = io.BytesIO()
    soundfile.write(file, whole, audio.rate_hz, format="FLAC", subtype="PCM_16")
    return file.getvalue(), peak * (LOUDEST_16 + 1) / LOUDEST_16


class MixPlayer(Player):
    """Play one or several mixes of the same stems; the last one follows the hand.

    Parameters
    ----------
    sessions : mapping of str to Session
        The names stand on the buttons; all have the same strips, groups and ways.
    start_s, length_s : float
        The part that is heard and rendered; the whole song can be heard where nothing depends on level.
    ties : iterable of dict
        Which control of the page stands for what; :func:`ties_of` in the desk makes them.
    held : mapping of str to list of str, optional
        Which mixes follow the hand, each with the controls that it is not to touch there, as "owner/field"; the last
        one with none if left out.
    cut : bool
        Whether one listens through a converter that cuts off at full scale.
    match, note
        As for a player. Matched mixes are as loud as the one under the hand when it last let go.

    Examples
    --------
    >>> from gainlib.session import Strip
    >>> from gainlib.signals import tone
    >>> song = Session([Strip("bass", tone(110, -20, 1.0)), Strip("kick", tone(60, -26, 1.0))])
    >>> player = MixPlayer({"as found": song, "now": song.with_faders({"kick": -6.0})}, 0.0, 1.0)
    >>> player.mixes[1]["values"]["kick"]["fader_db"], player.which
    (-6.0, 1)
    """

    mixes = traitlets.List().tag(sync=True)
    span = traitlets.Dict().tag(sync=True)
    ties = traitlets.List().tag(sync=True)
    whole = traitlets.Bool(False).tag(sync=True)
    ballistics = traitlets.Dict().tag(sync=True)

    def __init__(
        self,
        sessions: Mapping[str, Session],
        start_s: float,
        length_s: float,
        *,
        ties: Iterable[dict] = (),
        held: Mapping[str, list] | None = None,
        match: bool = True,
        note: str = "",
        cut: bool = False,
    ):
        first = next(iter(sessions.values()))
        self._cut, self._part = bool(cut), part_of(first, start_s, length_s)
        self._held = {list(sessions)[-1]: []} if held is None else dict(held)
        self._stamp_of, self._tap_of, self._rooms = {}, {}, {}
        self._sounds = Part(*self._part, first.rate_hz)
        self._sessions, self._parts, self._loud = {}, {}, {}
        rate = first.rate_hz
        bits = {name: of(rate).tolist() for name, of in BALLISTICS.items()}
        self._begin(match, note, CEILING_DBTP, 0.0)
        self.ties, self.ballistics = list(ties), bits | {"alignment_dbfs": ALIGNMENT_DBFS}
        self.which, self.volume_db, self.levels = len(sessions) - 1, QUIETEST_DB, UNKNOWN
        self.observe(lambda change: change["new"] and self.measure(), "playing")
        self._take(dict(sessions))

    def update(self, sessions: Mapping[str, Session]) -> None:
        """Replace some of the mixes, when the hand has let go; what is playing goes on at the same place.

        Parameters
        ----------
        sessions : mapping of str to Session
            Names the player already has.
        """
        unknown = sorted(set(sessions) - set(self._sessions))
        if unknown:
            raise GainlibError(f"the player has no mix {unknown[0]!r}; it has {', '.join(self._sessions)}")
        if any(self._sessions[name] != session for name, session in sessions.items()):
            self._take({**self._sessions, **sessions})

    @property
    def length_s(self) -> float:
        """Length of the part that is heard."""
        start, stop = self._part
        return (stop - start) / self.rate_hz

    # ---- what the browser is told ----------------------------------------------------------------------------------

    def _take(self, sessions):
        parts = {
            name: self._parts[name] if self._sessions.get(name) is session else live_mix(session)
            for name, session in sessions.items()
        }
        self._sessions, self._parts = sessions, parts
        channels, rate = next(iter(parts.values())).channels, next(iter(sessions.values())).rate_hz
        if any(each.channels != channels for each in parts.values()):
            raise GainlibError("the mixes differ in their strips, groups or ways; give mixes of one session")
        known = set(self._tap_of)
        self._number()
        coming = sorted(set(self._tap_of) - known) if self.playing else []
        with self.hold_sync():
            self.names, self.rate_hz = list(sessions), rate
            self.guard, self.channels = guard_of(rate), list(channels)
            self.span = self._span(sessions) | {"coming": coming}
            self.mixes = self._told()
        for stamp in coming:  # what is heard now need not be asked for
            self._beside(self._made, self._sent, stamp, 0)
        if self.playing:
            soon(MEASURED_AFTER_S, self.measure)  # when the browser has what it asks for: the ear goes first

    def _number(self):
        """Give every sound that is needed a number; those that are not needed any more are forgotten."""
        taps = [tap for each in self._parts.values() for tap in each.taps.values()]
        rooms = [boxes for each in self._parts.values() for boxes in each.responses.values()]
        for known, wanted in ((self._stamp_of, taps), (self._rooms, rooms)):
            for each in wanted:
                if each not in known:
                    self._stamp += 1
                    known[each] = self._stamp
            for old in list(known)[: max(len(known) - KEPT, 0)]:
                if old not in wanted:
                    known.pop(old)
        self._tap_of = {stamp: tap for tap, stamp in self._stamp_of.items()}

    def _span(self, sessions):
        (start, stop), frames = self._part, next(iter(sessions.values())).frames
        taps = {tap for each in self._parts.values() for tap in each.taps.values()}
        whole = not any(tap.boxes for tap in taps) and sum(tap.channels for tap in taps) * frames <= MOST_SAMPLES
        piece = round(PIECE_S * next(iter(sessions.values())).rate_hz)
        cuts = [[0, start], [stop, frames]]
        edges = [[at, min(at + piece, last)] for first, last in cuts for at in range(first, last, piece)]
        long = [self._stamp_of[tap] for tap in taps] if whole else []
        return {
            "part": [start, stop], "frames": frames, "edges": [[start, stop], *edges], "long": sorted(long),
            "can_whole": whole and bool(edges),
        }  # fmt: skip

    def _told(self):
        found = []
        for k, (name, parts) in enumerate(self._parts.items()):
            session = self._sessions[name]
            found.append({
                "held": self._held.get(name), "values": on_wire(parts.values), "live": parts.live,
                "fixed": parts.fixed, "law": session.pan_law_db, "cut": self._cut, "match_db": self._match_db(k),
                "taps": {owner: self._stamp_of[tap] for owner, tap in parts.taps.items()},
                "responses": {owner: self._rooms[boxes] for owner, boxes in parts.responses.items()},
            })  # fmt: skip
        return found

    # ---- how loud --------------------------------------------------------------------------------------------------

    def measure(self) -> None:
        """Find out how loud the mixes are, beside the hand; done when Play is pressed, and from then on."""
        new = {session for session in self._sessions.values() if session not in self._loud}
        if new:
            self._beside(self._measured, self._loudness, new)

    def _measured(self, sessions):
        """Return how loud sessions are over the part that is heard; runs in a thread."""
        buses = {session: self._sounds.bus(session) for session in sessions}
        return {each: heard(HardClip(0.0).process(bus) if self._cut else bus) for each, bus in buses.items()}

    def _loudness(self, found):
        before = self.gains if self._loud else None
        wanted = self._sessions.values()
        self._loud = {session: each for session, each in (self._loud | found).items() if session in wanted}
        if all(session in self._loud for session in wanted):
            self.gains = self._worked_out(tuple(self._loud[session] for session in wanted))
            with self.hold_sync():
                self._say(before)
                if before is None:
                    self.volume_db = self.gains.start_db
                self.mixes = self._told()

    def _worked_out(self, sources):
        """Return the limits; nothing is turned down for another mix, since the hand is to be heard as it moves."""
        return gains(sources, False, self._ceiling_dbtp)

    def _volume_for(self, before, found):
        """Return the volume, which stays: a fader that is raised is to be heard louder."""
        return min(self.volume_db, found.ceiling_db)

    def _match_db(self, k):
        """Return what a mix is turned by to be as loud as the last one, where that is wanted."""
        own, hand = (self._loud.get(list(self._sessions.values())[n], UNHEARD).loudness_lufs for n in (k, -1))
        return round(hand - own, 2) if self.match and math.isfinite(own) and math.isfinite(hand) else 0.0

    def _match_text(self):
        if len(self._sessions) < 2 or not self.match:
            return super()._match_text()
        return "Matched in loudness after each move."

    # ---- what the browser asks for ---------------------------------------------------------------------------------

    def _asked(self, _widget, content, _buffers):
        if not self._loud:
            self.measure()  # what is asked for waits its turn, so that nothing sounds before its level is known
        for stamp, block in content.get("want", ()):
            self._beside(self._made, self._sent, stamp, block)

    @staticmethod
    def _beside(work, show, *given):
        """Have something worked out in the thread and shown where widgets may be touched; at once without a loop."""
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            show(work(*given))
            return
        job = EAR.submit(work, *given)
        job.add_done_callback(lambda done: loop.call_soon_threadsafe(show, done.result()))

    def _made(self, stamp, block):
        """Return message and bytes of a piece; runs in a thread."""
        message = {"stamp": stamp, "block": block}
        if block < 0:
            boxes = next(boxes for boxes, number in self._rooms.items() if number == stamp)
            samples = response(boxes, self.rate_hz).samples
            return message | {"frames": len(samples)}, np.ascontiguousarray(samples.T, dtype="<f4").tobytes()
        edges = self.span["edges"]
        tap = self._tap_of[stamp]
        audio = self._sounds.audio(tap) if block == 0 else tap.audio(*edges[block])
        data, scale = packed(audio)
        return message | {"scale": scale}, data

    def _sent(self, made):
        message, data = made
        self.send(message, buffers=[data] if data else None)


def part_of(session: Session, start_s: float, length_s: float) -> tuple[int, int]:
    """Return the frames of a part, moved where it would pass an end."""
    length = min(session.frames, max(1, round(length_s * session.rate_hz)))
    start = min(max(round(start_s * session.rate_hz), 0), session.frames - length)
    return start, start + length
