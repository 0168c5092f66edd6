"""Whether to propose, how sure, and what to check: decided by whether facts are consistent.

No single answer of a network declines a knee. Each fact raises a doubt from 0, where it is as in
knees, to its weight, where no knee has it; only their sum decides.
"""

from __future__ import annotations

from dataclasses import dataclass

from meniscal_measure.findings import Code, Finding
from meniscal_measure.locate import calibration
from meniscal_measure.locate.evidence import Evidence, Facts


@dataclass(frozen=True)
class Check:
    """How a fact raises doubt."""

    fact: str
    usual: float
    """Up to here it is as in knees."""
    impossible: float
    """From here on it raises its whole doubt."""
    weight: float
    code: Code

    def doubt(self, facts: Facts) -> float:
        """Doubt that it raises, from 0 to its weight."""
        beyond = (float(getattr(facts, self.fact)) - self.usual) / (self.impossible - self.usual)
        return self.weight * min(max(beyond, 0.0), 1.0)


CHECKS = (
    Check("stages_mm", 3.0, 9.0, 0.8, Code.NETWORKS_DISAGREE),
    Check("mirrored_mm", 3.5, 12.0, 0.9, Code.NETWORKS_DISAGREE),
    Check("networks_mm", 1.5, 5.0, 0.4, Code.NETWORKS_DISAGREE),
    Check("spread_mm", 1.0, 3.0, 0.4, Code.NETWORKS_DISAGREE),
    Check("stated_mm", 1.5, 4.0, 0.2, Code.NETWORKS_DISAGREE),
    Check("roughness_mm", 1.8, 8.0, 0.3, Code.RIMS_UNEVEN),
    Check("bone", 0.85, 0.4, 0.8, Code.BONE_UNCLEAR),
    Check("body", 0.7, 0.1, 0.4, Code.MENISCUS_UNCLEAR),
    Check("width_mm", 58.0, 45.0, 0.5, Code.UNLIKE_A_KNEE),
    Check("width_mm", 95.0, 115.0, 0.5, Code.UNLIKE_A_KNEE),
    Check("tilt_deg", 15.0, 30.0, 0.2, Code.UNLIKE_A_KNEE),
    Check("edge_low_mm", -0.5, -5.0, 0.2, Code.UNLIKE_A_KNEE),
    Check("spine_mm", 1.0, -6.0, 0.3, Code.UNLIKE_A_KNEE),
    Check("coronal", 0.5, 0.0, 1.0, Code.UNLIKE_A_KNEE),
    Check("measurable", 0.5, 0.0, 1.2, Code.UNLIKE_A_KNEE),
)
"""Limits and weights: usual is what nineteen in twenty slices of a second, independent generator
stay within, impossible about the median of inputs that are no knee; weights and `MOST_DOUBT` by
penalised logistic regression, rounded. The width of real plateaus is 75 mm with a standard
deviation of 7. Both learned answers together weigh less than `MOST_DOUBT`."""
MOST_DOUBT = 2.4
"""From here on nothing is proposed."""
WORTH_SAYING = 0.1
"""Doubts smaller than this are not reported."""

NOT_A_KNEE = (
    "What was found is not consistent with a coronal image of a knee joint: {why}. Choose another"
    " series, or place the landmarks by hand."
)
VOID = (
    "The bone below the joint gives no signal, as beside metal; place the landmarks by hand if the"
    " joint can be measured at all."
)
WHY = {
    Code.NETWORKS_DISAGREE: "the networks disagree about where its margins are",
    Code.RIMS_UNEVEN: "the rims jump from slice to slice",
    Code.BONE_UNCLEAR: "there is no clear tibia below the rims",
    Code.MENISCUS_UNCLEAR: "there is no clear meniscus at its margins",
    Code.UNLIKE_A_KNEE: "its size, direction or shape is not that of a knee",
}


@dataclass(frozen=True)
class GateVerdict:
    """Why nothing is proposed (empty where something is), the confidence, and what to check."""

    reason: str
    confidence: float
    findings: tuple[Finding, ...]


def judged(evidence: Evidence, unusual: tuple[Finding, ...] = ()) -> GateVerdict:
    """Judge what was found on a slice, knowing in which ways its image is unusual."""
    doubts = _doubts(evidence.facts())
    total = sum(doubts.values())
    confidence = calibration.confidence(evidence.both, total, len(unusual))
    if evidence.void:
        return GateVerdict(VOID, 0.0, ())
    if total >= MOST_DOUBT:
        largest = sorted(doubts, key=lambda code: -doubts[code])[:2]
        why = " and ".join(WHY[code] for code in largest if doubts[code] > WORTH_SAYING)
        return GateVerdict(NOT_A_KNEE.format(why=why), confidence, ())
    said = tuple(Finding(code) for code, doubt in doubts.items() if doubt > WORTH_SAYING)
    return GateVerdict("", confidence, (*unusual, *said))


def _doubts(facts: Facts) -> dict[Code, float]:
    """Sum the doubts by what they say."""
    doubts = dict.fromkeys(WHY, 0.0)
    for check in CHECKS:
        doubts[check.code] += check.doubt(facts)
    return doubts
