"""Tools by the names that a shop gives them."""

from __future__ import annotations

from collections.abc import Iterable

from tightside.errors import UsageError

#: name: what it is
TOOLS: dict[str, str] = {
    "hand tools": "sockets, wrenches, a bar, a light",
    "scope": "an oscilloscope or logic recorder with two channels or more",
    "scan tool": "reads codes and live data",
    "bidirectional scan tool": "can also command an actuator",
    "multimeter": "volts and ohms",
    "oil pressure gauge": "with the adapter for this engine",
    "compression gauge": "with the adapter for this plug",
    "leak-down tester": "with shop air",
    "current clamp": "for the starter's current, to a scope",
    "borescope": "through a plug or filler hole",
    "timing tools": "the maker's holding tools for this engine's timing drive",
}


def known_tools(names: Iterable[str]) -> frozenset[str]:
    """The names, checked.

    Raises
    ------
    UsageError
        If one is not in ``TOOLS``.
    """
    found = frozenset(" ".join(name.lower().split()) for name in names)
    for name in sorted(found - set(TOOLS)):
        raise UsageError(code="unknown-tool", what="no such tool", expected=", ".join(TOOLS), got=name)
    return found
