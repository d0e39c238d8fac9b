"""What lies in a JPEG file beside the picture: found by walking its segments, not decoding.

Segments as in ITU-T T.81, annex B. The encoder here writes one plain baseline picture and
no more, so anything else in a packed picture is either a leftover of a camera (EXIF with
position and serial number, thumbnails, maker notes) or something smuggled.
"""

from __future__ import annotations

from weedset.errors import PhotoError

_START, _END, _SCAN, _BASELINE = 0xD8, 0xD9, 0xDA, 0xC0
_ALLOWED = {0xDB: "quantization tables", 0xC4: "Huffman tables"}
_JFIF = 0xE0
_JFIF_BYTES = 14  # without a thumbnail (JFIF 1.02)
_OTHER_FRAMES = {0xC1, 0xC2, 0xC3, *range(0xC5, 0xC8), *range(0xC9, 0xCC), *range(0xCD, 0xD0)}
_MOST_SEGMENTS = 64


def plain_jpeg_size(data: bytes) -> tuple[int, int]:
    """Return (width_px, height_px) of a JPEG that holds a picture and nothing else.

    Raises PhotoError where it is no JPEG, not baseline, or holds anything beside.
    """
    if data[:2] != b"\xff\xd8":
        raise PhotoError("is not a JPEG picture", fix="pack the batch again")
    at, size = 2, (0, 0)
    for _ in range(_MOST_SEGMENTS):
        marker, segment, at = _segment(data, at)
        if marker == _BASELINE:
            if size != (0, 0) or len(segment) < 6:
                raise PhotoError("is a damaged JPEG: its frame header")
            size = (int.from_bytes(segment[3:5]), int.from_bytes(segment[1:3]))
        elif marker == _SCAN:
            break
        elif marker == _JFIF:
            if segment[:5] != b"JFIF\0" or len(segment) != _JFIF_BYTES:
                raise PhotoError("holds a thumbnail, or something else, in its JFIF header")
        elif marker in _OTHER_FRAMES:
            raise PhotoError("is a JPEG of a kind that is not used here (not baseline)")
        elif marker not in _ALLOWED:
            raise PhotoError(
                f"holds {_called(marker, segment)} beside the picture",
                fix="pack the batch again: packing leaves nothing but the picture",
            )
    else:
        raise PhotoError("is a JPEG with too many segments")
    if min(size) == 0:
        raise PhotoError("is a JPEG that does not say its size")
    _check_scan(data, at)
    return size


def _check_scan(data: bytes, at: int) -> None:
    """Raise where the one scan, from `at` on, is not the rest of the file.

    Within a scan every 0xFF is followed by a zero (T.81, B.1.1.5), so that no segment can
    hide in it.
    """
    if data.endswith(b"\xff\xd9") and (data.count(b"\xff", at) == data.count(b"\xff\x00", at) + 1):
        return
    end = data.find(b"\xff\xd9", at)
    if end < 0:
        raise PhotoError("is cut short")
    if end + 2 != len(data):
        raise PhotoError("has bytes after the end of the picture")
    raise PhotoError("holds a segment within the picture's own data")


def _segment(data: bytes, at: int) -> tuple[int, bytes, int]:
    """Return (marker, content, where the next begins)."""
    if at + 4 > len(data) or data[at] != 0xFF:
        raise PhotoError("is a damaged JPEG: a segment is cut short")
    length = int.from_bytes(data[at + 2 : at + 4])
    end = at + 2 + length
    if length < 2 or end > len(data):
        raise PhotoError("is a damaged JPEG: a segment is cut short")
    return data[at + 1], data[at + 4 : end], end


def _called(marker: int, segment: bytes) -> str:
    if marker == 0xE1:
        return "EXIF" if segment[:4] == b"Exif" else "XMP"
    if marker == 0xFE:
        return "a comment"
    if 0xE0 <= marker <= 0xEF:
        return f"an application segment ({marker - 0xE0})"
    return f"a segment 0x{marker:02X}"
