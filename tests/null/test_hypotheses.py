"""The comb against every kind of data without steps, by plain sums over units and cuts."""

from __future__ import annotations

import functools
import itertools
import math

import numpy as np
import pytest
from plain_window import plain_log_unit_excess
from scipy.special import gammaln, logsumexp
from scipy.stats import norm

import quantize as qz
from quantize.null import envelopes
from quantize.null.envelopes import log_ratio_over_heaps
from quantize.null.hypotheses import NULLS, SAME_ENVELOPE
from quantize.null.verdict import KINDS

UNIT_RANGE = (0.5, 2.5)
SIGMA = 0.12
SHARES = {"equal shares": math.inf, "flat shares": 1.0, "few favoured": 0.3}
WHOLE = np.arange(-20, 21)
RESTAURANTS = (0.5, 2.0, 8.0, 30.0)


def cuts(n: int) -> list[list[slice]]:
    """Every way of cutting n sorted levels into neighbours."""
    out = []
    for size in range(n):
        for inner in itertools.combinations(range(1, n), size):
            ends = [0, *inner, n]
            out.append([slice(a, b) for a, b in itertools.pairwise(ends)])
    return out


def log_group(x: np.ndarray, sigma: float) -> float:
    """Levels on one place, the place integrated over the line: the formula of the theory."""
    m = x.size
    squares = float(np.sum((x - x.mean()) ** 2))
    return -0.5 * ((m - 1) * math.log(2 * math.pi * sigma**2) + math.log(m) + squares / sigma**2)


class Plain:
    """Everything at each unit of a fine grid; the unit is log-uniform."""

    def __init__(self, x: np.ndarray) -> None:
        self.x, self.n = np.sort(x), x.size
        self.span = float(np.ptp(x))
        self.window = self.span * (self.n + 1) / (self.n - 1)
        self.u = np.geomspace(*UNIT_RANGE, 8001)
        self.u = np.exp(0.5 * (np.log(self.u[1:]) + np.log(self.u[:-1])))
        u = self.u[:, None]
        self.k = np.rint(self.x / u).astype(int)
        self.teeth = self.k[:, -1] - self.k[:, 0] + 1
        pdf = norm.pdf(self.x, u[:, :, None] * WHOLE[:, None], SIGMA)
        self.any = np.log(pdf.sum(axis=1)).sum(axis=1) - math.log(self.u.size)
        self.nearest = norm.logpdf(self.x, u * self.k, SIGMA).sum(axis=1) - math.log(self.u.size)
        # Units whose share of the posterior is below e^-12 of the best are left out.
        excess = plain_log_unit_excess(self.u, SIGMA / self.u, self.span, self.n)
        posterior = self.any - self.n * (excess - np.log(self.u))
        shown = (posterior > posterior.max() - 12) & (0.3 * self.u >= SIGMA)
        sizes = [np.unique(np.abs(row[row != 0])) for row in self.k]
        enough = np.array([s.size >= 3 and np.gcd.reduce(s) == 1 for s in sizes])
        self.log_shares = {name: self._shares(a) for name, a in SHARES.items()}
        mean = logsumexp(list(self.log_shares.values()), axis=0) - math.log(3)
        self.counted = np.where(shown & enough, self.any + mean, -np.inf)
        self.seated = np.where(shown & enough, self.nearest + mean, -np.inf)
        self.everything = np.where(shown, self.any + mean, -np.inf)
        self.phases = np.where(shown & enough, self.any + self.n * np.log(self.u), -np.inf)

    def _norm(self, a: float) -> np.ndarray:
        if math.isinf(a):
            return np.asarray(-self.n * np.log(self.teeth))
        return np.asarray(gammaln(a * self.teeth) - gammaln(a * self.teeth + self.n))

    def _shares(self, a: float) -> np.ndarray:
        """Dirichlet-multinomial of the nearest teeth."""
        out = self._norm(a)
        if math.isinf(a):
            return out
        for row, k in enumerate(self.k):
            held = np.unique(k, return_counts=True)[1]
            out[row] += np.sum(gammaln(a + held) - gammaln(a))
        return out

    def over(self, comb: np.ndarray, null: np.ndarray) -> float:
        """Log of comb over null, averaged over the units."""
        return float(logsumexp(comb - null))

    def continua(self) -> dict[str, float]:
        log_u, total = np.log(self.u), float(logsumexp(self.counted))
        nulls = {"uniform": -self.n * (log_u + np.log(self.teeth))}
        for name in ("flat shares", "few favoured"):
            nulls[f"histogram, {name}"] = -self.n * log_u + self.log_shares[name]
        one = np.ones(self.n, dtype=int)
        smooth = {
            "tight uniform": envelopes.log_uniform(self.x),
            "normal": envelopes.log_normal(self.x, self.window),
            "skewed": envelopes.log_skewed(self.x),
            "beta": envelopes.log_beta(self.x),
            "broad lumps": envelopes.log_broad_lumps(self.x, one, np.zeros(self.n)),
        }
        phase = float(logsumexp(self.phases))
        taken = [smooth[name] for name in ("tight uniform", "normal", "skewed")]
        enveloped = phase + float(logsumexp(taken)) - math.log(3)
        richest = float(np.logaddexp(total, enveloped)) - math.log(2)
        out = {name: richest - total + self.over(self.counted, v) for name, v in nulls.items()}
        out |= {name: richest - value for name, value in smooth.items()}
        return {SAME_ENVELOPE: phase} | {f"continuous: {name}": v for name, v in out.items()}

    def log_places(self, x: np.ndarray, a: float, places: np.ndarray) -> np.ndarray:
        """Log evidence at each unit of so many places anywhere on the length of the teeth."""
        by_number = np.full(self.n + 1, -np.inf)
        for pieces in cuts(self.n):
            log = sum(log_group(x[p], SIGMA) for p in pieces)
            if not math.isinf(a):
                log += sum(float(gammaln(a + x[p].size) - gammaln(a)) for p in pieces)
            by_number[len(pieces)] = np.logaddexp(by_number[len(pieces)], log)
        j = np.arange(self.n + 1)
        enough = j <= places[:, None]
        falling = gammaln(places + 1)[:, None] - gammaln(
            np.where(enough, places[:, None] - j, 0) + 1
        )
        length = np.log(places * self.u)
        terms = np.where(enough, falling + by_number - j * length[:, None], -np.inf)
        norm_ = -self.n * np.log(places)
        if not math.isinf(a):
            norm_ = gammaln(a * places) - gammaln(a * places + self.n)
        levels = logsumexp(terms, axis=1) + norm_
        # With more places than readings the levels are taken together with a continuum.
        return np.asarray(np.where(places > self.n, np.logaddexp(levels, -self.n * length), levels))

    def levels(self) -> dict[str, float]:
        out = {
            f"lumpy: {name}": self.over(self.seated, self.log_places(self.x, a, self.teeth))
            for name, a in SHARES.items()
        }
        total = float(logsumexp(self.seated))
        out["mixed: levels and background"] = total - self.restaurant([SIGMA])
        widths = np.geomspace(self.span / 400, self.span / 2, 14)
        out["unequal: lumps of their own widths"] = total - self.restaurant(widths)
        return out

    def restaurant(self, widths: object) -> float:
        """Any number of groups, each of its own width, in a Chinese restaurant."""
        logs = []
        for theta in RESTAURANTS:
            for pieces in cuts(self.n):
                log = float(gammaln(theta) - gammaln(theta + self.n)) - math.log(len(RESTAURANTS))
                for p in pieces:
                    each = [log_group(self.x[p], float(w)) for w in widths]  # type: ignore[attr-defined]
                    log += float(logsumexp(each)) - math.log(len(each)) - math.log(self.window)
                    log += math.log(theta) + float(gammaln(self.x[p].size))
                logs.append(log)
        return float(logsumexp(logs))

    def mirrored(self) -> dict[str, float]:
        """Sizes anywhere, the signs by a coin."""
        sizes = np.maximum(-self.k[:, 0], self.k[:, -1]) + 1
        folded, coins = np.sort(np.abs(self.x)), self.n * math.log(2)
        return {
            f"mirrored: {name}": self.over(self.seated, self.log_places(folded, a, sizes) - coins)
            for name, a in SHARES.items()
        }


ONE_SIDE = np.array([1.07, 1.94, 2.11, 4.03, 5.98, 7.06])
BOTH_SIDES = np.array([-3.05, -1.93, -1.02, 1.07, 2.98, 4.09])


@functools.cache
def analysed(both: bool) -> qz.Analysis:
    # The step of the record is said to be fine, so that it plays no part.
    values = BOTH_SIDES if both else ONE_SIDE
    readings = qz.Readings(values, resolution=1e-6)
    return qz.analyze(readings, UNIT_RANGE, sigma_range=SIGMA, n_resamples=19, rng=1)


@functools.cache
def plain(both: bool) -> Plain:
    return Plain(BOTH_SIDES if both else ONE_SIDE)


@pytest.mark.parametrize("both", [False, True])
def test_the_comb_by_plain_sums(both: bool) -> None:
    found, by_hand = analysed(both).evidence, plain(both)
    total = float(logsumexp(by_hand.counted))
    assert found.log_evidences["comb"] == pytest.approx(total, abs=0.01)
    occupied = math.exp(total - float(logsumexp(by_hand.everything)))
    assert found.occupied_teeth == pytest.approx(occupied, abs=0.01)


@pytest.mark.parametrize("both", [False, True])
def test_sizes_of_any_kind_by_plain_sums(both: bool) -> None:
    found, expected = analysed(both).log_bayes_factors, plain(both).continua()
    assert {name for name in found if name.startswith("continuous")} == set(expected)
    for name, value in expected.items():
        assert found[name] == pytest.approx(value, abs=0.02), name


@pytest.mark.parametrize("both", [False, True])
def test_levels_anywhere_by_plain_sums(both: bool) -> None:
    found, expected = analysed(both).log_bayes_factors, plain(both).levels()
    for name, value in expected.items():
        assert found[name] == pytest.approx(value, abs=0.02), name


def test_mirrored_levels_by_plain_sums() -> None:
    assert not any(name.startswith("mirrored") for name in analysed(False).log_bayes_factors)
    for name, value in plain(True).mirrored().items():
        assert analysed(True).log_bayes_factors[name] == pytest.approx(value, abs=0.02), name


def test_heaps_by_scipys_normal_densities() -> None:
    """Shares on the comb of 0.6 to 1 against 0.1 to 0.5, the rest flat in phase."""
    x, unit = BOTH_SIDES, 1.01
    reach = math.sqrt(float(np.sum(x**2)))
    nearness = np.geomspace(1e-4, 0.2, 30)
    f = 1 / unit + np.concatenate([-nearness, [0.0], nearness]) / reach
    turns = x * f[f > 0, None]
    phase = turns - np.rint(turns)
    narrow = [0.001, 0.003, 0.01, 0.02, 0.05]

    def mean(spreads: list[float], shares: list[float]) -> float:
        logs = []
        for spread in spreads:
            density = norm.pdf(phase[:, :, None] + np.arange(-1, 2), 0, spread).sum(axis=2)
            density = np.maximum(density, 1e-12)
            logs += [np.log(1 - share + share * density).sum(axis=1) for share in shares]
        return float(logsumexp(logs)) - math.log(np.size(logs))

    combs = mean([*narrow, *np.geomspace(0.07, 0.3, 6)], [0.6, 0.75, 0.9, 0.97, 1.0])
    heaps = mean(narrow, [0.1, 0.2, 0.3, 0.4, 0.5])
    assert log_ratio_over_heaps(x, unit) == pytest.approx(combs - heaps, abs=1e-6)


def test_each_kind_has_an_equal_part_of_the_mixture_and_each_null_of_its_kind() -> None:
    found = analysed(True)
    kinds = {name.partition(":")[0] for name in found.log_bayes_factors}
    levels = {"lumpy", "mirrored", "mixed", "unequal", "sums", "small sums", "differences"}
    assert kinds == {"continuous", "heaped"} | levels
    total = 0.0
    for kind in kinds:
        each = [
            math.exp(-value)
            for name, value in found.log_bayes_factors.items()
            if name.partition(":")[0] == kind
        ]
        total += sum(each) / len(each) / len(kinds)
    assert found.log_bayes_factor_mixture == pytest.approx(-math.log(total))
    # The mixture is between the best and the worst of its parts.
    assert found.log_bayes_factor < found.log_bayes_factor_mixture
    assert found.log_bayes_factor == min(found.log_bayes_factors.values())


@pytest.mark.parametrize("offset", ["zero", "free"])
def test_every_null_is_told_and_every_kind_has_words(offset: str) -> None:
    rng = np.random.default_rng(4)
    values = rng.integers(-4, 5, 25) + 0.05 * rng.normal(size=25)
    found = qz.analyze(values, (0.4, 3), offset=offset, n_resamples=99, rng=1)
    others = {f"mirrored: {name}" for name in SHARES}
    zero = {f"{kind}: from zero" for kind in ("sums", "small sums", "differences")}
    others |= set() if offset == "free" else zero
    assert set(found.log_bayes_factors) == set(NULLS) | others
    assert {name.partition(":")[0] for name in found.log_bayes_factors} <= set(KINDS)


def test_the_best_explanation_is_said_in_words() -> None:
    rng = np.random.default_rng([91, 0])
    places = rng.integers(0, 3, (40, 2))
    values = places @ np.array([1, (1 + math.sqrt(5)) / 2]) + 0.03 * rng.normal(size=40)
    both = " ".join(str(qz.analyze(values, n_resamples=99, rng=1)).split())
    assert "picked after they were seen (sums and differences of two units)" in both
    values = values[values > 0.5]
    said = " ".join(str(qz.analyze(values, n_resamples=99, rng=1)).split())
    assert "picked after they were seen (sums of two units)" in said
