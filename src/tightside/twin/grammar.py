"""Faults as text: ``KIND[:TARGET[/STAGE]][=VALUE]``.

Examples
--------
"slip:1A=+1"     the chain has jumped on 1A's last sprocket, one tooth late
"slip:2/1=-1"    one tooth early on the first stage of every cam of bank 2
"wear:2=3.0"     bank 2's chain is worn: 3 deg late
"loose:1A=6"     1A's phaser wanders by +-6 deg
"stuck:1A=20"    1A's phaser hangs 20 deg from park
"moving:1A=25"   1A's phaser is being moved, by up to 25 deg
"lost:2A"        2A's sensor is dead; "lost:2A=0.4" for 0.4 of the time
"crank-shift=8"  the crank wheel sits 8 deg late
"weak:3=0.5"     cylinder 3 pulls half; "leak:3=0.5" keeps half of its compression
"hole:3=4.0"     cylinder 3 leaks through 4 mm^2 past its rings; "bent-intake:3=2", "bent-exhaust:3=2" past a valve
"slow:1A=4"      1A's phaser moves four times slower than it should: shows in slow logs
"""

from __future__ import annotations

import re
from typing import get_args

from tightside.errors import UsageError
from tightside.twin.scene import Fault, FaultKind, Subject

FORM = re.compile(r"(?P<kind>[a-z-]+)(?::(?P<target>[0-9A-Za-z]+)(?:/(?P<stage>\d+))?)?(?:=(?P<value>[+-]?[\d.]+))?")
HINT = "Write it like slip:1A=+1, wear:2=3.0, loose:1A=6, stuck:1A=20, lost:2A, crank-shift=8 or weak:3=0.5"
USUAL = {
    "slip": 1.0,
    "wear": 3.0,
    "loose": 6.0,
    "stuck": 20.0,
    "moving": 20.0,
    "lost": 1.0,
    "crank-shift": 8.0,
    "slow": 4.0,
    "hole": 4.0,
    "bent-intake": 4.0,
    "bent-exhaust": 4.0,
}
OF_CYLINDER = ("weak", "leak", "hole", "bent-intake", "bent-exhaust")
AREAS = ("hole", "bent-intake", "bent-exhaust")
SHARES = ("lost", "weak", "leak")


def read_fault(text: str, subject: Subject) -> Fault:
    """One fault from its text, checked against the engine that shall have it.

    Raises
    ------
    UsageError
        If the text is not of the form, or the engine has no such cam, bank, cylinder or stage.
    """
    match = FORM.fullmatch(text.strip())
    kinds: tuple[FaultKind, ...] = get_args(FaultKind)
    kind = next((k for k in kinds if match and match["kind"] == k), None)
    if match is None or kind is None:
        raise _refused(text, f"one of {', '.join(kinds)}", match["kind"] if match else text)
    value = _value_of(text, kind, match["value"])
    target = match["target"] or "all"
    target = target if target == "all" else target.upper()
    fault = Fault(kind=kind, target=target, value=value, stage=int(match["stage"]) if match["stage"] else None)
    _check_target(text, fault, subject)
    return fault


def _value_of(text: str, kind: str, written: str | None) -> float:
    if written is None:
        return USUAL.get(kind, 0.5)
    try:
        value = float(written)
    except ValueError:
        raise _refused(text, "a number after the equals sign", written) from None
    if kind in SHARES and not 0.0 <= value <= 1.0:
        raise _refused(text, "a share from 0 to 1", written)
    if kind in AREAS and not 0.0 <= value <= 2000.0:
        raise _refused(text, "an area from 0 to 2000 mm²", written)
    return value


def _check_target(text: str, fault: Fault, subject: Subject) -> None:
    if fault.kind == "crank-shift" or fault.target == "all":
        hit = list(subject.cams)
    elif fault.kind in OF_CYLINDER:
        if fault.target not in map(str, subject.firing_order):
            raise _refused(text, f"a cylinder from 1 to {subject.cylinders}", fault.target)
        return
    else:
        hit = [c for c in subject.cams if fault.hits(c.cam)]
        if not hit:
            names = sorted({c.cam for c in subject.cams} | {c.bank for c in subject.cams})
            raise _refused(text, f"a cam or bank with a sensor ({', '.join(names) or 'there is none'})", fault.target)
    if fault.kind != "slip":
        return
    for cam in hit:
        if not cam.stages:
            raise _refused(text, "a cam whose drive the engine file gives", cam.cam)
        if fault.stage is not None and not 1 <= fault.stage <= len(cam.stages):
            raise _refused(text, f"a stage from 1 to {len(cam.stages)} of cam {cam.cam}'s drive", str(fault.stage))


def _refused(text: str, expected: str, got: str) -> UsageError:
    what = f"--fault {text!r} does not fit"
    return UsageError(code="fault-text", what=what, expected=expected, got=got, hint=HINT)
