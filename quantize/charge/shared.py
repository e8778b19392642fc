"""One error that all readings of a run share, carried into the posterior and into the evidence."""

from __future__ import annotations

import dataclasses
import functools
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from quantize._support import randomness, validation
from quantize._support.randomness import RngLike
from quantize._support.validation import FloatArray
from quantize.charge.quantity import Quantity
from quantize.charge.shifts import Shifted, flattened, moved_across, over_shifts
from quantize.comb import posterior
from quantize.comb.grid import band_for
from quantize.comb.mixture import MixtureFit, fit_mixture, mode_table
from quantize.comb.quadrature import Nodes
from quantize.null.verdict import LevelEvidence, averaged_evidence, weigh_evidence
from quantize.readings import Readings

if TYPE_CHECKING:
    import pandas as pd

_BLURS = 0.1  # units; a larger shared error blurs the phase of a comb that starts at a known place
_LEAST_WEIGHT = 1e-4
_LEAST_PROBABILITY = 1e-4
_NEGLIGIBLE = 50.0
_LAID_OUT = 15.0  # nats below the highest node; what is lower needs no smoothness
_MOST_PLACES = 40
_MOST_NODES = 1_000_000
_FEWER = 7  # shifts that are tried first where there is a drift as well


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SharedShift:
    """An error that moves all readings together.

    Attributes
    ----------
    error : Quantity
        Its standard uncertainty and its law.
    lever : numpy.ndarray, shape (n,)
        How far each reading moves with it.
    drift : Quantity, optional
        A second one: the error of the change of the first in the course of the run.
    drift_lever : numpy.ndarray, shape (n,), optional
        How far each reading moves with that.
    proportions : numpy.ndarray, shape (n,), optional
        Predicted scatter of each reading, for readings off the scale whose sigma is not known.
    """

    error: Quantity
    lever: FloatArray
    drift: Quantity | None = None
    drift_lever: FloatArray | None = None
    proportions: FloatArray | None = None

    def moved(self, readings: Readings, z: float, drift_z: float = 0.0) -> Readings:
        """The readings with error and drift so many standard uncertainties up."""
        values = readings.values + self.lever * z * self.error.standard_uncertainty
        if self.drift is not None and self.drift_lever is not None:
            values = values + self.drift_lever * drift_z * self.drift.standard_uncertainty
        return with_values(readings, values, readings.sigma)

    def fit(
        self,
        readings: Readings,
        unit_range: Any = None,
        *,
        offset: str | float = "zero",
        sigma_range: Any = None,
        model: Any = None,
    ) -> ShiftedFit:
        """`fit_mixture`, averaged over the error.

        With readings off the scale, or within which the charge changed, an unknown scatter is first
        found from the others and then taken as known.
        """
        band = band_for(readings, unit_range, sigma_range=validation.sigma_range(sigma_range))
        settled = None
        if readings.sigma is None and model is None and not readings.measured.all():
            measured = readings.select(readings.measured)
            plain = fit_mixture(measured, band, offset=offset, sigma_range=sigma_range)
            readings, settled = self._with_scatter(readings, plain.sigma), plain.sigma
            sigma_range = None

        def fit_at(drift_z: float, z: float) -> MixtureFit:
            return fit_mixture(
                self.moved(readings, z, drift_z),
                band,
                offset=offset,
                sigma_range=sigma_range,
                model=model,
            )

        if self.drift is None:
            return joined(over_shifts(self.error, functools.partial(fit_at, 0.0)), settled)

        def shifted_at(drift_z: float) -> Shifted:
            at = functools.partial(fit_at, drift_z)
            return over_shifts(self.error, at, first=_FEWER)

        both = flattened(over_shifts(self.drift, shifted_at, first=_FEWER))
        return joined(both, settled)

    def weigh(
        self,
        fit: Any,
        readings: Readings,
        unit_range: tuple[float, float],
        *,
        alpha: float,
        rng: RngLike,
        **options: Any,
    ) -> LevelEvidence:
        """`weigh_evidence` of the measured readings, averaged over the same errors as in `fit`."""
        seed = int(randomness.generator(rng).integers(2**32))
        shifted: Shifted = fit.shifted
        own = self._of_measured(fit)
        told = shifted.weight > _LEAST_WEIGHT
        rows = [
            weigh_evidence(moved, unit_range, alpha=alpha, rng=seed, **options)
            for z, drift_z in zip(shifted.z[told], shifted.drift_z[told], strict=True)
            for moved in [own.moved(readings, z, drift_z)]
        ]
        return averaged_evidence(rows, shifted.prior[told])

    def at_best(self, fit: Any, readings: Readings) -> Readings:
        """The measured readings, moved by the most probable error."""
        shifted: Shifted = fit.shifted
        best = int(np.argmax(shifted.weight))
        moved = (float(shifted.z[best]), float(shifted.drift_z[best]))
        return self._of_measured(fit).moved(readings, *moved)

    def smooth_offset(self, unit: float, offset: str | float) -> str | float:
        """The offset for a test that knows nothing of the error: free where the error blurs it."""
        most = float(np.abs(self.lever).max()) * self.error.standard_uncertainty
        return "free" if most > _BLURS * unit else offset

    def _of_measured(self, fit: Any) -> SharedShift:
        keep = fit.readings.measured
        drift = None if self.drift_lever is None else self.drift_lever[keep]
        return dataclasses.replace(self, lever=self.lever[keep], drift_lever=drift)

    def _with_scatter(self, readings: Readings, sigma: float) -> Readings:
        told = np.full(len(readings), sigma)
        if self.proportions is not None:
            told = self.proportions * sigma / float(np.sqrt(np.mean(self.proportions**2)))
        return with_values(readings, readings.values, told)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ShiftedFit(MixtureFit):
    """A `MixtureFit` averaged over an error that all readings share.

    Unit, modes and set are those of all errors together; `readings` and `problem` are those at the
    most probable one.
    """

    _private: ClassVar[tuple[str, ...]] = (*MixtureFit._private, "shifted")

    shifted: Shifted

    @functools.cached_property
    def integer_probabilities(self) -> pd.DataFrame:
        """Rows (reading, integer, probability), averaged over the error."""
        import pandas as pd

        found = self.shifted
        parts = [
            fit.integer_probabilities.assign(weight=w)
            for fit, w in zip(found.fits, found.weight, strict=True)
            if w > _LEAST_WEIGHT
        ]
        rows = pd.concat(parts)
        rows["probability"] *= rows["weight"]
        sums = rows.groupby(["reading", "integer"], as_index=False)["probability"].sum()
        sums = sums[sums["probability"] >= _LEAST_PROBABILITY]
        sums = sums.sort_values(["reading", "probability"], ascending=[True, False])
        ranked: pd.DataFrame = sums.reset_index(drop=True)
        return ranked

    def draws(self, n: int, *, rng: RngLike = None) -> pd.DataFrame:
        """`n` independent draws of unit, sigma and offset from the posterior."""
        import pandas as pd

        size = validation.count("n", n)
        generator = randomness.generator(rng)
        sizes = generator.multinomial(size, self.shifted.weight / self.shifted.weight.sum())
        parts = [
            fit.draws(int(k), rng=generator)
            for fit, k in zip(self.shifted.fits, sizes, strict=True)
            if k
        ]
        drawn: pd.DataFrame = pd.concat(parts, ignore_index=True)
        return drawn

    def predictions(self, n: int = 200, *, rng: RngLike = None) -> FloatArray:
        """`n` pages that the same charge states would give again, at the most probable error."""
        again: FloatArray = self.shifted.best.predictions(n, rng=rng)
        return again


def joined(found: Shifted, settled: float | None = None) -> ShiftedFit:
    """The fits of all errors as one; `settled` is the scatter that was first found otherwise."""
    best: MixtureFit = found.best
    nodes = _joined_nodes(found)
    marginal = posterior.marginal_of_unit(best.problem, nodes)
    modes = posterior.find_modes(best.problem, nodes, marginal)
    settings = best.settings | ({} if settled is None else {"sigma_range": [settled, settled]})
    result = ShiftedFit(
        unit=modes[0].unit,
        unit_err=modes[0].unit_err,
        sigma=best.sigma if best.readings.sigma is not None else modes[0].sigma,
        offset=best.offset,
        log_bayes_factor=found.log_bayes_factor,
        alternatives=mode_table(modes, best.readings),
        integers=best.integers,
        band=best.band,
        settings=settings,
        readings=best.readings,
        nodes=nodes,
        problem=best.problem,
        shifted=found,
    )
    object.__setattr__(result, "marginal", marginal)
    return result


def _joined_nodes(found: Shifted) -> Nodes:
    """The nodes of every fit, each with the prior weight of its error.

    Between two errors the unit moves on: the nodes that matter are laid out over the units that
    their fit stands for, in steps of a cell.
    """
    all_nodes = [fit.nodes for fit in found.fits]
    sizes = [nodes.log_mass.size for nodes in all_nodes]
    first = np.cumsum([0, *(nodes.sigma_nodes.size for nodes in all_nodes)])[:-1]
    with np.errstate(divide="ignore"):
        log_prior = np.log(found.prior)
    # A model's nodes have their mass in density of the readings; that of the comb over the
    # continuum is what can be compared.
    log_mass = np.concatenate(
        [
            nodes.log_mass - nodes.log_evidence + fit.log_bayes_factor + weight
            for fit, nodes, weight in zip(found.fits, all_nodes, log_prior, strict=True)
        ]
    )
    arrays = {
        name: np.concatenate([getattr(nodes, name) for nodes in all_nodes])
        for name in ("log_unit", "cell", "sigma_index", "phase", "phase_cell")
    }
    arrays["sigma_index"] = arrays["sigma_index"] + np.repeat(first, sizes)
    arrays["log_mass"] = log_mass
    across = np.repeat(moved_across(found, found.best.unit), sizes)
    keep = log_mass > log_mass.max() - _NEGLIGIBLE
    arrays = {name: array[keep] for name, array in arrays.items()}
    return Nodes(
        **_laid_out(arrays, across[keep]),
        log_evidence=found.log_bayes_factor,
        sigma_nodes=np.concatenate([nodes.sigma_nodes for nodes in all_nodes]),
    )


def _laid_out(arrays: dict[str, Any], across: FloatArray) -> dict[str, Any]:
    """Each node in as many places as its cell goes into the length of log unit that it stands for."""
    log_mass = arrays["log_mass"]
    places = np.ceil(across / arrays["cell"]).clip(1, _MOST_PLACES).astype(np.int64)
    places[log_mass < log_mass.max() - _LAID_OUT] = 1
    while int(places.sum()) > max(_MOST_NODES, 2 * places.size) and places.max() > 1:
        places = np.maximum(places // 2, 1)
    owner = np.repeat(np.arange(places.size), places)
    start = np.repeat(np.cumsum(places) - places, places)
    place = (np.arange(owner.size) - start + 0.5) / places[owner] - 0.5
    out = {name: array[owner] for name, array in arrays.items()}
    out["log_unit"] = out["log_unit"] + place * across[owner]
    out["log_mass"] = out["log_mass"] - np.log(places[owner])
    return out


def with_values(
    readings: Readings, values: FloatArray, sigma: Any, *, resolution: Any = None
) -> Readings:
    """The same readings with other values and sigma, and another resolution if one is given."""
    labels = readings.state_labels
    return Readings(
        values,
        sigma=sigma,
        state=None if readings.state is None else [labels[code] for code in readings.state],
        resolution=readings.resolution if resolution is None else resolution,
        ends=readings.ends,
        beyond=readings.beyond,
        changed=readings.changed,
    )
