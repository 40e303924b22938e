"""The central picture: every cam's offset, cycle by cycle, against bands at every whole tooth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from tightside.diagnosis import CamVerdict
from tightside.records import CamOffset, Floats
from tightside.report.marks import KIND, USUAL_PITCH_DEG
from tightside.report.svg import Drawing
from tightside.report.words import count, signed, teeth_words, title

BAND = 0.15  # half height of a band, share of a tooth
MOST_DOTS = 300
MOST_TEETH = 5


@dataclass(frozen=True, slots=True)
class Frame:
    """Where things go: plot area, and degrees to page pixels. Late is up."""

    left: float
    right: float
    top: float
    bottom: float
    low_deg: float
    high_deg: float

    def y(self, offset_deg: float) -> float:
        """Height on the page."""
        share = (offset_deg - self.low_deg) / (self.high_deg - self.low_deg)
        return self.bottom - share * (self.bottom - self.top)

    def inside(self, offset_deg: float) -> bool:
        """Whether it can be shown where it is."""
        return self.low_deg <= offset_deg <= self.high_deg


def render_offsets(verdicts: Sequence[CamVerdict], cams: Sequence[CamOffset], *, narrow: bool = False) -> Markup:
    """A column for each cam that has an offset: dots are engine cycles, the bar is their mean.

    Returns
    -------
    Markup
        SVG; empty when no cam has an offset.
    """
    records = {cam.cam: cam for cam in cams}
    shown = [v for v in verdicts if v.offset_deg is not None and v.cam in records]
    if not shown:
        return Markup("")
    frame = _frame(shown, records, narrow)
    drawing = Drawing(380 if narrow else 1040, 400 if narrow else 500, "Offset of each cam, cycle by cycle")
    _teeth_scale(drawing, frame, shown, narrow)
    width = (frame.right - frame.left) / len(shown)
    for place, verdict in enumerate(shown):
        left = frame.left + place * width
        _column(drawing, frame, (left + 3, left + width - 3), verdict, records[verdict.cam])
        _caption(drawing, frame, left + width / 2, verdict, verdicts, narrow)
    return drawing.to_svg("narrow" if narrow else "wide")


def _frame(shown: Sequence[CamVerdict], records: dict[str, CamOffset], narrow: bool) -> Frame:
    pitch = max((v.tooth_pitch_deg or 0.0 for v in shown), default=0.0) or USUAL_PITCH_DEG
    reached = np.concatenate([_ends(records[v.cam].cycle_offset_deg, v.offset_deg or 0.0) for v in shown])
    high = float(np.clip(reached.max() + 0.45 * pitch, 1.4 * pitch, (MOST_TEETH + 0.4) * pitch))
    low = float(np.clip(reached.min() - 0.45 * pitch, -(MOST_TEETH + 0.4) * pitch, -1.4 * pitch))
    if narrow:
        return Frame(74, 378, 40, 348, low, high)
    return Frame(142, 978, 46, 436, low, high)


def _ends(offset_deg: Floats, mean_deg: float) -> Floats:
    good = offset_deg[np.isfinite(offset_deg)]
    return np.array([mean_deg, *(np.percentile(good, [2, 98]) if len(good) else ())])


def _teeth_scale(drawing: Drawing, frame: Frame, shown: Sequence[CamVerdict], narrow: bool) -> None:
    """Names of the tooth bands at the left, degrees at the right; degrees alone where pitches differ."""
    pitches = {round(v.tooth_pitch_deg, 3) for v in shown if v.tooth_pitch_deg}
    pitch = pitches.pop() if len(pitches) == 1 else None
    step = pitch or 10.0
    for k in range(int(np.ceil(frame.low_deg / step)), int(frame.high_deg / step) + 1):
        y = frame.y(k * step) + 5
        if pitch:
            drawing.text((frame.left - 10, y), _tooth_name(k, narrow), "scale strong" if k == 0 else "scale", "end")
        if not (narrow and pitch):
            at, anchor = (frame.right + 8, "start") if pitch else (frame.left - 10, "end")
            drawing.text((at, y), signed(k * step, 0), "scale faint", anchor)


def _tooth_name(k: int, narrow: bool) -> str:
    if narrow:
        return f"{abs(k)} {'late' if k > 0 else 'early'}" if k else "in time"
    if not k:
        return "in time"
    return f"{count(abs(k))} {'tooth' if abs(k) == 1 else 'teeth'} {'late' if k > 0 else 'early'}"


def _column(drawing: Drawing, frame: Frame, sides: tuple[float, float], verdict: CamVerdict, cam: CamOffset) -> None:
    left, right = sides
    kind = KIND[verdict.state]
    drawing.box((left, frame.top), right - left, frame.bottom - frame.top, "ground")
    for k, y_top, y_bottom in _bands(frame, verdict.tooth_pitch_deg):
        called = k == verdict.teeth_call
        drawing.box((left, y_top), right - left, y_bottom - y_top, f"band {kind} called" if called else "band")
    drawing.line((left, frame.y(0)), (right, frame.y(0)), "zero")
    _dots(drawing, frame, (left + 8, right - 8), cam, kind)
    _mean(drawing, frame, sides, verdict, kind)


def _bands(frame: Frame, pitch: float | None) -> list[tuple[int, float, float]]:
    if not pitch:
        return []
    found = []
    for k in range(-MOST_TEETH, MOST_TEETH + 1):
        low, high = (k - BAND) * pitch, (k + BAND) * pitch
        if high > frame.low_deg and low < frame.high_deg:
            found.append((k, frame.y(min(high, frame.high_deg)), frame.y(max(low, frame.low_deg))))
    return found


def _dots(drawing: Drawing, frame: Frame, sides: tuple[float, float], cam: CamOffset, kind: str) -> None:
    good = np.flatnonzero(np.isfinite(cam.cycle_offset_deg) & np.isfinite(cam.cycle_times_s))
    if len(good) == 0:
        return
    good = good[np.linspace(0, len(good) - 1, min(len(good), MOST_DOTS)).astype(np.int64)]
    times, offsets = cam.cycle_times_s[good], cam.cycle_offset_deg[good]
    span = max(float(times[-1] - times[0]), 1e-9)
    xs = sides[0] + (times - times[0]) / span * (sides[1] - sides[0])
    for x, offset in zip(xs.tolist(), offsets.tolist(), strict=True):
        if frame.inside(offset):
            drawing.dot((x, frame.y(offset)), 2.6, f"{kind} cycle")
        else:
            up = offset > frame.high_deg
            drawing.mark((x, frame.top + 2 if up else frame.bottom - 2), 7, down=not up, kind=f"{kind} cycle")


def _mean(drawing: Drawing, frame: Frame, sides: tuple[float, float], verdict: CamVerdict, kind: str) -> None:
    mean = verdict.offset_deg or 0.0
    if not frame.inside(mean):
        return
    if verdict.ci95_deg:
        low, high = (min(max(v, frame.low_deg), frame.high_deg) for v in verdict.ci95_deg)
        drawing.box((sides[0], frame.y(high)), sides[1] - sides[0], frame.y(low) - frame.y(high), f"{kind} interval")
    drawing.line((sides[0], frame.y(mean)), (sides[1], frame.y(mean)), f"{kind} mean")


def _caption(
    drawing: Drawing, frame: Frame, x: float, verdict: CamVerdict, every: Sequence[CamVerdict], narrow: bool
) -> None:
    name = verdict.cam if narrow else title(verdict.cam, every)
    drawing.text((x, frame.top - 14), name, "column", "middle")
    said = teeth_words(verdict.teeth_call) if verdict.teeth_call is not None else SHORT[verdict.state]
    number = signed(verdict.offset_deg or 0.0, 1)
    if narrow:
        drawing.text((x, frame.bottom + 22), number, f"{KIND[verdict.state]} said", "middle")
        words = said.replace("tooth ", "").replace("teeth ", "") if verdict.teeth_call else said
        drawing.text((x, frame.bottom + 41), words, "small", "middle")
    else:
        drawing.text((x, frame.bottom + 26), said, f"{KIND[verdict.state]} said", "middle")
        drawing.text((x, frame.bottom + 48), f"{number} crank", "small", "middle")


SHORT = {
    "in time": "in time",
    "slipped": "slipped",
    "erratic": "erratic",
    "off, not by a whole tooth": "part of a tooth",
    "no signal": "no signal",
    "not enough data": "cannot tell",
}
