"""All that is known of one vehicle, turned into findings: one log-likelihood for each piece of evidence."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from tightside.causes import numbers as n
from tightside.causes.hypotheses import Hypotheses, Layout, bank_of, hypotheses_for
from tightside.causes.measured import (
    Measured,
    Tables,
    follows_log_likelihood,
    measured_cam,
    motion_findings,
    offset_tables,
    offsets_log_likelihood,
    response_log_likelihood,
)
from tightside.causes.observations import Observations
from tightside.causes.observed import compared_banks, observed_findings
from tightside.causes.signs import Finding, edge_ratio, sign_finding
from tightside.records import CamOffset, CamPattern, CodeFinding, PhaserMotion

NOWHERE = ""  # the name of the one camshaft of an engine of which nothing is known


@dataclass(frozen=True, eq=False, kw_only=True)
class Known:
    """All that is known of one vehicle. Whatever is left out is unknown."""

    cams: Sequence[CamOffset] = ()
    patterns: Sequence[CamPattern] = ()
    phasers: Sequence[PhaserMotion] = ()
    codes: Sequence[CodeFinding] = ()
    codes_read: bool = False  # also: no code means that none is stored
    crank_odd_share: float | None = None  # pulses missing or too many in the recorded crank signal, of all
    observations: Observations = field(default_factory=Observations)
    cylinder_banks: Mapping[int, str] = field(default_factory=dict)
    relative_compression: Mapping[int, float] = field(default_factory=dict)  # by the starter's current


@dataclass(frozen=True, eq=False)
class Weighed:
    """Hypotheses with every finding on them; the finding "offsets" is of all cams together."""

    hypotheses: Hypotheses
    findings: tuple[Finding, ...]
    measured: tuple[Measured, ...] = ()
    tables: Tables = field(default_factory=dict)  # offset densities by cam


def layout_of(known: Known) -> Layout:
    """Which camshafts are in question: those of engine file, recording, log, observations and codes."""
    named = [c.cam for c in known.patterns] + [c.cam for c in known.cams] + [m.cam for m in known.phasers]
    named += known.observations.cams
    named += [c.cam for c in known.codes if c.cam]
    of_codes = {c.bank for c in known.codes if c.bank and not c.cam}
    named += [f"{bank}A" for bank in sorted(of_codes) if bank not in {bank_of(cam) for cam in named}]
    named += [cam for group in _cam_groups(known.observations) for cam in group]
    cams = tuple(sorted(set(named))) or (NOWHERE,)
    without = {p.cam for p in known.patterns if p.phaser_authority_deg <= 0.0 and p.reference == "engine file"}
    without -= {m.cam for m in known.phasers}
    said = known.observations.phasers
    phased = tuple(c for c in cams if c not in without and (said is None or c in said))
    return Layout(cams, phased)


def _cam_groups(observations: Observations) -> Iterator[list[str]]:
    for name, group in observations.results:
        if isinstance(group, dict):
            yield [key if name != "chain_slack" else f"{key}A" for key in group]


def weigh(known: Known) -> Weighed:
    """Every piece of evidence on every hypothesis."""
    hypotheses = hypotheses_for(layout_of(known))
    patterns = {p.cam: p for p in known.patterns}
    measured = tuple(measured_cam(c, patterns.get(c.cam)) for c in known.cams)
    tables = offset_tables(measured, hypotheses)
    findings = motion_findings(measured, hypotheses)
    if tables:
        together = offsets_log_likelihood(tables, hypotheses)
        findings.insert(0, Finding("offsets", "where the cams sit", together, "recording"))
    if known.crank_odd_share is not None:
        odd = edge_ratio(math.log10(known.crank_odd_share + 1e-5), n.ODD_PULSES)
        findings.append(sign_finding("crank_trouble", "", odd, hypotheses, source="recording"))
    complaint = known.observations.complaint
    if complaint is None and (known.codes or known.observations.any_given):
        complaint = True
    if complaint is not None:
        findings.append(sign_finding("complaint", "", complaint, hypotheses, source="observation"))
    findings += _log_findings(known, hypotheses)
    findings += _code_findings(known, hypotheses)
    findings += observed_findings(known.observations, known.cylinder_banks, hypotheses)
    if not known.observations.compression_kpa:  # a gauge goes before a current
        findings += compared_banks(known.relative_compression, known.cylinder_banks, hypotheses)
    return Weighed(hypotheses, tuple(findings), measured, tables)


def _log_findings(known: Known, hypotheses: Hypotheses) -> Iterator[Finding]:
    for motion in known.phasers:
        if motion.cam not in hypotheses.layout.phased:
            continue
        if motion.follows is not None:
            text = f"the phaser of {motion.cam} makes {100 * motion.follows:.0f} % of a move that is asked of it"
            yield Finding(f"follows:{motion.cam}", text, follows_log_likelihood(motion, hypotheses), "log")
        if motion.response_s is not None and (motion.follows is None or motion.follows > 0.2):
            text = f"the phaser of {motion.cam} answers with a time constant of {motion.response_s:.1f} s"
            yield Finding(f"response:{motion.cam}", text, response_log_likelihood(motion, hypotheses), "log")
        if motion.duration_s > 0.0:
            yield sign_finding("log_signal", motion.cam, bool(motion.signal), hypotheses, source="log")


# ------------------------------------------------------------------------------------------------------------- codes

FAMILY = {code: sign for sign, codes in n.CODE_SIGNS.items() for code in codes}


def _code_findings(known: Known, hypotheses: Hypotheses) -> Iterator[Finding]:
    """Codes that are stored; and, where they were read, those that are not."""
    stored: dict[tuple[str, str], list[CodeFinding]] = {}
    for code in known.codes:
        sign = FAMILY.get(code.code)
        if sign is None:
            yield from _other_code(code, hypotheses)
            continue
        for place in _places(code, n.SIGNS[sign].scope, hypotheses):
            stored.setdefault((sign, place), []).append(code)
    for (sign, place), codes in stored.items():
        finding = sign_finding(sign, place, True, hypotheses, source="code")
        text = f"{', '.join(sorted(c.code for c in codes))}: {finding.text}"
        weight = max(n.CODE_STATUS.get(c.status, 1.0) for c in codes)
        yield Finding(finding.name, text, weight * finding.log_likelihood, "code")
    if not (known.codes_read or known.codes):
        return
    for sign in n.CODE_SIGNS:
        if sign == "code_actuator" and not hypotheses.layout.phased:
            continue
        for place in hypotheses.layout.places(n.SIGNS[sign].scope):
            if (sign, place) not in stored:
                yield sign_finding(sign, place, False, hypotheses, source="code")


def _places(code: CodeFinding, scope: str, hypotheses: Hypotheses) -> tuple[str, ...]:
    layout = hypotheses.layout
    if scope == "engine":
        return ("",)
    if scope == "bank":
        return tuple(b for b in layout.banks if b == code.bank) or layout.banks[:1]
    return (
        tuple(c for c in layout.cams if c == code.cam)
        or tuple(c for c in layout.cams if code.bank in (None, bank_of(c)))[:1]
    )


def _other_code(code: CodeFinding, hypotheses: Hypotheses) -> Iterator[Finding]:
    """A code of no family: by how strongly the codes room says that it supports a cause."""
    helps = {cause: n.OTHER_CODE[weight] for cause, weight in code.supports if n.OTHER_CODE[weight] > 0.0}
    if not helps:
        return
    place = code.cam or code.bank or ""
    hold = np.array(
        [
            np.log1p(-helps.get(n.FAULTS[f.kind].cause, 0.0)) if _concerns_code(f.place, place) else 0.0
            for f in hypotheses.faults
        ]
    )
    there = 1.0 - (1.0 - n.OTHER_CODE_LEAK) * np.exp(hypotheses.there @ hold)
    weight = n.CODE_STATUS.get(code.status, 1.0)
    yield Finding(f"code:{code.code}", f"{code.code}: {code.meaning}", weight * np.log(there), "code")


def _concerns_code(fault_place: str, place: str) -> bool:
    return place == "" or fault_place == "" or fault_place == place or bank_of(fault_place) == bank_of(place)
