"""The written-out cause network against the same network built node by node in a library of Bayesian networks."""

from __future__ import annotations

import numpy as np
import pytest

from bayes_library import pyagrum
from tightside.causes.hypotheses import Fault, Layout, bank_of, concerns, hypotheses_for, odds_of, possible_faults
from tightside.causes.infer import fault_chances, posterior_of
from tightside.causes.measured import HABITS, habits_of
from tightside.causes.numbers import FAULTS, MOST_FAULTS, RAISES, SIGNS
from tightside.causes.signs import Finding, chance, sign_finding

LAYOUTS = (
    Layout(("1A",), ("1A",)),
    Layout(("1A", "1B"), ("1A",)),
    Layout(("1A", "2A"), ("1A", "2A")),
)


def name_of(fault: Fault) -> str:
    return f"{fault.kind}_{fault.place or 'engine'}"


def network_of(layout: Layout) -> pyagrum.BayesNet:
    """Faults with their parents, and a chain of counters that holds them to ``MOST_FAULTS``."""
    bn = pyagrum.BayesNet()
    faults = possible_faults(layout)
    for fault in faults:
        bn.add(pyagrum.LabelizedVariable(name_of(fault), "", 2))
    for fault in faults:
        _, raised = odds_of(fault, faults)
        for parent, _ in raised:
            bn.addArc(name_of(parent), name_of(fault))
        fill(bn, fault, tuple(p for p, _ in raised))
    counted = None
    for fault in faults:
        here = f"count_{name_of(fault)}"
        bn.add(pyagrum.LabelizedVariable(here, "", MOST_FAULTS + 2))
        bn.addArc(name_of(fault), here)
        if counted is not None:
            bn.addArc(counted, here)
        for present in (0, 1):
            for before in range(MOST_FAULTS + 2 if counted is not None else 1):
                row = np.eye(MOST_FAULTS + 2)[min(before + present, MOST_FAULTS + 1)]
                states = {name_of(fault): present} | ({counted: before} if counted is not None else {})
                bn.cpt(here)[states] = row.tolist()
        counted = here
    return bn


def fill(bn: pyagrum.BayesNet, fault: Fault, parents: tuple[Fault, ...]) -> None:
    prior = FAULTS[fault.kind].prior
    for states in np.ndindex(*([2] * len(parents))):
        odds = prior / (1.0 - prior)
        for parent, there in zip(parents, states, strict=True):
            odds *= RAISES[parent.kind, fault.kind] if there else 1.0
        given = {name_of(p): s for p, s in zip(parents, states, strict=True)}
        bn.cpt(name_of(fault))[given] = [1.0 / (1.0 + odds), odds / (1.0 + odds)]


def add_sign(bn: pyagrum.BayesNet, name: str, place: str, faults: tuple[Fault, ...]) -> str:
    """A sign as the library's own noisy-OR: a leak, and a weight for each cause."""
    sign = SIGNS[name]
    node = f"{name}_{place or 'engine'}"
    bn.addNoisyORNet(pyagrum.LabelizedVariable(node, "", 2), sign.leak)
    for fault in faults:
        if fault.kind in sign.brings and concerns(fault, place):
            bn.addWeightedArc(name_of(fault), node, sign.brings[fault.kind])
    return node


def exclusive(layout: Layout, bn: pyagrum.BayesNet) -> dict[str, int]:
    """Nodes that keep a phaser from being loose and stuck at once, as evidence."""
    out = {}
    for cam in layout.phased:
        node = f"one_{cam}"
        bn.add(pyagrum.LabelizedVariable(node, "", 2))
        loose, stuck = f"phaser_loose_{cam}", f"phaser_stuck_{cam}"
        bn.addArc(loose, node)
        bn.addArc(stuck, node)
        for a in (0, 1):
            for b in (0, 1):
                bn.cpt(node)[{loose: a, stuck: b}] = [1.0, 0.0] if a and b else [0.0, 1.0]
        out[node] = 1
    return out


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: "-".join(layout.cams))
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_fault_chances_equal_the_library_s(layout: Layout, seed: int) -> None:
    rng = np.random.default_rng(seed)
    faults = possible_faults(layout)
    hypotheses = hypotheses_for(layout)
    bn = network_of(layout)
    given: dict[str, int | list[float]] = dict(exclusive(layout, bn))
    last = f"count_{name_of(faults[-1])}"
    given[last] = [1.0] * (MOST_FAULTS + 1) + [0.0]
    findings = []
    names = [n for n in SIGNS if SIGNS[n].unless == 1.0]
    for name in rng.choice(names, size=5, replace=False):
        place = str(rng.choice(layout.places(SIGNS[name].scope)))
        seen = bool(rng.random() < 0.5)
        given[add_sign(bn, str(name), place, faults)] = int(seen)
        findings.append(sign_finding(str(name), place, seen, hypotheses, source="observation"))
    engine = pyagrum.LazyPropagation(bn)
    engine.setEvidence(given)
    engine.makeInference()
    ours = fault_chances(hypotheses, posterior_of(hypotheses, findings))
    for fault in faults:
        assert ours[fault] == pytest.approx(float(engine.posterior(name_of(fault))[1]), abs=1e-9), fault


def test_prior_of_hypotheses_sums_to_one_and_counts_no_set_twice() -> None:
    hypotheses = hypotheses_for(LAYOUTS[1])
    assert np.exp(hypotheses.log_prior).sum() == pytest.approx(1.0, abs=1e-12)
    assert len(np.unique(hypotheses.present, axis=0)) == len(hypotheses.present)
    assert hypotheses.present.sum(axis=1).max() == MOST_FAULTS


def test_noisy_or_with_two_causes_is_the_product_of_what_holds_them_back() -> None:
    hypotheses = hypotheses_for(Layout(("1A", "2A"), ()))
    sign = SIGNS["plastic_in_oil"]
    p = chance("plastic_in_oil", "", hypotheses)
    both = hypotheses.column("chain_worn", "1") & hypotheses.column("chain_slipped", "2")
    alone = both & (hypotheses.present.sum(axis=1) == 2)
    expected = 1 - (1 - sign.leak) * (1 - sign.brings["chain_worn"]) * (1 - sign.brings["chain_slipped"])
    assert p[alone] == pytest.approx(expected)
    assert p[hypotheses.present.sum(axis=1) == 0] == pytest.approx(sign.leak)


def test_a_fault_of_one_bank_brings_nothing_to_the_other() -> None:
    assert concerns(Fault("chain_slipped", "1"), "1A") and not concerns(Fault("chain_slipped", "1"), "2A")
    assert concerns(Fault("phaser_loose", "1A"), "1") and not concerns(Fault("phaser_loose", "1A"), "1B")
    assert concerns(Fault("oil_low", ""), "2B") and concerns(Fault("cam_signal", "2B"), "")


def test_habit_of_a_cam_is_its_worst_fault() -> None:
    hypotheses = hypotheses_for(Layout(("1A", "1B"), ("1A", "1B")))
    habit = habits_of(hypotheses, "1A")
    loose = hypotheses.column("phaser_loose", "1A")
    broken = hypotheses.column("drive_broken", "1")
    assert set(np.unique(habit[broken])) == {HABITS.index("broken")}
    assert set(np.unique(habit[loose & ~broken & ~hypotheses.column("cam_drive_broken", "1A")])) == {
        HABITS.index("loose")
    }


def test_every_number_is_a_probability_with_a_reason() -> None:
    for name, sign in SIGNS.items():
        assert 0.0 < sign.leak < 0.5 and sign.reason, name
        assert set(sign.brings) <= set(FAULTS), name
        assert all(0.0 < p < 1.0 for p in sign.brings.values()), name
    for name, fault in FAULTS.items():
        assert 0.0 < fault.prior < 0.5 and fault.reason and fault.words, name
    assert {kind for pair in RAISES for kind in pair} <= set(FAULTS)


def test_finding_of_a_value_that_says_nothing_changes_nothing() -> None:
    hypotheses = hypotheses_for(LAYOUTS[0])
    finding = sign_finding("rattle", "", 1.0, hypotheses, source="observation")
    assert isinstance(finding, Finding)
    assert finding.log_likelihood == pytest.approx(0.0, abs=1e-12)


def test_bank_of_takes_bank_and_letter_apart() -> None:
    assert (bank_of("1A"), bank_of("2B"), bank_of("front")) == ("1", "2", "front")
