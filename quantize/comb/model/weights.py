"""Teeth with weights of their own: a lower bound of the evidence that is close where it counts.

With weights π over the T teeth in view and a Dirichlet prior, 1 each, the sum over all whole
numbers has no closed form. The variational bound (Bishop, *Pattern Recognition and Machine
Learning*, Springer 2006, section 10.2, with the components known) replaces it: responsibilities r
are found by turns with E log π = ψ(1 + N_k) − ψ(T + J). Where the whole numbers are sure it is the
Dirichlet-multinomial probability, exactly.
"""

from __future__ import annotations

import numpy as np

from quantize._support.validation import FloatArray, IntArray

_TURNS = 8


def log_free_weights(terms: FloatArray, teeth: IntArray, count: FloatArray) -> FloatArray:
    """Bound of the log evidence, shape (m,).

    `terms` (m, J, T) are the log likelihoods of states at `teeth`, without any weight of the
    teeth; `count` (m,) is how many teeth are in view.
    """
    from scipy.special import digamma, gammaln

    m, states, _ = terms.shape
    out = np.empty(m)
    for i in range(m):
        place = (teeth[i] - int(teeth[i].min())).ravel()
        most = int(place.max()) + 1
        likely = np.exp(terms[i] - terms[i].max(axis=1, keepdims=True))
        r = likely / likely.sum(axis=1, keepdims=True)
        totals = np.bincount(place, weights=r.ravel(), minlength=most)
        in_view = max(float(count[i]), float(np.sum(totals > 0.5)))
        for _ in range(_TURNS):
            log_pi = (digamma(1 + totals) - digamma(in_view + states))[place].reshape(r.shape)
            r = likely * np.exp(log_pi)
            r /= r.sum(axis=1, keepdims=True)
            totals = np.bincount(place, weights=r.ravel(), minlength=most)
        some = r > 0
        fit = np.sum(r[some] * (terms[i][some] - np.log(r[some])))
        dirichlet = gammaln(in_view) - gammaln(in_view + states) + np.sum(gammaln(1 + totals))
        out[i] = fit + dirichlet
    return out
