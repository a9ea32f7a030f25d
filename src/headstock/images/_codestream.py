"""The size a compressed frame says it has, read before anything is decoded.

A decoder allocates what the compressed stream asks for, not what the DICOM
header says. Comparing the two first keeps a damaged or hostile file from
asking for more memory than its header admits.
Sources: JPEG frame header, ISO/IEC 10918-1 B.2.2; JPEG-LS, ISO/IEC 14495-1
C.2.2; JPEG 2000 image and tile size marker, ISO/IEC 15444-1 A.5.1.
"""

from typing import Final

__all__ = ["codestream_size"]

_SOF: Final = {*range(0xC0, 0xD0), 0xF7} - {0xC4, 0xC8, 0xCC}
_WITHOUT_LENGTH: Final = {0x01, *range(0xD0, 0xD9)}
_J2K_START: Final = b"\xff\x4f\xff\x51"


def codestream_size(frame: bytes) -> tuple[int, int] | None:
    """(rows, columns) of a JPEG, JPEG-LS or JPEG 2000 stream; None when it is none of them or says nothing."""
    if frame[:4] == _J2K_START or frame[4:8] == b"jP  ":
        at = frame.find(_J2K_START)
        if at < 0 or len(frame) < at + 24:
            return None
        x1, y1, x0, y0 = (int.from_bytes(frame[at + 8 + 4 * i : at + 12 + 4 * i], "big") for i in range(4))
        return y1 - y0, x1 - x0
    if frame[:2] != b"\xff\xd8":
        return None
    at = 2
    while at + 4 <= len(frame):
        if frame[at] != 0xFF:
            return None
        marker = frame[at + 1]
        if marker == 0xFF:  # fill byte
            at += 1
            continue
        if marker in _WITHOUT_LENGTH:
            at += 2
            continue
        if marker in _SOF:
            if at + 9 > len(frame):
                return None
            return int.from_bytes(frame[at + 5 : at + 7], "big"), int.from_bytes(frame[at + 7 : at + 9], "big")
        length = int.from_bytes(frame[at + 2 : at + 4], "big")
        if length < 2:
            return None
        at += 2 + length
    return None
