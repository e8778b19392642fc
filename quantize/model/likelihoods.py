"""Which likelihood suits a model and its readings."""

from __future__ import annotations

import numpy as np

from quantize.model.envelope import Envelope, envelope_of
from quantize.model.likelihood import Likelihood
from quantize.model.model import MixtureModel
from quantize.model.noise import POWERS
from quantize.model.wrapped_likelihood import RoundedLikelihood, WrappedLikelihood
from quantize.readings import Readings


def likelihood_of(
    model: MixtureModel, readings: Readings, smallest: float | None = None
) -> Likelihood:
    """The likelihood that a model means for these readings and units from `smallest` on."""
    if isinstance(model.offset, str) and model.offset == "free":
        # An offset that may be anything takes a shift up.
        readings = readings.replace(shift=None)
    envelope = envelope_of(model, readings, smallest)
    if _wrapped(model, readings, envelope):
        if not model.rounding or readings.steps is None:
            return WrappedLikelihood(readings, envelope)
        if RoundedLikelihood.holds(readings):
            return RoundedLikelihood(readings, envelope)
    return Likelihood(
        readings,
        envelope,
        power=POWERS[model.noise],
        rounding=model.rounding,
        free_weights=isinstance(model.envelope, str) and model.envelope == "levels",
    )


def _wrapped(model: MixtureModel, readings: Readings, envelope: Envelope) -> bool:
    """Whether there is nothing but unit, sigma and offset under an unbounded flat envelope."""
    flat = isinstance(model.envelope, str) and model.envelope == "flat"
    flat = flat and not envelope.declared and not envelope.limited
    sharp = model.noise == "constant" and model.outliers == 0.0
    if not (flat and sharp and readings.measured.all()):
        return False
    if readings.shift is None or readings.state is None:
        return True
    of_state = np.ones(len(readings.state_labels))
    of_state[readings.state] = readings.shift.lever
    return bool(np.all(of_state[readings.state] == readings.shift.lever))
