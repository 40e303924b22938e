"""From findings on hypotheses to causes: how probable each is for each cam, and why.

The posterior is a sum over the listed hypotheses. The weight of a piece of evidence for a cause is what it adds to the
cause's log-odds when all the rest is known already, in decibans (tenths of a power of ten): 10 makes a cause ten times
more probable against all others, 20 a hundred times.

Source: the weight of evidence in decibans after Turing and I. J. Good, Probability and the Weighing of Evidence (1950);
the measure of conflict after F. V. Jensen, Bayesian Networks and Decision Graphs (2001), section 3.5; both from memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from tightside.causes.evidence import Weighed
from tightside.causes.hypotheses import CAUSES, Fault, Hypotheses, bank_of
from tightside.causes.measured import Measured, offsets_one_by_one
from tightside.causes.numbers import FAULTS
from tightside.causes.signs import Finding
from tightside.records import Bools, CauseName, Floats

DECIBAN = 10.0 / np.log(10.0)
LEAST = 1e-4  # a cause less probable than this is left out
TOLD_DECIBANS = 1.0  # evidence that moves a cause by less is not told
CONFLICT_NATS = 2.3  # evidence this much less probable together than apart conflicts: ten to one
ODD_SHARE = 0.06  # a finding that the rest makes this much less probable than anything could does not fit


@dataclass(frozen=True, slots=True)
class Reason:
    """One piece of evidence for (positive) or against a cause, in decibans."""

    text: str
    decibans: float


@dataclass(frozen=True, slots=True)
class Cause:
    """One possible cause of what a cam shows. ``cam`` is None where nothing says which camshafts there are."""

    cause: CauseName
    cam: str | None
    probability: float  # that this is what must be mended first; over the causes of one cam these sum to one
    present: float  # that a fault of this kind concerns the cam at all; several may be present at once
    reasons: tuple[Reason, ...] = ()


def posterior_of(hypotheses: Hypotheses, findings: Iterable[Finding]) -> Floats:
    """(H,) probability of every hypothesis, given all findings."""
    total = hypotheses.log_prior + sum((f.log_likelihood for f in findings), np.zeros(len(hypotheses.log_prior)))
    weight = np.exp(total - total.max())
    return np.asarray(weight / weight.sum())


def log_evidence(hypotheses: Hypotheses, findings: Iterable[Finding]) -> float:
    """log P(findings). [nat]"""
    total = hypotheses.log_prior + sum((f.log_likelihood for f in findings), np.zeros(len(hypotheses.log_prior)))
    top = float(total.max())
    return top + float(np.log(np.exp(total - top).sum()))


def causes_of(hypotheses: Hypotheses, posterior: Floats, cam: str) -> tuple[Cause, ...]:
    """Causes of one cam, most probable first, without reasons."""
    share = np.bincount(hypotheses.main[cam], weights=posterior, minlength=len(CAUSES))
    kept = [i for i in np.argsort(-share, kind="stable") if share[i] >= LEAST]
    total = sum(share[i] for i in kept)
    return tuple(
        Cause(CAUSES[i], cam or None, float(share[i] / total), _present(hypotheses, posterior, cam, CAUSES[i]))
        for i in kept
    )


def involves(hypotheses: Hypotheses, cam: str, cause: CauseName) -> Bools:
    """(H,) whether a fault of this cause concerns the cam, be it the first to mend or not; in time: none does."""
    if cause == "in_time":
        return np.asarray(hypotheses.main[cam] == 0)
    mine = [
        i
        for i, f in enumerate(hypotheses.faults)
        if FAULTS[f.kind].cause == cause
        and f.place in ("", bank_of(cam), cam)
        and not (f.kind == "oil_low" and cam not in hypotheses.layout.phased)
    ]
    return np.asarray(hypotheses.present[:, mine].any(axis=1))


def _present(hypotheses: Hypotheses, posterior: Floats, cam: str, cause: CauseName) -> float:
    return float(posterior[involves(hypotheses, cam, cause)].sum())


def fault_chances(hypotheses: Hypotheses, posterior: Floats) -> dict[Fault, float]:
    """Probability that each single fault is there."""
    return dict(zip(hypotheses.faults, (posterior @ hypotheses.there).tolist(), strict=True))


# ------------------------------------------------------------------------------------------------------------ reasons


def told_apart(weighed: Weighed) -> tuple[Finding, ...]:
    """The findings, with the joint one of all offsets replaced by what each cam's offset adds to all the others'."""
    rest = [f for f in weighed.findings if f.name != "offsets"]
    if len(rest) == len(weighed.findings):
        return weighed.findings
    words = {c.cam: offset_words(c) for c in weighed.measured if c.offset_deg is not None}
    adds = offsets_one_by_one(weighed.tables, weighed.hypotheses)
    out = [Finding(f"offset:{cam}", words[cam], added, "recording") for cam, added in adds.items()]
    return (*out, *rest)


def offset_words(cam: Measured) -> str:
    """ "1A sits 17.1 degrees late, 1.0 teeth"."""
    assert cam.offset_deg is not None
    if cam.ways:
        either = sorted({f"{abs(offset):.1f}" for offset, _ in cam.ways}, key=float)
        return f"{cam.cam} sits {' or '.join(either)} degrees off, early or late"
    side = "late" if cam.offset_deg > 0 else "early"
    teeth = f", {abs(cam.offset_deg) / cam.pitch_deg:.1f} teeth" if abs(cam.offset_deg) >= 1.0 else ""
    return f"{cam.cam} sits {abs(cam.offset_deg):.1f} degrees {side}{teeth}"


def with_reasons(weighed: Weighed, causes: Sequence[Cause], findings: Sequence[Finding]) -> tuple[Cause, ...]:
    """Each cause with the evidence for and against it, the weightiest first."""
    hypotheses = weighed.hypotheses
    total = hypotheses.log_prior + sum(
        (f.log_likelihood for f in weighed.findings), np.zeros_like(hypotheses.log_prior)
    )
    without = [_normal(total - f.log_likelihood) for f in findings]
    whole = _normal(total)
    out = []
    for cause in causes:
        yes = hypotheses.main[cause.cam or ""] == CAUSES.index(cause.cause)
        with_all = _log_odds(whole, yes)
        moved = [DECIBAN * (with_all - _log_odds(p, yes)) for p in without]
        told = [Reason(f.text, d) for f, d in zip(findings, moved, strict=True) if abs(d) >= TOLD_DECIBANS]
        told.sort(key=lambda r: -abs(r.decibans))
        out.append(Cause(cause.cause, cause.cam, cause.probability, cause.present, tuple(told)))
    return tuple(out)


def _normal(log_weight: Floats) -> Floats:
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _log_odds(probability: Floats, yes: Bools) -> float:
    inside = float(probability[yes].sum())
    outside = float(probability[~yes].sum())
    return float(np.log(max(inside, 1e-12) / max(outside, 1e-12)))


# ----------------------------------------------------------------------------------------------------------- conflict


@dataclass(frozen=True, slots=True)
class Conflict:
    """Evidence that does not fit together.

    ``nats`` is log of how much less probable all of it is together than if each piece came by itself; positive is
    conflict. ``odd`` are the pieces that the rest speaks against.
    """

    nats: float
    odd: tuple[str, ...]


def conflict_of(weighed: Weighed, findings: Sequence[Finding]) -> Conflict:
    """How far the evidence contradicts itself, and which pieces do not fit the rest.

    A finding is odd where all the rest makes it far less probable than the hypothesis that suits it best would.
    """
    hypotheses = weighed.hypotheses
    apart = sum(log_evidence(hypotheses, [f]) for f in weighed.findings)
    nats = apart - log_evidence(hypotheses, weighed.findings)
    total = hypotheses.log_prior + sum(
        (f.log_likelihood for f in weighed.findings), np.zeros_like(hypotheses.log_prior)
    )
    odd: list[tuple[float, str]] = []
    for finding in findings:
        rest = _normal(total - finding.log_likelihood)
        level = np.exp(finding.log_likelihood - finding.log_likelihood.max())
        share = float(rest @ level)
        if share < ODD_SHARE and _explained_worse(hypotheses, total, finding):
            odd.append((share, finding.text))
    return Conflict(float(nats), tuple(text for _, text in sorted(odd)))


def _explained_worse(hypotheses: Hypotheses, total: Floats, finding: Finding) -> bool:
    """Whether even with it the answer hardly explains it: then it contradicts, else it was only a surprise."""
    whole = _normal(total)
    level = np.exp(finding.log_likelihood - finding.log_likelihood.max())
    return float(whole @ level) < 3.0 * ODD_SHARE
