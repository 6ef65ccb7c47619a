"""Image files that must not be believed."""

import struct
import zlib


def bomb(side=30_000):
    """A PNG that says it is 30 000 x 30 000 and holds one compressed row."""

    def chunk(kind, data):
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    head = struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0)
    body = zlib.compress(bytes(side + 1))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
