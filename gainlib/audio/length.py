"""Whether a sound file holds as much as its header states.

A decoder takes what is there: of a file that lost its second half in a copy it plays the first half and says nothing.
Here the length that the header states is held against the file before anything is decoded; where a format states none,
pages and frames are counted by their heads, so a file of an hour takes a fraction of a second.

Sources
-------
RIFF and WAVE: Multimedia Programming Interface and Data Specifications 1.0 (1991). RF64 and ds64: EBU Tech 3306. AIFF
and AIFF-C: Apple, 1989 and 1991. OGG pages: RFC 3533, section 6. MPEG audio frames: ISO/IEC 11172-3, 2.4.2.3, and
13818-3, 2.4.2.3, tables from memory. The frame with a count of frames (Xing, Info, VBRI) is in no standard; fields as
encoders write them. All were checked against files written by libsndfile.
"""

import struct
from pathlib import Path

from gainlib.errors import GainlibError, said_of

_AGAIN = "copy it again from the original"
_NO_SAMPLES = f"truncated: the file ends before its samples begin; {_AGAIN}"
_UNKNOWN_32 = 0xFFFFFFFF
_MOST_CHUNKS = 10_000  # a file of nothing but empty chunks must not keep us busy
_SEARCH_BYTES = 65536
_BITRATES = {  # kbit/s of layer III by index 1 to 14; key: MPEG-1?
    True: (32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
    False: (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
}
_RATES = (44100, 48000, 32000)


def check_length(path: Path) -> int | None:
    """Raise if `path` holds fewer samples than its header states, or is a row of several recordings.

    Returns the number of frames if it was found by counting, as the header does not state it (MP3 only).
    """
    with path.open("rb") as file, said_of(path):
        return _check(file, path.stat().st_size, path.suffix.lower())


def _check(file, size, suffix):
    start = _after_tags(file, size)
    file.seek(start)
    magic = file.read(12)
    if magic[:4] in (b"RIFF", b"RIFX", b"RF64") and magic[8:] == b"WAVE":
        _riff(file, start, size)
    elif magic[:4] == b"FORM" and magic[8:] in (b"AIFF", b"AIFC"):
        _aiff(file, start, size)
    elif magic[:4] == b"OggS":
        _ogg(file, start, size)
    elif magic[:4] == b"fLaC":
        pass  # its last frame shows as much, and is looked at when the file is opened
    elif magic[:1] == b"\xff" or start or suffix == ".mp3":
        return _mp3(file, start, size)
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


# ---------------------------------------------------------------------------------------------------------- WAV, AIFF


def _compare(length, start, size, align=1):
    """Hold a stated length of samples, None if left open, against what lies from `start` to the end of the file."""
    there = max(size - start, 0)
    if length is None and there % align:
        raise GainlibError(f"truncated: the file ends in the middle of a sample frame; {_AGAIN}")
    if length is not None and length > there:
        raise GainlibError(f"truncated: the header states {length} bytes of samples and {there} are there; {_AGAIN}")


def _walk(file, at, size, head):
    """Yield (key, length, where the content begins) of each chunk; `head` is the struct of key and length."""
    for _ in range(_MOST_CHUNKS):
        if at + 8 > size:
            return
        file.seek(at)
        key, length = struct.unpack(head, file.read(8))
        yield key, length, at + 8
        at += 8 + length + length % 2


def _riff(file, start, size):
    """RIFF, RIFX (big-endian), and RF64, whose ds64 chunk holds what does not fit into 32 bits."""
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
            return _compare(long_length if length == _UNKNOWN_32 else length, at, size, align)
    raise GainlibError(_NO_SAMPLES)


def _aiff(file, first, size):
    """AIFF and AIFF-C; a SSND chunk of length 0 is what a pipe leaves."""
    sound, start, common = None, None, b""
    for key, length, at in _walk(file, first + 12, size, ">4sI"):
        file.seek(at)
        if key == b"COMM":
            common = file.read(min(length, 22))
        elif key == b"SSND":
            sound, start = max(length - 8, 0) or None, at + 8
    if start is None:
        raise GainlibError(_NO_SAMPLES)
    if sound is not None and len(common) >= 18:
        channels, frames, bits = struct.unpack(">HIH", common[:8])
        plain = len(common) < 22 or common[18:22] in (b"NONE", b"twos", b"sowt", b"fl32", b"FL32", b"fl64", b"FL64")
        sound = max(sound, channels * frames * -(-bits // 8) if plain else 0)
    _compare(sound, start, size)


# ----------------------------------------------------------------------------------------------------------------- OGG


def _ogg(file, start, size):
    """Walk through the pages of an OGG file: each whole, none left out, and every stream with its last page."""
    at, pages, ended = start, {}, set()
    while at < size:
        file.seek(at)
        head = file.read(27)
        if head[:4] != b"OggS":
            if pages and len(ended) == len(pages):
                return  # some programs append a tag
            raise GainlibError(f"truncated or damaged: no page of sound at byte {at} where one must begin; {_AGAIN}")
        lengths = file.read(head[26]) if len(head) == 27 else b""
        at += 27 + len(lengths) + sum(lengths)
        if len(head) < 27 or len(lengths) < head[26] or at > size:
            raise GainlibError(f"truncated: the file ends in the middle of a page of sound; {_AGAIN}")
        flags, serial, number = struct.unpack("<xxxxxB8xII", head[:22])
        if flags & 2 and pages and len(ended) == len(pages):
            raise GainlibError(
                "two or more recordings stand in this file one after the other; split it into one file each"
            )
        if serial in pages and number != pages[serial] + 1:
            raise GainlibError(f"damaged: page {pages[serial] + 1} is missing; {_AGAIN}")
        pages[serial] = number
        if flags & 4:
            ended.add(serial)
    if len(ended) < len(pages):
        raise GainlibError(f"truncated: the page that ends the recording is missing; {_AGAIN}")


# ----------------------------------------------------------------------------------------------------------------- MP3


def _mp3(file, start, size):
    """Walk through the frames of an MP3: the last one whole, and as many as are stated."""
    file.seek(start)
    data = file.read(2 * _SEARCH_BYTES)
    first = _next_frame(data, 0, stop=_SEARCH_BYTES)
    if first is None:
        if start >= size:
            raise GainlibError(_NO_SAMPLES)
        raise GainlibError("not audio: no frame of MP3 in it; choose a sound file")
    data += file.read()
    count, end = _walk_frames(data, first)
    stated, stated_bytes = _stated(data, first)
    if stated is None or count is None:
        return count and count * (1152 if data[first + 1] & 0x18 == 0x18 else 576)  # MPEG-1, or its lower rates
    # Some encoders count the frame that states the number, some do not.
    sound, bytes_missing = count - 1, stated_bytes is None or stated_bytes > end - first
    if sound < stated - 1 or (sound < stated and bytes_missing):
        raise GainlibError(f"truncated: the header states {stated} frames and {sound} are there; {_AGAIN}")
    if sound > stated + 1:
        raise GainlibError(
            f"the header states {stated} frames and {sound} are there; it seems to be several files in a row, split it"
        )
    return None


def _walk_frames(data, at):
    """Return how many frames there are and where the last one ends; None in free format, which states no lengths."""
    count, kind = 0, _kind(data, at)
    while at < len(data):
        length = _frame_bytes(data, at, kind)
        if length is None:
            only_tags = data[at : at + 3] == b"TAG" or data[at : at + 8] in (b"APETAGEX", b"LYRICSBE")
            after = None if only_tags else _next_frame(data, at + 1, kind)
            if after is None:
                break
            at = after
            continue
        if length == 0:
            return None, at
        if at + length > len(data):
            raise GainlibError(f"truncated: the file ends in the middle of a frame; {_AGAIN}")
        at, count = at + length, count + 1
    if 0 < len(data) - at < 4 and data[at] == 0xFF:
        raise GainlibError(f"truncated: the file ends in the middle of a frame; {_AGAIN}")
    return count, at


def _kind(data, at):
    """What must not change from frame to frame: version, layer, sample rate."""
    return data[at + 1] & 0xFE, data[at + 2] & 0x0C


def _frame_bytes(data, at, kind=None):
    """Length of the frame of layer III at `at`, 0 in free format, None if none begins there."""
    if at + 4 > len(data) or data[at] != 0xFF or data[at + 1] & 0xE6 != 0xE2:
        return None
    version, rate_index, bitrate_index = data[at + 1] >> 3 & 3, data[at + 2] >> 2 & 3, data[at + 2] >> 4
    if version == 1 or rate_index == 3 or bitrate_index == 15 or (kind is not None and _kind(data, at) != kind):
        return None
    if bitrate_index == 0:
        return 0
    bitrate = 1000 * _BITRATES[version == 3][bitrate_index - 1]
    rate = _RATES[rate_index] // {3: 1, 2: 2, 0: 4}[version]
    return (144 if version == 3 else 72) * bitrate // rate + (data[at + 2] >> 1 & 1)


def _next_frame(data, at, kind=None, stop=None):
    """Find the next frame, of a kind if one is given, that another of its kind or the end follows."""
    while 0 <= (at := data.find(b"\xff", at, stop)):
        length = _frame_bytes(data, at, kind)
        after = at + (length or 0)
        if length and (after >= len(data) - 3 or _frame_bytes(data, after, _kind(data, at)) is not None):
            return at
        if length == 0 and kind is None:
            return at
        at += 1
    return None


def _stated(data, first):
    """Frames and bytes stated in the first frame, (None, None) if it states none."""
    for mark in (b"Xing", b"Info"):
        at = data.find(mark, first, first + 64)
        if at >= 0 and len(data) >= at + 16:
            flags, *numbers = struct.unpack(">III", data[at + 4 : at + 16])
            frames = numbers.pop(0) if flags & 1 else None
            return frames, numbers[0] if flags & 2 else None
    if data[first + 36 : first + 40] == b"VBRI" and len(data) >= first + 54:
        stated_bytes, frames = struct.unpack(">II", data[first + 46 : first + 54])
        return frames, stated_bytes
    return None, None
