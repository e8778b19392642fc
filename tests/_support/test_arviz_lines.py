"""The same container on both lines of arviz, written, read back and compared."""

from __future__ import annotations

import os
import subprocess
import sys
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import signal, special

import quantize as qz
from quantize._support import arviz_lines
from quantize.sampling.result import SampledMixture
from quantize.sampling.sample import sample_mixture

PAGE = [2.13, -1.81, 4.22, 1.86, -3.9, 6.2, 0.05, -2.3, 4.1, 2.1]
STATES = ["a", "b", "c", "d", "e", "f", "g", "h", "c", "i"]
UNIT_RANGE = (1.4, 3.0)

GROUPS = [
    "constant_data",
    "log_likelihood",
    "observed_data",
    "posterior",
    "posterior_predictive",
    "prior",
    "prior_predictive",
    "sample_stats",
]


@pytest.fixture(scope="module")
def sampled() -> SampledMixture:
    page = qz.Readings(PAGE, state=STATES, resolution=0.01)
    return sample_mixture(page, UNIT_RANGE, draws=150, chains=2, rng=1)


def names(data: Any, group: str) -> dict[str, tuple[str, ...]]:
    return {str(name): tuple(map(str, v.dims)) for name, v in data[group].data_vars.items()}


def check(data: Any) -> None:
    """Groups, names and dimensions, the same on both lines."""
    assert sorted(data.children if arviz_lines.new_line() else data.groups()) == GROUPS
    sampled = ("chain", "draw")
    assert names(data, "posterior") == {"unit": sampled, "sigma": sampled}
    assert names(data, "prior") == {"unit": sampled, "sigma": sampled}
    assert names(data, "sample_stats") == {"lp": sampled}
    assert names(data, "log_likelihood") == {"states": (*sampled, "state")}
    for group in ("prior_predictive", "posterior_predictive"):
        assert names(data, group) == {"readings": (*sampled, "reading")}
    assert names(data, "observed_data") == {"readings": ("reading",)}
    assert names(data, "constant_data") == {
        "charge_state": ("reading",),
        "resolution": ("reading",),
    }
    assert dict(data["log_likelihood"].sizes) == {"chain": 2, "draw": 150, "state": 9}
    assert dict(data["posterior_predictive"].sizes) == {"chain": 2, "draw": 150, "reading": 10}
    assert data["log_likelihood"]["state"].to_numpy().tolist() == list("abcdefghi")
    for group in ("observed_data", "prior_predictive", "posterior_predictive", "constant_data"):
        assert data[group]["reading"].to_numpy().tolist() == list(range(10))
    assert data["prior_predictive"].sizes["draw"] == data["prior"].sizes["draw"]
    assert data.attrs["converged"] in (0, 1)


@pytest.mark.slow
def test_groups_names_and_dimensions(sampled: SampledMixture) -> None:
    data = sampled.to_arviz()
    check(data)
    draws = sampled.draws["unit"].to_numpy().reshape(2, 150)
    np.testing.assert_array_equal(data["posterior"]["unit"].to_numpy(), draws)
    np.testing.assert_array_equal(data["observed_data"]["readings"].to_numpy(), PAGE)
    np.testing.assert_array_equal(
        sampled.to_arviz()["posterior_predictive"]["readings"].to_numpy(),
        data["posterior_predictive"]["readings"].to_numpy(),
    )


def test_written_to_netcdf_and_read_back(sampled: SampledMixture, tmp_path: Path) -> None:
    data = sampled.to_arviz()
    file = tmp_path / "run.nc"
    arviz_lines.write(data, file)
    back = arviz_lines.read(file)
    check(back)
    for group in GROUPS:
        for name in names(data, group):
            np.testing.assert_array_equal(
                back[group][name].to_numpy(), data[group][name].to_numpy()
            )
    # The file is closed: it can be written again.
    arviz_lines.write(data, file)


def test_comparison_of_models_by_leaving_states_out() -> None:
    # With a few hundred draws the tails of the importance weights are too rough to smooth.
    page = qz.Readings(PAGE, state=STATES, resolution=0.01)
    sampled = sample_mixture(page, UNIT_RANGE, draws=1500, chains=2, rng=1)
    az = arviz_lines.load()
    found = az.loo(sampled.to_arviz())
    value = float(found.elpd if arviz_lines.new_line() else found.elpd_loo)
    # Gelfand, in *Markov Chain Monte Carlo in Practice*, 1996: the plain importance estimate,
    # the harmonic mean of the likelihoods, which smoothing of the tail changes by little.
    target = sampled.target
    log_l = target.likelihood.pointwise(target.prior.parameters(sampled.kept.reshape(-1, 2)))
    plain = np.sum(np.log(len(log_l)) - special.logsumexp(-log_l, axis=0))
    assert value == pytest.approx(float(plain), abs=0.5)


def test_models_are_ranked(sampled: SampledMixture) -> None:
    # A comb that is kept from its unit must come second.
    page = sampled.target.readings
    other = sample_mixture(page, (1.41, 1.6), draws=150, chains=2, rng=1)
    az = arviz_lines.load()
    with warnings.catch_warnings():
        # The wrong model has states that matter too much for the estimate to be good.
        warnings.simplefilter("ignore")
        table = az.compare({"right": sampled.to_arviz(), "wrong": other.to_arviz()})
    assert table.index.tolist() == ["right", "wrong"]


def test_convergence_of_chains_that_are_known(rng: np.random.Generator) -> None:
    draws = rng.normal(size=(4, 1000))
    good = arviz_lines.convergence(draws)
    assert good["r_hat"] == pytest.approx(1, abs=0.01)
    # Independent draws are worth their number, within 5 sigma of arviz's own scatter.
    assert good["ess_bulk"] == pytest.approx(4000, rel=0.2)
    assert good["mcse_mean"] == pytest.approx(1 / np.sqrt(4000), rel=0.2)
    bad = arviz_lines.convergence(draws + np.arange(4)[:, None])
    assert bad["r_hat"] > 1.3
    assert bad["ess_bulk"] < 40
    assert arviz_lines.convergence(np.ones((2, 50)))["r_hat"] == 1
    assert np.isnan(arviz_lines.convergence(draws[:1])["r_hat"])
    # Chains that stay where they began, at different places: warnings are errors here.
    for stuck in (1, 2):
        still = np.ones((4, 100))
        still[:stuck] = 0
        assert arviz_lines.convergence(still)["r_hat"] > 1e6


def test_the_tails_are_those_of_five_and_ninety_five_percent(rng: np.random.Generator) -> None:
    # The effective size of a 5 % quantile is that of the indicator below it, by definition.
    noise = rng.normal(size=(4, 4000))
    draws = signal.lfilter([1], [1, -0.7], noise, axis=1)
    az = arviz_lines.load()
    below = (draws <= np.quantile(draws, 0.05)).astype(float)
    above = (draws <= np.quantile(draws, 0.95)).astype(float)
    expected = min(float(az.ess(one, method="mean")) for one in (below, above))
    assert arviz_lines.convergence(draws)["ess_tail"] == pytest.approx(expected, rel=0.1)


def test_an_unwritable_cache_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("not a folder", encoding="utf-8")
    code = (
        "from quantize._support import arviz_lines, errors\n"
        "try:\n    arviz_lines.load()\n"
        "except errors.MissingDependencyError as e:\n    print(e)\n"
        "else:\n    print('loaded')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"XDG_CACHE_HOME": str(blocked), "MPLCONFIGDIR": str(tmp_path)},
    )
    if arviz_lines.new_line() or sys.platform != "linux":
        assert done.stdout.strip() == "loaded"
    else:
        assert "its cache cannot be written" in done.stdout
        assert "XDG_CACHE_HOME" in done.stdout


@pytest.mark.slow
def test_the_announcement_of_the_old_line_is_kept_quiet(tmp_path: Path) -> None:
    # A fresh cache folder makes it the first import of the day.
    code = "from quantize._support import arviz_lines; arviz_lines.load()"
    done = subprocess.run(
        [sys.executable, "-W", "error::FutureWarning", "-c", code],
        capture_output=True,
        text=True,
        env=os.environ | {"XDG_CACHE_HOME": str(tmp_path)},
    )
    assert done.returncode == 0, done.stderr
    assert "ArviZ" not in done.stderr


@pytest.mark.slow
def test_an_analysis_needs_neither_arviz_nor_emcee() -> None:
    code = (
        "import sys\n"
        "for name in ('arviz', 'emcee'):\n    sys.modules[name] = None\n"
        "import quantize as qz\n"
        f"found = qz.analyze({PAGE!r}, {UNIT_RANGE!r}, n_resamples=99, rng=1)\n"
        "print(found.verdict)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() in ("steps", "no steps", "cannot tell")
