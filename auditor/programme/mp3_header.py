"""Whether an MP3 file tells its own length.

libsndfile reads as many frames as the first one says there are, in the tag that encoders put there, and where it has
none as many as it guesses from the first ones. So a file without, or one to which another was appended, would be heard
in part, and nobody told. What is found here decides who reads it: FFmpeg decodes whatever there is.

The layout of a frame's header is that of ISO/IEC 11172-3, 2.4.1.3; the tag ("Xing" or "Info") is common practice of
encoders and written down in no standard, as is "VBRI".
"""

from __future__ import annotations

import os
import struct
from typing import BinaryIO

_LOOKED_AT = 1 << 16  # behind the ID3 tags: where the first frame must begin
_SIDE_BYTES = {(True, False): 32, (True, True): 17, (False, False): 17, (False, True): 9}  # by MPEG-1, and mono
_VBRI_AT = 36  # from the frame's beginning, whatever the channels
_HAS_FRAMES, _HAS_BYTES = 1, 2
_ID3_V1_BYTES = 128
_SLACK_BYTES = 4096  # of other tags at the end: no more than a second at the lowest bit rate


def tells_its_length(path: str) -> bool:
    """Whether the first frame says how many there are and how many bytes they take, and no more than that follow.

    Parameters
    ----------
    path : str
        A file that libsndfile takes for MP3.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    with open(path, "rb") as file:
        begins = _behind_id3(file)
        file.seek(begins)
        head = file.read(_LOOKED_AT)
        size = os.fstat(file.fileno()).st_size
    first = _first_frame(head)
    stated = None if first is None else _stated_bytes(head, first)
    if first is None or stated is None:
        return False
    return size - (begins + first) <= stated + _ID3_V1_BYTES + _SLACK_BYTES


def _behind_id3(file: BinaryIO) -> int:
    """Where the ID3 tags at the beginning end; there may be several."""
    at = 0
    while True:
        file.seek(at)
        head = file.read(10)
        if len(head) < 10 or head[:3] != b"ID3":
            return at
        size = sum(byte << shift for byte, shift in zip(head[6:10], (21, 14, 7, 0), strict=True))
        at += 10 + size + (10 if head[5] & 0x10 else 0)


def _first_frame(head: bytes) -> int | None:
    """Where the first frame begins."""
    at = head.find(b"\xff")
    while 0 <= at < len(head) - 3:
        if head[at + 1] & 0xE0 == 0xE0 and head[at + 1] & 0x06 and head[at + 2] >> 4 not in (0, 15):
            return at
        at = head.find(b"\xff", at + 1)
    return None


def _stated_bytes(head: bytes, first: int) -> int | None:
    """How many bytes the first frame says there are from its beginning on."""
    is_mpeg1, is_mono = head[first + 1] & 0x18 == 0x18, head[first + 3] & 0xC0 == 0xC0
    at = first + 4 + _SIDE_BYTES[is_mpeg1, is_mono]
    if head[at : at + 4] in (b"Xing", b"Info") and len(head) >= at + 16:
        flags, _, size = struct.unpack_from(">III", head, at + 4)
        return size if flags & _HAS_FRAMES and flags & _HAS_BYTES else None
    at = first + _VBRI_AT
    if head[at : at + 4] == b"VBRI" and len(head) >= at + 18:
        stated: int = struct.unpack_from(">I", head, at + 10)[0]
        return stated
    return None
