"""How a result is said: names of camshafts, numbers, and how sure, in words for a technician."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from tightside.diagnosis import CamSeen, CamVerdict

# From what stops the job to what lets it go on.
SEVERITY = ("slipped", "erratic", "off, not by a whole tooth", "no signal", "not enough data", "in time")

COUNTS = ("no", "one", "two", "three", "four", "five", "six")


def is_placed(cam: str) -> bool:
    """Whether a cam is named by bank and letter; else it bears the name of its column."""
    return cam[:-1].isdigit() and cam[-1:] in ("A", "B")


def title(cam: str, cams: Iterable[CamSeen]) -> str:
    """ "bank 1 intake 1A", for headings."""
    return f"{short_name(cam, cams)} {cam}" if is_placed(cam) else short_name(cam, cams)


def short_name(cam: str, cams: Iterable[CamSeen]) -> str:
    """ "bank 1 intake" where both kinds of camshaft were recorded, "bank 1 camshaft" otherwise.

    SAE J2012 letters: A is the intake camshaft or the only one, B the exhaust camshaft.
    """
    if not is_placed(cam):
        return f"cam “{cam}”"
    bank, letter = cam[:-1], cam[-1:]
    if not any(c.cam.endswith("B") for c in cams):
        return f"bank {bank} camshaft"
    return f"bank {bank} {'intake' if letter == 'A' else 'exhaust'}"


def long_name(cam: str, cams: Sequence[CamSeen]) -> str:
    """ "bank 1 intake cam (1A)": the place in words, and the letter that codes and wiring diagrams use."""
    name = short_name(cam, cams)
    if not is_placed(cam):
        return name
    return f"{name} ({cam})" if name.endswith("camshaft") else f"{name} cam ({cam})"


def capital(text: str) -> str:
    """First letter upper case, the rest as it is."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """A remark as a sentence: capital first, full stop last."""
    return capital(text.strip()).rstrip(".") + "."


def listed(parts: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]


def count(n: int) -> str:
    """A small number as a word, a greater one in figures."""
    return COUNTS[n] if 0 <= n < len(COUNTS) else str(n)


def teeth_words(teeth: int) -> str:
    """ "one tooth late", "two teeth early", "in time" for 0."""
    if teeth == 0:
        return "in time"
    return f"{count(abs(teeth))} {'tooth' if abs(teeth) == 1 else 'teeth'} {'late' if teeth > 0 else 'early'}"


def side(offset_deg: float) -> str:
    """Which way an offset goes, with the book word beside the shop's."""
    return "late (retarded)" if offset_deg > 0 else "early (advanced)"


def degrees(value_deg: float) -> str:
    """ "19.0 degrees"."""
    return f"{abs(value_deg):.1f} degrees"


def signed(value_deg: float, digits: int) -> str:
    """ "+17.3°", "−0.2°", "0°": positive late, with a minus sign that is as wide as the plus."""
    text = f"{abs(value_deg):.{digits}f}"
    sign = "" if float(text) == 0 else "+" if value_deg > 0 else "−"
    return f"{sign}{text}°"


def half_width(ci95_deg: tuple[float, float]) -> str:
    """Half an interval, never said narrower than it is: rounded up to a tenth, at least 0.1."""
    half = (ci95_deg[1] - ci95_deg[0]) / 2
    return f"{max(math.ceil(half * 10 - 1e-9) / 10, 0.1):.1f}"


def give_or_take(offset_deg: float, ci95_deg: tuple[float, float]) -> str:
    """ "±0.3" about the offset; "−21.4° to +2.4°" where the interval lies to one side, as two readings are possible."""
    below, above = offset_deg - ci95_deg[0], ci95_deg[1] - offset_deg
    if max(below, above) > 2.0 * min(below, above):
        return f"{signed(ci95_deg[0], 1)} to {signed(ci95_deg[1], 1)}"
    return f"±{half_width(ci95_deg)}"


def odds(probability: float) -> str:
    """ "97 in 100 sure", never rounded up, never certain."""
    if probability > 0.99:
        return "more than 99 in 100 sure"
    return f"{math.floor(probability * 100 + 1e-9)} in 100 sure"


def chances(cam: CamVerdict, least: float = 0.02) -> str:
    """The possibilities that still stand, likeliest first: "one tooth late 62 in 100, in time 37 in 100"."""
    ranked = sorted(cam.teeth.items(), key=lambda kv: -kv[1])
    return ", ".join(f"{teeth_words(int(k))} {_in_100(p)}" for k, p in ranked if p >= least)


def _in_100(probability: float) -> str:
    return "more than 99 in 100" if probability > 0.99 else f"{math.floor(probability * 100 + 0.5)} in 100"
