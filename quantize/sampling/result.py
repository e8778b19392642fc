"""What sampling gives: a result like that of the quadrature, and what says whether to trust it."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from quantize._support import arviz_lines, validation
from quantize._support.results import Result
from quantize._support.validation import FloatArray, IntArray
from quantize.comb.unit_range import UnitRange
from quantize.model import modes as mode_finding
from quantize.model.draws import predict
from quantize.model.mixture import mode_table
from quantize.model.modes import Marginal, Mode
from quantize.readings import Readings
from quantize.sampling import diagnostics
from quantize.sampling.ensembles import Chains
from quantize.sampling.moves import ends_of, mode_of
from quantize.sampling.target import Target

if TYPE_CHECKING:
    import pandas as pd

_PRIOR_DRAWS = 2000
_EXPORT = 1_000_000
"""Spawn key of the random numbers of `to_arviz`, far from those of the chains."""
_POINTS_A_WIDTH = 4
_REACH = 4
_NEAR = 0.01
_NEAR_WIDTH = 0.025
"""The middle 1 % of a normal distribution is 0.025 standard deviations wide."""
_SMALLEST_MODE = 0.005
_SMALLEST_PROBABILITY = 1e-4


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class SampledMixture(Result):
    """Result of `sample_mixture`.

    Attributes
    ----------
    unit, unit_err : float
        Posterior mean and standard deviation of the unit within the best mode.
    sigma, offset : float
        Their posterior means within that mode, or what was given.
    alternatives : pandas.DataFrame
        Every mode with at least 0.1 % of the samples, best first: unit, unit_err, share, sigma,
        relation.
    converged : bool
        True when nothing speaks against the run.
    warnings : tuple of str
        What does, in plain sentences.
    diagnostics : pandas.DataFrame
        One row for each coordinate, and for the indicator of the best mode where there are
        several: mean, sd, r_hat, ess_bulk, ess_tail, mcse_mean, autocorrelation_time (in steps).
    mode_shares : pandas.DataFrame
        Share of each larger mode by sampling, its Monte Carlo error, its share by quadrature, and
        the share in each ensemble. Empty where there is one mode or no quadrature.
    acceptance : pandas.DataFrame
        How often each move was tried and accepted.
    draws : pandas.DataFrame
        The draws that were kept: chain, draw, and every quantity.
    integers : numpy.ndarray of int, shape (n,)
        Most probable whole number of each reading at the best mode.
    integer_probabilities : pandas.DataFrame
        Rows (reading, integer, probability) over the whole posterior, down to 1e-4.
    """

    _private: ClassVar[tuple[str, ...]] = ("target", "kept", "log_prob", "marginal", "draws")

    unit: float
    unit_err: float
    sigma: float
    offset: float
    alternatives: pd.DataFrame
    converged: bool
    warnings: tuple[str, ...]
    diagnostics: pd.DataFrame
    mode_shares: pd.DataFrame
    acceptance: pd.DataFrame
    integers: IntArray
    integer_probabilities: pd.DataFrame
    unit_range: UnitRange
    settings: dict[str, Any]
    draws: pd.DataFrame
    marginal: Marginal
    target: Target
    kept: FloatArray
    log_prob: FloatArray

    @property
    def readings(self) -> Readings:
        """The readings."""
        return self.target.readings

    @property
    def modes(self) -> pd.DataFrame:
        """The same table as `alternatives`."""
        return self.alternatives

    def interval(self, prob: float = 0.95) -> FloatArray:
        """Highest-density set of the unit (in log unit): rows (low, high), one or more."""
        return mode_finding.highest_density_set(self.marginal, validation.fraction("prob", prob))

    @functools.cached_property
    def _groups(self) -> dict[str, dict[str, Any]]:
        target = self.target
        chains, n, d = self.kept.shape
        seed = self.settings["seed"]
        rng = np.random.default_rng(
            np.random.SeedSequence(seed["entropy"], spawn_key=(*seed["spawn_key"], _EXPORT))
        )
        corrected = target.bias.taken_off(self.kept)
        comb, p = (target.prior.parameters(v.reshape(-1, d)) for v in (self.kept, corrected))
        before = target.draw_prior(_PRIOR_DRAWS, rng)
        groups: dict[str, dict[str, Any]] = {
            "posterior": target.unknown(corrected),
            "prior": target.unknown(before[None]),
            "sample_stats": {"lp": self.log_prob},
            "log_likelihood": {"states": target.likelihood.pointwise(comb).reshape(chains, n, -1)},
            "posterior_predictive": {
                "readings": predict(target.likelihood, p, rng).reshape(chains, n, -1)
            },
            "prior_predictive": {"readings": target.readings_before(before, rng)[None]},
            "observed_data": {"readings": target.readings.values},
        }
        data = target.readings
        names = ("sigma", "relative_sigma", "resolution")
        given = {"charge_state": data.state} | {name: getattr(data, name) for name in names}
        constants = {name: value for name, value in given.items() if value is not None}
        if constants:
            groups["constant_data"] = constants
        return groups

    def to_arviz(self) -> Any:
        """The run as arviz knows it: InferenceData on arviz 0.23, a DataTree on 1.x.

        Groups prior, prior_predictive, posterior, posterior_predictive, sample_stats,
        log_likelihood, observed_data and constant_data (where something came with the readings).
        Dimension `reading` counts the readings from 0; `state` has the labels of the charge states,
        as text, or counts where there are none. The pointwise log likelihood has one entry for each
        state, since the readings of a state depend on each other; `arviz.loo` and `arviz.compare`
        work on it.
        """
        groups = self._groups
        labels = [str(label) for label in self.readings.state_labels]
        states = groups["log_likelihood"]["states"].shape[-1]
        named = self.readings.state is not None and len(set(labels)) == states
        dims = {"states": ["state"], "readings": ["reading"]}
        dims |= {name: ["reading"] for name in groups.get("constant_data", {})}
        return arviz_lines.container(
            groups,
            dims=dims,
            coords={
                "state": np.array(labels) if named else np.arange(states),
                "reading": np.arange(len(self.readings)),
            },
            attributes={
                "converged": int(self.converged),
                "warnings": "\n".join(self.warnings),
                "unit_name": self.readings.unit_name or "",
                "unit_range": f"{self.unit_range.low:.17g} to {self.unit_range.high:.17g}",
            },
        )

    def _headline(self) -> str:
        share = float(self.alternatives["share"].iloc[0])
        state = "converged" if self.converged else "not converged"
        return (
            f"unit {self.unit:.6g} ± {self.unit_err:.2g} ({100 * share:.3g} % of the samples), "
            f"{state}"
        )


def summarised(
    target: Target, run: Chains, wanted: int, settings: dict[str, Any]
) -> SampledMixture:
    """What the chains of a run say, with `wanted` draws of each kept."""
    import pandas as pd

    kept, log_prob = run.evenly_spaced(wanted)
    chains, _, d = kept.shape
    corrected, theta = (target.bias.taken_off(part) for part in (kept, run.theta))
    every = theta.reshape(-1, d)
    log_unit = every[:, 0]
    effective = len(every) / max(run.times.values())
    modes = target.modes or modes_of(log_unit, effective, target.unit_range)
    best, sampled = _as_sampled(target.quantities(every), modes)
    low, high = ends_of([best])
    centre = _centre(target.names, every[(log_unit >= low) & (log_unit <= high)])
    whole, probability = target.integer_probabilities(centre)
    watched = diagnostics.rows(target, corrected, run.times)
    shares = diagnostics.shares(target, theta)
    complaints = diagnostics.complaints(watched, shares, theta.shape[1], chains)
    if run.interrupted:
        complaints = ("The run was interrupted.", *complaints)
    return SampledMixture(
        unit=sampled[0].unit,
        unit_err=sampled[0].unit_err,
        sigma=sampled[0].sigma,
        offset=float(target.quantities(centre)["offset"][0]),
        alternatives=mode_table(sampled, target.readings),
        converged=not complaints,
        warnings=complaints,
        diagnostics=pd.DataFrame(watched),
        mode_shares=pd.DataFrame() if shares is None else shares.frame(),
        acceptance=_acceptance(run),
        integers=whole[np.argmax(probability, axis=1)],
        integer_probabilities=_integer_table(*target.integer_probabilities(kept.reshape(-1, d))),
        unit_range=target.unit_range,
        settings=settings,
        draws=_draw_table(target, corrected),
        marginal=density_of(log_unit, typical_width(log_unit, modes), effective, target.unit_range),
        target=target,
        kept=kept,
        log_prob=log_prob,
    )


def density_of(
    log_unit: FloatArray, width: float, effective: float, unit_range: UnitRange
) -> Marginal:
    """Density of log unit within the range by a normal kernel.

    `width` is the standard deviation of a mode; the kernel is 0.9·width·effective^(−1/5) wide, and
    folded back at the ends of the range (Silverman, *Density Estimation*, Chapman & Hall 1986,
    equation 3.31 and section 2.10).
    """
    start, end = np.log(unit_range.low), np.log(unit_range.high)
    kernel = 0.9 * width * effective**-0.2
    size = int(np.ceil((end - start) / kernel * _POINTS_A_WIDTH))
    step = float((end - start) / size)
    found = np.floor((log_unit - start) / step).astype(np.int64)
    places, counts = np.unique(found, return_counts=True)
    shift = np.arange(-_REACH * _POINTS_A_WIDTH, _REACH * _POINTS_A_WIDTH + 1)
    weight = np.exp(-0.5 * (shift / _POINTS_A_WIDTH) ** 2)
    spread = (places[:, None] + shift).ravel()
    spread = np.where(spread < 0, -1 - spread, spread)
    spread = np.where(spread >= size, 2 * size - 1 - spread, spread)
    index, back = np.unique(np.clip(spread, 0, size - 1), return_inverse=True)
    mass = np.bincount(back, weights=np.outer(counts, weight).ravel())
    log_places = start + (index + 0.5) * step
    return Marginal(index=index, log_unit=log_places, mass=mass / mass.sum(), step=step)


def typical_width(log_unit: FloatArray, modes: Sequence[Mode]) -> float:
    """Standard deviation of log unit within a mode, the geometric mean over samples."""
    if modes:
        share = np.array([mode.share for mode in modes])
        width = np.array([max(mode.unit_err / mode.unit, 1e-300) for mode in modes])
        return float(np.exp(np.sum(share * np.log(width)) / share.sum()))
    ordered = np.sort(log_unit)
    k = max(int(_NEAR * ordered.size), 1)
    gaps = ordered[k:] - ordered[:-k]
    return max(float(np.median(gaps)) / _NEAR_WIDTH, 1e-12)


def modes_of(log_unit: FloatArray, effective: float, unit_range: UnitRange) -> list[Mode]:
    """Modes seen in the samples, where no quadrature shows them; the highest first.

    The first look at the density, with a width that several modes make too large, finds them.
    """
    marginal = density_of(log_unit, typical_width(log_unit, ()), effective, unit_range)
    bins, back = np.unique(marginal.index // _POINTS_A_WIDTH, return_inverse=True)
    heights = np.bincount(back, weights=marginal.mass).astype(np.float64)
    label = mode_finding.label_modes(bins, heights)[back]
    modes = []
    for number in range(int(label.max()) + 1):
        mine = label == number
        low = float(marginal.log_unit[mine].min() - 0.5 * marginal.step)
        high = float(marginal.log_unit[mine].max() + 0.5 * marginal.step)
        inside = log_unit[(log_unit >= low) & (log_unit <= high)]
        share = inside.size / log_unit.size
        if share < _SMALLEST_MODE:
            continue
        unit = float(np.exp(inside.mean()))
        mode = Mode(
            low=float(np.exp(low)),
            high=float(np.exp(high)),
            unit=unit,
            unit_err=unit * float(inside.std()),
            share=share,
            sigma=np.nan,
            probability=share,
        )
        modes.append((float(marginal.mass[mine].max()), mode))
    modes.sort(key=lambda pair: -pair[0])
    return [mode for _, mode in modes]


def _as_sampled(values: dict[str, FloatArray], modes: Sequence[Mode]) -> tuple[Mode, list[Mode]]:
    """The first mode that holds samples, and all those with unit, share and sigma by sampling."""
    number = mode_of(np.log(values["unit"]), *ends_of(modes))
    shown, sampled = [], []
    for i, mode in enumerate(modes):
        mine = number == i
        if not mine.any():
            continue
        unit = values["unit"][mine]
        shown.append(mode)
        sampled.append(
            dataclasses.replace(
                mode,
                unit=float(unit.mean()),
                unit_err=float(unit.std()),
                share=float(mine.mean()),
                sigma=float(values["sigma"][mine].mean()),
            )
        )
    return shown[0], sampled


def _integer_table(whole: IntArray, probability: FloatArray) -> pd.DataFrame:
    """Rows (reading, integer, probability), the most probable first, down to 1e-4."""
    import pandas as pd

    order = np.argsort(-probability, axis=1, kind="stable")
    ranked = np.take_along_axis(probability, order, axis=1)
    reading, place = np.nonzero(ranked >= _SMALLEST_PROBABILITY)
    return pd.DataFrame(
        {
            "reading": reading,
            "integer": whole[order[reading, place]],
            "probability": ranked[reading, place],
        }
    )


def _centre(names: Sequence[str], theta: FloatArray) -> FloatArray:
    """The middle of some samples, shape (1, d): the means, round the circle for a phase.

    Of a coordinate that is a logarithm it is the log of the mean.
    """
    middle = [
        np.log(np.exp(column).mean()) if name.startswith("log_") else column.mean()
        for name, column in zip(names, theta.T, strict=True)
    ]
    if "phase" in names:
        place = names.index("phase")
        middle[place] = np.angle(np.exp(2j * np.pi * theta[:, place]).mean()) / (2 * np.pi) % 1.0
    return np.array([middle])


def _draw_table(target: Target, kept: FloatArray) -> pd.DataFrame:
    import pandas as pd

    chain, draw = np.indices(kept.shape[:2])
    columns = {"chain": chain.ravel(), "draw": draw.ravel()}
    values = {name: value.ravel() for name, value in target.quantities(kept).items()}
    first = {name: values.pop(name) for name in ("unit", "sigma", "offset")}
    return pd.DataFrame(columns | first | values)


def _acceptance(run: Chains) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(
        [
            {"move": name, "tried": tried, "accepted": taken / max(tried, 1)}
            for name, (tried, taken) in run.moves.items()
        ]
    )
