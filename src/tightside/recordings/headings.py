"""What a heading says: a name and, if it is there, a unit.

Units are turned into the project's own at the door (V, A, kPa, degC, rpm, deg, g/s, s). Factors are exact by definition
(SI brochure; inch and pound by the agreement of 1959), or the standard's own where a comment says so.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from tightside.units import KPA_PER_PSI


@dataclass(frozen=True, slots=True)
class Unit:
    """value in ``name`` = factor * written value + offset."""

    name: str
    factor: float = 1.0
    offset: float = 0.0


_SPELLINGS: dict[Unit, str] = {
    Unit("s"): "s sec secs second seconds sek sekunden",
    Unit("s", 1e-3): "ms msec millisecond milliseconds millis",
    Unit("s", 1e-6): "us µs μs usec microsecond microseconds micros",
    Unit("s", 1e-9): "ns nsec nanosecond nanoseconds nanos",
    Unit("s", 60.0): "min mins minute minutes",
    Unit("s", 3600.0): "h hr hrs hour hours",
    Unit("V"): "v volt volts vdc",
    Unit("V", 1e-3): "mv millivolt millivolts",
    Unit("V", 1e-6): "uv µv μv",
    Unit("V", 1e3): "kv",
    Unit("A"): "a amp amps ampere amperes",
    Unit("A", 1e-3): "ma milliamp milliamps",
    Unit("kPa"): "kpa kilopascal kpa(a) kpa(g) kpaa kpag",
    Unit("kPa", 1e-3): "pa pascal",
    Unit("kPa", 1e3): "mpa",
    Unit("kPa", 0.1): "mbar hpa millibar",
    Unit("kPa", 100.0): "bar bars bar(a) bar(g) bara barg",
    Unit("kPa", KPA_PER_PSI): "psi psia psig lbf/in2 lbf/in²",
    Unit("kPa", 3.386389): 'inhg in.hg "hg',  # conventional inch of mercury, 0 degC
    Unit("kPa", 0.133322387415): "mmhg torr",  # conventional millimetre of mercury
    Unit("degC"): "degc °c ºc c celsius deg.c deg_c grad_c",
    Unit("degC", 5 / 9, -160 / 9): "degf °f ºf f fahrenheit deg.f deg_f",
    Unit("degC", 1.0, -273.15): "k kelvin degk °k",
    Unit("rpm"): "rpm 1/min min-1 min^-1 min⁻¹ /min u/min r/min rev/min upm",
    Unit("deg"): "deg ° degree degrees º degca °ca cad °crk degcrk ca",
    Unit("%"): "% percent pct prozent",
    Unit("g/s"): "g/s gs g/sec gram/s grams/s gm/s",
    Unit("g/s", 1 / 3.6): "kg/h kg/hr",
    Unit("km/h"): "km/h kmh kph kmph",
    Unit("km/h", 1.609344): "mph mi/h",
    Unit("Hz"): "hz",
    Unit("Hz", 1e3): "khz",
    Unit("km"): "km",
    Unit("m"): "m",
    Unit("mm"): "mm",
}
UNITS = {spelling: unit for unit, spellings in _SPELLINGS.items() for spelling in spellings.split()}

# One letter at the end of a heading may as well name a camshaft or a channel ("cam A"): only these are taken as units.
_TRAILING = {"v", "s"}
_BRACKETED = re.compile(
    r"^(.*?)\s*(?:\[([^\[\]]*)\]|\(([^()]*(?:\([a-z]\))?)\)|\{([^{}]*)\}|<([^<>]*)>)\s*$", re.IGNORECASE
)
_JOINED = re.compile(r"^(.+?)(?:\s*[/,]\s*|:\s+|\s+in\s+|[\s_]+)([^\s_:,]+)$")


@lru_cache(maxsize=1024)
def find_unit(text: str) -> Unit | None:
    """The unit that a word means, or None.

    >>> find_unit("mbar")
    Unit(name='kPa', factor=0.1, offset=0.0)
    """
    word = re.sub(r"\s+", "", text.strip().strip("[](){}<>").casefold())
    return UNITS.get(word) or UNITS.get(text.strip().casefold())


@lru_cache(maxsize=1024)
def split_heading(heading: str) -> tuple[str, str]:
    """Name and unit.

    >>> split_heading("Time [ms]"), split_heading("U/V"), split_heading("cam A"), split_heading("ENGINE_RPM ()")
    (('Time', 'ms'), ('U', 'V'), ('cam A', ''), ('ENGINE_RPM', ''))
    """
    text = heading.strip()
    bracketed = _BRACKETED.match(text)
    if bracketed:
        name, square, *others = (part or "" for part in bracketed.groups())
        inside = (square or "".join(others)).strip()
        if not inside or find_unit(inside) or "[" in text:
            return name.strip() or inside, inside
    joined = _JOINED.match(text)
    if (
        joined
        and joined[2].casefold() != "rpm"
        and find_unit(joined[2])
        and (len(joined[2]) > 1 or joined[2].casefold() in _TRAILING or "/" in text)
    ):
        return joined[1].strip(), joined[2]
    if find_unit(text) and len(text) > 1:
        return text, text
    return text, ""


@lru_cache(maxsize=1024)
def words_of(heading: str) -> tuple[str, ...]:
    """Lower-case words and numbers of a heading's name, camel case and underscores taken apart.

    >>> words_of("CamSensor_1A [V]"), words_of("CMP B1S1 intake")
    (('cam', 'sensor', '1', 'a'), ('cmp', 'b', '1', 's', '1', 'intake'))
    """
    name = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", split_heading(heading)[0])
    return tuple(word.casefold() for word in re.findall(r"[^\W\d_]+|\d+", name))
