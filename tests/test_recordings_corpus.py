"""One recording written in every dialect that recorders, loggers and spreadsheets use reads to the same values."""

from __future__ import annotations

import gzip
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from tightside.recordings import read_recording
from tightside.recordings.formats import csv
from tightside.records import Trace, same

RATE_HZ = 10_000.0
ROWS = 400


STANDARD = ("Time [s]", "crank", "cam 1A")
BARE = ("Time", "crank", "cam 1A")


def ms(i: int) -> str:
    return f"{i / 10:.1f}"


def past_the_second(before: str, after: str) -> Callable[[int], str]:
    """A clock from 10 ms before a full second on."""
    return lambda i: f"{before}.{9900 + i}" if i < 100 else f"{after}.{i - 100:04d}"


def changing_unit(i: int) -> str:
    return f"{i * 100} us" if i < 10 else f"{i / 10:.1f} ms" if i < 200 else f"{i / 1e4:.4f} s"


def sampled() -> tuple[np.ndarray, np.ndarray]:
    i = np.arange(ROWS)
    return np.round(2.5 + 2.4 * np.sin(i / 7), 3), np.where(i % 90 < 40, 4.71, 0.16)


@dataclass(frozen=True)
class Writer:
    """A way to write rows of numbers as text."""

    delimiter: str = ","
    decimal: str = "."
    newline: str = "\n"
    encoding: str = "utf-8"
    headings: tuple[str, ...] | None = STANDARD
    below: tuple[str, ...] = ()  # lines between heading and rows
    above: tuple[str, ...] = ()
    time: Callable[[int], str] = field(default=lambda i: f"{i / RATE_HZ:.4f}")
    cell: Callable[[float], str] = field(default=lambda v: f"{v:g}")
    start: str = ""
    trail: str = ""
    every: dict[int, str] = field(default_factory=dict)  # line put before row i
    last_newline: bool = True
    row: Callable[[list[str]], list[str]] = field(default=lambda cells: cells)

    def text(self) -> str:
        heading = [self.delimiter.join(self.headings)] if self.headings else []
        lines = [*self.above, *heading, *self.below]
        for i, values in enumerate(zip(*sampled(), strict=True)):
            if i in self.every:
                lines.append(self.every[i])
            cells = [self.time(i), *[self.cell(v) for v in values]]
            if self.decimal == ",":
                cells = [cell.replace(".", ",") for cell in cells]
            lines.append(self.start + self.delimiter.join(self.row(cells)) + self.trail)
        return self.newline.join(lines) + (self.newline if self.last_newline else "")

    def bytes(self) -> bytes:
        return self.text().encode(self.encoding)


def quoted(value: float) -> str:
    return f'"{value:g}"'


SAMPLED: dict[str, Writer] = {
    "comma": Writer(),
    "semicolon": Writer(delimiter=";"),
    "tab": Writer(delimiter="\t"),
    "pipe": Writer(delimiter="|"),
    "blanks": Writer(delimiter="   ", headings=("time", "crank", "cam_1A")),
    "one_blank": Writer(delimiter=" ", headings=("time_s", "crank", "cam_1A")),
    "blanks_indented": Writer(delimiter="  ", start="    ", headings=("time", "crank", "cam_1A")),
    "blanks_units_in_heading": Writer(delimiter=" ", headings=("Time [s]", "crank [V]", "cam_1A [V]")),
    "comma_blank": Writer(delimiter=", "),
    "comma_blank_before": Writer(delimiter=" , "),
    "semicolon_decimal_comma": Writer(delimiter=";", decimal=","),
    "tab_decimal_comma": Writer(delimiter="\t", decimal=","),
    "pipe_decimal_comma": Writer(delimiter="|", decimal=","),
    "blanks_decimal_comma": Writer(delimiter="  ", decimal=",", headings=("time", "crank", "cam_1A")),
    "comma_decimal_comma_quoted": Writer(decimal=",", time=lambda i: f'"{i / RATE_HZ:.4f}"', cell=quoted),
    "all_quoted": Writer(
        time=lambda i: f'"{i / RATE_HZ:.4f}"', cell=quoted, headings=('"Time [s]"', '"crank"', '"cam 1A"')
    ),
    "heading_quoted_with_comma": Writer(headings=('"Time [s]"', '"crank, front"', "cam 1A")),
    "crlf": Writer(newline="\r\n"),
    "cr": Writer(newline="\r"),
    "crlf_semicolon_decimal_comma": Writer(newline="\r\n", delimiter=";", decimal=","),
    "no_last_newline": Writer(last_newline=False),
    "bom": Writer(encoding="utf-8-sig"),
    "bom_crlf_semicolon": Writer(encoding="utf-8-sig", newline="\r\n", delimiter=";"),
    "utf_16": Writer(encoding="utf-16"),
    "utf_16_little_endian_no_mark": Writer(encoding="utf-16-le"),
    "utf_16_big_endian_no_mark": Writer(encoding="utf-16-be"),
    "utf_16_tab_crlf": Writer(encoding="utf-16", delimiter="\t", newline="\r\n"),
    "latin_1_micro": Writer(encoding="latin-1", headings=("Zeit [µs]", "crank", "cam 1A"), time=lambda i: f"{i * 100}"),
    "utf_8_micro": Writer(headings=("Time (µs)", "crank", "cam 1A"), time=lambda i: f"{i * 100}"),
    "milliseconds_square": Writer(headings=("Time [ms]", "crank", "cam 1A"), time=ms),
    "milliseconds_round": Writer(headings=("time (ms)", "crank (V)", "cam 1A (V)"), time=ms),
    "milliseconds_slash": Writer(headings=("t/ms", "crank/V", "cam 1A/V"), time=ms),
    "milliseconds_underscore": Writer(headings=("time_ms", "crank_v", "cam_1A_v"), time=ms),
    "microseconds_us": Writer(headings=("timestamp_us", "crank", "cam 1A"), time=lambda i: f"{i * 100}"),
    "nanoseconds": Writer(headings=("Time [ns]", "crank", "cam 1A"), time=lambda i: f"{i * 100_000}"),
    "seconds_exponent": Writer(time=lambda i: f"{i / RATE_HZ:.6e}", cell=lambda v: f"{v:.3E}"),
    "exponent_decimal_comma": Writer(delimiter=";", decimal=",", time=lambda i: f"{i / RATE_HZ:.5E}"),
    "units_row": Writer(headings=BARE, below=("s,V,V",)),
    "units_row_brackets": Writer(headings=BARE, below=("(ms),(V),(V)", ""), time=ms),
    "units_row_semicolon_comma": Writer(
        delimiter=";", decimal=",", headings=("Zeit", "crank", "cam 1A"), below=("[ms];[V];[V]",), time=ms
    ),
    "units_in_cells": Writer(cell=lambda v: f"{v:g}V"),
    "units_in_cells_blank": Writer(cell=lambda v: f"{v:g} V", time=lambda i: f"{i / 10:.1f} ms", headings=BARE),
    "millivolts_in_cells": Writer(cell=lambda v: f"{v * 1000:.0f} mV"),
    "unit_of_time_changes": Writer(headings=BARE, time=changing_unit),
    "millivolts": Writer(headings=("Time [s]", "crank [mV]", "cam 1A [mV]"), cell=lambda v: f"{v * 1000:.0f}"),
    "comments_above": Writer(above=("# made by a recorder", "# channel 1: front", "")),
    "comment_heading": Writer(headings=None, above=("# Time [s],crank,cam 1A",)),
    "percent_comments": Writer(above=("% file 3", "% volts")),
    "preamble": Writer(above=("Recorder,7", "Model,none", "Date,2026-11-25", "", "Channels,2", "")),
    "preamble_long": Writer(above=tuple(f"Setting {i}: value {i}" for i in range(40))),
    "preamble_separator_line": Writer(delimiter=";", decimal=",", above=("sep=;",)),
    "trailing_comma": Writer(trail=","),
    "trailing_comma_heading_too": Writer(headings=("Time [s]", "crank", "cam 1A", ""), trail=","),
    "trailing_blanks": Writer(trail="  "),
    "empty_columns": Writer(headings=("Time [s]", "", "crank", "cam 1A", ""), row=lambda c: [c[0], "", *c[1:], ""]),
    "index_column": Writer(
        headings=("", "Time [s]", "crank", "cam 1A"), row=lambda c: [f"{float(c[0]) * RATE_HZ:.0f}", *c]
    ),
    "sample_column": Writer(
        headings=("Sample", "Time [s]", "crank", "cam 1A"), row=lambda c: [f"{float(c[0]) * RATE_HZ + 1:.0f}", *c]
    ),
    "time_last": Writer(headings=("crank", "cam 1A", "Time [s]"), row=lambda c: [*c[1:], c[0]]),
    "text_column": Writer(headings=("Time [s]", "state", "crank", "cam 1A"), row=lambda c: [c[0], "armed", *c[1:]]),
    "blank_lines_inside": Writer(every={50: "", 51: "", 300: ""}),
    "comment_inside": Writer(every={100: "# pause"}),
    "heading_repeated": Writer(every={100: "Time [s],crank,cam 1A", 250: "Time [s],crank,cam 1A"}),
    "starts_late": Writer(time=lambda i: f"{i / RATE_HZ + 0.5:.4f}"),
    "starts_before_zero": Writer(time=lambda i: f"{i / RATE_HZ - 0.02:.4f}"),
    "clock": Writer(headings=BARE, time=past_the_second("12:59:59", "13:00:00")),
    "clock_past_midnight": Writer(headings=BARE, time=past_the_second("23:59:59", "00:00:00")),
    "clock_minutes": Writer(headings=BARE, time=lambda i: f"02:03.{i:04d}"),
    "iso": Writer(headings=("timestamp", "crank", "cam 1A"), time=lambda i: f"2026-11-25T10:20:30.{i:04d}"),
    "iso_blank_zone": Writer(headings=("timestamp", "crank", "cam 1A"), time=lambda i: f"2026-11-25 10:20:30.{i:04d}Z"),
    "date_day_first": Writer(
        delimiter=";",
        decimal=",",
        headings=("Datum/Zeit", "crank", "cam 1A"),
        time=lambda i: f"10:20:30.{i:04d}",
        row=lambda c: ["25.11.2026 " + c[0], *c[1:]],
    ),
    "date_month_word": Writer(headings=BARE, time=lambda i: f"25-Nov-2026 10:20:30.{i:04d}"),
    "date_spelled": Writer(headings=BARE, time=lambda i: f"Wed Nov 25 10:20:30.{i:04d} GMT 2026"),
    "abscissa_and_units_row": Writer(
        headings=("x-axis", "crank", "cam 1A"), below=("second,Volt,Volt",), time=lambda i: f"{i / RATE_HZ - 0.02:.6E}"
    ),
    "counter_ticks_column": Writer(
        headings=("Sample", "Time [s]", "crank", "cam 1A"), row=lambda c: [f"{float(c[0]) * 24e6:.0f}", *c]
    ),
    "date_and_clock_columns": Writer(
        headings=("Date", "Time", "crank", "cam 1A"),
        time=lambda i: f"10:20:30.{i:04d}",
        row=lambda c: ["2026-11-25", *c],
    ),
    "jitter": Writer(time=lambda i: f"{i / RATE_HZ + 2e-5 * np.sin(i * 2.4):.7f}"),
    "time_printed_short": Writer(time=lambda i: f"{i / RATE_HZ:.3f}"),
    "plus_signs": Writer(cell=lambda v: f"{v:+g}"),
    "leading_point": Writer(cell=lambda v: f"{v:g}".replace("0.", ".") if 0 < v < 1 else f"{v:g}"),
    "padded_columns": Writer(delimiter=";", cell=lambda v: f"{v:>10.3f}", time=lambda i: f"{i / RATE_HZ:>12.4f}"),
    "no_heading": Writer(headings=None),
    "no_heading_tab": Writer(headings=None, delimiter="\t"),
    "no_heading_semicolon_comma": Writer(headings=None, delimiter=";", decimal=","),
    "iso_offset": Writer(
        headings=("timestamp", "crank", "cam 1A"), time=lambda i: f"2026-11-25T10:20:30.{i:04d}+01:00"
    ),
    "clock_am_pm": Writer(headings=BARE, time=lambda i: f"01:20:30.{i:04d} PM"),
    "clock_colon_before_fraction": Writer(headings=BARE, time=lambda i: f"10:20:30:{i:04d}"),
    "date_and_clock_columns_decimal_comma": Writer(
        delimiter=";",
        decimal=",",
        headings=("Datum", "Zeit", "crank", "cam 1A"),
        time=lambda i: f"10:20:30.{i:04d}",
        row=lambda c: ["25/11/2026", *c],
    ),
    "thousands_comma_quoted": Writer(headings=("Time [us]", "crank", "cam 1A"), time=lambda i: f'"{i * 100:,}"'),
    "thousands_comma_tab": Writer(
        delimiter="\t", headings=("Time [us]", "crank", "cam 1A"), time=lambda i: f"{i * 100:,}"
    ),
    "thousands_point_decimal_comma": Writer(
        delimiter=";",
        headings=("Zeit [us]", "crank", "cam 1A"),
        time=lambda i: f"{i * 100:,}".replace(",", "."),
        row=lambda c: [c[0], *(cell.replace(".", ",") for cell in c[1:])],
    ),
    "quoted_blank_delimited_text": Writer(
        headings=("Time [s]", "note", "crank", "cam 1A"), row=lambda c: [c[0], '"warm, idling"', *c[1:]]
    ),
    "pairs": Writer(headings=("Time A [s]", "crank", "Time B [s]", "cam 1A"), row=lambda c: [c[0], c[1], c[0], c[2]]),
    "pairs_short": Writer(headings=("t1", "crank", "t2", "cam 1A"), row=lambda c: [c[0], c[1], c[0], c[2]]),
}


def without_time(rate_line: str) -> bytes:
    rows = "\n".join(f"{a:g},{b:g}" for a, b in zip(*sampled(), strict=True))
    return f"{rate_line}crank,cam 1A\n{rows}\n".encode()


def long_format(unit: bool) -> bytes:
    rows = ["time,name,value" + (",unit" if unit else "")]
    for i, (a, b) in enumerate(zip(*sampled(), strict=True)):
        rows += [f"{i / RATE_HZ:.4f},crank,{a:g}" + unit * ",V", f"{i / RATE_HZ:.4f},cam 1A,{b:g}" + unit * ",V"]
    return ("\n".join(rows) + "\n").encode()


OTHERS: dict[str, tuple[bytes, dict[str, Any]]] = {
    "no_time_rate_given": (without_time(""), {"rate_hz": RATE_HZ}),
    "no_time_rate_stated": (without_time("Sample rate: 10 kHz\n"), {}),
    "no_time_interval_stated": (without_time("Sampling interval: 100 us\n"), {}),
    "no_time_period_stated_unit_first": (without_time("Length,400\nSampling Period(uS),100.000\n\n"), {}),
    "no_time_interval_stated_in_cells": (without_time("Sample Interval,1.0E-4,s\nVertical Units,V\n\n"), {}),
    "no_time_comment_heading": (
        without_time("; Samplerate: 10 kHz\n; Channels (2/8): crank, cam 1A\n").replace(b"1A\ncrank,cam 1A\n", b"1A\n"),
        {},
    ),
    "time_unit_by_hand": (Writer(headings=("x", "crank", "cam 1A"), time=ms).bytes(), {"units": {"time": "ms"}}),
    "time_column_by_hand": (
        Writer(headings=("crank", "cam 1A", "ramp"), row=lambda c: [*c[1:], c[0]]).bytes(),
        {"channels": {"time": "ramp"}},
    ),
    "long_format": (long_format(False), {}),
    "long_format_unit_column": (long_format(True), {}),
    "footer": (Writer().bytes() + b"\nEnd of recording\nRows: 400\n", {}),
    "over_range_in_another_column": (
        Writer(headings=("Time [s]", "crank", "cam 1A", "coolant"), row=lambda c: [*c, "OL"]).bytes(),
        {},
    ),
    "gzip": (gzip.compress(Writer().bytes()), {}),
}


def corpus() -> Iterator[Any]:
    for name, writer in SAMPLED.items():
        yield pytest.param(writer.bytes(), {}, id=name)
    for name, (data, options) in OTHERS.items():
        yield pytest.param(data, options, id=name)


def test_corpus_holds_at_least_sixty_dialects() -> None:
    assert len(SAMPLED) + len(OTHERS) >= 60


@pytest.mark.parametrize(("data", "options"), list(corpus()))
def test_sampled_csv_in_any_dialect_reads_to_identical_values(data: bytes, options: dict[str, Any]) -> None:
    recording = read_recording(io.BytesIO(data), **options)
    assert recording.kind == "sensor"
    assert len(recording.channels) == 2
    for channel, expected in zip(recording.channels, sampled(), strict=True):
        trace = channel.data
        assert isinstance(trace, Trace)
        assert trace.rate_hz == RATE_HZ
        assert abs(trace.start_s) < 1e-4
        if channel.unit == "V" and trace.scale != 1.0:
            np.testing.assert_allclose(trace.values(), expected, rtol=1e-15)
        else:
            np.testing.assert_array_equal(trace.values(), expected)


@pytest.mark.parametrize(("data", "options"), list(corpus()))
def test_csv_in_blocks_in_any_dialect_reads_as_in_one_go(
    data: bytes, options: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = read_recording(io.BytesIO(data), **options)
    monkeypatch.setattr(csv, "WHOLE_BYTES", 1000)
    monkeypatch.setattr(csv, "BLOCK_BYTES", 3000)
    parts = read_recording(io.BytesIO(data), **options)
    assert len(whole.channels) == len(parts.channels)
    for one, other in zip(whole.channels, parts.channels, strict=True):
        assert same(replace(one, data=Trace([])), replace(other, data=Trace([])))
        assert isinstance(one.data, Trace) and isinstance(other.data, Trace)
        np.testing.assert_allclose(other.data.values(), one.data.values(), rtol=1e-14)
        assert one.data.rate_hz == other.data.rate_hz
