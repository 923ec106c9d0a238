"""Ogg streams with a fixed serial number.

An encoder draws the stream's serial number at random, so that the same sound gives other bytes
every time. Here each page gets one number and a new checksum.

Source: RFC 3533 (from memory): a page is 27 bytes of header with the serial number at 14, the
checksum at 22 (generator 0x04c11db7, not reflected, from 0) and the count of segments at 26, then
the segments' sizes, then the segments.
"""

import struct
import zlib

HEADER_BYTES = 27
SERIAL_OFFSET = 14
CHECKSUM_OFFSET = 22
SEGMENTS_OFFSET = 26

_MIRRORED_BYTES = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


def with_serial(stream: bytes, serial: int) -> bytes:
    """Return a whole Ogg stream another serial number."""
    renamed = bytearray(stream)
    start = 0
    while start < len(renamed):
        body = start + HEADER_BYTES + renamed[start + SEGMENTS_OFFSET]
        end = body + sum(renamed[start + HEADER_BYTES : body])
        struct.pack_into("<I", renamed, start + SERIAL_OFFSET, serial)
        struct.pack_into("<I", renamed, start + CHECKSUM_OFFSET, 0)
        struct.pack_into("<I", renamed, start + CHECKSUM_OFFSET, checksum(renamed[start:end]))
        start = end
    return bytes(renamed)


def checksum(page: bytes | bytearray) -> int:
    """Checksum of a page whose own checksum is 0.

    The library's is reflected, so bytes and result are mirrored bit by bit; its start and its end
    are inverted, so both inversions are taken back.
    """
    reflected = zlib.crc32(bytes(page).translate(_MIRRORED_BYTES), 0xFFFFFFFF) ^ 0xFFFFFFFF
    return int(f"{reflected:032b}"[::-1], 2)
