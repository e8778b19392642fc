"""From a model and readings to their likelihood."""

from __future__ import annotations

from quantize.comb.model.envelope import envelope_of
from quantize.comb.model.likelihood import PageLikelihood
from quantize.comb.model.mixture_model import MixtureModel
from quantize.comb.model.parameter_priors import POWERS
from quantize.readings import Readings


def likelihood_of(model: MixtureModel, data: Readings) -> PageLikelihood:
    """The likelihood that a model means for these readings."""
    return PageLikelihood(
        data,
        envelope_of(model, data),
        power=POWERS[model.noise],
        rounding=model.rounding,
        free_weights=isinstance(model.envelope, str) and model.envelope == "levels",
    )
