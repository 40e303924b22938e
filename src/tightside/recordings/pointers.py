"""Files that are known but hold no recording that can be read: what they are, and what is needed instead."""

from __future__ import annotations

from dataclasses import dataclass

from tightside.recordings.source import Source


@dataclass(frozen=True, slots=True)
class Pointer:
    """What the file is, and what to do."""

    what: str
    hint: str


_EXPORT = "Export the recording as CSV and read that"
_MAGIC: tuple[tuple[bytes, Pointer], ...] = (
    (b"%PDF", Pointer("a PDF document", "Read the recording itself, not its printed report")),
    (b"\x89PNG", Pointer("a picture", "Numbers cannot be read from a screenshot: export the recording as CSV")),
    (b"\xff\xd8\xff", Pointer("a photo", "Numbers cannot be read from a photo: export the recording as CSV")),
    (b"\xd0\xcf\x11\xe0", Pointer("an old office document", "Save the sheet as CSV")),
    (b"SQLite format 3\x00", Pointer("a database", _EXPORT)),
    (b"MATLAB 5.0", Pointer("a MAT file of version 5", "Save it with version 7.3, or as CSV")),
    (b"TDSm", Pointer("a TDMS file", _EXPORT)),
    (b"Rar!", Pointer("a rar archive", "Unpack it and read the recording in it")),
    (b"7z\xbc\xaf\x27\x1c", Pointer("a 7z archive", "Unpack it and read the recording in it")),
    (b"ID3", Pointer("an MP3 file", "Record sound as WAV: compression moves the edges")),
    (b"OggS", Pointer("an Ogg sound file", "Record sound as WAV: compression moves the edges")),
    (
        b"\x93NUMPY",
        Pointer("a bare NumPy array", "Save it with its time or rate: numpy.savez(file, time=..., crank=...)"),
    ),
    (b"{\\rtf", Pointer("a text document", _EXPORT)),
    (b"$date", Pointer("a value change dump", _EXPORT)),
    (b"$timescale", Pointer("a value change dump", _EXPORT)),
    (b"$version", Pointer("a value change dump", _EXPORT)),
)


def pointer_for(source: Source) -> Pointer | None:
    """What to say about a file that is known but of no use, or None."""
    head = source.head
    for magic, pointer in _MAGIC:
        if head.startswith(magic):
            return pointer
    if head.startswith(b"PK\x03\x04"):
        return _archive(head)
    if head[:1] == b"\x80" and head[1:2] in (b"\x02", b"\x03", b"\x04", b"\x05") and b"." in source.head:
        return Pointer(
            "a Python pickle", "Pickles can run any program and are never opened: save numpy.savez or CSV instead"
        )
    text = head.lstrip(b"\xef\xbb\xbf \r\n\t")[:400]
    if text[:1] in (b"{", b"[") and text.lstrip(b"{[ \r\n\t")[:1] in (b'"', b"{"):
        return Pointer("a JSON file", _EXPORT)
    if text[:5].lower() in (b"<html", b"<!doc", b"<?xml"):
        return Pointer("a web page or XML file", _EXPORT)
    if text.startswith((b"schema: tightside/engine", b"name:")) or b"tightside/engine/1" in text:
        return Pointer("an engine file", "Give it with --engine, and the recording before it")
    if b"\nBO_ " in head and (b"BS_:" in head or text.startswith(b"VERSION")):
        return Pointer("a DBC file", "It describes CAN messages and holds none: give the log, and this with --dbc")
    return None


def _archive(head: bytes) -> Pointer | None:
    if b".npy" in head[:400]:
        return None
    if b"[Content_Types].xml" in head or b"xl/" in head or b"mimetype" in head[:60]:
        return Pointer("a spreadsheet or document", "Save the sheet as CSV")
    return Pointer("a zip archive", "Unpack it and read the recording in it")
