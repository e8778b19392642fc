"""sample_mixture(): the posterior of the unit by ensembles of walkers."""

from __future__ import annotations

import contextlib
import functools
import os
from collections.abc import Callable
from concurrent.futures import Executor
from typing import Any, Unpack

from numpy.typing import ArrayLike

from quantize._support import arviz_lines, randomness, validation
from quantize._support.errors import explained, warn
from quantize._support.parallel import Progress
from quantize._support.randomness import RngLike
from quantize._support.validation import Columns
from quantize.comb.unit_range import UnitRange, unit_range_for
from quantize.model.mixture import model_of
from quantize.model.model import MixtureModel
from quantize.readings import Readings, as_readings
from quantize.sampling import ensembles
from quantize.sampling.result import SampledMixture, summarised
from quantize.sampling.store import Store
from quantize.sampling.target import Target

_FEWEST_DRAWS = 20


@explained(Columns)
def sample_mixture(
    readings: Readings | ArrayLike,
    unit_range: tuple[float, float] | UnitRange | None = None,
    *,
    model: MixtureModel | None = None,
    draws: int = 1000,
    chains: int = 4,
    rng: RngLike = None,
    workers: int | Executor | Callable[..., Any] | None = None,
    progress: Progress = False,
    checkpoint: str | os.PathLike[str] | None = None,
    **columns: Unpack[Columns],
) -> SampledMixture:
    """Draw samples from the posterior of the unit, for models too large for `fit_mixture`.

    Walkers start in proportion to the modes that quadrature finds, and cross between modes on
    their way. Each chain is an independent ensemble of 100 of them. The run goes on until every
    chain is worth `draws` draws and is 10 autocorrelation times long, but for at most 2,000 steps,
    or five for each draw if that is more.

    Parameters
    ----------
    readings : Readings or array_like, shape (n,)
        The sample. Sigmas given with it are taken as known; readings of one charge state share one
        whole number.
    unit_range : (float, float), optional
        Smallest and largest unit, the support of its prior, in the unit of the readings. By
        default a range that follows from span, sigma and resolution; see `default_unit_range`.
    model : MixtureModel, optional
        Everything that may be assumed of a run, offset, sigma and integers among it.
    draws : int, default 1000
        Draws kept of each chain, evenly spaced; at least 20.
    chains : int, default 4
        Number of independent ensembles; with one alone nothing shows whether it has converged.
    rng : None, int, numpy.random.SeedSequence or numpy.random.Generator, optional
        Seed of the random numbers. The same seed gives the same samples to the bit on one machine
        and one set of versions.
    workers : None, int, concurrent.futures.Executor or map-like callable, optional
        Runs the ensembles side by side: so many processes, or whatever can map a function over
        tasks. The answer is the same to the bit.
    progress : bool or callable, default False
        True shows a bar; a callable is called with (done, total) draws.
    checkpoint : str or path-like, optional
        Name of an HDF5 file in which the samples are kept after each round. The same call goes on
        with what is in it, and ends where a run in one piece ends. One process at a time can use
        it. Where it cannot be written any more, as on a full disk, the run goes on and says so in
        a `QuantizeWarning`.
    **columns
        `sigma`, `state`, `resolution` or `unit_name` of plain values, as in `Readings`.

    Returns
    -------
    SampledMixture
        With `unit`, its rivals in `alternatives`, and `converged`, `warnings` and `diagnostics`.

    Raises
    ------
    InputError
        For input that cannot be used, and for a `checkpoint` that is damaged, in use, or holds
        samples of other readings, another model or another seed; it is left as it is.
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
    >>> sizes = [2.1, 3.9, 6.0, 8.1, 9.9, 14.0]
    >>> found = qz.sample_mixture(sizes, (1.5, 3), draws=100, rng=1)
    >>> round(found.unit, 1), found.integers.tolist()
    (2.0, [1, 2, 3, 4, 5, 7])
    """
    wanted = validation.count("draws", draws, least=_FEWEST_DRAWS)
    number = validation.count("chains", chains)
    root = randomness.spawn(randomness.generator(rng), 1)[0]
    arviz_lines.load()
    assumed = model_of("zero", None, model)
    data = as_readings(readings, measured=False, columns=columns)
    target = _target(data, unit_range, assumed)
    save = None
    with contextlib.ExitStack() as stack:
        if checkpoint is not None:
            described = target.describe() | {"chains": number}
            store = stack.enter_context(Store(checkpoint, described))
            if rng is not None:
                store.check_seed(root)
            root = store.seed or root
            save = functools.partial(store.save, seed=root)
        begun, modes = ensembles.begin(target, number, root)
        if save is not None:
            begun = store.load(begun)
        run = ensembles.run(
            target, begun, modes, wanted, workers=workers, progress=progress, save=save
        )
    settings = {
        "draws": wanted,
        "chains": number,
        "walkers": ensembles.WALKERS,
        "steps": run.theta.shape[1],
        "burn_in": run.burn_in,
        "seed": {"entropy": root.entropy, "spawn_key": list(root.spawn_key)},
        "target": target.describe(),
    }
    result = summarised(target, run, wanted, settings)
    if run.interrupted:
        warn(
            f"sample_mixture was interrupted after {run.burn_in + run.theta.shape[1]} steps; "
            "the result is made of these."
        )
    return result


def _target(data: Readings, unit_range: Any, model: MixtureModel) -> Target:
    """The posterior that is meant."""
    known = (model.sigma, model.sigma) if isinstance(model.sigma, float) else None
    return Target(data, unit_range_for(data, unit_range, sigma_range=known), model)
