"""Harmonic sums as they are defined, as oracle for the fast ones."""

import numpy as np


def harmonic_sums_plain(values, weights, first, step, size):
    """Sum over readings of weight·exp(2πi·value·f) at f = first + step·(0 … size−1)."""
    frequencies = first + step * np.arange(size)
    return np.exp(2j * np.pi * np.outer(frequencies, values)) @ weights.astype(np.complex128)
