"""Teeth with weights of their own: a lower bound of the evidence that is close where it counts.

With weights π over the T teeth in view and a Dirichlet prior, 1 each, the sum over all whole
numbers has no closed form. The variational bound (Bishop, *Pattern Recognition and Machine
Learning*, Springer 2006, section 10.2, with the components known) replaces it: responsibilities r
are found by turns with E log π = ψ(1 + N_k) − ψ(T + N). Where the whole numbers are sure it is the
Dirichlet-multinomial probability, exactly.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray, IntArray

_TURNS = 8


def log_free_weights(
    terms: FloatArray, teeth: IntArray, count: FloatArray, astray: FloatArray
) -> FloatArray:
    """Bound of the log evidence, shape (m,).

    `terms` (m, J, T) are the log likelihoods of states at `teeth`, without any weight of the
    teeth; `count` (m,) is how many teeth are in view; `astray` (m, J) the log likelihood of a
    state that is at no tooth.
    """
    from scipy.special import digamma, gammaln

    m = terms.shape[0]
    place = teeth - teeth.min(axis=(1, 2), keepdims=True)
    most = int(place.max()) + 1
    place = place + most * np.arange(m)[:, None, None]
    top = np.maximum(terms.max(axis=2), astray)
    possible = np.isfinite(top).all(axis=1)
    top = np.where(np.isfinite(top), top, 0.0)
    likely = np.exp(terms - top[:, :, None])
    none = np.exp(astray - top)
    r, off = _normalised(likely, none)
    totals = _totals(r, place, most)
    in_view = np.maximum(count, np.sum(totals > 0.5, axis=1))
    for _ in range(_TURNS):
        log_pi = digamma(1 + totals) - digamma(in_view + totals.sum(axis=1))[:, None]
        r, off = _normalised(likely * np.exp(log_pi).ravel()[place], none)
        totals = _totals(r, place, most)
    with np.errstate(divide="ignore", invalid="ignore"):
        fit = np.sum(np.where(r > 0, r * (terms - np.log(r)), 0.0), axis=(1, 2))
        fit += np.sum(np.where(off > 0, off * (astray - np.log(off)), 0.0), axis=1)
    dirichlet = gammaln(in_view) - gammaln(in_view + totals.sum(axis=1))
    dirichlet += np.sum(gammaln(1 + totals), axis=1)
    bound: FloatArray = np.where(possible, fit + dirichlet, -np.inf)
    return bound


def _normalised(at_tooth: FloatArray, none: FloatArray) -> tuple[FloatArray, FloatArray]:
    total = at_tooth.sum(axis=2) + none
    total = np.where(total > 0, total, 1.0)
    return at_tooth / total[:, :, None], none / total


def _totals(r: FloatArray, place: IntArray, most: int) -> FloatArray:
    counts = np.bincount(place.ravel(), weights=r.ravel(), minlength=most * r.shape[0])
    totals: FloatArray = counts.astype(np.float64).reshape(-1, most)
    return totals
