"""MixtureModel: what is assumed of the readings, stated before they are looked at."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Literal

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError, InputTypeError
from quantize._support.validation import Integers
from quantize.comb.unit_range import scatter_of_repeats
from quantize.model import distributions
from quantize.model.distributions import Distribution
from quantize.readings import Readings

NOISES = ("constant", "proportional", "counting")
ENVELOPES = ("flat", "normal", "exponential", "levels")
Prior = float | str | tuple[float, float] | Distribution
"""What may be said of one parameter."""
_PRIORS = ("unit", "sigma", "offset", "outliers", "growth")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class MixtureModel:
    """What is assumed of a sample of readings; taken by every mixture of the library.

    Everything is said before the readings are looked at. Where a distribution is accepted it is a
    frozen one of ``scipy.stats``.

    Parameters
    ----------
    offset : "zero", "free", float or distribution
        Where the multiples of the unit are counted from. "free" is unknown, uniform from zero up to
        one unit, which says whose number is 1 where `integers` has ends; a number is known; a
        distribution is a prior, for example ``stats.norm(0, 0.1)`` from rows read at balance.
    sigma : float, (float, float) or distribution, optional
        Standard deviation of a reading. A number is known, a pair the support of a log-uniform
        prior; left out, `default_sigma_range` gives that support. With readings that carry their
        own sigmas it is the common factor on them, and left out the factor is one.
    noise : {"constant", "proportional", "counting"}
        How the variance of a reading depends on its mean m: s0², s0² + s1²·m² (a hand on the
        watch, a unit that drifts), or s0² + s1²·abs(m) (counts in a detector); s0 is sigma and s1
        the growth. Without a window or a density the variance is no larger than that at one
        and a half times the largest reading.
    envelope : {"flat", "normal", "exponential", "levels"} or distribution
        Which sizes occur at all. "normal" and "exponential" take their parameters from the
        readings; "levels" gives every tooth a weight of its own (Dirichlet, 1 each).
    window : (float, float), optional
        Sizes between which a flat envelope lies, declared before the readings are seen: then
        each of the T teeth inside has probability 1/T. Left out, it is the range of the readings.
    outliers : float, "free" or distribution
        Share of readings that are off the comb altogether, uniform over the window; at least 0 and
        below 1. "free" gives it the prior Beta(1, 9).
    integers : "any", "positive" or (int, int or None)
        Whole numbers that occur: all of them, those from 1 on, or those from the first of a pair
        to the last. With ``(first, None)`` the last one, b, is unknown and summed over: p(b) is
        proportional to 1/b, and b runs from first + 1 to twice the multiple at which the farthest
        reading would stand if the unit were the smallest one tried. It needs a flat envelope
        without a window. Beside a free offset that may lie below zero, begin one number lower.
    rounding : bool
        Whether a reading stands for the interval that was rounded to it (see
        `Readings.resolution` and `Readings.ends`). It does so in any case where some reading was
        recorded to a step coarser than 2/5 of the smallest unit tried, than the largest sigma that
        is said to be possible (sqrt(12) times it for readings with `ends`, whose sigma is taken to
        hold the rounding), or than sqrt(12) times that of repeats.
    priors : mapping, optional
        Further priors by name: "unit" (a distribution; log-uniform over the range of units when
        left out) and "growth" (a number, a pair or a distribution for s1). "sigma", "offset" and
        "outliers" may be given here as well.

    Raises
    ------
    InputError
        For a value that cannot be used; it says which, and what would do.

    Examples
    --------
    >>> import quantize as qz
    >>> qz.MixtureModel(offset="free", outliers=0.05)
    <MixtureModel: offset free, outliers 0.05>
    """

    offset: Literal["zero", "free"] | float | Distribution = "zero"
    sigma: float | tuple[float, float] | Distribution | None = None
    noise: Literal["constant", "proportional", "counting"] = "constant"
    envelope: Literal["flat", "normal", "exponential", "levels"] | Distribution = "flat"
    window: tuple[float, float] | None = None
    outliers: Literal["free"] | float | Distribution = 0.0
    integers: Integers = "any"
    rounding: bool = False
    priors: Mapping[str, Prior] = dataclasses.field(default_factory=dict)

    def __getstate__(self) -> dict[str, Any]:
        return self.__dict__ | {"priors": dict(self.priors)}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state | {"priors": MappingProxyType(state["priors"])})

    def __post_init__(self) -> None:
        put = object.__setattr__
        extra = dict(self.priors)
        unknown = sorted(set(extra) - set(_PRIORS))
        if unknown:
            raise InputError(
                f"`priors` has an entry {unknown[0]!r}; the entries are {', '.join(_PRIORS)}."
            )
        for name in ("sigma", "offset", "outliers"):
            if name in extra:
                put(self, name, extra.pop(name))
        put(self, "priors", MappingProxyType(extra))
        put(self, "offset", _offset(self.offset))
        put(self, "sigma", distributions.positive_prior("sigma", self.sigma))
        put(self, "outliers", _outliers(self.outliers))
        put(self, "integers", _integers(self.integers))
        validation.choice("noise", self.noise, NOISES)
        if not distributions.is_distribution(self.envelope):
            validation.choice("envelope", self.envelope, ENVELOPES)
        if self.window is not None:
            put(self, "window", window_of(self.window))
        if not isinstance(self.rounding, bool):
            raise InputTypeError(f"`rounding` is {self.rounding!r}; give True or False.")
        self._refuse_last_unknown()
        if "growth" in extra and self.noise == "constant":
            raise InputError(
                "`priors` has a growth, but `noise` is 'constant'; choose 'proportional' or "
                "'counting', or leave the growth out."
            )

    def _refuse_last_unknown(self) -> None:
        """An unknown last number is one of a flat envelope that has no other end."""
        if not isinstance(self.integers, tuple) or self.integers[1] is not None:
            return
        flat = isinstance(self.envelope, str) and self.envelope == "flat"
        if not flat or self.window is not None:
            other = "envelope" if not flat else "window"
            raise InputError(
                f"`integers` is {distributions.text(self.integers)}, the last number unknown, "
                f"which needs a flat envelope without a window; leave `{other}` out, or give the "
                "last number."
            )

    def as_recorded(self, readings: Readings, smallest: float) -> MixtureModel:
        """The model with rounding where steps of the record could pass for units from `smallest`.

        A step finer than 2/5 of the unit leaves the phase free, and acts as a part of sigma: but
        not of one that is said of the error before rounding, unless the step is finer than it; nor
        of repeats that scatter less than rounding. Of readings between two ends the typical step
        decides: a few that are coarser, as at a lower voltage, scatter as much more.
        """
        if self.rounding or readings.steps is None:
            return self
        most: Any = self.sigma
        if most is None:
            most = np.inf if readings.sigma is None else 1.0
        most = most[1] if isinstance(most, tuple) else distributions.reach(most)[1]
        # What a bench predicts of readings between two ends has the rounding in it.
        most *= 1 if readings.ends is None else np.sqrt(12)
        most = min(most, np.sqrt(12) * scatter_of_repeats(readings))
        steps, typical = readings.steps, readings.rounding_step or 0.0
        phased = steps.max() if readings.ends is None else typical
        coarse = phased > 0.4 * smallest * (1 + 1e-9) or np.any(
            steps > most * readings.scale * (1 + 1e-9)
        )
        return dataclasses.replace(self, rounding=True) if coarse else self

    @property
    def plain_offset(self) -> Literal["zero", "free"] | float:
        """The offset for methods that know no prior: its mean."""
        offset: Any = self.offset
        if distributions.is_distribution(offset):
            return float(offset.mean())
        plain: Literal["zero", "free"] | float = offset
        return plain

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary: every assumption, distributions by name and parameters."""
        fields = {f.name: getattr(self, f.name) for f in dataclasses.fields(self)}
        fields["priors"] = dict(self.priors)
        described: dict[str, Any] = distributions.described(fields)
        return {"schema": "quantize.MixtureModel/1"} | described

    def __repr__(self) -> str:
        parts = []
        for field in dataclasses.fields(self):
            value = getattr(self, field.name)
            if field.name == "priors":
                parts += [f"{k} {distributions.text(v)}" for k, v in value.items()]
            elif value is True:
                parts.append(field.name)
            elif value is not False and value != field.default:
                parts.append(f"{field.name} {distributions.text(value)}")
        return f"<MixtureModel: {', '.join(parts) or 'plain'}>"


def _offset(value: Any) -> Any:
    if distributions.is_distribution(value):
        return value
    mode, number = validation.offset_mode(value)
    if mode == "free":
        return "free"
    return "zero" if number == 0 else number


def _outliers(value: Any) -> Any:
    if distributions.is_distribution(value):
        low, high = value.support()
        if low < 0 or high > 1:
            raise InputError(
                f"`outliers` has a prior on ({low:g}, {high:g}); a share lies between 0 and 1."
            )
        return value
    if isinstance(value, str):
        validation.choice("outliers", value, ("free",))
        return distributions.beta(1, 9)
    share = validation.number("outliers", value)
    if not 0 <= share < 1:
        raise InputError(f"`outliers` is {share:g}; it must be at least 0 and below 1.")
    return share


def _integers(value: Any) -> Any:
    if isinstance(value, str):
        return validation.choice("integers", value, ("any", "positive"))
    try:
        first, last = (None if end is None else _whole(end) for end in value)
    except (TypeError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise InputTypeError(
            f"`integers` is {value!r}; it must be 'any', 'positive' or a pair (first, last)."
        ) from None
    if first is None:
        raise InputTypeError(
            f"`integers` is {value!r}; only the last number can be None, unknown: give the first."
        )
    if last is None:
        if first < 0:
            raise InputError(
                f"`integers` is ({first}, None); with the last number unknown the first must be 0 "
                "or more: give both, or turn the sign of the readings."
            )
    elif first >= last:
        raise InputError(f"`integers` is ({first}, {last}); the first must be below the last.")
    return first, last


def _whole(end: Any) -> int:
    number = validation.number("integers", end)
    if number != round(number):
        raise InputError(f"`integers` has {number:g}; give whole numbers.")
    return int(number)


def window_of(value: Any) -> tuple[float, float]:
    """A pair (low, high) of sizes, checked."""
    try:
        low, high = (validation.number("window", end) for end in value)
    except (TypeError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise InputTypeError(f"`window` is {value!r}; give two numbers (low, high).") from None
    if low >= high:
        raise InputError(f"`window` is ({low:g}, {high:g}); the low end must be below the high.")
    return low, high
