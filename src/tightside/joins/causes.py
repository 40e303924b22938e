"""All findings weighed together: codes, causes and the tests worth doing next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from tightside.causes.evidence import Known
from tightside.causes.infer import Cause
from tightside.causes.next_tests import Suggestion
from tightside.causes.numbers import PRACTICE
from tightside.causes.observations import Observations
from tightside.causes.tools import known_tools
from tightside.causes.weigh import judge_causes
from tightside.codes.read import read_codes
from tightside.codes.together import codes_alone, read_together
from tightside.diagnosis import CausePart, CodePart, CodeSetPart, EvidencePart, Examination, TestPart
from tightside.engine.model import Engine
from tightside.records import OTHER_BANK, CamOffset, CodeFinding
from tightside.report.text import with_words


def with_codes(
    whole: Examination, engine: Engine | None, codes: Sequence[str], table: Mapping[str, CodeFinding] | None
) -> Examination:
    """The examination with what the trouble codes say, each and together."""
    if not codes:
        return whole
    found = read_codes(codes, table)
    together = read_together(found, {str(b): c for b, c in engine.banks.items()} if engine is not None else None)
    if not whole.diagnosis.recordings:
        together = (*together, codes_alone(found))
    told = whole.diagnosis.model_copy(
        update={
            "codes": tuple(CodePart.of(c) for c in found),
            "code_sets": tuple(CodeSetPart.of(s) for s in together) or None,
        }
    )
    return replace(whole, diagnosis=told, codes=found, code_sets=together)


def with_causes(
    whole: Examination, engine: Engine | None, observations: Observations | None, tools: Sequence[str] | None
) -> Examination:
    """The examination with its causes and the tests worth doing next, where there is anything to weigh."""
    seen = observations or Observations()
    whole = replace(whole, cams=tuple(c for c in whole.cams if not _only_compared(c)))
    if not (whole.cams or whole.phasers or whole.codes or seen.any_given):
        return whole
    found = judge_causes(_known(whole, engine, seen), known_tools(tools) if tools is not None else None)
    told = whole.diagnosis.model_copy(
        update={
            "causes": tuple(_cause_part(c, found.changes) for c in found.causes),
            "conflicts": found.conflict.odd or None,
            "next_tests": tuple(_test_part(t) for t in found.tests) or None,
            "verdict": None,
            "cautions": None,
        }
    )
    return replace(whole, diagnosis=with_words(told))


def _only_compared(cam: CamOffset) -> bool:
    """Whether a cam was held against the other bank and shows nothing by itself: that speaks for no cause."""
    return cam.reference.startswith(OTHER_BANK) and cam.state == "not enough data"


def _known(whole: Examination, engine: Engine | None, seen: Observations) -> Known:
    crank = whole.diagnosis.crank
    pulses = (crank.pulses_per_revolution or 0) * (crank.revolutions or 0.0) if crank and whole.cams else 0.0
    return Known(
        cams=whole.cams,
        patterns=whole.patterns,
        phasers=whole.phasers,
        codes=whole.codes,
        codes_read=bool(seen.codes_read),
        crank_odd_share=(crank.missed_pulses + crank.extra_pulses) / pulses if crank and pulses else None,
        observations=seen,
        relative_compression={
            c.cylinder: c.relative_compression
            for c in whole.diagnosis.cylinders or ()
            if c.cylinder is not None and c.relative_compression is not None
        },
        cylinder_banks={c: str(b) for b, mine in engine.banks.items() for c in mine} if engine is not None else {},
    )


def _cause_part(found: Cause, changes: Mapping[str, str]) -> CausePart:
    return CausePart(
        cause=found.cause,
        cam=found.cam,
        probability=found.probability,
        present=found.present,
        because=tuple(r.text for r in found.reasons if r.decibans > 0.0),
        evidence=tuple(EvidencePart(text=r.text, decibans=round(r.decibans, 1)) for r in found.reasons),
        would_change=changes.get(found.cam or "", ""),
    )


def _test_part(found: Suggestion) -> TestPart:
    return TestPart(
        test=found.text,
        minutes=found.minutes,
        why=found.why,
        expected_gain=round(found.expected_gain_min, 1),
        source=f"worth by the cause network; minutes are {PRACTICE}",
        tools=found.test.tools,
        cautions=found.test.cautions,
    )
