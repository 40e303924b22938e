"""The table of codes: one entry for each family, with its reason. This file is meant to be read and argued with.

Meanings are in our own words. Where they come from is in ``source``: LISTS, general code lists on the net, several of
which agree (the text of SAE J2012 and of its digital annex J2012DA was not read); or MEMORY. Letters as those lists
read them: A is the intake or the only camshaft of a bank, B its exhaust camshaft; makers may differ. Bank 1 is the
bank of cylinder 1.

What a code supports is common practice, no source: a class of likelihood ratio. "strong" makes a cause about ten times
likelier against what the code does not bear on, "moderate" about four times, "weak" about twice; "against" about four
times less likely. They weigh, they never decide: a code says that a test failed, not which part did.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from tightside.records import CodeKind, Supports, Weight

LISTS = "general code lists that agree with one another; text of SAE J2012 not read"
MEMORY = "from memory of general code lists; text of SAE J2012 not read"

LIKELIHOOD_RATIO: dict[Weight, float] = {"strong": 10.0, "moderate": 4.0, "weak": 2.0, "against": 0.25}

LETTERS = {"A": "camshaft A (intake or the only one)", "B": "camshaft B (exhaust)"}


class Row(NamedTuple):
    """One code of a family: where it is ("1A", "1", "" for the engine) and what, if the family's words have a gap."""

    code: str
    where: str = ""
    what: str = ""


@dataclass(frozen=True, slots=True)
class Family:
    """Codes that say the same thing of different places. ``{where}`` and ``{what}`` in ``meaning`` are a row's."""

    name: str
    kind: CodeKind
    rows: tuple[Row, ...]
    meaning: str
    says: str
    does_not_say: str
    supports: Supports
    because: str
    points_to: tuple[str, ...] = ()
    source: str = LISTS


def place(where: str) -> str:
    """ "bank 1, camshaft A (intake or the only one)" from "1A"; "bank 2" from "2"; "" from "".

    >>> place("2B"), place("1")
    ('bank 2, camshaft B (exhaust)', 'bank 1')
    """
    if not where:
        return ""
    return f"bank {where[0]}" + (f", {LETTERS[where[1]]}" if len(where) > 1 else "")


def _rows(text: str) -> tuple[Row, ...]:
    """Rows from "P0016 1A, P0506 - lower than wanted": code, place (- for none), and what."""
    found = []
    for part in text.split(","):
        code, where, *what = part.split()
        found.append(Row(code, "" if where == "-" else where, " ".join(what)))
    return tuple(found)


# ------------------------------------------------------------------------------------------ cam and crank disagree

CORRELATION = (
    Family(
        name="cam against crank",
        kind="correlation",
        rows=_rows("P0016 1A, P0017 1B, P0018 2A, P0019 2B"),
        meaning="crankshaft and camshaft sensors do not agree: {where}",
        says="This camshaft's edges come too far from where the module expects them after the crank's gap.",
        does_not_say="Not why: a chain that slipped or wore, a phaser not at its stop, a turned sensor wheel, a "
        "moved or "
        "weak sensor and a wrong part all store it. Not by how much, nor to which side.",
        supports=(
            ("chain_slipped", "strong"),
            ("chain_worn", "moderate"),
            ("phaser_stuck", "moderate"),
            ("phaser_loose", "weak"),
            ("oil_control", "weak"),
            ("cam_signal", "weak"),
            ("crank_signal", "weak"),
            ("in_time", "against"),
        ),
        because="A slip of one tooth is far past the module's limit, a worn chain only in its last stage; a phaser "
        "that "
        "does not come back to its stop is off as far as a tooth.",
    ),
    Family(
        name="engine position",
        kind="correlation",
        rows=_rows("P0008 1, P0009 2"),
        meaning="engine position does not hold together: {where}",
        says="The module sees all of this bank's camshafts off from the crank alike.",
        does_not_say="Not whether the bank's chain moved or what all of the bank shares: idler, tensioner, crank "
        "wheel.",
        supports=(
            ("chain_slipped", "strong"),
            ("chain_worn", "moderate"),
            ("crank_signal", "weak"),
            ("phaser_stuck", "against"),
            ("phaser_loose", "against"),
            ("in_time", "against"),
        ),
        because="Both cams of a bank move alike when the chain that drives both has moved; two phasers rarely fail "
        "alike.",
    ),
)

# --------------------------------------------------------------------------------- a cam is not where it is told to be

POSITION = (
    Family(
        name="over-advanced",
        kind="position",
        rows=_rows("P0011 1A, P0014 1B, P0021 2A, P0024 2B"),
        meaning="camshaft stays too early, or its phaser system does not perform: {where}",
        says="The camshaft stayed earlier than it was told to for longer than its limit.",
        does_not_say="Not that the chain has slipped: oil and its valve do this far oftener. Makers also use the "
        "code for "
        "any failure of the phaser to follow.",
        supports=(
            ("oil_control", "strong"),
            ("phaser_stuck", "strong"),
            ("phaser_loose", "weak"),
            ("chain_slipped", "weak"),
            ("in_time", "against"),
        ),
        because="Sticking oil valves, dirty oil and hung phasers are the usual finds; a chain slips early less often "
        "than late.",
    ),
    Family(
        name="over-retarded",
        kind="position",
        rows=_rows("P0012 1A, P0015 1B, P0022 2A, P0025 2B"),
        meaning="camshaft stays too late: {where}",
        says="The camshaft stayed later than it was told to for longer than its limit.",
        does_not_say="Not why it is late: too little oil, a hung phaser, a worn chain and a chain that slipped late "
        "all "
        "do it.",
        supports=(
            ("oil_control", "moderate"),
            ("phaser_stuck", "moderate"),
            ("chain_slipped", "moderate"),
            ("chain_worn", "weak"),
            ("phaser_loose", "weak"),
            ("in_time", "against"),
        ),
        because="A phaser without oil falls late on an intake cam; a chain wears and jumps late more often than early.",
    ),
    Family(
        name="cold start, over-advanced",
        kind="position",
        rows=_rows("P052A 1A, P052C 2A, P054A 1B, P054C 2B"),
        meaning="camshaft too early at a cold start: {where}",
        says="In the first seconds after a cold start the camshaft was earlier than told.",
        does_not_say="Not what it does once warm. A phaser whose pin did not lock when it was shut off does this.",
        supports=(("phaser_stuck", "moderate"), ("oil_control", "moderate"), ("phaser_loose", "moderate")),
        because="Before oil pressure only the lock pin and the spring hold the phaser.",
        source=MEMORY,
    ),
    Family(
        name="cold start, over-retarded",
        kind="position",
        rows=_rows("P052B 1A, P052D 2A, P054B 1B, P054D 2B"),
        meaning="camshaft too late at a cold start: {where}",
        says="In the first seconds after a cold start the camshaft was later than told.",
        does_not_say="Not what it does once warm.",
        supports=(("phaser_loose", "moderate"), ("oil_control", "moderate"), ("chain_slipped", "weak")),
        because="Before oil pressure only the lock pin and the spring hold the phaser.",
        source=MEMORY,
    ),
    Family(
        name="slow response",
        kind="performance",
        rows=_rows("P000A 1A, P000B 1B, P000C 2A, P000D 2B"),
        meaning="camshaft follows its commands too slowly: {where}",
        says="The camshaft gets there, but late. It does move.",
        does_not_say="Not a word about where the chain sits.",
        supports=(
            ("oil_control", "strong"),
            ("phaser_stuck", "weak"),
            ("phaser_loose", "weak"),
            ("chain_slipped", "against"),
        ),
        because="Speed of a phaser is oil flow: level, grade, screen, valve. A slipped chain does not slow it.",
    ),
)

# ------------------------------------------------------------------------------------------- the phaser's oil valve

ACTUATOR = (
    Family(
        name="actuator circuit",
        kind="circuit",
        rows=_rows("P0010 1A, P0013 1B, P0020 2A, P0023 2B"),
        meaning="circuit of the camshaft's oil valve, or an open in it: {where}",
        says="The module does not see the current it sends through this valve.",
        does_not_say="Nothing about the cam's place. With the valve dead the phaser stays parked, so codes for its "
        "position may follow from this one.",
        supports=(("oil_control", "moderate"), ("phaser_stuck", "weak"), ("chain_slipped", "against")),
        because="An electrical fault explains a phaser that does not move, without a mechanical one.",
    ),
    Family(
        name="actuator circuit low or high",
        kind="circuit",
        rows=_rows(
            "P2088 1A low, P2089 1A high, P2090 1B low, P2091 1B high, "
            "P2092 2A low, P2093 2A high, P2094 2B low, P2095 2B high"
        ),
        meaning="circuit of the camshaft's oil valve reads {what}: {where}",
        says="The wire is shorted to ground (low), or to supply or open (high).",
        does_not_say="Nothing about the cam's place.",
        supports=(("oil_control", "moderate"), ("phaser_stuck", "weak"), ("chain_slipped", "against")),
        because="As for the valve's other circuit codes.",
    ),
    Family(
        name="control valve circuit",
        kind="circuit",
        rows=_rows(
            "P0075 1A bad, P0076 1A low, P0077 1A high, P0078 1B bad, P0079 1B low, P0080 1B high, "
            "P0081 2A bad, P0082 2A low, P0083 2A high, P0084 2B bad, P0085 2B low, P0086 2B high"
        ),
        meaning="circuit of the camshaft's control valve, {what}: {where}",
        says="The module does not see the current it sends through this valve, or sees too much.",
        does_not_say="Nothing about the cam's place. Some makers mean a valve that changes lift, not the phaser's.",
        supports=(("oil_control", "moderate"), ("phaser_stuck", "weak"), ("chain_slipped", "against")),
        because="As for the valve's other circuit codes.",
    ),
    Family(
        name="control valve performance",
        kind="performance",
        rows=_rows("P0026 1A, P0027 1B, P0028 2A, P0029 2B"),
        meaning="control valve of the camshaft is out of its range or does not perform: {where}",
        says="The valve's current or its effect is not as commanded.",
        does_not_say="Not whether the valve, its oil or its wire is at fault; nothing about the chain.",
        supports=(("oil_control", "strong"), ("phaser_stuck", "weak"), ("chain_slipped", "against")),
        because="The valve is named; varnish and chips in it are the usual find.",
    ),
)

# -------------------------------------------------------------------------------------------------- sensor circuits

_CAM_SENSORS = (("P034", 0, "1A"), ("P034", 5, "2A"), ("P036", 5, "1B"), ("P039", 0, "2B"))
_CRANK_SENSORS = (("P033", 5, "A"), ("P038", 5, "B"))


def _cam_rows(**what: str) -> tuple[Row, ...]:
    """Rows of the four cam sensors, by place in their blocks of five: c0="circuit" and so on."""
    return tuple(
        Row(f"{head}{first + int(n[1])}", where, word)
        for head, first, where in _CAM_SENSORS
        for n, word in what.items()
    )


def _crank_rows(**what: str) -> tuple[Row, ...]:
    return tuple(
        Row(f"{head}{first + int(n[1])}", "", f"crankshaft sensor {letter}: {word}")
        for head, first, letter in _CRANK_SENSORS
        for n, word in what.items()
    )


SENSORS = (
    Family(
        name="cam sensor circuit",
        kind="circuit",
        rows=_cam_rows(c0="no signal or bad circuit", c2="signal low", c3="signal high"),
        meaning="camshaft position sensor, {what}: {where}",
        says="The module does not get a usable signal from this sensor.",
        does_not_say="Nothing about timing. No signal can also be a cam that does not turn; and most modules no longer "
        "test the timing of a cam they do not see.",
        supports=(("cam_signal", "strong"), ("drive_broken", "weak")),
        because="Sensors, plugs and chafed wires fail far more often than drives.",
    ),
    Family(
        name="cam sensor performance",
        kind="performance",
        rows=_cam_rows(c1="range or performance"),
        meaning="camshaft position sensor, {what}: {where}",
        says="Edges come, but not as many or not in the order that the module expects.",
        does_not_say="Not whether the signal or the cam is wrong: a slipped chain can put an edge where another "
        "belongs.",
        supports=(
            ("cam_signal", "strong"),
            ("chain_slipped", "weak"),
            ("phaser_loose", "weak"),
            ("crank_signal", "weak"),
        ),
        because="Air gap, chips on the sensor and a bent wheel are usual; several makers also store it for a cam far "
        "off.",
    ),
    Family(
        name="cam sensor intermittent",
        kind="circuit",
        rows=_cam_rows(c4="signal comes and goes"),
        meaning="camshaft position sensor, {what}: {where}",
        says="The signal was lost for moments.",
        does_not_say="Nothing about timing.",
        supports=(("cam_signal", "strong"),),
        because="What comes and goes is nearly always a plug, a wire or the sensor when hot.",
    ),
    Family(
        name="crank sensor circuit",
        kind="circuit",
        rows=_crank_rows(c0="no signal or bad circuit", c2="signal low", c3="signal high"),
        meaning="{what}",
        says="The module does not get a usable crankshaft signal.",
        does_not_say="Nothing about the cams: their codes cannot be trusted while the crank is not seen.",
        supports=(("crank_signal", "strong"),),
        because="Every cam angle is measured from the crank's.",
    ),
    Family(
        name="crank sensor performance",
        kind="performance",
        rows=_crank_rows(c1="range or performance"),
        meaning="{what}",
        says="Crank pulses come, but not as many a turn as the wheel has.",
        does_not_say="Not whether sensor, wheel or starter speed is at fault; nothing about the cams.",
        supports=(("crank_signal", "strong"), ("wrong_reference", "weak")),
        because="A damaged wheel, metal on the sensor or a wrong air gap shift or drop pulses.",
    ),
    Family(
        name="crank sensor intermittent",
        kind="circuit",
        rows=_crank_rows(c4="signal comes and goes"),
        meaning="{what}",
        says="The crankshaft signal was lost for moments.",
        does_not_say="Nothing about the cams.",
        supports=(("crank_signal", "strong"),),
        because="As for the cam sensors.",
    ),
    Family(
        name="engine speed input",
        kind="circuit",
        rows=_rows("P0320 - circuit, P0321 - range or performance, P0322 - no signal, P0323 - comes and goes"),
        meaning="engine speed input of ignition or distributor, {what}",
        says="The signal from which ignition takes engine speed is bad.",
        does_not_say="Nothing about the cams.",
        supports=(("crank_signal", "strong"),),
        because="On engines that store it this is the crank's own signal or stands in its place.",
    ),
    Family(
        name="crank variation not learned",
        kind="performance",
        rows=_rows("P0315 -"),
        meaning="crankshaft wheel's own unevenness has not been learned",
        says="The module has not measured its crank wheel since it was reset or replaced.",
        does_not_say="No fault by itself; misfire codes are less sure until it is done.",
        supports=(("crank_signal", "weak"), ("wrong_reference", "weak")),
        because="It follows work on crank sensor, wheel or module, and such work can leave the reference off.",
    ),
    Family(
        name="timing reference",
        kind="circuit",
        rows=_rows(
            "P0370 - fine signal A, P0371 - fine signal A with too many pulses, P0372 - fine signal A with too few "
            "pulses, "
            "P0373 - fine signal A coming and going, P0374 - fine signal A absent, P0375 - fine signal B, "
            "P0376 - fine signal B with too many pulses, P0377 - fine signal B with too few pulses, "
            "P0378 - fine signal B coming and going, P0379 - fine signal B absent"
        ),
        meaning="timing reference: {what}",
        says="The fine angle signal, on engines that have one, is bad.",
        does_not_say="Nothing about where the cams sit.",
        supports=(("crank_signal", "strong"), ("cam_signal", "weak")),
        because="It is the signal from which angles are counted, often picked up at the cam or in a distributor.",
    ),
    Family(
        name="position signal output",
        kind="circuit",
        rows=_rows(
            "P2614 - camshaft signal output open, P2615 - camshaft signal output low, "
            "P2616 - camshaft signal output high, P2617 - crankshaft signal output open, "
            "P2618 - crankshaft signal output low, P2619 - crankshaft signal output high"
        ),
        meaning="position signal that the module passes on: {what}",
        says="What the module sends to another module does not arrive.",
        does_not_say="Nothing about the sensors or the cams themselves.",
        supports=(("cam_signal", "weak"), ("crank_signal", "weak")),
        because="Only the wire between modules is tested.",
    ),
)

# --------------------------------------------------------------------------------------------------------- context

MISFIRE = (
    Family(
        name="misfire",
        kind="misfire",
        rows=(
            Row("P0300", "", "several cylinders"),
            *(Row(f"P03{n:02d}", "", f"cylinder {n}") for n in range(1, 13)),
            Row("P0314", "", "one cylinder, which is not said"),
            Row("P0316", "", "in the first turns after the start"),
            Row("P0363", "", "so many that fuel was shut off"),
        ),
        meaning="misfire: {what}",
        says="The crank did not speed up as it should after this firing.",
        does_not_say="Not why: spark, fuel, sealing and valve timing all do it. On one bank only it may be that bank's "
        "timing.",
        supports=(("chain_slipped", "weak"),),
        because="A bank two teeth off fills badly; a bank one tooth off often still fires.",
        points_to=("cylinders",),
    ),
)

OIL = (
    Family(
        name="oil pressure",
        kind="oil",
        rows=_rows("P0524 - too low"),
        meaning="engine oil pressure is {what}",
        says="Oil pressure was below what the module expects.",
        does_not_say="Not whether level, pump, clearance or screen is at fault. Stop the engine and measure it.",
        supports=(("oil_control", "strong"), ("phaser_loose", "moderate"), ("chain_slipped", "weak")),
        because="Phasers and chain tensioners live on that pressure.",
    ),
    Family(
        name="oil pressure sensor",
        kind="oil",
        rows=_rows("P0520 - circuit, P0521 - range or performance, P0522 - signal low, P0523 - signal high"),
        meaning="engine oil pressure sensor or switch, {what}",
        says="The reading of oil pressure cannot be trusted.",
        does_not_say="Not that pressure is low, though P0521 and P0522 are also stored when it is: measure with a "
        "gauge.",
        supports=(("oil_control", "weak"),),
        because="A bad sensor is likelier than bad pressure, and low pressure would be grave.",
    ),
    Family(
        name="oil temperature sensor",
        kind="oil",
        rows=_rows(
            "P0195 - circuit, P0196 - range or performance, P0197 - signal low, P0198 - signal high, "
            "P0199 - signal that comes and goes"
        ),
        meaning="engine oil temperature sensor, {what}",
        says="The module may not know how thick its oil is, and may keep the phasers parked.",
        does_not_say="Nothing about where the cams sit.",
        supports=(("oil_control", "weak"),),
        because="Phaser control is scheduled by oil temperature.",
    ),
)

# Codes that the airflow analysis answers. A cam far off changes manifold pressure and idle air, so they can follow
# from timing, but nearly always they do not.
AIRFLOW = (
    Family(
        name="idle speed control",
        kind="airflow",
        rows=_rows(
            "P0505 - does not work, P0506 - idle slower than wanted, P0507 - idle faster than wanted, "
            "P0508 - circuit low, P0509 - circuit high, P0511 - circuit, P0518 - circuit that comes and goes, "
            "P0519 - does not perform"
        ),
        meaning="idle air control: {what}",
        says="Idle speed and the air that should give it do not go together.",
        does_not_say="Not whether deposits, a leak, the valve or the engine itself is at fault.",
        supports=(("chain_slipped", "weak"),),
        because="Deposits and leaks are usual; an engine out of time idles badly too.",
        points_to=("airflow",),
    ),
    Family(
        name="idle at a cold start",
        kind="airflow",
        rows=_rows("P050A -"),
        meaning="idle air control bad at a cold start",
        says="Idle speed is not as wanted in the first seconds after a cold start.",
        does_not_say="Not whether air, fuel or the engine is at fault.",
        supports=(),
        because="As for idle speed control.",
        points_to=("airflow",),
        source=MEMORY,
    ),
    Family(
        name="air leak",
        kind="airflow",
        rows=_rows("P2281 - before the throttle, P2282 - after the throttle"),
        meaning="air leak {what}",
        says="More air reaches the engine than is measured.",
        does_not_say="Nothing about timing.",
        supports=(),
        because="Hoses, gaskets.",
        points_to=("airflow",),
    ),
    Family(
        name="closed throttle switch",
        kind="airflow",
        rows=_rows("P0510 -"),
        meaning="closed throttle switch",
        says="The module does not see that the throttle is closed.",
        does_not_say="Nothing about timing.",
        supports=(),
        because="A switch.",
        points_to=("airflow",),
    ),
    Family(
        name="throttle position sensor",
        kind="airflow",
        rows=_rows(
            "P0120 - A circuit, P0121 - A range or performance, P0122 - A low, P0123 - A high, P0124 - A comes and "
            "goes, "
            "P0220 - B circuit, P0221 - B range or performance, P0222 - B low, P0223 - B high, P0224 - B comes and "
            "goes, "
            "P0225 - C circuit, P0226 - C range or performance, P0227 - C low, P0228 - C high, P0229 - C comes and "
            "goes, "
            "P2135 - A and B do not agree, P2136 - A and C do not agree, P2137 - B and C do not agree"
        ),
        meaning="throttle or pedal position sensor {what}",
        says="The throttle's angle is not known for sure.",
        does_not_say="Nothing about timing. P0121 compares air flow with angle, so deposits and leaks store it too.",
        supports=(),
        because="Sensor tracks, plugs, deposits.",
        points_to=("airflow",),
    ),
    Family(
        name="pedal position sensor",
        kind="airflow",
        rows=_rows(
            "P2120 - D circuit, P2121 - D range or performance, P2122 - D low, P2123 - D high, P2124 - D comes and "
            "goes, "
            "P2125 - E circuit, P2126 - E range or performance, P2127 - E low, P2128 - E high, P2129 - E comes and "
            "goes, "
            "P2138 - D and E do not agree"
        ),
        meaning="accelerator pedal sensor {what}",
        says="What the driver asks for is not known for sure.",
        does_not_say="Nothing about timing.",
        supports=(),
        because="Sensor tracks and plugs.",
        points_to=("airflow",),
    ),
    Family(
        name="throttle actuator",
        kind="airflow",
        rows=_rows(
            "P2100 - motor circuit open, P2101 - motor range or performance, P2102 - motor circuit low, "
            "P2103 - motor circuit high, P2104 - forced to idle, P2105 - forced to stop the engine, "
            "P2106 - forced to limited power, P2107 - processor, P2108 - module, P2109 - closed stop out of place, "
            "P2110 - forced to limited speed, P2111 - stuck open, P2112 - stuck closed, P2118 - motor current, "
            "P2119 - throttle body out of range, P2172 - sudden leak or too much air, P2173 - slow leak or too much "
            "air, "
            "P2174 - sudden lack of air, P2175 - slow lack of air, P2176 - idle position not learned, "
            "P0638 1 range or performance, P0639 2 range or performance"
        ),
        meaning="throttle actuator: {what}",
        says="The throttle plate or the air past it is not as commanded.",
        does_not_say="Nothing about timing; reduced power can be this and not the chain.",
        supports=(),
        because="Deposits, a worn gear, a leak after the throttle.",
        points_to=("airflow",),
    ),
    Family(
        name="air and pressure sensors",
        kind="airflow",
        rows=_rows(
            "P0068 - throttle and air flow or pressure do not agree, P0069 - manifold and barometric pressure do not "
            "agree, "
            "P0100 - air flow circuit, P0101 - air flow range or performance, P0102 - air flow low, P0103 - air flow "
            "high, "
            "P0104 - air flow comes and goes, P0105 - manifold pressure circuit, "
            "P0106 - manifold pressure range or performance, P0107 - manifold pressure low, "
            "P0108 - manifold pressure high, P0109 - manifold pressure comes and goes"
        ),
        meaning="air measurement: {what}",
        says="Measured air does not fit throttle and speed.",
        does_not_say="Not which of them is wrong. An intake cam far off raises manifold pressure at idle and stores "
        "the "
        "range codes too.",
        supports=(("chain_slipped", "weak"),),
        because="Leaks, deposits and sensors are usual; low vacuum from late cams is not rare.",
        points_to=("airflow",),
    ),
    Family(
        name="fuel trim",
        kind="airflow",
        rows=_rows("P0171 1 lean, P0172 1 rich, P0174 2 lean, P0175 2 rich"),
        meaning="mixture too {what}: {where}",
        says="The module had to correct fuel past its limit.",
        does_not_say="Not why. On one bank only, what that bank alone has comes first; its valve timing is part of "
        "that.",
        supports=(("chain_slipped", "weak"),),
        because="A bank out of time breathes differently from the other one.",
        points_to=("airflow",),
    ),
)

FAMILIES: tuple[Family, ...] = (*CORRELATION, *POSITION, *ACTUATOR, *SENSORS, *MISFIRE, *OIL, *AIRFLOW)

STANDARD: dict[str, tuple[Family, Row]] = {row.code: (family, row) for family in FAMILIES for row in family.rows}
