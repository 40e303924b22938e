"""A camshaft's timing marks as with the cover off: where the sprocket's mark stands by the fixed one."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup

from tightside.diagnosis import CamVerdict
from tightside.report.svg import Drawing
from tightside.report.words import degrees, side

WIDTH, HEIGHT = 560.0, 138.0
EDGE = 56.0  # where the fixed part ends and the sprocket begins
TOOTH = 24.0
KIND = {
    "in time": "ok",
    "slipped": "off",
    "erratic": "wander",
    "off, not by a whole tooth": "part",
    "no signal": "none",
    "not enough data": "none",
}
USUAL_PITCH_DEG = 20.0


def render_marks(cam: CamVerdict) -> Markup:
    """Fixed mark above, the sprocket's mark below, moved by the cam's offset: late to the right."""
    pitch = cam.tooth_pitch_deg or USUAL_PITCH_DEG
    reach = max(2.4, abs(cam.offset_deg or 0.0) / pitch + 0.6)
    per_tooth = WIDTH / (2 * reach)
    known = cam.offset_deg is not None
    drawing = Drawing(WIDTH, HEIGHT, _label(cam))
    _fixed(drawing, per_tooth, reach, named=cam.tooth_pitch_deg is not None)
    _sprocket(drawing, (cam.offset_deg or 0.0) / pitch, per_tooth, reach, "" if known else " unknown")
    if known:
        _moved(drawing, cam, per_tooth / pitch)
    else:
        drawing.text((WIDTH / 2, EDGE + 46), "?", "question", "middle")
    drawing.text((0, HEIGHT - 3), "◀ early", "small")
    drawing.text((WIDTH, HEIGHT - 3), "late ▶", "small", "end")
    return drawing.to_svg("marks")


def _label(cam: CamVerdict) -> str:
    if cam.offset_deg is None:
        return f"Timing marks of cam {cam.cam}: not known"
    return f"Timing marks of cam {cam.cam}: {degrees(cam.offset_deg)} {side(cam.offset_deg)}"


def _fixed(drawing: Drawing, per_tooth: float, reach: float, *, named: bool) -> None:
    drawing.box((0, 22), WIDTH, EDGE - 22, "block")
    for k in range(-int(reach), int(reach) + 1):
        x = WIDTH / 2 + k * per_tooth
        if k:
            drawing.line((x, EDGE - 13), (x, EDGE), "notch")
            if named:
                drawing.text((x, 15), str(abs(k)), "small", "middle")
    drawing.mark((WIDTH / 2, EDGE), 26, down=True, kind="fixed")


def _sprocket(drawing: Drawing, shift: float, per_tooth: float, reach: float, kind: str) -> None:
    """Teeth as a rounded wave, one crest under each notch when the cam is in time."""
    at = np.linspace(-reach, reach, 241)
    crest = 0.5 + 0.5 * np.cos(2 * np.pi * (at - shift))
    outline = [(WIDTH / 2 + a * per_tooth, EDGE + 3 + TOOTH * (1 - c**0.6)) for a, c in zip(at, crest, strict=True)]
    drawing.path([(0, HEIGHT - 28), *outline, (WIDTH, HEIGHT - 28)], f"sprocket{kind}", closed=True)


def _moved(drawing: Drawing, cam: CamVerdict, per_deg: float) -> None:
    kind = KIND[cam.state]
    offset = cam.offset_deg or 0.0
    x = WIDTH / 2 + offset * per_deg
    if cam.state == "erratic":
        spread = 2 * (cam.scatter_deg or 0.0) * per_deg
        drawing.box((x - spread, EDGE + 5), 2 * spread, 30, f"{kind} spread", 4)
        for ghost in (x - spread, x + spread):
            drawing.mark((ghost, EDGE + 4), 26, down=False, kind=f"{kind} ghost")
    if abs(x - WIDTH / 2) > 12:
        drawing.line((WIDTH / 2, EDGE + 3), (WIDTH / 2, EDGE + 34), f"{kind} reach")
        drawing.line((WIDTH / 2, EDGE + 34), (x, EDGE + 34), f"{kind} reach")
    drawing.mark((x, EDGE + 4), 32, down=False, kind=f"{kind} mark")
