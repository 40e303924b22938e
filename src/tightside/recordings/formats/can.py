"""Logs of raw CAN messages (candump text, ASC, BLF), decoded with a DBC."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from typing import Any

from tightside.recordings.damage import damage_told, hushed
from tightside.recordings.dbc import EXTENDED, Frames, dbc_needed, decoded
from tightside.recordings.source import Source, needed
from tightside.recordings.tables import Contents, ReadOptions

PROGRESS_EACH = 1 << 14
_CANDUMP = re.compile(rb"^\s*\((\d+\.\d+)\)\s+\S+\s+([0-9A-Fa-f]{3,8})(#|\s+\[)", re.MULTILINE)


def sniff(source: Source) -> str:
    """Whether it starts as one of the three."""
    return "" if _kind(source.head) else "no CAN messages in candump, ASC or BLF form"


def _kind(head: bytes) -> str:
    if head.startswith(b"LOGG"):
        return "blf"
    first = head[:4000]
    if re.search(rb"^base\s+(hex|dec)\s+timestamps", first, re.MULTILINE):
        return "asc"
    lines = [line for line in first.split(b"\n")[:20] if line.strip()]
    return (
        "candump" if lines and sum(bool(_CANDUMP.match(line)) for line in lines[:-1] or lines) >= len(lines) / 2 else ""
    )


def read(source: Source, options: ReadOptions) -> Contents:
    """One table for each message that the DBC knows and the log holds."""
    if options.dbc is None:
        raise dbc_needed(source)
    with Frames(options.dbc) as frames:
        with damage_told(source.name, "CAN log", "can"), hushed("can"):
            for count, (at, identifier, payload) in enumerate(_frames(source)):
                frames.add(at, identifier, payload)
                if count % PROGRESS_EACH == 0:
                    options.progress(min(0.8, 0.8 * source.place() / source.size))
        options.progress(0.8)
        contents = decoded(frames, options.dbc, source.name)
    options.progress(1.0)
    return contents


def _frames(source: Source) -> Iterator[tuple[float, int, bytes]]:
    """Time, identifier (top bit: extended) and payload of each data frame."""
    kind = _kind(source.head)
    if kind == "candump":
        yield from _candump(source)
        return
    can = needed("can", "CAN logs")
    if kind == "blf":
        reader = _without_empty_objects(can.BLFReader(source.open()))
    else:
        reader = can.ASCReader(codecs.getreader("latin-1")(source.open()))
    for message in reader:
        if not (message.is_error_frame or message.is_remote_frame):
            extended = EXTENDED if message.is_extended_id else 0
            yield message.timestamp, message.arbitration_id | extended, bytes(message.data)


_EMPTY_OBJECT = re.compile(rb"LOBJ.{4}[\x00-\x0f]\x00\x00\x00", re.DOTALL)


def _without_empty_objects(reader: Any) -> Any:
    """A BLF reader that refuses objects shorter than their own heading: python-can goes round such a one for ever."""
    parse = reader._parse_container

    def checked(data: bytes) -> Iterator[Any]:
        if _EMPTY_OBJECT.search(reader._tail + data):
            raise ValueError("an object shorter than its heading")
        return iter(parse(data))

    reader._parse_container = checked
    return reader


_LINE = re.compile(
    rb"\((\d+\.\d+)\)\s+\S+\s+([0-9A-Fa-f]{3,8})(?:##?[0-9A-Fa-f]??|\s+\[\d+\]\s*)((?:[0-9A-Fa-f]{2}[ .]?)*)\s*"
)


def _candump(source: Source) -> Iterator[tuple[float, int, bytes]]:
    for line in source.open():
        found = _LINE.match(line.strip())
        if found:
            name, digits = found[2], found[3].translate(None, b" .")
            extended = EXTENDED if len(name) > 3 else 0
            yield float(found[1]), int(name, 16) | extended, bytes.fromhex(digits.decode())
