"""Crank and cam signals over one cycle of crank angle: what was recorded, where edges were found, where they belong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from tightside.diagnosis import CamVerdict, Examination
from tightside.records import CamPattern, Channel, Floats
from tightside.report.frames import CYCLE_DEG, CycleView, choose_cycle, edges_in, signal_in
from tightside.report.marks import KIND
from tightside.report.svg import Drawing, envelope
from tightside.report.words import capital, title


@dataclass(frozen=True, slots=True)
class Row:
    """One channel's strip: its signal over angle, and the edges that belong to it."""

    title: str
    angle_deg: Floats
    value: Floats
    found_deg: Floats
    expected_deg: Floats
    kind: str
    offset_deg: float


@dataclass(frozen=True, slots=True)
class Sheet:
    """The picture's measures."""

    left: float
    right: float
    row: float
    columns: int

    def x(self, angle_deg: float) -> float:
        """Place across the page."""
        return self.left + angle_deg / CYCLE_DEG * (self.right - self.left)


TOP = 8.0
ZERO_PLACED = (
    "crank angle; 0° is the top of cylinder 1 at the end of its compression",
    "0°: top of cylinder 1",
)
ZERO_FREE = (
    "crank angle from the wheel's first tooth; where the top of cylinder 1 lies is not known",
    "0°: the wheel's first tooth",
)


def render_traces(examination: Examination, *, narrow: bool = False) -> Markup:
    """One strip for the crank and one for each cam that was judged or seen; empty without a whole cycle."""
    view = choose_cycle(examination)
    if view is None:
        return Markup("")
    rows = _rows(examination, view)
    sheet = Sheet(4, 376, 104, 360) if narrow else Sheet(4, 1036, 108, 900)
    bottom = TOP + len(rows) * sheet.row
    drawing = Drawing(sheet.right + 4, bottom + 46, "Crank and cam signals over one engine cycle")
    for place, row in enumerate(rows):
        _strip(drawing, sheet, row, TOP + place * sheet.row)
    wheel = examination.wheel
    placed = wheel is None or (wheel.position_known and not wheel.learned)
    _axis(drawing, sheet, bottom, (ZERO_PLACED if placed else ZERO_FREE)[narrow])
    return drawing.to_svg("narrow" if narrow else "wide")


def cycle_rpm(examination: Examination) -> float | None:
    """Mean speed of the cycle that is drawn. [rpm]"""
    view = choose_cycle(examination)
    return None if view is None else view.rpm


def _rows(examination: Examination, view: CycleView) -> list[Row]:
    channels = {c.column: c for c in examination.recording.channels} if examination.recording else {}
    crank = examination.diagnosis.crank
    rows = []
    if crank is not None and crank.column in channels:
        wheel = f", wheel {crank.wheel}" if crank.wheel else ""
        rows.append(_plain_row(f"Crank{wheel}", channels[crank.column], view))
    patterns = {p.cam: p for p in examination.patterns}
    for cam in examination.diagnosis.cams:
        if cam.column not in channels:
            continue
        row = _plain_row(capital(title(cam.cam, examination.diagnosis.cams)), channels[cam.column], view)
        rows.append(
            _with_edges(row, cam if isinstance(cam, CamVerdict) else None, patterns.get(cam.cam), examination, view)
        )
    return rows


def _plain_row(title: str, channel: Channel, view: CycleView) -> Row:
    angle, value = signal_in(channel.data, view)
    return Row(title, angle, value, np.empty(0), np.empty(0), "plain", 0.0)


def _with_edges(
    row: Row, verdict: CamVerdict | None, pattern: CamPattern | None, examination: Examination, view: CycleView
) -> Row:
    if verdict is None:
        return row
    seen = next((e for e in examination.edges if e.cam == verdict.cam), None)
    found = edges_in(seen, view) if seen is not None else np.empty(0)
    expected = pattern.edges_deg if pattern is not None and verdict.offset_deg is not None else np.empty(0)
    used = {bool(r) for r in pattern.rising} if pattern is not None else set()
    if seen is not None and len(used) == 1:  # a sensor of which one polarity counts
        one = next(iter(used))
        begin, end = view.span_s
        mine = (seen.times_s >= begin) & (seen.times_s <= end) & (seen.rising == one)
        found = view.angles_at(seen.times_s[mine])
    return Row(row.title, row.angle_deg, row.value, found, expected, KIND[verdict.state], verdict.offset_deg or 0.0)


def _strip(drawing: Drawing, sheet: Sheet, row: Row, top: float) -> None:
    bottom, high = top + sheet.row - 14, top + 40
    drawing.box((sheet.left, top), sheet.right - sheet.left, sheet.row - 4, "ground")
    for expected in row.expected_deg.tolist():
        _shift(drawing, sheet, row, expected, (top + 26, bottom))
    if len(row.value):
        low_v, high_v = np.percentile(row.value, [0.5, 99.5])
        dead = row.kind == "none" and len(row.found_deg) == 0
        span = max(high_v - low_v, 1.0 if dead else 1e-9)  # noise is not blown up into a signal
        share = np.clip((row.value - low_v) / span, -0.05, 1.05)
        points = envelope(row.angle_deg, bottom - 8 - share * (bottom - 8 - high), sheet.columns)
        drawing.path([(sheet.x(a), y) for a, y in points], "signal")
    for expected in row.expected_deg.tolist():
        drawing.mark((sheet.x(expected), top + 36), 9, down=True, kind="expected")
    for found in row.found_deg.tolist():
        drawing.mark((sheet.x(found), bottom - 2), 9, down=False, kind=f"{row.kind} found")
    drawing.text((sheet.left + 8, top + 15), row.title, "strip")


def _shift(drawing: Drawing, sheet: Sheet, row: Row, expected_deg: float, sides: tuple[float, float]) -> None:
    """The way from where an edge belongs to where it came."""
    x = sheet.x(expected_deg)
    drawing.line((x, sides[0] + 7), (x, sides[1]), "belongs")
    actual = sheet.x(min(max(expected_deg + row.offset_deg, 0.0), CYCLE_DEG))
    if row.kind in ("off", "part", "wander"):
        drawing.box((min(x, actual), sides[0] + 8), abs(actual - x), sides[1] - sides[0] - 8, f"{row.kind} moved")


def _axis(drawing: Drawing, sheet: Sheet, bottom: float, zero: str) -> None:
    for angle in range(0, 721, 90 if sheet.right > 600 else 180):
        x = sheet.x(angle)
        drawing.line((x, bottom - 4), (x, bottom + 3), "tick")
        anchor = "start" if angle == 0 else "end" if angle == 720 else "middle"
        drawing.text((x, bottom + 19), f"{angle}°", "scale", anchor)
    drawing.text((sheet.left, bottom + 40), zero, "small")
