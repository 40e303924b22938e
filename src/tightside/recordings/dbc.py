"""What raw CAN messages mean: a DBC laid over a log's frames.

Frames are gathered by message and each signal is taken from all of them at once. Bit numbering, multiplexing and
scaling are those of the DBC; the tests compare with cantools' own frame-by-frame encoding.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tightside.errors import DataError, UsageError
from tightside.recordings.damage import damage_told
from tightside.recordings.source import Source, needed
from tightside.recordings.spool import SpooledColumns
from tightside.recordings.tables import Column, Contents, Table
from tightside.records import Floats

MOST_WAITING = 1 << 19
EXTENDED = 1 << 31  # set in the identifier of a message with 29 bits


class Frames:
    """Data frames by message; of a long log, what came before the last half million is decoded and kept on disk.

    Parameters
    ----------
    dbc : path, optional
        What describes the messages; read when the first frames are decoded. None while it is only looked whether there
        are any frames.
    """

    def __init__(self, dbc: Path | None) -> None:
        self.by_message: dict[int, tuple[list[float], list[bytes]]] = {}
        self._dbc = dbc
        self._messages: dict[int, Any] | None = None
        self._waiting = 0
        self._columns: dict[int, list[Column]] = {}
        self._spools: dict[int, SpooledColumns] = {}

    def __enter__(self) -> Frames:
        return self

    def __exit__(self, *_: object) -> None:
        for spool in self._spools.values():
            spool.__exit__(None, None, None)

    def add(self, at_s: float, identifier: int, payload: bytes) -> None:
        """Add one frame; ``identifier`` has `EXTENDED` set for a long one."""
        times, payloads = self.by_message.setdefault(identifier, ([], []))
        times.append(at_s)
        payloads.append(payload)
        self._waiting += 1
        if self._waiting >= MOST_WAITING and self._dbc is not None:
            self._put_away()

    def _put_away(self) -> None:
        for identifier, times, columns in self._decoded():
            if identifier not in self._spools:
                self._spools[identifier] = SpooledColumns([np.float64] * (1 + len(columns)))
                self._columns[identifier] = columns
            self._spools[identifier].append([times, *(c.values for c in columns)])
        self.by_message = {identifier: ([], []) for identifier in self.by_message}
        self._waiting = 0

    def _decoded(self) -> Iterator[tuple[int, Floats, list[Column]]]:
        """Times and signals of each message that the DBC describes, in order of time."""
        if self._messages is None:
            assert self._dbc is not None
            self._messages = _described(self._dbc)
        number = 0
        for identifier, (times, payloads) in self.by_message.items():
            if identifier not in self._messages:
                continue
            known = self._messages[identifier]
            if times:
                at = np.array(times)
                order = np.argsort(at, kind="stable")
                signals = _signals(known, payloads, number)
                yield identifier, at[order], [replace(c, values=c.values[order]) for c in signals]
            number += len(known.signals)

    def tables(self) -> tuple[Table, ...]:
        """One for each message that was decoded."""
        if not self._spools:
            return tuple(_table(times, columns) for _, times, columns in self._decoded())
        self._put_away()
        done = []
        for identifier, spool in self._spools.items():
            times, *values = spool.arrays()
            columns = self._columns[identifier]
            done.append(_table(times, [replace(c, values=v) for c, v in zip(columns, values, strict=True)]))
        return tuple(done)

    @property
    def unknown(self) -> int:
        """Messages that the DBC does not describe."""
        return len(set(self.by_message) - set(self._messages or ()))


def _table(times_s: NDArray[Any], columns: list[Column]) -> Table:
    return Table(tuple(columns), time=Column("time", times_s, "s"))


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
    tables = frames.tables()
    if not tables:
        seen = ", ".join(f"{identifier & ~EXTENDED:X}" for identifier in sorted(frames.by_message)[:8])
        raise DataError(
            code="dbc-does-not-fit",
            what=f"none of the messages in {file} is described in {dbc.name}",
            got=seen or "no messages at all",
        )
    said = (f"messages that the DBC does not describe: {frames.unknown}",) if frames.unknown else ()
    return Contents(tables, said)


def _described(dbc: Path) -> dict[int, Any]:
    cantools = needed("cantools", "CAN logs")
    if not dbc.is_file():
        raise UsageError(code="no-such-file", what=f"there is no file {dbc}", hint="Check the name")
    with damage_told(dbc.name, "DBC file", "cantools"):
        database = cantools.database.load_file(dbc)
        return {m.frame_id | (EXTENDED if m.is_extended_frame else 0): m for m in database.messages}


def _signals(message: Any, payloads: list[bytes], number: int) -> list[Column]:
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
    return columns


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
