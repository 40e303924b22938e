"""What an engine file leaves out, estimated from what it says, each with the error to be expected.

The proportions are common practice, no source: rods of 1.55 to 1.95 strokes, bores about as wide as the stroke is long,
heads of 0.38 (intake) and 0.33 (exhaust) bores, lifts of a quarter to a third of the head.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

from tightside.engine.model import Engine, Geometry
from tightside.engine.slider_crank import CylinderGeometry
from tightside.errors import DataError


@dataclass(frozen=True, slots=True)
class Guess:
    """One length or angle that the file left out: its estimate and the standard deviation of that."""

    name: str
    value: float
    sd: float
    unit: str
    why: str
    took: str = ""  # what the value is, where that is not the missing thing itself

    def sentence(self) -> str:
        """What was assumed, for the person who reads the result."""
        taken = f"{self.took} of " if self.took else ""
        number = f"{self.value:.3g} ± {2 * self.sd:.2g} {self.unit}".rstrip()
        return f"{self.name} is not in the file: took {taken}{number}, {self.why}."


def known_geometry(engine: Engine) -> CylinderGeometry:
    """The engine's geometry, all of it from the file.

    Raises
    ------
    DataError
        Naming the fields that are left out.
    """
    g = engine.geometry or Geometry()
    wanted = ("bore_mm", "stroke_mm", "rod_mm", "compression_ratio")
    missing = [name for name in wanted if getattr(g, name) is None]
    if g.bore_mm is None or g.stroke_mm is None or g.rod_mm is None or g.compression_ratio is None:
        raise DataError(
            code="no-geometry",
            what=f"the engine file of {engine.name} does not give geometry.{', geometry.'.join(missing)}",
            hint="Add them, or use a verb that can estimate, such as 'tightside clearance'",
        )
    return CylinderGeometry(g.bore_mm, g.stroke_mm, g.rod_mm, g.pin_offset_mm, g.compression_ratio)


def estimated_geometry(engine: Engine) -> tuple[CylinderGeometry, tuple[Guess, ...]]:
    """The engine's geometry, with what is left out estimated.

    Returns
    -------
    geometry : CylinderGeometry
    guesses : what was estimated; empty where the file gives everything
    """
    g = engine.geometry or Geometry()
    guesses: list[Guess] = []

    def kept(value: float | None, guess: Guess) -> float:
        if value is not None:
            return value
        guesses.append(guess)
        return guess.value

    stroke = kept(g.stroke_mm, _stroke(engine, g))
    bore = kept(g.bore_mm, _bore(engine, g, stroke))
    rod = kept(g.rod_mm, Guess("geometry.rod_mm", 1.72 * stroke, 0.12 * stroke, "mm", "1.72 strokes as most engines"))
    ratio = kept(g.compression_ratio, Guess("geometry.compression_ratio", 10.3, 0.8, "", "as most petrol engines"))
    return CylinderGeometry(bore, stroke, rod, g.pin_offset_mm, ratio), tuple(guesses)


def _stroke(engine: Engine, g: Geometry) -> Guess:
    name = "geometry.stroke_mm"
    each = _cylinder_mm3(engine, g)
    if each is not None and g.bore_mm is not None:
        return Guess(name, each / (pi / 4 * g.bore_mm**2), 0.3, "mm", "from displacement and bore")
    if each is not None:
        square = (each * 4 / pi) ** (1 / 3)
        return Guess(name, square, 0.07 * square, "mm", "from displacement, as long as the bore is wide")
    if g.bore_mm is not None:
        return Guess(name, g.bore_mm, 0.1 * g.bore_mm, "mm", "as long as the bore is wide")
    return Guess(name, 86.0, 8.0, "mm", "as most car engines")


def _bore(engine: Engine, g: Geometry, stroke_mm: float) -> Guess:
    name = "geometry.bore_mm"
    each = _cylinder_mm3(engine, g)
    if each is not None:
        return Guess(name, (each / (pi / 4 * stroke_mm)) ** 0.5, 1.0, "mm", "from displacement and stroke")
    return Guess(name, stroke_mm, 0.1 * stroke_mm, "mm", "as wide as the stroke is long")


def _cylinder_mm3(engine: Engine, g: Geometry) -> float | None:
    if g.displacement_cm3 is None or not engine.cylinders:
        return None
    return g.displacement_cm3 * 1000 / engine.cylinders
