"""Evidence and guards of one sample: all that the verdict rests on."""

from __future__ import annotations

import dataclasses

from quantize.comb.band import Band
from quantize.model.mixture import MixtureFit, fit_posterior
from quantize.model.model import MixtureModel
from quantize.null import guards
from quantize.null.evidence import LevelEvidence, level_evidence
from quantize.readings import Readings


@dataclasses.dataclass(frozen=True, kw_only=True)
class Assessment:
    """The mixture of a sample, the evidence of its levels, and what each guard found."""

    mixture: MixtureFit
    evidence: LevelEvidence
    findings: tuple[guards.Finding, ...]

    @property
    def blocked(self) -> bool:
        """Whether a guard stands in the way of "steps"."""
        return any(finding.blocks for finding in self.findings)


def assess(data: Readings, band: Band, model: MixtureModel, *, alpha: float = 0.05) -> Assessment:
    """Fit the mixture and hold its levels against data without steps."""
    mixture = fit_posterior(data, band, model)
    evidence = level_evidence(mixture.posterior, alpha=alpha)
    far = guards.far_readings(data, band)
    return Assessment(
        mixture=mixture,
        evidence=evidence,
        findings=(
            *(() if far is None else (far,)),
            guards.enough_levels(mixture, evidence.occupied_teeth),
            guards.not_the_resolution(mixture),
            guards.majority_on_comb(mixture),
            guards.wide_band(band, mixture.unit),
        ),
    )
