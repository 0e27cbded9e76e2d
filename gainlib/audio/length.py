"""Whether a sound file holds as much as its header states.

A decoder takes what is there: of a file that lost its second half in a copy it plays the first half and says nothing.
Here the length that the header states is held against the file before anything is decoded.

Conventions
-----------
Each function here takes an open file, the place where the format begins (after ID3 tags) and the file's size, and
returns a :class:`Stated`. A length that the header leaves open (a recording streamed into a pipe) is None.

Sources
-------
RIFF and WAVE: Multimedia Programming Interface and Data Specifications 1.0 (1991). RF64 and ds64: EBU Tech 3306.
AIFF and AIFF-C: Apple, 1989 and 1991. 8SVX: EA IFF 85. CAF: Apple Core Audio Format 1.0. Wave64: chunk layout from
memory. AU: the header of Sun's .au format. NIST SPHERE: header of the format of that name. All field layouts were
checked against files written by libsndfile.
"""

import struct
from dataclasses import dataclass
from pathlib import Path

from gainlib.audio.packets import AGAIN, mpeg_length, ogg_length
from gainlib.errors import GainlibError

_UNKNOWN_32 = 0xFFFFFFFF
_MOST_CHUNKS = 10_000  # a file of nothing but empty chunks must not keep us busy
_MPEG_SUFFIXES = (".mp1", ".mp2", ".mp3", ".mpga")


@dataclass(frozen=True)
class Stated:
    """What a header says about the samples that follow.

    Attributes
    ----------
    length : int or None
        Bytes of samples, None if left open.
    start : int
        Where in the file the samples begin.
    align : int
        Bytes a frame takes, 1 if not known.
    """

    length: int | None
    start: int
    align: int = 1


def check_length(path: Path) -> int | None:
    """Raise if `path` holds fewer samples than its header states; formats that are not known here pass.

    Parameters
    ----------
    path : pathlib.Path
        A file that exists.

    Returns
    -------
    int or None
        The number of frames if it was found by counting, as the header does not state it (MPEG audio only).

    Raises
    ------
    GainlibError
        If the file is truncated, or is a row of several recordings of which a decoder would give only the first.
    """
    with path.open("rb") as file:
        try:
            return _check(file, path.stat().st_size, path.suffix.lower())
        except GainlibError as error:
            raise GainlibError(f"{path}: {error}") from None


def _check(file, size, suffix):
    start = _after_tags(file, size)
    file.seek(start)
    magic = file.read(16)
    walk = _container(magic)
    if walk:
        _compare(walk(file, start, size), size)
    elif magic[:4] == b"OggS":
        ogg_length(file, start, size)
    elif magic[:4] == b"fLaC":
        pass  # its last frame shows as much, and is looked at when the file is opened
    elif magic[:1] == b"\xff" or start or suffix in _MPEG_SUFFIXES:
        return mpeg_length(file, start, size)
    return None


def _after_tags(file, size):
    """Skip ID3v2 tags, which may stand before any format; their size is 4 × 7 bits, with 10 bytes of header."""
    at = 0
    while at < size:
        file.seek(at)
        head = file.read(10)
        if len(head) < 10 or head[:3] != b"ID3":
            break
        length = 0
        for byte in head[6:10]:
            length = length << 7 | byte & 0x7F
        at += 10 + length + (10 if head[5] & 0x10 else 0)
    return at


def _container(magic):
    for keys, kinds, walk in _CONTAINERS:
        if magic[:4] in keys and (not kinds or magic[8:12] in kinds):
            return walk
    return None


def _compare(stated, size):
    """Hold a stated length of samples against the size of the file."""
    if stated is None:
        raise GainlibError(f"truncated: the file ends before its samples begin; {AGAIN}")
    there = max(size - stated.start, 0)
    if stated.length is None and there % stated.align:
        raise GainlibError(f"truncated: the file ends in the middle of a sample frame; {AGAIN}")
    if stated.length is not None and stated.length > there:
        raise GainlibError(
            f"truncated: the header states {stated.length} bytes of samples and {there} are there; {AGAIN}"
        )


def _walk(file, at, size, head, align=2):
    """Yield (key, length, where the content begins) of each chunk; `head` is the struct of key and length."""
    head = struct.Struct(head)
    for _ in range(_MOST_CHUNKS):
        if at + head.size > size:
            return
        file.seek(at)
        raw = file.read(head.size)
        key, length = head.unpack(raw)
        yield key, length, at + head.size
        at += head.size + max(length, 0) + -length % align


def _riff(file, start, size):
    """RIFF, RIFX (big-endian), and RF64 or BW64, whose ds64 chunk holds what does not fit into 32 bits."""
    file.seek(start)
    order = ">" if file.read(4) == b"RIFX" else "<"
    long_length, align = None, 1
    for key, length, at in _walk(file, start + 12, size, order + "4sI"):
        file.seek(at)
        if key == b"ds64":
            raw = file.read(16)
            long_length = struct.unpack("<8xQ", raw)[0] if len(raw) == 16 else None
        elif key == b"fmt ":
            raw = file.read(14)
            align = max(struct.unpack(order + "12xH", raw)[0], 1) if len(raw) == 14 else 1
        elif key == b"data":
            if length == _UNKNOWN_32:
                return Stated(long_length, at, align)
            return Stated(length, at, align)
    return None


def _aiff(file, start, size):
    """AIFF, AIFF-C and 8SVX; a SSND chunk of length 0 is what a pipe leaves."""
    sound = common = None
    for key, length, at in _walk(file, start + 12, size, ">4sI"):
        file.seek(at)
        if key == b"COMM":
            common = file.read(min(length, 22))
        elif key == b"SSND":
            sound = Stated(max(length - 8, 0) or None, at + 8)
        elif key == b"BODY":
            sound = Stated(length, at)
    if sound is None or common is None or len(common) < 18 or sound.length is None:
        return sound
    channels, frames, bits = struct.unpack(">HIH", common[:8])
    plain = len(common) < 22 or common[18:22] in (b"NONE", b"twos", b"sowt", b"fl32", b"FL32", b"fl64", b"FL64")
    needed = channels * frames * -(-bits // 8) if plain else 0
    return Stated(max(sound.length, needed), sound.start)


def _caf(file, start, size):
    """Core Audio: 64-bit lengths, −1 if left open; the samples stand after a 4-byte edit count."""
    for key, length, at in _walk(file, start + 8, size, ">4sq", align=1):
        if key == b"data":
            return Stated(None if length < 0 else max(length - 4, 0), at + 4)
    return None


def _wave64(file, start, size):
    """Wave64: 16-byte keys, and lengths that count the 24 bytes of the chunk's own head, filled up to 8."""
    at = start + 40
    for _ in range(_MOST_CHUNKS):
        if at + 24 > size:
            return None
        file.seek(at)
        raw = file.read(24)
        key, length = struct.unpack("<16sQ", raw)
        if key[:4] == b"data":
            open_end = length < 24 or length >= 1 << 62
            return Stated(None if open_end else length - 24, at + 24)
        at += max(length, 24) + -length % 8
    return None


def _au(file, start, size):
    """Sun's .au: where the samples begin and how many bytes they take, in either byte order."""
    file.seek(start)
    raw = file.read(12)
    if len(raw) < 12:
        return None
    _, offset, length = struct.unpack(">4sII" if raw[:4] == b".snd" else "<4sII", raw)
    return Stated(None if length == _UNKNOWN_32 else length, start + offset)


def _nist(file, start, size):
    """NIST SPHERE: a text header of a stated size with one value a line."""
    file.seek(start)
    lines = file.read(1024).decode("latin-1").split("\n")
    values = dict(line.split(" -i ", 1) for line in lines if " -i " in line)
    try:
        bytes_a_frame = int(values["sample_n_bytes"]) * int(values["channel_count"])
        return Stated(int(values["sample_count"]) * bytes_a_frame, start + int(lines[1]))
    except (KeyError, ValueError, IndexError):
        return None


_CONTAINERS = (
    ((b"RIFF", b"RIFX", b"RF64", b"BW64"), (b"WAVE",), _riff),
    ((b"FORM",), (b"AIFF", b"AIFC", b"8SVX", b"16SV"), _aiff),
    ((b"caff",), (), _caf),
    ((b"riff",), (), _wave64),
    ((b".snd", b"dns."), (), _au),
    ((b"NIST",), (), _nist),
)
