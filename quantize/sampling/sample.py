"""sample_mixture(): the posterior of the unit by ensembles of walkers."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from quantize._support import arviz_lines, randomness, validation
from quantize._support.errors import warn
from quantize._support.parallel import Progress
from quantize._support.randomness import RngLike
from quantize._support.validation import FloatArray
from quantize.comb.band import Band, band_for
from quantize.model.mixture import model_of
from quantize.readings import as_readings
from quantize.sampling import diagnostics, ensembles, summary
from quantize.sampling.ensembles import WALKERS, Chains
from quantize.sampling.model_target import ModelTarget
from quantize.sampling.result import SampledMixture
from quantize.sampling.store import Store
from quantize.sampling.target import Target, UnitMode, natural

_FEWEST_DRAWS = 20


def sample_mixture(
    readings: Any,
    unit_range: Any = None,
    *,
    offset: str | float = "zero",
    sigma_range: Any = None,
    model: Any = None,
    draws: int = 1000,
    chains: int = 4,
    rng: RngLike = None,
    workers: Any = None,
    progress: Progress = False,
    backend: Any = None,
) -> SampledMixture:
    """Posterior of the unit by sampling, for models too large for `fit_mixture`.

    Walkers start in proportion to the modes that quadrature finds, and cross between modes on
    their way. Each chain is an independent ensemble of 100 of them. The run goes on until every
    chain is worth `draws` draws and is 10 autocorrelation times long, but for at most 2,000 steps,
    or five for each draw if that is more.

    Parameters
    ----------
    readings, unit_range, offset, sigma_range, model
        As in `fit_mixture`.
    draws : int
        Draws kept of each chain, evenly spaced; at least 20.
    chains : int
        Independent ensembles.
    rng : None, int or numpy.random.Generator
    workers : None, int, concurrent.futures.Executor or map-like callable
        Runs the ensembles side by side; the answer is the same to the bit.
    progress : bool or callable
        A bar, or a callable that is told (done, total) draws.
    backend : path, optional
        HDF5 file in which the samples are kept after each round. The same call goes on with what
        is in it, with the random numbers of the run that made it.

    Returns
    -------
    SampledMixture

    Raises
    ------
    InputError
        For input that cannot be used, or a `backend` of another run, which is left as it is.
    KeyboardInterrupt
        When interrupted before there is anything to keep. Later than that an interruption gives
        the result of what was drawn, not converged, with a `QuantizeWarning`.

    Notes
    -----
    R-hat, effective sizes and errors of the shares are taken between ensembles: walkers of one
    ensemble move by each other's help. A run whose ensembles disagree, whose mode shares disagree
    with quadrature, or whose chains are too short has ``converged`` False and says why in
    ``warnings``.

    References
    ----------
    Foreman-Mackey, Hogg, Lang & Goodman, *PASP* 125:306 (2013); ter Braak & Vrugt, *Stat. Comput.*
    18:435 (2008); Vehtari et al., *Bayesian Analysis* 16:667 (2021).

    Examples
    --------
    >>> import quantize as qz
    >>> page = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0]
    >>> found = qz.sample_mixture(page, (1.5, 3), draws=100, rng=1)
    >>> round(found.unit, 1), found.integers.tolist()
    (2.0, [1, 2, 3, 4, 5, 7])
    """
    wanted = validation.count("draws", draws, least=_FEWEST_DRAWS)
    number = validation.count("chains", chains)
    generator = randomness.generator(rng)
    arviz_lines.load()
    target, band = _target(readings, unit_range, offset, sigma_range, model)
    store = None if backend is None else Store(backend, target, number)
    root = (store.seed() if store else None) or randomness.spawn(generator, 1)[0]
    begun, modes = ensembles.begin(target, number, root)
    run = ensembles.run(
        target,
        store.load(begun) if store else begun,
        modes,
        wanted,
        workers=workers,
        progress=progress,
        save=(lambda parts: store.save(parts, root)) if store else None,
    )
    settings = {
        "draws": wanted,
        "chains": number,
        "walkers": WALKERS,
        "steps": run.theta.shape[1],
        "burn_in": run.burn_in,
        "seed": {"entropy": root.entropy, "spawn_key": list(root.spawn_key)},
        "target": target.describe(),
    }
    result = _summarise(target, band, run, wanted, settings)
    if run.interrupted:
        warn(
            f"sample_mixture was interrupted after {run.burn_in + run.theta.shape[1]} steps; "
            "the result is made of these."
        )
    return result


def _target(
    readings: Any, unit_range: Any, offset: str | float, sigma_range: Any, model: Any
) -> tuple[Target, Band]:
    """The posterior that is meant, and the band of units."""
    data = as_readings(readings, measured=False)
    model = model_of(offset, sigma_range, model)
    known = (model.sigma, model.sigma) if isinstance(model.sigma, float) else None
    band = band_for(data, unit_range, sigma_range=known)
    return ModelTarget(data, band, model), band


def _summarise(
    target: Target, band: Band, run: Chains, wanted: int, settings: dict[str, Any]
) -> SampledMixture:
    kept, log_prob = run.evenly_spaced(wanted)
    chains, _, d = kept.shape
    every = run.theta.reshape(-1, d)
    effective = len(every) / max(run.times.values())
    modes = [UnitMode(*mode) for mode in target.modes] or summary.modes_of(every[:, 0], effective)
    values = _quantities(target, every)
    reach = float(max(target.observed.max(), 0.0) - min(target.observed.min(), 0.0))
    table, best = summary.mode_table(values["unit"], values["sigma"], modes, reach)
    pooled = kept.reshape(-1, d)
    in_best = every[(every[:, 0] >= best.low) & (every[:, 0] <= best.high)]
    centre = _centre(target, in_best)
    whole, probability = target.integer_probabilities(centre)
    watched = diagnostics.rows(target, kept, run.times)
    shares = diagnostics.shares(target, run.theta)
    complaints = diagnostics.complaints(watched, shares, run.theta.shape[1], chains)
    if run.interrupted:
        complaints = ("The run was interrupted.", *complaints)
    unit = float(table["unit"].iloc[0])
    return SampledMixture(
        unit=unit,
        unit_err=float(table["unit_err"].iloc[0]),
        sigma=float(table["sigma"].iloc[0]),
        offset=float(_quantities(target, centre)["offset"][0]),
        alternatives=table,
        converged=not complaints,
        warnings=complaints,
        diagnostics=pd.DataFrame(watched),
        mode_shares=pd.DataFrame() if shares is None else shares.frame(),
        acceptance=_acceptance(run),
        integers=whole[np.argmax(probability, axis=1)],
        integer_probabilities=summary.integer_table(*target.integer_probabilities(pooled)),
        band=band,
        settings=settings,
        draws=_draw_table(target, kept),
        marginal=summary.density_of(
            every[:, 0], summary.typical_width(every[:, 0], modes), effective
        ),
        target=target,
        kept=kept,
        log_prob=log_prob,
    )


def _quantities(target: Target, theta: FloatArray) -> dict[str, FloatArray]:
    """Unit, sigma, offset and the rest; sigma in the unit of the readings where it is a factor."""
    values = natural(target, theta)
    for name, value in target.fixed.items():
        values.setdefault(name, np.full(theta.shape[:-1], value))
    given = target.constant_data.get("sigma")
    if given is not None:
        values["sigma"] = values["sigma"] * float(np.median(given))
    return values


def _centre(target: Target, theta: FloatArray) -> FloatArray:
    """The middle of some samples, shape (1, d): the means, round the circle for a phase.

    Of a coordinate that is a logarithm it is the log of the mean.
    """
    middle = [
        np.log(np.exp(column).mean()) if name.startswith("log_") else column.mean()
        for name, column in zip(target.names, theta.T, strict=True)
    ]
    if "phase" in target.names:
        place = target.names.index("phase")
        middle[place] = np.angle(np.exp(2j * np.pi * theta[:, place]).mean()) / (2 * np.pi) % 1.0
    return np.array([middle])


def _draw_table(target: Target, kept: FloatArray) -> pd.DataFrame:
    chain, draw = np.indices(kept.shape[:2])
    columns = {"chain": chain.ravel(), "draw": draw.ravel()}
    values = {name: value.ravel() for name, value in _quantities(target, kept).items()}
    first = {name: values.pop(name) for name in ("unit", "sigma", "offset")}
    return pd.DataFrame(columns | first | values)


def _acceptance(run: Chains) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {"move": name, "tried": tried, "accepted": taken / max(tried, 1)}
            for name, (tried, taken) in run.moves.items()
        ]
    )
