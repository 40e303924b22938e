"""What codes say together that none of them says alone.

One bank against both, circuit against correlation, too early against too late, new after clearing against stored. Each
rule is a small function and stands with its reason; all of them are common practice, no source. For the causes that a
rule names it stands in place of its codes' own weights, so that nothing is counted twice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from tightside.codes.table import STANDARD
from tightside.records import CodeFinding, CodeSetFinding

#: codes that say a cam is late or early, by what comes after P00
LATE = frozenset({"over-retarded", "cold start, over-retarded"})
CYLINDERS = frozenset(range(1, 13))  # P0301 to P0312
DEAD_VALVE = ("actuator circuit", "actuator circuit low or high", "control valve circuit")
EARLY = frozenset({"over-advanced", "cold start, over-advanced"})


@dataclass(frozen=True, slots=True)
class Codes:
    """The codes of one vehicle, with what is known of the engine."""

    found: tuple[CodeFinding, ...]
    banks: Mapping[str, tuple[int, ...]]  # bank to cylinders, from the engine file; empty where it is not known

    def of(self, *kinds: str) -> list[CodeFinding]:
        """Those of some kinds that bear on cam or crank."""
        return [f for f in self.found if f.kind in kinds]

    def family(self, *names: str) -> list[CodeFinding]:
        """Those of some families of the table."""
        return [f for f in self.found if f.standard and f.code in STANDARD and STANDARD[f.code][0].name in names]

    @property
    def correlation(self) -> list[CodeFinding]:
        """Cam and crank do not agree, of a named bank."""
        return [f for f in self.of("correlation") if f.bank]

    @property
    def cam_signal(self) -> list[CodeFinding]:
        """A cam sensor's own codes."""
        return [f for f in self.of("circuit", "performance") if "cam_signal" in dict(f.supports) and f.cam]

    @property
    def crank_signal(self) -> list[CodeFinding]:
        """A crank sensor's own codes."""
        return [f for f in self.found if dict(f.supports).get("crank_signal") in ("strong", "moderate") and not f.bank]

    @property
    def moving(self) -> list[CodeFinding]:
        """A cam that does not go where it is told, or too slowly."""
        return [f for f in self.of("position", "performance") if f.cam and "oil_control" in dict(f.supports)]


Rule = Callable[[Codes], "list[CodeSetFinding]"]


def read_together(
    codes: Sequence[CodeFinding], banks: Mapping[str, tuple[int, ...]] | None = None
) -> tuple[CodeSetFinding, ...]:
    """What the codes of one vehicle say together.

    Parameters
    ----------
    codes : from ``read_codes``
    banks : bank to its cylinders, optional
        From the engine file. Without it a single bank's codes are not held against a second bank that may not exist.

    Examples
    --------
    >>> from tightside.codes.read import read_codes
    >>> [s.pattern for s in read_together(read_codes(["P0016", "P0018"]))]
    ['cam against crank on both banks']
    """
    known = Codes(tuple(codes), {str(bank): tuple(cylinders) for bank, cylinders in (banks or {}).items()})
    return tuple(found for rule in RULES for found in rule(known))


def codes_alone(codes: Sequence[CodeFinding]) -> CodeSetFinding:
    """What can and cannot be said where there is no recording beside the codes."""
    cams = sorted({f.cam for f in codes if f.cam} | {f"bank {f.bank}" for f in codes if f.bank and not f.cam})
    about = f", here of {', '.join(cams)}" if cams else ""
    return CodeSetFinding(
        pattern="codes alone",
        codes=_names(codes),
        says=f"Codes alone say which of the module's tests failed{about}, and so what is likelier than before.",
        does_not_say="They cannot say how far a cam is off, to which side, whether it holds still, or which part did "
        "it: "
        "a recording of crank and cam sensors can, and a log of the cams' angles nearly so.",
    )


def _names(findings: Sequence[CodeFinding]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(f.code for f in findings))


def _by_bank(findings: Sequence[CodeFinding]) -> dict[str, list[CodeFinding]]:
    banks: dict[str, list[CodeFinding]] = {}
    for f in findings:
        banks.setdefault(f.bank or "", []).append(f)
    return banks


def _by_cam(findings: Sequence[CodeFinding]) -> dict[str, list[CodeFinding]]:
    cams: dict[str, list[CodeFinding]] = {}
    for f in findings:
        cams.setdefault(f.cam or "", []).append(f)
    return cams


# ------------------------------------------------------------------------------------------------------- the rules


def correlation_on_both_banks(codes: Codes) -> list[CodeSetFinding]:
    """Two chains rarely slip in one night: look first for what both banks share."""
    found = codes.correlation
    if len(_by_bank(found)) < 2:
        return []
    return [
        CodeSetFinding(
            pattern="cam against crank on both banks",
            codes=_names(found),
            says="Both banks disagree with the crank. What both share comes first: crank sensor and its wheel, a first "
            "chain common to both, oil supply, a wrong part or wrong data after work.",
            does_not_say="It does not clear the chains: one chain that drives both banks can slip for both.",
            supports=(
                ("crank_signal", "moderate"),
                ("wrong_reference", "moderate"),
                ("chain_slipped", "moderate"),
                ("oil_control", "weak"),
                ("phaser_stuck", "weak"),
            ),
        )
    ]


def correlation_on_one_bank(codes: Codes) -> list[CodeSetFinding]:
    """The other bank is measured from the same crank and does not complain."""
    by_bank = _by_bank(codes.correlation)
    if len(by_bank) != 1 or len(codes.banks) < 2 or codes.crank_signal:
        return []
    bank, found = next(iter(by_bank.items()))
    if any(f.bank != bank for f in codes.cam_signal):  # a bank that is not seen cannot complain
        return []
    cams = _by_cam([f for f in found if f.cam])
    both = len(cams) > 1 or any(f.cam is None for f in found)
    says = f"Only bank {bank} disagrees with the crank, so the crank's own signal is good enough for the other bank."
    if both:
        says += " Both of its camshafts are off: what drives both has moved."
    return [
        CodeSetFinding(
            pattern="cam against crank on one bank",
            codes=_names(found),
            says=says,
            does_not_say="Not which of chain, phaser and sensor of that bank it is.",
            bank=bank,
            cam=None if both else next(iter(cams)),
            supports=(
                ("chain_slipped", "strong"),
                ("crank_signal", "against"),
                ("wrong_reference", "against"),
                *((("phaser_stuck", "against"), ("phaser_loose", "against")) if both else ()),
            ),
        )
    ]


def correlation_with_circuit(codes: Codes) -> list[CodeSetFinding]:
    """A cam whose signal is bad cannot be said to be out of time by that signal."""
    doubtful = {f.cam: f for f in codes.cam_signal}
    return [
        CodeSetFinding(
            pattern="cam against crank with a bad signal of the same cam",
            codes=_names([f, doubtful[f.cam]]),
            says="The same sensor is said to be bad and to be out of time. Mend the signal first: the second may "
            "follow "
            "from the first.",
            does_not_say="It does not clear the chain: a cam that is far off stores both on some engines.",
            bank=f.bank,
            cam=f.cam,
            supports=(("cam_signal", "strong"), ("chain_slipped", "weak")),
        )
        for f in codes.correlation
        if f.cam in doubtful
    ]


def correlation_with_crank(codes: Codes) -> list[CodeSetFinding]:
    """Every cam angle is measured from the crank: without it none can be believed."""
    found, crank = codes.correlation, codes.crank_signal
    if not found or not crank:
        return []
    return [
        CodeSetFinding(
            pattern="cam against crank with a bad crank signal",
            codes=_names([*found, *crank]),
            says="The crank's own signal is said to be bad, and every cam angle rests on it. Mend it, clear, and see "
            "what "
            "comes back.",
            supports=(("crank_signal", "strong"), ("chain_slipped", "weak")),
        )
    ]


def position_with_actuator_circuit(codes: Codes) -> list[CodeSetFinding]:
    """A valve without current cannot move its cam."""
    dead = {f.cam: f for f in codes.family(*DEAD_VALVE)}
    return [
        CodeSetFinding(
            pattern="cam does not follow, and its oil valve has no current",
            codes=_names([f, dead[f.cam]]),
            says="The cam does not follow because its oil valve is not driven. Mend the circuit first.",
            bank=f.bank,
            cam=f.cam,
            supports=(("oil_control", "strong"), ("phaser_stuck", "against"), ("chain_slipped", "against")),
        )
        for f in codes.moving
        if f.cam in dead and f is not dead[f.cam]
    ]


def too_early_and_too_late(codes: Codes) -> list[CodeSetFinding]:
    """A chain that slipped sits to one side and stays there."""
    early, late = _by_cam(codes.family(*EARLY)), _by_cam(codes.family(*LATE))
    return [
        CodeSetFinding(
            pattern="too early and too late",
            codes=_names([*early[cam], *late[cam]]),
            says="The cam was too early at one time and too late at another: it wanders or hangs where it last was.",
            does_not_say="A steady offset, as of a slipped chain, would give one side only.",
            bank=cam[:1],
            cam=cam,
            supports=(("phaser_loose", "strong"), ("oil_control", "moderate"), ("chain_slipped", "against")),
        )
        for cam in early
        if cam in late
    ]


def correlation_with_position(codes: Codes) -> list[CodeSetFinding]:
    """The module's two tests of one cam, at park and under way, fail alike."""
    early, late = _by_cam(codes.family(*EARLY)), _by_cam(codes.family(*LATE))
    found = []
    for f in codes.correlation:
        if f.cam in late and f.cam not in early:
            side, more = "late", late[f.cam]
            supports = (("chain_slipped", "strong"), ("chain_worn", "moderate"), ("phaser_stuck", "weak"))
        elif f.cam in early and f.cam not in late:
            side, more = "early", early[f.cam]
            supports = (("phaser_stuck", "strong"), ("oil_control", "moderate"), ("chain_slipped", "moderate"))
        else:
            continue
        found.append(
            CodeSetFinding(
                pattern=f"cam against crank, and too {side}",
                codes=_names([f, *more]),
                says=f"The cam is {side} both against the crank and against its command.",
                does_not_say="Late fits a chain that slipped; early fits a phaser that hangs, as often as a chain.",
                bank=f.bank,
                cam=f.cam,
                supports=supports,  # type: ignore[arg-type]
            )
        )
    return found


def moving_badly_on_several_cams(codes: Codes) -> list[CodeSetFinding]:
    """Phasers do not fail in pairs; their oil does."""
    found = codes.moving
    cams = {f.cam for f in found}
    low = codes.of("oil")
    if len(cams) < 2 and not (cams and low):
        return []
    return [
        CodeSetFinding(
            pattern="several cams do not follow" if len(cams) > 1 else "cam does not follow, and oil is named",
            codes=_names([*found, *low]),
            says="Check the oil first, level, grade, pressure and screens: it is what all phasers share.",
            does_not_say="Nothing about the chains.",
            bank=next(iter({f.bank for f in found})) if len({f.bank for f in found}) == 1 else None,
            supports=(("oil_control", "strong"), ("phaser_stuck", "weak"), ("phaser_loose", "weak")),
        )
    ]


def silent_cams_of_one_bank(codes: Codes) -> list[CodeSetFinding]:
    """Two sensors of one bank seldom die together: what both need is a supply, and a bank that turns."""
    silent = codes.family("cam sensor circuit")
    found = []
    for bank, mine in _by_bank(silent).items():
        if len({f.cam for f in mine}) < 2 or len(_by_bank(silent)) > 1:
            continue
        found.append(
            CodeSetFinding(
                pattern="both cam sensors of one bank silent",
                codes=_names(mine),
                says=f"Both cam signals of bank {bank} are gone. Look whether that bank's cams turn, then at the "
                "supply "
                "that both sensors share. Do not crank on if they stand still.",
                bank=bank,
                supports=(("drive_broken", "moderate"), ("cam_signal", "moderate")),
            )
        )
    return found


def sensors_everywhere(codes: Codes) -> list[CodeSetFinding]:
    """Crank and cam sensors often hang on one supply and one ground."""
    cams, crank = codes.family("cam sensor circuit"), codes.family("crank sensor circuit")
    if not (cams and crank) and len(_by_bank(cams)) < 2:
        return []
    return [
        CodeSetFinding(
            pattern="several position sensors at once",
            codes=_names([*cams, *crank]),
            says="Sensors that hang on one supply and one ground complain together: measure those first.",
            does_not_say="Nothing about timing.",
            supports=(("cam_signal", "strong"), ("crank_signal", "strong" if crank else "weak")),
        )
    ]


def misfires_of_the_bank(codes: Codes) -> list[CodeSetFinding]:
    """A bank out of time fires badly as a bank."""
    hit = {int(f.code[3:]) for f in codes.of("misfire") if f.standard and f.code[:4] in ("P030", "P031")} & CYLINDERS
    found = []
    for bank, mine in _by_bank(codes.correlation).items():
        own = set(codes.banks.get(bank, ()))
        if len(codes.banks) < 2 or len(hit) < 2 or not hit <= own:
            continue
        found.append(
            CodeSetFinding(
                pattern="misfires on the bank whose cam disagrees",
                codes=(*_names(mine), *(f"P03{n:02d}" for n in sorted(hit))),
                says=f"All misfires are on bank {bank}, whose camshaft disagrees with the crank.",
                does_not_say="Not whether its valves have met its pistons: measure that the cylinders seal.",
                bank=bank,
                supports=(("chain_slipped", "strong"), ("in_time", "against")),
            )
        )
    return found


def low_and_high(codes: Codes) -> list[CodeSetFinding]:
    """A wire cannot be shorted to ground and to supply at the same time."""
    words = {f.code: STANDARD[f.code] for f in codes.found if f.standard and f.code in STANDARD}
    ends: dict[tuple[str, str], dict[str, str]] = {}
    for code, (family, row) in words.items():
        end = row.what.rsplit(" ", 1)[-1]
        if family.kind == "circuit" and end in ("low", "high"):
            ends.setdefault((family.name, row.where or row.what.rsplit(" ", 2)[0]), {})[end] = code
    return [
        CodeSetFinding(
            pattern="low and high at one wire",
            codes=(pair["low"], pair["high"]),
            says="One wire is said to read too low and too high: a loose plug or a chafed loom, or codes of two days.",
            does_not_say="They cannot both be true at once: clear them and see which comes back.",
            contradiction=True,
        )
        for pair in ends.values()
        if len(pair) == 2
    ]


def back_after_clearing(codes: Codes) -> list[CodeSetFinding]:
    """What came back is there now; what did not may be from another day."""
    new = [f for f in codes.found if f.status == "new"]
    old = [f for f in codes.found if f.status in ("stored", "history") and new]
    if not new:
        return []
    gone = f" {', '.join(_names(old))} did not: count {'it' if len(old) == 1 else 'them'} for less." if old else ""
    return [
        CodeSetFinding(
            pattern="back after clearing",
            codes=_names([*new, *old]),
            says=f"{', '.join(_names(new))} came back after clearing: the fault is there now.{gone}",
            does_not_say="Tests that have not run since clearing cannot have failed yet.",
        )
    ]


def airflow_beside_timing(codes: Codes) -> list[CodeSetFinding]:
    """A late intake cam and a dirty throttle raise manifold pressure alike."""
    air, found = codes.of("airflow"), codes.correlation
    if not air or not found:
        return []
    return [
        CodeSetFinding(
            pattern="airflow beside timing",
            codes=_names([*found, *air]),
            says="Settle the timing first: a bank out of time changes vacuum and idle air, and these codes can follow.",
            does_not_say="It does not clear the throttle: ask the airflow analysis once timing is right.",
            supports=(("chain_slipped", "weak"),),
        )
    ]


RULES: tuple[Rule, ...] = (
    correlation_on_both_banks,
    correlation_on_one_bank,
    correlation_with_circuit,
    correlation_with_crank,
    correlation_with_position,
    position_with_actuator_circuit,
    too_early_and_too_late,
    moving_badly_on_several_cams,
    silent_cams_of_one_bank,
    sensors_everywhere,
    misfires_of_the_bank,
    low_and_high,
    back_after_clearing,
    airflow_beside_timing,
)
