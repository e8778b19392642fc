"""arviz on both of its lines, 0.23 and 1.x: the one file that knows it.

Everything is computed on plain arrays (chain, draw). arviz gives the diagnostics, and the container
that others can read: InferenceData on 0.23, an xarray DataTree on 1.x, with the same groups, names
and dimensions. Both write and read netCDF through h5netcdf.
"""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Iterator, Mapping
from types import ModuleType
from typing import Any

import numpy as np
import numpy.typing as npt

from quantize._support.errors import MissingDependencyError
from quantize._support.validation import FloatArray

_TAILS = (0.05, 0.95)


def load() -> ModuleType:
    """arviz itself.

    arviz 0.23 announces its successor once a day and writes the day to the user's cache folder;
    the announcement is kept quiet, and a folder that cannot be written is named.

    `MissingDependencyError` when it cannot be imported.
    """
    try:
        with _quiet():
            import arviz
    except OSError as error:
        raise MissingDependencyError(
            f"arviz cannot be imported because its cache cannot be written ({error}); set the "
            "environment variable XDG_CACHE_HOME to a folder that can be."
        ) from None
    module: ModuleType = arviz
    return module


def new_line() -> bool:
    """True on arviz 1.x."""
    return int(load().__version__.split(".")[0]) >= 1


def convergence(draws: FloatArray) -> dict[str, float]:
    """R-hat, bulk and tail effective size and error of the mean of draws (chain, draw).

    R-hat is split and rank-normalised (Vehtari et al., *Bayesian Analysis* 16:667, 2021); tails
    are the 5 and 95 % quantiles. R-hat is NaN for a single chain, and infinite, or
    as large as rounding allows, where chains differ of which none ever moves.
    """
    az = load()
    names = ("r_hat", "ess_bulk", "ess_tail", "mcse_mean")
    if draws.shape[1] < 4:
        return dict.fromkeys(names, float("nan"))
    if np.ptp(draws) == 0:
        size = float(draws.size)
        return dict(zip(names, (1.0, size, size, 0.0), strict=True))
    with _quiet(), np.errstate(divide="ignore", invalid="ignore"):
        # The variance within chains is its denominator.
        r_hat = float(az.rhat(draws)) if len(draws) > 1 else np.nan
        if np.isnan(r_hat) and len(draws) > 1:
            r_hat = np.inf
        values = (
            r_hat,
            az.ess(draws, method="bulk"),
            az.ess(draws, method="tail", prob=_TAILS),
            az.mcse(draws, method="mean"),
        )
    return {name: float(value) for name, value in zip(names, values, strict=True)}


def container(
    groups: Mapping[str, Mapping[str, npt.NDArray[Any]]],
    *,
    dims: Mapping[str, list[str]],
    coords: Mapping[str, npt.NDArray[Any]],
    attributes: Mapping[str, Any],
) -> Any:
    """InferenceData (0.23) or DataTree (1.x) of groups of the arviz schema.

    Arrays of sampled groups begin with (chain, draw); `dims` names the dimensions after these. The
    `attributes` are kept with the whole.
    """
    az = load()
    data = {name: dict(variables) for name, variables in groups.items()}
    shared = {"dims": dict(dims), "coords": dict(coords)}
    with _quiet():
        if new_line():
            return az.from_dict(data, attrs={"/": dict(attributes)}, **shared)
        made = az.from_dict(**data, **shared)
        made.attrs.update(attributes)
        return made


def write(data: Any, path: Any) -> None:
    """Write a container to netCDF."""
    with _quiet():
        if new_line():
            data.to_netcdf(path, engine="h5netcdf")
        else:
            data.to_netcdf(str(path), engine="h5netcdf")


def read(path: Any) -> Any:
    """Read a container from netCDF, all of it, and close the file."""
    az = load()
    with _quiet():
        if not new_line():
            with az.rc_context({"data.load": "eager"}):
                return az.from_netcdf(str(path), engine="h5netcdf")
        import xarray

        with xarray.open_datatree(path, engine="h5netcdf") as tree:
            return tree.load()


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """No announcements of a future version."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FutureWarning)
        warnings.simplefilter("ignore", DeprecationWarning)
        yield
