"""The room's one door: everything known of a vehicle in; causes, reasons, conflicts and the next tests out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tightside.causes.evidence import Known, weigh
from tightside.causes.hypotheses import CAUSES, Hypotheses
from tightside.causes.infer import (
    CONFLICT_NATS,
    Cause,
    Conflict,
    causes_of,
    conflict_of,
    posterior_of,
    told_apart,
    with_reasons,
)
from tightside.causes.next_tests import Suggestion, rank_tests
from tightside.causes.numbers import SIGNS
from tightside.causes.signs import Finding, chance, place_words
from tightside.causes.tools import TOOLS
from tightside.records import Floats

TESTS_TOLD = 4
WORTH_MIN = 1.0  # a test that is expected to save less is not proposed
CHANGES_AT = 0.03  # a result less probable than this is not worth telling


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the causes room says of one vehicle.

    ``changes`` says for each cam which single finding would bring another cause to the front.
    """

    causes: tuple[Cause, ...]  # most probable first; per cam they sum to one
    tests: tuple[Suggestion, ...]
    conflict: Conflict
    changes: dict[str, str]
    findings: tuple[Finding, ...]


def judge_causes(known: Known, tools: frozenset[str] | None = None) -> Judgement:
    """Weigh everything that is known of one vehicle.

    Parameters
    ----------
    known : Known
        Whatever is left out is unknown.
    tools : names from ``TOOLS`` that the shop has; None for all, or for those that the observations list.

    Examples
    --------
    One cam 17.1 degrees late where a tooth is 17.1, the others in place: ``chain_slipped`` for that cam, ``in_time``
    for the others.
    """
    weighed = weigh(known)
    hypotheses = weighed.hypotheses
    posterior = posterior_of(hypotheses, weighed.findings)
    causes = [c for cam in hypotheses.layout.cams for c in causes_of(hypotheses, posterior, cam)]
    findings = told_apart(weighed)
    told = with_reasons(weighed, causes, findings)
    tests = rank_tests(hypotheses, posterior, _tools(known, tools), done_already(weighed.findings))
    return Judgement(
        causes=tuple(sorted(told, key=lambda c: -c.probability)),
        tests=tuple(t for t in tests if t.expected_gain_min >= WORTH_MIN)[:TESTS_TOLD],
        conflict=conflict_of(weighed, findings),
        changes={
            cam: text for cam in hypotheses.layout.cams if (text := _change(hypotheses, posterior, cam, findings))
        },
        findings=findings,
    )


def in_conflict(judgement: Judgement) -> bool:
    """Whether the evidence contradicts itself enough to be said first."""
    return bool(judgement.conflict.odd) or judgement.conflict.nats > CONFLICT_NATS


def _tools(known: Known, tools: frozenset[str] | None) -> frozenset[str]:
    if tools is not None:
        return tools
    listed = known.observations.tools
    return frozenset(TOOLS) if listed is None else frozenset(listed)


def done_already(findings: tuple[Finding, ...]) -> frozenset[str]:
    """Names of what is in already; a recording counts once its offsets are there, a log once a phaser was fitted."""
    names = {f.name for f in findings}
    names |= {"recording"} if names & {"offsets"} else set()
    names |= {"log"} if any(n.startswith(("follows:", "response:")) for n in names) else set()
    return frozenset(names)


def _change(hypotheses: Hypotheses, posterior: Floats, cam: str, findings: tuple[Finding, ...]) -> str:
    """The most probable single finding, not yet in, that would bring another cause to the front for this cam."""
    main = hypotheses.main[cam]
    shares = np.bincount(main, weights=posterior, minlength=len(CAUSES))
    top = int(shares.argmax())
    seen = {f.name for f in findings}
    best: tuple[float, str] = (CHANGES_AT, "")
    for name, sign in SIGNS.items():
        for place in hypotheses.layout.places(sign.scope):
            if (f"{name}:{place}" if place else name) in seen or name in ("log_signal", "complaint"):
                continue
            there = chance(name, place, hypotheses)
            for likelihood, text in ((there, sign.yes), (1.0 - there, sign.no)):
                p = float(likelihood @ posterior)
                after = np.bincount(main, weights=likelihood * posterior, minlength=len(CAUSES))
                if p > best[0] and int(after.argmax()) != top:
                    best = (
                        p,
                        f"{text.format(at=place_words(place))}: then {CAUSES[int(after.argmax())].replace('_', ' ')}",
                    )
    return best[1]
