"""Whether the blocks of an MDF file hang together: each list of them must come to an end.

A damaged file can send a reader round in circles for ever. Layout: ASAM MDF 4.1 (a block is its mark, its length, the
count of its links and the links; the first link leads to the next of the same kind), and MDF 3 (addresses of 4 bytes).
"""

from __future__ import annotations

import struct
from typing import BinaryIO

HEADER_AT = 64
MOST_LINKS = 64  # that are looked at: lists hang on the first few


def check_chains(stream: BinaryIO, version: int) -> None:
    """Follow every list of data groups, channel groups, channels, data blocks, attachments and events.

    Raises
    ------
    ValueError
        One of them leads back to itself.
    """
    links = _links_4 if version >= 4 else _links_3
    waiting, seen = [HEADER_AT], set()
    while waiting:
        head = waiting.pop()
        chain: set[int] = set()
        at = head
        while at and at not in seen:
            chain.add(at)
            seen.add(at)
            following, children = links(stream, at)
            waiting += children
            if following in chain:
                raise ValueError("a list of its blocks leads back to itself")
            at = following


def _links_4(stream: BinaryIO, at: int) -> tuple[int, list[int]]:
    """The next of the same kind, and the first of each kind below."""
    stream.seek(at)
    heading = stream.read(24)
    if len(heading) < 24:
        return 0, []
    mark, _, count = struct.unpack("<4s4x2Q", heading)
    raw = stream.read(8 * min(count, MOST_LINKS))
    links = list(struct.unpack(f"<{len(raw) // 8}Q", raw[: len(raw) // 8 * 8]))
    return _places(mark, links)


def _places(mark: bytes, links: list[int]) -> tuple[int, list[int]]:
    if mark == b"##HD":
        return 0, links[:5]
    below = {b"##DG": slice(1, 3), b"##CG": slice(1, 2), b"##CN": slice(1, 2), b"##DL": slice(0, 0)}
    if mark in (b"##HL", b"##CA"):  # they lead on to a list of another kind
        return 0, links[:1]
    if mark in below or mark in (b"##FH", b"##AT", b"##EV", b"##CH", b"##LD"):
        return (links[0] if links else 0), links[below.get(mark, slice(0, 0))]
    return 0, []


def _links_3(stream: BinaryIO, at: int) -> tuple[int, list[int]]:
    stream.seek(at)
    heading = stream.read(12)
    if len(heading) < 12:
        return 0, []
    mark, first, second = struct.unpack("<2s2x2I", heading)
    if mark == b"HD":
        return 0, [first]
    return (first, [second] if mark in (b"DG", b"CG") else []) if mark in (b"DG", b"CG", b"CN") else (0, [])
