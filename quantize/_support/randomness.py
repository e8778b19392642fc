"""Random numbers: one way in, children by spawning, and a record that reproduces them."""

from __future__ import annotations

from typing import Any

import numpy as np

from quantize._support.errors import InputTypeError

RngLike = np.random.Generator | np.random.SeedSequence | int | None


def generator(rng: RngLike) -> np.random.Generator:
    """A `numpy.random.Generator` from a seed, a SeedSequence, a Generator or None (SPEC 7)."""
    if isinstance(rng, np.random.RandomState):
        raise InputTypeError(
            "`rng` is a legacy RandomState; pass a seed or numpy.random.default_rng(seed)."
        )
    try:
        return np.random.default_rng(rng)
    except (TypeError, ValueError):
        raise InputTypeError(
            f"`rng` is {rng!r}; pass None, a non-negative whole number or a numpy Generator."
        ) from None


def seed_sequence(rng: np.random.Generator) -> np.random.SeedSequence:
    """The SeedSequence behind a Generator."""
    sequence = rng.bit_generator.seed_seq
    if not isinstance(sequence, np.random.SeedSequence):
        raise InputTypeError(
            "`rng` has no SeedSequence behind it; make it with numpy.random.default_rng(seed)."
        )
    return sequence


def record(rng: np.random.Generator) -> dict[str, Any]:
    """What must be kept to draw the same numbers again: entropy, spawn key and child count."""
    sequence = seed_sequence(rng)
    return {
        "entropy": sequence.entropy,
        "spawn_key": list(sequence.spawn_key),
        "children_spawned": sequence.n_children_spawned,
    }


def spawn(rng: np.random.Generator, n: int) -> list[np.random.SeedSequence]:
    """`n` independent child seeds; successive calls on one Generator give new children."""
    return seed_sequence(rng).spawn(n)


def own_seed(rng: RngLike, made: np.random.Generator) -> np.random.SeedSequence:
    """The seed of the Generator `made` of `rng`: a child of what will be used again.

    So two calls on one Generator, or on one SeedSequence, differ.
    """
    given = rng is None or isinstance(rng, int | np.integer)
    return seed_sequence(made) if given else spawn(made, 1)[0]
