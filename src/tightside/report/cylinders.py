"""Cylinders side by side in firing order: compression and contribution as bars with their intervals, and in words."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from tightside.diagnosis import CylinderPart, Diagnosis
from tightside.records import CylindersFinding
from tightside.report.svg import Drawing
from tightside.report.words import capital, listed

PRACTICE = "common practice, no source"
KIND = {"good": "ok", "suspect": "part", "poor": "off", "weak": "part", "none": "off", "unknown": "none"}
SUSPECT, POOR = 0.88, 0.75
HIGHEST = 1.3


def render_cylinders(found: CylindersFinding | None, *, narrow: bool = False) -> Markup:
    """A bar for each cylinder in firing order, compression above contribution; empty without either."""
    if found is None:
        return Markup("")
    panels = [
        (title, [(c.cylinder, c.place, value, word) for c, value, word in rows if value is not None])
        for title, rows in (
            (
                "Compression, share of the sound cylinders",
                [(c, c.relative_compression, c.sealing) for c in found.cylinders],
            ),
            (
                "Contribution, share of the better half's work",
                [(c, c.contribution, c.pulls) for c in found.cylinders],
            ),
        )
    ]
    shown = [(title, rows) for title, rows in panels if rows]
    if not shown:
        return Markup("")
    width, each = (380.0, 250.0) if narrow else (1040.0, 270.0)
    drawing = Drawing(width, each * len(shown) + 6, "Cylinders in firing order")
    for k, (title, rows) in enumerate(shown):
        _panel(drawing, (k * each, width), title, rows, narrow)
    return drawing.to_svg("narrow" if narrow else "wide")


Bar = tuple[int | None, int, tuple[float, float], str]


def _panel(drawing: Drawing, frame: tuple[float, float], title: str, rows: Sequence[Bar], narrow: bool) -> None:
    top, width = frame
    left, right, ceiling, floor = (
        (60.0, width - 8, top + 36, top + 190) if narrow else (70.0, width - 20, top + 38, top + 206)
    )
    drawing.text((left, top + 22), title if not narrow else title.split(",")[0], "strip")
    drawing.box((left, ceiling), right - left, floor - ceiling, "ground")
    low = min(0.0, min(value - 1.96 * sd for *_, (value, sd), _ in rows))

    def y(value: float) -> float:
        return floor - (min(max(value, low), HIGHEST) - low) / (HIGHEST - low) * (floor - ceiling)

    for value in (0.0, 0.5, 1.0):
        drawing.line((left, y(value)), (right, y(value)), "grid" if value < 1.0 else "zero")
        drawing.text((left - 8, y(value) + 5), f"{100 * value:.0f} %", "scale", "end")
    if title.startswith("Compression"):
        for limit in (SUSPECT, POOR):
            drawing.line((left, y(limit)), (right, y(limit)), "limit")
    room = (right - left) / len(rows)
    for k, (number, place, (value, sd), word) in enumerate(rows):
        middle = left + (k + 0.5) * room
        half = min(0.28 * room, 46.0)
        kind = KIND[word]
        first, last = sorted((y(0.0), y(value)))
        drawing.box((middle - half, first), 2 * half, last - first, f"{kind} pillar")
        drawing.line((middle, y(value - 1.96 * sd)), (middle, y(value + 1.96 * sd)), "whisker")
        drawing.text((middle, first - 9 if value > 0 else first - 5), f"{100 * value:.0f}", "bar-word strong", "middle")
        name = f"{number}" if number is not None else f"({place})"
        drawing.text(
            (middle, floor + 22), name if narrow or number is None else f"cyl. {name}", "scale strong", "middle"
        )
        if not narrow or word != "good":
            drawing.text((middle, floor + 42), _shown_word(word, title), f"{kind} tag", "middle")


def _shown_word(word: str, title: str) -> str:
    if word == "unknown":
        return "unsure"
    if title.startswith("Contribution"):
        return {"good": "pulls", "weak": "weak", "none": "dead"}[word]
    return {"good": "seals", "suspect": "suspect", "poor": "poor"}[word]


# -------------------------------------------------------------------------------------------------------------- words


def cylinder_text(diagnosis: Diagnosis, found: CylindersFinding | None = None) -> list[tuple[int, str]]:
    """What is said of the cylinders, each line with its indent."""
    parts = diagnosis.cylinders or ()
    if not parts:
        return []
    said: list[tuple[int, str]] = []
    named = all(p.cylinder is not None for p in parts)
    seals = [p for p in parts if p.relative_compression is not None]
    if seals:
        said.append((2, _compression_words(seals, named)))
        said.append((2, f"Each, in firing order: {', '.join(_share(p, named) for p in seals)} %."))
    pulls = [p for p in parts if p.contribution is not None]
    if pulls:
        said.append((2, _contribution_words(pulls, named)))
    if not named:
        said.append(
            (
                2,
                "Which cylinder is first in that order cannot be told: record a cam sensor, or one ignition too.",
            )
        )
    for note in found.notes if found is not None else ():
        if "nothing in the recording tells" not in note:
            said.append((2, f"{capital(note)}."))
    return said


def _who(parts: Sequence[CylinderPart], named: bool) -> str:
    names = [str(p.cylinder if named else p.place) for p in parts]
    if named:
        return f"cylinder{'s' if len(names) > 1 else ''} {listed(names)}"
    return f"place{'s' if len(names) > 1 else ''} {listed(names)} of the firing order"


def _share(part: CylinderPart, named: bool) -> str:
    assert part.relative_compression is not None
    low, high = part.relative_compression_ci95 or (0.0, 0.0)
    name = part.cylinder if named else f"({part.place})"
    return f"{name}: {100 * part.relative_compression:.0f} ±{50 * (high - low):.0f}"


def _compression_words(parts: Sequence[CylinderPart], named: bool) -> str:
    poor, suspect = ([p for p in parts if p.sealing == s] for s in ("poor", "suspect"))
    if not poor and not suspect:
        return "Compression: all cylinders seal alike."
    told = [f"{_who(of, named)} {word}" for of, word in ((poor, "poor"), (suspect, "suspect")) if of]
    limits = f"limits {100 * SUSPECT:.0f} and {100 * POOR:.0f} %, {PRACTICE}"
    return f"Compression: {' and '.join(told)} ({limits})."


def _contribution_words(parts: Sequence[CylinderPart], named: bool) -> str:
    dead, weak = ([p for p in parts if p.pulls == s] for s in ("none", "weak"))
    shares = ", ".join(f"{p.cylinder if named else f'({p.place})'}: {100 * (p.contribution or 0.0):.0f}" for p in parts)
    if not dead and not weak:
        return f"Contribution: all cylinders pull. Each, of the better half: {shares} %."
    told = [f"{_who(of, named)} {word}" for of, word in ((dead, "does not pull"), (weak, "weak")) if of]
    return f"Contribution: {' and '.join(told)}. Each, of the better half: {shares} %."


def cranking_cautions(diagnosis: Diagnosis) -> tuple[str, ...]:
    """What goes with cranking and transducer tests, where such a recording was made."""
    cranked = any(c.relative_compression is not None for c in diagnosis.cylinders or ())
    if not cranked and not diagnosis.pressure:
        return ()
    return (
        "Before any cranking test: turn the crank two turns by hand. A cylinder full of liquid, or a bind, stops it: "
        "then do not crank. Support the battery, and let the starter rest.",
        "Use a transducer and hose rated for the pressure and heat; mind the hot plug well. Ground the lead of a spark "
        "that is not used.",
    )


def may_have_met(diagnosis: Diagnosis) -> bool:
    """Whether pressure or geometry say that valves may touch pistons."""
    by_pressure = any(
        abs(o.get("offset_deg") or 0.0) > 8.0 for p in diagnosis.pressure or () for o in p.offsets.values()
    )
    now = [c for c in diagnosis.contact or () if c.teeth == 0]
    return by_pressure or any((c.probability or 0.0) > 0.05 for c in now)
