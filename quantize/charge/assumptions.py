"""What a conversion assumed, in sentences: values without an uncertainty, words left out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from quantize.charge.apparatus import Apparatus
    from quantize.charge.quantity import Quantity

_NOT_MEASURED = ("sphere.diameter_spread",)  # a deviation about zero


def taken_for_exact(*routes: Mapping[str, Quantity]) -> tuple[str, ...]:
    """Names of the inputs of routes that came without an uncertainty, in order."""
    names = [
        name
        for inputs in routes
        for name, quantity in inputs.items()
        if quantity.standard_uncertainty == 0 and name not in _NOT_MEASURED
    ]
    return tuple(dict.fromkeys(names))


def exact_sentence(exact: tuple[str, ...]) -> str:
    """One sentence that lists what was taken for exact."""
    return (
        f"taken for exact, since no uncertainty is stated: {', '.join(exact)}; add one as in "
        "'4.24 +/- 0.02 mm'"
    )


def assumptions(apparatus: Apparatus, exact: tuple[str, ...]) -> list[str]:
    """What was assumed about a bench, and where to say that it is otherwise.

    Parameters
    ----------
    apparatus : Apparatus
    exact : tuple of str
        As from `taken_for_exact`.
    """
    notes = []
    if exact:
        notes.append(exact_sentence(exact))
    if not apparatus.has("sphere.weight"):
        return notes
    if apparatus.word("sphere.buoyancy") is None:
        notes.append(
            "the weight is taken for that in air, from which the buoyancy has been taken off; "
            'if it has not, declare buoyancy = "not off" under [sphere]'
        )
    if not apparatus.weight_is_own and not apparatus.has(
        "sphere.diameter", "sphere.diameter_spread"
    ):
        notes.append(
            "the weight is taken for that of the batch, and how far one sphere is from it is not "
            "known; add diameter and diameter_spread under [sphere], or declare "
            'weight_of = "this sphere"'
        )
    return notes
