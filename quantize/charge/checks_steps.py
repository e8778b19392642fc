"""Checks that need to know the steps: how far the readings lie from them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from quantize._support.errors import InputError
from quantize.charge.rows import predicted_scatter
from quantize.charge.soundness import Check, graded, unknown

if TYPE_CHECKING:
    from quantize.charge.rows import Rows as Run


def distance_from_steps(run: Run, analysis: Any) -> list[Check]:
    """Residuals to the fitted comb against the predicted scatter.

    Unit and shared shift are fitted again by weighted least squares with the whole numbers of the
    analysis, so that the residuals are those of single readings. A wrong unit, or a scatter beyond
    what the fit believes, shows here without any repeats.
    """
    from scipy.stats import chi2

    name = "readings lie as near to the steps as predicted"
    integers = run.integers_of(analysis)
    if integers is None:
        return [unknown(name, "whole numbers are needed, from an analysis of this run.")]
    try:
        predicted = predicted_scatter(run).total
    except InputError as error:
        return [unknown(name, f"the scatter cannot be predicted: {error}")]
    known = run.fall_on_record() is not None
    values = run.joined()[0] if known else run.moved()
    shift = run.stretch() if known else np.ones(values.size)
    if not known:
        predicted = predicted / np.abs(run.stretch())
    design = np.column_stack([integers, shift]) / predicted[:, None]
    solution, _, rank, _ = np.linalg.lstsq(design, values / predicted, rcond=None)
    degrees = values.size - int(rank)
    if degrees < 1:
        return [unknown(name, "too few readings are left once unit and zero are fitted.")]
    rest = values / predicted - design @ solution
    chi_square = float(rest @ rest)
    ratio = math.sqrt(chi_square / degrees)
    seen = math.sqrt(float(np.sum((rest * predicted) ** 2)) / degrees)
    expected = float(np.sqrt(np.mean(predicted**2)))
    return [
        graded(
            name,
            float(chi2.sf(chi_square, degrees)),
            ratio,
            f"the readings scatter about the fitted steps by {seen:.2f} divisions where "
            f"{expected:.2f} are predicted, a ratio of {ratio:.2f} on {degrees} degrees of freedom",
            cause=(
                "a wrong unit, a charge that is no whole number or a scatter that is larger than "
                "the apparatus explains would do that; the fit believes the prediction within a "
                "factor of 1.5 only"
            ),
        )
    ]
