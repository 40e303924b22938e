"""What each column measures, as far as its heading says so, and why we think so.

Names of logged values are those of SAE J1979 (from memory: LOAD_PCT, SHRTFT1, SPARKADV ...) and their plain spellings;
camshafts carry the bank and letter of SAE J2012 (A: intake or the only one, B: exhaust). What the signal itself shows
is judged elsewhere.
"""

from __future__ import annotations

import itertools
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


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


_CAM = _set("cam cams camshaft cmp cmps nockenwelle nocken")
_PHASE = _set("phase phaser phasing vvt vct timing angle position pos advance retard")


@dataclass(frozen=True, slots=True)
class Rule:
    """A heading whose words meet each group of ``needs`` and none of ``bars`` has this role."""

    role: str
    needs: tuple[frozenset[str], ...]
    bars: frozenset[str]
    numbered: Literal["", "cylinder", "bank"] = ""


def _rules(table: str, numbered: Mapping[str, Literal["cylinder", "bank"]]) -> tuple[Rule, ...]:
    """Rules from lines of "role | words + words - words": one of each group before the minus, none of those after."""
    rules = []
    for line in table.strip().splitlines():
        role, words = line.split("|")
        needs, _, bars = words.partition(" - ")
        groups = tuple(_set(group) for group in needs.split(" + "))
        rules.append(Rule(role.strip(), groups, _set(bars), numbered.get(role.strip(), "")))
    return tuple(rules)


SENSOR_RULES = _rules(
    """
    crank | crank crankshaft ckp ckps cks crk kurbelwelle flywheel - angle speed rpm case pressure current cam camshaft
    starter_current | starter cranking + current amps amp i a clamp
    starter_current | starter - voltage volt volts v u relay signal request
    starter_current | battery batt + current amps clamp
    battery_voltage | battery batt bat vbat vbatt ubat ubatt - current amps temperature temp
    battery_voltage | module system + voltage volt volts v - sensor
    battery_voltage | vpwr
    cylinder_pressure | cylinder cyl compression + pressure press p druck px transducer
    cylinder_pressure | pcyl
    crankcase_pressure | crankcase dipstick blowby
    manifold_pressure | manifold intake inlet + pressure press p vacuum - exhaust fuel rail
    manifold_pressure | map vacuum - fuel rail pump
    sync | ignition coil ign spark sync cop plug - advance timing current
    sync | injector inj injection - duty pulse width timing
    sound | sound mic microphone audio noise
    """,
    {"cylinder_pressure": "cylinder", "sync": "cylinder"},
)
LOG_RULES = _rules(
    """
    log:rpm | rpm drehzahl - turbine desired target output input turbo transmission fan alternator
    log:rpm | engine motor + speed revolutions revs - desired target vehicle idle
    log:throttle_commanded | throttle tac tp + commanded command cmd desired target requested tac - pedal accelerator
    log:throttle | throttle tps tp - pedal accelerator relative commanded command cmd desired target requested b c r
    log:maf | maf - voltage volts v frequency
    log:maf | mass + air + flow rate - voltage volts v
    log:maf | air + flow - voltage volts v fuel
    log:map | map - voltage volts v fuel
    log:map | manifold + pressure press absolute abs - fuel rail exhaust
    log:ect | ect
    log:ect | coolant + temp temperature tmp t
    log:iat | iat
    log:iat | intake inlet charge + temp temperature tmp t - valve cam manifold surface
    log:baro | baro barometric barometer
    log:baro | atmospheric ambient + pressure press
    log:stft | stft shrtft - o
    log:stft | short st + trim ft - o
    log:ltft | ltft longft - o
    log:ltft | long lt + trim ft - o
    log:spark | sparkadv
    log:spark | spark ignition timing ign + advance adv angle timing - cam camshaft vvt vct valve retard knock injection
    log:spark | spark - plug coil retard knock cylinder cyl
    log:load | load - alternator generator electrical desired
    """,
    {"log:stft": "bank", "log:ltft": "bank"},
)
# Units that SAE J1979 gives these values in, for logs whose headings leave them out.
LOG_UNITS = {
    "rpm": "rpm", "throttle": "%", "throttle_commanded": "%", "maf": "g/s", "map": "kPa", "ect": "degC", "iat": "degC",
    "baro": "kPa", "stft": "%", "ltft": "%", "spark": "deg", "load": "%", "cam_phase_error": "deg",
    "cam_phase_actual": "deg", "cam_phase_desired": "deg",
}  # fmt: skip

_ERROR = _set("error err deviation diff difference delta")
_DESIRED = _set("desired target commanded command cmd setpoint requested des soll")
_ACTUAL = _set("actual act measured current ist")


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
    if kind == "sound":
        return Proposal("sound", "a sound file; if it carries a sensor, say which: --channel crank=1", 1)
    words = words_of(heading)
    phase = _phase_role(words)
    if phase is not None and (kind == "log" or phase.strength > 4):
        return phase
    rules = LOG_RULES + SENSOR_RULES if kind == "log" else SENSOR_RULES
    if set(words) & _CAM and kind != "log":
        return _cam_role(words)
    for rule in rules:
        if all(set(words) & group for group in rule.needs) and not set(words) & rule.bars:
            return _numbered(rule, words)
    return Proposal(None)


def _numbered(rule: Rule, words: tuple[str, ...]) -> Proposal:
    strength = 3 if set(words) & {"absolute", "abs"} and rule.role == "log:load" else 5
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
    sides = [after for i, (w, after) in enumerate(itertools.pairwise(words))
             if after in ("1", "2") and (w in ("bank", "bk") or _is_bank_letter(words, i))]  # fmt: skip
    if sides:
        return sides[0]
    before_letter = [w for w, after in itertools.pairwise(words) if w in ("1", "2") and after in ("a", "b")]
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
            done.append(_with_unit(replace(channel, role=proposal.role, why=proposal.why)))
        else:
            done.append(replace(channel, why=channel.why or _passed_over(channel, proposal, owner, channels)))
    return tuple(done)


def _with_unit(channel: Channel) -> Channel:
    """A logged value without a unit has the one that J1979 sends it in."""
    unit = LOG_UNITS.get(channel.role.split(":")[1]) if channel.role and channel.role.startswith("log:") else None
    if channel.unit or unit is None:
        return channel
    return replace(channel, unit=unit, why=f"{channel.why}; no unit is named: taken as {unit}")


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
            if np.nanpercentile(advance, 2) >= -30 and np.nanpercentile(advance, 98) <= 64:
                said.append(f"'{channel.column}' is in percent: taken as the J1979 byte, 50.2 % = 0 deg")
                channel = replace(channel, data=Readings(channel.data.times_s, advance), unit="deg")
            else:
                channel = replace(channel, role=None, why="looks like log:spark, but its percentages are no angles")
        done.append(channel)
    return tuple(done), said
