"""What raw CAN messages mean: a DBC laid over a log's frames.

Frames are gathered by message and each signal is taken from all of them at once. Bit numbering, multiplexing and
scaling are those of the DBC; the tests compare with cantools' own frame-by-frame encoding.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tightside.errors import DataError, UsageError
from tightside.recordings.damage import damage_told
from tightside.recordings.source import Source, needed
from tightside.recordings.tables import Column, Contents, Table
from tightside.records import Floats

EXTENDED = 1 << 31  # set in the identifier of a message with 29 bits


class Frames:
    """Data frames by message."""

    def __init__(self) -> None:
        self.by_message: dict[int, tuple[list[float], list[bytes]]] = {}

    def add(self, at_s: float, identifier: int, payload: bytes) -> None:
        """Add one frame; ``identifier`` has `EXTENDED` set for a long one."""
        times, payloads = self.by_message.setdefault(identifier, ([], []))
        times.append(at_s)
        payloads.append(payload)


def dbc_needed(source: Source) -> DataError:
    """What to say when raw messages come without their description."""
    return DataError(
        code="dbc-needed",
        what=f"{source.name} holds raw CAN messages",
        hint="Give the file that describes them: --dbc FILE",
    )


def decoded(frames: Frames, dbc: Path, file: str) -> Contents:
    """One table for each message that the DBC describes.

    Raises
    ------
    UsageError
        There is no such DBC.
    DataError
        It is none, or describes none of the messages.
    """
    messages = _described(dbc)
    tables, number = [], 0
    for identifier, (times, payloads) in frames.by_message.items():
        if identifier in messages:
            columns, number = _signals(messages[identifier], payloads, number)
            order = np.argsort(np.array(times), kind="stable")
            columns = [Column(c.heading, c.values[order], c.unit, c.number) for c in columns]
            tables.append(Table(tuple(columns), time=Column("time", np.array(times)[order], "s")))
    if not tables:
        seen = ", ".join(f"{identifier & ~EXTENDED:X}" for identifier in sorted(frames.by_message)[:8])
        raise DataError(
            code="dbc-does-not-fit",
            what=f"none of the messages in {file} is described in {dbc.name}",
            got=seen or "no messages at all",
        )
    unknown = len(set(frames.by_message) - set(messages))
    return Contents(tuple(tables), (f"messages that the DBC does not describe: {unknown}",) if unknown else ())


def _described(dbc: Path) -> dict[int, Any]:
    cantools = needed("cantools", "CAN logs")
    if not dbc.is_file():
        raise UsageError(code="no-such-file", what=f"there is no file {dbc}", hint="Check the name")
    with damage_told(dbc.name, "DBC file", "cantools"):
        database = cantools.database.load_file(dbc)
        return {m.frame_id | (EXTENDED if m.is_extended_frame else 0): m for m in database.messages}


def _signals(message: Any, payloads: list[bytes], number: int) -> tuple[list[Column], int]:
    """Every signal of one message over all its frames; NaN where a frame is too short or carries another group."""
    longest = max(message.length, max(map(len, payloads)))
    lengths = np.array([len(payload) for payload in payloads])
    grid = np.frombuffer(b"".join(payload.ljust(longest, b"\0") for payload in payloads), np.uint8).reshape(-1, longest)
    raw = {signal.name: _raw(signal, grid) for signal in message.signals}
    columns = []
    for signal in message.signals:
        number += 1
        values = _physical(signal, raw[signal.name])
        values[lengths * 8 < _last_bit(signal)] = np.nan
        if signal.multiplexer_ids and signal.multiplexer_signal in raw:
            values[~np.isin(raw[signal.multiplexer_signal], signal.multiplexer_ids)] = np.nan
        columns.append(Column(signal.name, values, signal.unit or "", number))
    return columns, number


def _bits(signal: Any) -> NDArray[np.int64]:
    """Places of the signal's bits, least significant first, in bytes' own order (bit 0 of byte 0 is place 0)."""
    if signal.byte_order == "little_endian":
        return np.arange(int(signal.start), int(signal.start + signal.length))
    first = int(signal.start) // 8 * 8 + 7 - int(signal.start) % 8
    places = np.arange(first, first + int(signal.length))
    return np.asarray((places // 8 * 8 + 7 - places % 8)[::-1])


def _last_bit(signal: Any) -> int:
    return (int(_bits(signal).max()) // 8 + 1) * 8


def _raw(signal: Any, grid: NDArray[np.uint8]) -> NDArray[Any]:
    places = _bits(signal)
    if places.max() >= grid.shape[1] * 8:
        return np.zeros(len(grid), np.uint64)
    bits = np.unpackbits(grid, axis=1, bitorder="little")[:, places]
    value = np.zeros(len(grid), np.uint64)
    for place in range(signal.length):
        value |= bits[:, place].astype(np.uint64) << np.uint64(place)
    if signal.is_float:
        kinds = {16: (np.uint16, np.float16), 32: (np.uint32, np.float32), 64: (np.uint64, np.float64)}
        whole, real = kinds[signal.length]
        return value.astype(whole).view(real)
    if signal.is_signed and signal.length < 64:
        signed = value.astype(np.int64)
        return np.where(signed >= 1 << (signal.length - 1), signed - (1 << signal.length), signed)
    return value.view(np.int64) if signal.is_signed else value


def _physical(signal: Any, raw: NDArray[Any]) -> Floats:
    return raw.astype(np.float64) * float(signal.scale) + float(signal.offset)
