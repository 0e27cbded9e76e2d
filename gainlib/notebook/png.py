"""PNG of a drawn picture, quick rather than small.

A general encoder tries five filters on every line to save space. A chart is flat areas, which need none: leaving the
lines as they are halves the time and the file is no larger. Format: ISO/IEC 15948 (PNG), colour type 2, 8 bits.
"""

import struct
import zlib

import numpy as np

from gainlib.audio import GainlibError

SIGNATURE = b"\x89PNG\r\n\x1a\n"
LEVEL, MEMORY = 1, 9


def encode(pixels: np.ndarray) -> bytes:
    """Return the PNG of a picture.

    Parameters
    ----------
    pixels : uint8 array, shape (height, width, 3 or 4)
        Red, green, blue; a fourth channel is left out.

    Raises
    ------
    GainlibError
        For another type or shape.

    Examples
    --------
    >>> encode(np.zeros((2, 3, 3), np.uint8))[:8] == SIGNATURE
    True
    """
    if pixels.dtype != np.uint8 or pixels.ndim != 3 or pixels.shape[2] not in (3, 4) or not pixels.size:
        raise GainlibError(f"a picture of {pixels.dtype} {pixels.shape}; give 8-bit (height, width, 3 or 4)")
    height, width = pixels.shape[:2]
    lines = np.zeros((height, 1 + 3 * width), np.uint8)  # the first byte of a line: filter 0, none
    lines[:, 1:].reshape(height, width, 3)[:] = pixels[:, :, :3]
    packer = zlib.compressobj(LEVEL, zlib.DEFLATED, zlib.MAX_WBITS, MEMORY)
    data = packer.compress(lines) + packer.flush()
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return SIGNATURE + _chunk(b"IHDR", header) + _chunk(b"IDAT", data) + _chunk(b"IEND", b"")


def _chunk(kind, data):
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(data, zlib.crc32(kind)))
