"""What each column measures, as far as its heading says so, and why we think so.

Names of logged values are those of SAE J1979 (from memory: LOAD_PCT, SHRTFT1, SPARKADV ...) and their plain spellings;
camshafts carry the bank and letter of SAE J2012 (A: intake or the only one, B: exhaust). What the signal itself shows is
judged elsewhere.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tightside.errors import UsageError
from tightside.recordings.headings import split_heading, words_of
from tightside.records import Channel, Readings

LOG_ROLES = ("rpm", "throttle", "throttle_commanded", "maf", "map", "ect", "iat", "baro", "spark", "load")
ROLE_FORMS = (
    "crank", "cam:1A", "starter_current", "battery_voltage", "sync:1", "cylinder_pressure:1", "manifold_pressure",
    "crankcase_pressure", "sound", *(f"log:{name}" for name in LOG_ROLES), "log:stft:1", "log:ltft:1",
    "log:cam_phase_error:1A", "log:cam_phase_actual:1A", "log:cam_phase_desired:1A",
)  # fmt: skip
_ROLE = re.compile(
    r"crank|cam:[1-9][AB]|starter_current|battery_voltage|(?:sync|cylinder_pressure):[1-9]\d?|manifold_pressure"
    r"|crankcase_pressure|sound|log:(?:" + "|".join(LOG_ROLES) + r")|log:[sl]tft:[1-9]"
    r"|log:cam_phase_(?:error|actual|desired):[1-9][AB]"
)

_CAM = {"cam", "cams", "camshaft", "cmp", "cmps", "nockenwelle", "nocken"}
_CRANK = {"crank", "crankshaft", "ckp", "ckps", "cks", "crk", "kurbelwelle", "flywheel"}
_PHASE = {"phase", "phaser", "phasing", "vvt", "vct", "timing", "angle", "position", "pos", "advance", "retard"}
_PRESSURE = {"pressure", "press", "p", "druck", "px"}
_VOLTS = {"voltage", "volt", "volts", "v", "u"}
_AMPS = {"current", "amps", "amp", "i", "a", "clamp"}
_TEMP = {"temp", "temperature", "tmp", "t"}
_FUEL = {"fuel", "rail", "pump", "tank"}


@dataclass(frozen=True, slots=True)
class Rule:
    """A heading whose words meet each group of ``needs`` and none of ``bars`` has this role."""

    role: str
    needs: tuple[set[str], ...]
    bars: frozenset[str] = frozenset()
    numbered: Literal["", "cylinder", "bank"] = ""


def _rule(
    role: str, *needs: set[str], bars: set[str] | None = None, numbered: Literal["", "cylinder", "bank"] = ""
) -> Rule:
    return Rule(role, needs, frozenset(bars or ()), numbered)


_PEDAL = {"pedal", "accelerator", "app"}
SENSOR_RULES = (
    _rule("crank", _CRANK, bars={"angle", "speed", "rpm", "case", "pressure", "current", "degrees"} | _CAM),
    _rule("starter_current", {"starter", "cranking"}, _AMPS),
    _rule("starter_current", {"starter"}, bars=_VOLTS | {"relay", "signal", "request"}),
    _rule("starter_current", {"battery", "batt"}, {"current", "amps", "clamp"}),
    _rule("battery_voltage", {"battery", "batt", "vbat", "vbatt", "ubat", "ubatt", "bat"}, bars={"current", "amps", "temperature", "temp"}),
    _rule("battery_voltage", {"module", "vpwr", "system"}, _VOLTS, bars={"sensor"}),
    _rule("battery_voltage", {"vpwr"}),
    _rule("cylinder_pressure", {"cylinder", "cyl", "compression", "pcyl"}, _PRESSURE | {"transducer", "pcyl"}, numbered="cylinder"),
    _rule("cylinder_pressure", {"pcyl"}, numbered="cylinder"),
    _rule("crankcase_pressure", {"crankcase", "dipstick", "blowby"}),
    _rule("manifold_pressure", {"manifold", "intake", "vacuum", "inlet"}, _PRESSURE | {"vacuum"}, bars={"exhaust"} | _FUEL),
    _rule("manifold_pressure", {"map", "vacuum"}, bars=_FUEL),
    _rule("sync", {"ignition", "coil", "ign", "spark", "sync", "cop", "plug"}, bars={"advance", "timing", "current"}, numbered="cylinder"),
    _rule("sync", {"injector", "inj", "injection"}, bars={"duty", "pulse", "width", "timing"}, numbered="cylinder"),
    _rule("sound", {"sound", "mic", "microphone", "audio", "noise"}),
)  # fmt: skip
LOG_RULES = (
    _rule("log:rpm", {"rpm", "drehzahl"}, bars={"turbine", "desired", "target", "output", "input", "turbo", "transmission", "fan", "alternator"}),
    _rule("log:rpm", {"engine", "motor"}, {"speed", "revolutions", "revs"}, bars={"desired", "target", "vehicle", "idle"}),
    _rule("log:throttle_commanded", {"throttle", "tac", "tp"}, {"commanded", "command", "cmd", "desired", "target", "tac", "requested"}, bars=_PEDAL),
    _rule("log:throttle", {"throttle", "tps", "tp"}, bars=_PEDAL | {"relative", "commanded", "command", "cmd", "desired", "target", "requested", "b", "c", "r", "voltage", "motor"}),
    _rule("log:maf", {"maf"}, bars=_VOLTS | {"frequency"}),
    _rule("log:maf", {"mass"}, {"air"}, {"flow", "rate"}, bars=_VOLTS),
    _rule("log:maf", {"air"}, {"flow"}, {"rate", "sensor", "flow"}, bars=_VOLTS | _FUEL),
    _rule("log:map", {"map"}, bars=_VOLTS | {"fuel"}),
    _rule("log:map", {"manifold"}, {"pressure", "press", "absolute", "abs"}, bars=_FUEL | {"exhaust"}),
    _rule("log:ect", {"ect"}),
    _rule("log:ect", {"coolant"}, _TEMP),
    _rule("log:iat", {"iat"}),
    _rule("log:iat", {"intake", "inlet", "charge"}, _TEMP, bars={"valve", "cam", "manifold", "surface"}),
    _rule("log:baro", {"baro", "barometric", "barometer"}),
    _rule("log:baro", {"atmospheric", "ambient"}, {"pressure", "press"}),
    _rule("log:stft", {"stft", "shrtft", "stfuel"}, bars={"o"}, numbered="bank"),
    _rule("log:stft", {"short", "st"}, {"trim", "ft"}, numbered="bank"),
    _rule("log:ltft", {"ltft", "longft"}, bars={"o"}, numbered="bank"),
    _rule("log:ltft", {"long", "lt"}, {"trim", "ft"}, numbered="bank"),
    _rule("log:spark", {"sparkadv"}),
    _rule("log:spark", {"spark", "ignition", "timing", "ign"}, {"advance", "adv", "angle", "timing"}, bars=_CAM | {"vvt", "vct", "valve", "retard", "knock", "injection"}),
    _rule("log:load", {"load"}, bars={"absolute", "abs", "alternator", "generator", "electrical", "desired"}),
    _rule("log:load", {"load"}, bars={"alternator", "generator", "electrical", "desired"}),
)  # fmt: skip

_ERROR = {"error", "err", "deviation", "diff", "difference", "delta"}
_DESIRED = {"desired", "target", "commanded", "command", "cmd", "setpoint", "requested", "des", "soll"}
_ACTUAL = {"actual", "act", "measured", "current", "ist"}


@dataclass(frozen=True, slots=True)
class Proposal:
    """A role (or None) and the reason."""

    role: str | None
    why: str = ""
    strength: int = 0


def is_role(text: str) -> bool:
    """Whether the text is a role as DESIGN 5 writes them.

    >>> is_role("cam:1A"), is_role("cam:3C"), is_role("log:stft:2")
    (True, False, True)
    """
    return _ROLE.fullmatch(text) is not None


def propose_role(heading: str, kind: Literal["sensor", "log", "sound"]) -> Proposal:
    """The role that a heading names.

    >>> propose_role("CMP B1S1 intake", "sensor").role, propose_role("THROTTLE_POS", "log").role
    ('cam:1A', 'log:throttle')
    """
    name = split_heading(heading)[0]
    for text in (heading.strip(), name):
        if is_role(text):
            return Proposal(text, "headed by its role", 9)
    words = words_of(heading)
    phase = _phase_role(words)
    if phase is not None and (kind == "log" or phase.strength > 4):
        return phase
    rules = LOG_RULES + SENSOR_RULES if kind == "log" else SENSOR_RULES
    if set(words) & _CAM and kind != "log":
        return _cam_role(words)
    for place, rule in enumerate(rules):
        if all(set(words) & group for group in rule.needs) and not set(words) & rule.bars:
            return _numbered(rule, words, place)
    return Proposal(None)


def _numbered(rule: Rule, words: tuple[str, ...], place: int) -> Proposal:
    strength = 5 if not rule.bars or rule.role != "log:load" or "absolute" not in words else 3
    because = "the heading says so"
    if not rule.numbered:
        return Proposal(rule.role, because, strength)
    number = _bank_of(words) if rule.numbered == "bank" else next((w for w in words if w.isdigit() and w != "0"), None)
    if number is None and rule.numbered == "bank":
        return Proposal(f"{rule.role}:1", "the heading says so; no bank is named: taken as bank 1", strength - 1)
    if number is None or not is_role(f"{rule.role}:{number}"):
        return Proposal(None, f"looks like {rule.role}, of which cylinder is not said (--channel {rule.role}:N=COLUMN)")
    return Proposal(f"{rule.role}:{number}", because, strength)


def _bank_of(words: tuple[str, ...]) -> str | None:
    for word, after in zip(words, (*words[1:], ""), strict=True):
        if word in ("bank", "b", "bk") and after.isdigit():
            return after
    numbers = [word for word in words if word in ("1", "2")]
    return numbers[0] if len(numbers) == 1 else None


def _cam_letter(words: tuple[str, ...]) -> str | None:
    said = set(words)
    intake = bool(said & {"intake", "inlet", "int", "in", "einlass"})
    exhaust = bool(said & {"exhaust", "exh", "ex", "outlet", "auslass"})
    if intake != exhaust:
        return "A" if intake else "B"
    letters = {w for i, w in enumerate(words) if w in ("a", "b") and not _is_bank_letter(words, i)}
    return letters.pop().upper() if len(letters) == 1 else None


def _is_bank_letter(words: tuple[str, ...], i: int) -> bool:
    """Whether a "b" abbreviates "bank": it stands before a number and not right after one ("B1", not "1B2")."""
    followed = i + 1 < len(words) and words[i + 1].isdigit()
    return words[i] == "b" and followed and not (i and words[i - 1].isdigit())


def _cam_bank(words: tuple[str, ...]) -> str | None:
    sides = [after for i, (w, after) in enumerate(zip(words, words[1:], strict=False))
             if after in ("1", "2") and (w in ("bank", "bk") or _is_bank_letter(words, i))]  # fmt: skip
    if sides:
        return sides[0]
    before_letter = [w for w, after in zip(words, words[1:], strict=False) if w in ("1", "2") and after in ("a", "b")]
    return (
        before_letter[0]
        if before_letter
        else next((w for w in words if w in ("1", "2")), None)
        if _cam_letter(words)
        else None
    )


def _cam_role(words: tuple[str, ...]) -> Proposal:
    bank, letter = _cam_bank(words), _cam_letter(words)
    if bank and letter:
        return Proposal(f"cam:{bank}{letter}", "the heading names bank and camshaft", 5)
    if letter:
        return Proposal(None, f"a cam ({'intake' if letter == 'A' else 'exhaust'}), on which bank is not said")
    if bank:
        return Proposal(None, f"a cam (bank {bank}), whether intake or exhaust is not said")
    return Proposal(None, "a cam, which one is not said")


def _phase_role(words: tuple[str, ...]) -> Proposal | None:
    """Logged cam phase: error, actual or desired, of a named camshaft."""
    said = set(words)
    if not (said & (_CAM | {"vvt", "vct", "phaser"}) and said & (_PHASE | _ERROR | _DESIRED | _ACTUAL)):
        return None
    if said & {"duty", "dc", "solenoid", "voltage", "current_ma", "counter", "status", "learned"}:
        return None
    what = "error" if said & _ERROR else "desired" if said & _DESIRED else "actual"
    plain = what == "actual" and not said & (_ACTUAL | {"phase", "vvt", "vct", "angle", "phaser"})
    bank, letter = _cam_bank(words) or _bank_of(words), _cam_letter(words)
    if not bank or not letter:
        missing = "which camshaft" if not letter else "which bank"
        return Proposal(None, f"cam phase {what}, of {missing} is not said", 0 if plain else 5)
    return Proposal(
        f"log:cam_phase_{what}:{bank}{letter}", "the heading names the value and the camshaft", 3 if plain else 5
    )


# ---------------------------------------------------------------------------------------------- over all channels


def assign_roles(
    channels: Sequence[Channel], kind: Literal["sensor", "log", "sound"], by_hand: Mapping[str, int]
) -> tuple[Channel, ...]:
    """Give each channel its role: those said by hand (role -> index), else the strongest claim by heading.

    A role goes to one column only; the others keep the reason why they were passed over.
    """
    named = {index: role for role, index in by_hand.items()}
    proposals = [propose_role(channel.column, kind) for channel in channels]
    owner: dict[str, int] = dict(by_hand)
    for i in sorted(range(len(channels)), key=lambda i: -proposals[i].strength):
        role = proposals[i].role
        if role is not None and i not in named and not _empty(channels[i]):
            owner.setdefault(role, i)
    done = []
    for i, (channel, proposal) in enumerate(zip(channels, proposals, strict=True)):
        if i in named:
            done.append(replace(channel, role=named[i], why="said by hand", by_hand=True))
        elif proposal.role is not None and owner.get(proposal.role) == i:
            done.append(replace(channel, role=proposal.role, why=proposal.why))
        else:
            done.append(replace(channel, why=channel.why or _passed_over(channel, proposal, owner, channels)))
    return tuple(done)


def _empty(channel: Channel) -> bool:
    return isinstance(channel.data, Readings) and bool(np.all(np.isnan(channel.data.values)))


def _passed_over(channel: Channel, proposal: Proposal, owner: Mapping[str, int], channels: Sequence[Channel]) -> str:
    if _empty(channel):
        return "empty"
    if proposal.role is None:
        return proposal.why
    return f"looks like {proposal.role} too, which '{channels[owner[proposal.role]].column}' took"


def check_role(role: str) -> str:
    """The role, if there is one of that name.

    Raises
    ------
    UsageError
        There is none; the sentence lists those that there are.
    """
    if is_role(role):
        return role
    raise UsageError(
        code="unknown-role",
        what=f"there is no role '{role}'",
        expected="one of " + ", ".join(ROLE_FORMS) + " (bank, camshaft and cylinder as they are)",
    )


def spark_in_degrees(channels: tuple[Channel, ...]) -> tuple[tuple[Channel, ...], list[str]]:
    """Spark advance logged as a percentage, turned back into degrees.

    SAE J1979 sends it in one byte A as A / 2 - 64 deg; some loggers show that byte as A / 2.55 %. Taken so only where
    what comes out could be a spark advance.
    """
    done, said = [], []
    for channel in channels:
        if channel.role == "log:spark" and channel.unit == "%" and isinstance(channel.data, Readings):
            advance = channel.data.values * 2.55 / 2 - 64
            if -30 <= np.nanpercentile(advance, 2) and np.nanpercentile(advance, 98) <= 64:
                said.append(f"'{channel.column}' is in percent: taken as the J1979 byte, 50.2 % = 0 deg")
                channel = replace(channel, data=Readings(channel.data.times_s, advance), unit="deg")
            else:
                channel = replace(channel, role=None, why="looks like log:spark, but its percentages are no angles")
        done.append(channel)
    return tuple(done), said
