"""What counts as sealing well. Limits are common practice, no source, and may be set otherwise."""

from __future__ import annotations

from dataclasses import dataclass

from tightside.records import PressureFinding, Sealing


@dataclass(frozen=True, slots=True)
class Limits:
    """Shares of the sound cylinders' compression below which a cylinder is suspect, or poor.

    Trade practice calls a spread above 10 to 15 % suspect, and gauge readings below 75 % of the highest poor (common
    practice, no source).
    """

    suspect: float = 0.88
    poor: float = 0.75
    sure: float = 1.645  # standard deviations on the wrong side before it is said: one in twenty by chance

    def judge(self, value: float, sd: float) -> Sealing:
        """In words; "unknown" where the interval is wider than the limits are apart."""
        if sd > 0.5 * (1.0 - self.poor):
            return "unknown"
        if value + self.sure * sd < self.poor:
            return "poor"
        return "suspect" if value + self.sure * sd < self.suspect else "good"


LIMITS = Limits()
HELD_SD = 0.06
HELD_USUAL = 0.88  # rings of a sound engine let some by while cranking; common practice, no source


def sealing_of_held(found: PressureFinding, limits: Limits = LIMITS) -> Sealing:
    """Sealing of one cylinder by its own pressure: how much of its compression it holds, no other cylinder needed."""
    if found.held is None or found.kind != "motored":
        return "unknown"
    hole_sd = found.hole_mm2[1] if found.hole_mm2 else 1.0
    lost = 1.0 - found.held
    share = hole_sd / max(found.hole_mm2[0], 0.3) if found.hole_mm2 else 1.0
    return limits.judge(found.held / HELD_USUAL, max(HELD_SD, min(share, 1.0) * lost))
