"""Lengths of formats without a length in their header: pages of OGG, frames of MPEG audio.

Both functions raise with one sentence if something is missing. They look at the heads of pages and frames only, so a
file of an hour takes a fraction of a second.

Sources
-------
OGG pages: RFC 3533, section 6. MPEG audio frames: ISO/IEC 11172-3, 2.4.2.3, and 13818-3, 2.4.2.3, tables from memory,
checked against files written by libsndfile. The frame with a count of frames (Xing, Info, VBRI) is in no standard;
fields as encoders write them.
"""

import struct
from typing import BinaryIO

from gainlib.errors import GainlibError

AGAIN = "copy it again from the original"
_SEARCH_BYTES = 65536

_BITRATES = {  # kbit/s by index 1 to 14; key: (MPEG-1?, layer)
    (True, 1): (32, 64, 96, 128, 160, 192, 224, 256, 288, 320, 352, 384, 416, 448),
    (True, 2): (32, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 384),
    (True, 3): (32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
    (False, 1): (32, 48, 56, 64, 80, 96, 112, 128, 144, 160, 176, 192, 224, 256),
    (False, 2): (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
    (False, 3): (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
}
_RATES = (44100, 48000, 32000)


def ogg_length(file: BinaryIO, start: int, size: int) -> None:
    """Walk through the pages of an OGG file: each whole, none left out, and every stream with its last page."""
    at, pages, ended = start, {}, set()
    while at < size:
        file.seek(at)
        head = file.read(27)
        if head[:4] != b"OggS":
            if pages and len(ended) == len(pages):
                return  # some programs append a tag
            raise GainlibError(f"truncated or damaged: no page of sound at byte {at} where one must begin; {AGAIN}")
        lengths = file.read(head[26]) if len(head) == 27 else b""
        at += 27 + len(lengths) + sum(lengths)
        if len(head) < 27 or len(lengths) < head[26] or at > size:
            raise GainlibError(f"truncated: the file ends in the middle of a page of sound; {AGAIN}")
        flags, serial, number = struct.unpack("<xxxxxB8xII", head[:22])
        if flags & 2 and pages and len(ended) == len(pages):
            raise GainlibError(
                "two or more recordings stand in this file one after the other; split it into one file each"
            )
        if serial in pages and number != pages[serial] + 1:
            raise GainlibError(f"damaged: page {pages[serial] + 1} is missing; {AGAIN}")
        pages[serial] = number
        if flags & 4:
            ended.add(serial)
    if len(ended) < len(pages):
        raise GainlibError(f"truncated: the page that ends the recording is missing; {AGAIN}")


def mpeg_length(file: BinaryIO, start: int, size: int) -> int | None:
    """Walk through the frames of an MPEG audio file (MP3): the last one whole, and as many as are stated.

    Returns the number of sample frames found if the file does not state it, else None.
    """
    file.seek(start)
    data = file.read(2 * _SEARCH_BYTES)
    first = _first_frame(data)
    if first is None:
        if start >= size:
            raise GainlibError(f"truncated: the file ends before its samples begin; {AGAIN}")
        raise GainlibError("not audio: no frame of MPEG sound in it; choose a sound file")
    data += file.read()
    count, end = _walk_frames(data, first)
    stated, stated_bytes = _stated(data, first)
    if stated is None or count is None:
        return count and count * _frame_samples(data, first)
    _compare(count - 1, stated, stated_bytes, end - first)
    return None


def _walk_frames(data, at):
    """Return how many frames there are and where the last one ends; None in free format, which states no lengths."""
    count, kind = 0, _kind(data, at)
    while at < len(data):
        length = _frame_bytes(data, at, kind)
        if length is None:
            after = _resume(data, at, kind)
            if after is None:
                break
            at = after
            continue
        if length == 0:
            return None, at
        if at + length > len(data):
            raise GainlibError(f"truncated: the file ends in the middle of a frame; {AGAIN}")
        at, count = at + length, count + 1
    if 0 < len(data) - at < 4 and data[at] == 0xFF:
        raise GainlibError(f"truncated: the file ends in the middle of a frame; {AGAIN}")
    return count, at


def _compare(sound, stated, stated_bytes, there):
    """Hold the frames of sound against those stated; some encoders count the frame that states them, some do not."""
    bytes_missing = stated_bytes is None or stated_bytes > there
    if sound < stated - 1 or (sound < stated and bytes_missing):
        raise GainlibError(f"truncated: the header states {stated} frames and {sound} are there; {AGAIN}")
    if sound > stated + 1:
        raise GainlibError(
            f"the header states {stated} frames and {sound} are there; it seems to be several files in a row, split it"
        )


def _kind(data, at):
    """What must not change from frame to frame: version, layer, sample rate."""
    return data[at + 1] & 0xFE, data[at + 2] & 0x0C


def _frame_bytes(data, at, kind=None):
    """Length of the frame at `at`, 0 in free format, None if none begins there."""
    if at + 4 > len(data) or data[at] != 0xFF or data[at + 1] & 0xE0 != 0xE0:
        return None
    version, layer = data[at + 1] >> 3 & 3, 4 - (data[at + 1] >> 1 & 3)
    rate_index, bitrate_index = data[at + 2] >> 2 & 3, data[at + 2] >> 4
    if version == 1 or layer == 4 or rate_index == 3 or bitrate_index == 15:
        return None
    if kind is not None and _kind(data, at) != kind:
        return None
    if bitrate_index == 0:
        return 0
    bitrate = _BITRATES[version == 3, layer][bitrate_index - 1] * 1000
    rate = _RATES[rate_index] // {3: 1, 2: 2, 0: 4}[version]
    padding = data[at + 2] >> 1 & 1
    if layer == 1:
        return (12 * bitrate // rate + padding) * 4
    return (72 if layer == 3 and version != 3 else 144) * bitrate // rate + padding


def _frame_samples(data, at):
    """Sample frames in a frame of MPEG: 384 in layer I, 1152, or 576 in layer III of the lower rates."""
    version, layer = data[at + 1] >> 3 & 3, 4 - (data[at + 1] >> 1 & 3)
    if layer == 1:
        return 384
    return 576 if layer == 3 and version != 3 else 1152


def _first_frame(data):
    """Find the first frame that another of its kind, or the end, follows."""
    at = data.find(b"\xff")
    while 0 <= at < _SEARCH_BYTES:
        length = _frame_bytes(data, at)
        if length is not None and _followed(data, at, length):
            return at
        at = data.find(b"\xff", at + 1)
    return None


def _followed(data, at, length):
    after = at + length
    return length == 0 or after >= len(data) - 3 or _frame_bytes(data, after, _kind(data, at)) is not None


def _resume(data, at, kind):
    """Find where frames go on after something else, or None if only tags follow."""
    if data[at : at + 3] == b"TAG" or data[at : at + 8] in (b"APETAGEX", b"LYRICSBE"):
        return None
    at = data.find(b"\xff", at + 1)
    while at >= 0:
        length = _frame_bytes(data, at, kind)
        if length and _followed(data, at, length):
            return at
        at = data.find(b"\xff", at + 1)
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
