"""Exact inference against published networks.

ORIGIN: sprinkler after K. Murphy's tutorial (prints 0.4298, 0.7079, 0.1945); burglary after Russell and Norvig (prints
0.284); Asia after Lauritzen and Spiegelhalter, J. R. Stat. Soc. B 50, 1988, 157-224. Page values from memory; all were
computed again with pyAgrum 3.3.1, and are here computed three ways: the table, the library, and our own sum over
hypotheses.
"""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import pytest

from bayes_library import pyagrum
from tightside.causes.hypotheses import Fault, Hypotheses, Layout
from tightside.causes.infer import fault_chances, log_evidence, posterior_of
from tightside.causes.signs import Finding

#: node: (parents, P(true | parents), parents counted in binary, the first parent the highest place)
Network = dict[str, tuple[str, list[float]]]

SPRINKLER: Network = {
    "C": ("", [0.5]),
    "S": ("C", [0.5, 0.1]),
    "R": ("C", [0.2, 0.8]),
    "W": ("SR", [0.0, 0.9, 0.9, 0.99]),
}
BURGLARY: Network = {
    "B": ("", [0.001]),
    "E": ("", [0.002]),
    "A": ("BE", [0.001, 0.29, 0.94, 0.95]),
    "J": ("A", [0.05, 0.9]),
    "M": ("A", [0.01, 0.7]),
}
# A visit to Asia, S smoking, T tuberculosis, L lung cancer, B bronchitis, E either, X X-ray, D dyspnoea
ASIA: Network = {
    "A": ("", [0.01]),
    "S": ("", [0.5]),
    "T": ("A", [0.01, 0.05]),
    "L": ("S", [0.01, 0.1]),
    "B": ("S", [0.3, 0.6]),
    "E": ("TL", [0.0, 1.0, 1.0, 1.0]),
    "X": ("E", [0.05, 0.98]),
    "D": ("EB", [0.1, 0.8, 0.7, 0.9]),
}
CHECKS: list[tuple[Network, str, str, float]] = [  # network, asked, given ("j" true, "!x" not), value
    (SPRINKLER, "W", "", 0.6471),
    (SPRINKLER, "S", "W", 0.429764),
    (SPRINKLER, "R", "W", 0.707928),
    (SPRINKLER, "S", "W R", 0.194499),
    (BURGLARY, "B", "J M", 0.284172),
    (BURGLARY, "J", "B", 0.849017),
    (BURGLARY, "M", "B", 0.658614),
    (BURGLARY, "A", "B", 0.94002),
    (ASIA, "T", "", 0.0104),
    (ASIA, "L", "", 0.055),
    (ASIA, "B", "", 0.45),
    (ASIA, "E", "", 0.064828),
    (ASIA, "X", "", 0.11029),
    (ASIA, "D", "", 0.435971),
    (ASIA, "T", "A D", 0.087751),
    (ASIA, "L", "A D", 0.099525),
    (ASIA, "B", "A D", 0.811402),
    (ASIA, "S", "A D", 0.625920),
    (ASIA, "T", "A D X", 0.391712),
    (ASIA, "L", "A D X", 0.444271),
    (ASIA, "B", "A D X", 0.628822),
    (ASIA, "T", "A D !X", 0.002249),
    (ASIA, "L", "A D !X", 0.002550),
    (ASIA, "B", "A D !X", 0.862761),
]


def evidence(given: str) -> dict[str, int]:
    return {name.lstrip("!"): int(not name.startswith("!")) for name in given.split()}


def by_library(network: Network, asked: str, given: str) -> float:
    bn = pyagrum.BayesNet()
    for name in network:
        bn.add(pyagrum.LabelizedVariable(name, name, 2))
    for name, (parents, _) in network.items():
        for parent in parents:
            bn.addArc(parent, name)
    for name, (parents, table) in network.items():
        for states, p in zip(product((0, 1), repeat=len(parents)), table, strict=True):
            bn.cpt(name)[dict(zip(parents, states, strict=True))] = [1.0 - p, p]
    engine = pyagrum.LazyPropagation(bn)
    engine.setEvidence(evidence(given))
    engine.makeInference()
    return float(engine.posterior(asked)[1])


def rows_of(network: Network) -> tuple[Hypotheses, dict[str, Any]]:
    """The network written out: every state of every node is a hypothesis; a node seen is a finding on them."""
    names = list(network)
    states = np.array(list(product((0, 1), repeat=len(names))))
    total = np.ones(len(states))
    for i, (parents, table) in enumerate(network.values()):
        p = np.array(table)[sum((states[:, names.index(q)] << k for k, q in enumerate(reversed(parents))), 0)]
        total *= np.where(states[:, i], p, 1.0 - p)
    with np.errstate(divide="ignore"):
        prior = np.log(total)
    faults = tuple(Fault(name, "") for name in names)
    hypotheses = Hypotheses(Layout((), ()), faults, states.astype(bool), states.astype(float), prior, {})
    return hypotheses, {name: states[:, i] for i, name in enumerate(names)}


def findings_of(columns: dict[str, Any], given: str) -> list[Finding]:
    out = []
    for name, value in evidence(given).items():
        with np.errstate(divide="ignore"):
            out.append(Finding(name, name, np.log((columns[name] == value).astype(float))))
    return out


@pytest.mark.parametrize(("network", "asked", "given", "value"), CHECKS)
def test_posterior_of_published_network_is_as_printed(network: Network, asked: str, given: str, value: float) -> None:
    hypotheses, columns = rows_of(network)
    posterior = posterior_of(hypotheses, findings_of(columns, given))
    ours = fault_chances(hypotheses, posterior)[Fault(asked, "")]
    assert ours == pytest.approx(value, abs=1e-6)
    assert ours == pytest.approx(by_library(network, asked, given), abs=1e-12)


def test_log_evidence_of_published_network_is_its_marginal() -> None:
    hypotheses, columns = rows_of(SPRINKLER)
    assert np.exp(log_evidence(hypotheses, findings_of(columns, "W"))) == pytest.approx(0.6471, abs=1e-9)
