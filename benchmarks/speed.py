"""Speed and memory of everything, beside named peers in the same run.

{machine}

Each row in a process of its own. Processor seconds, the best of several runs with one thread and
all libraries loaded; of rows with workers the seconds on the clock. Ratios are of times in the same
run. Memory is the growth of the largest resident set. All samples come from the seed 1. The
resamples that `analyze` draws when its `smooth` is looked at are not in its times.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from threadpoolctl import threadpool_limits

from benchmarks.runner import Lines, Option, Options, benchmark, flag, row, told
from benchmarks.speed_parts import growth_lines, machine, measured

_EVIDENCE = "from quantize.null.evidence import level_evidence\n"
_WARM = "qz.analyze(comb(8), n_resamples=19)\n"


class Row(NamedTuple):
    """A line of the table: what is run, what is aimed at, and the rows it is held against.

    Each peer has a short name and that of its row, which stands above.
    """

    work: str
    code: str
    target: str = ""
    peers: tuple[tuple[str, str], ...] = ()
    large: bool = False


def _sums(n: int, m: int) -> list[Row]:
    """The block kernel and two peers at equal sizes."""
    size = f"{n} readings, {m:,} units"
    setup = (
        f"from quantize.comb import sums\nn, m = {n}, size({m})\n"
        "x, w, y = rng.uniform(0, 20, n), np.ones(n), rng.normal(size=n)\n"
        "f = 0.1 + 0.002 * np.arange(m)\n"
    )
    fast, plain = f"astropy's fast mode, {size}", f"scipy's lombscargle, {size}"
    return [
        Row(fast, setup + _FAST + "measure(call, 5)"),
        Row(
            plain,
            f"{setup}from scipy.signal import lombscargle\n"
            "measure(lambda: lombscargle(x, y, 2 * np.pi * f), 2)",
        ),
        Row(
            f"sums behind a periodogram, {size}, numpy only",
            setup + "measure(lambda: sums.harmonic_sums(x, w, 0.1, 0.002, m), 20)",
            "≤ 0.05 × astropy, ≤ 0.017 × scipy",
            (("astropy", fast), ("scipy", plain)),
        ),
    ]


_FAST = """
from astropy.timeseries import LombScargle
call = lambda: LombScargle(x, y).power(f, method="fast", assume_regular_frequency=True)
"""
_MANY = """
import finufft
from quantize.comb import sums
n, m = size(10**6, 20_000), size(6 * 10**4, 2000)
x, w, y, step = rng.uniform(0, 20, n), np.ones(n), rng.normal(size=n), 0.01
f = 0.1 + step * np.arange(m)
angle = 2 * np.pi * (x * step - np.rint(x * step))
strengths = w.astype(complex)
"""
_BARE = "the bare finufft call, 1e6 readings, 6e4 units"
_RUN = """
from quantize.charge import Run
i = np.arange(size(1000, 50))
page = {"state": [f"s{j // 5}" for j in i], "V": np.where(i % 10 == 0, 0.0, 227.0),
        "div": np.where(i % 10 == 0, -60.0, rng.integers(-40, 40, size=i.size)),
        "t": np.full(i.size, 10.0)}
bench = {"plates": {"separation": "4.2 mm"}, "sphere": {"weight": "5e-14 N"}}
measure(lambda: Run(page, bench).charges(), 5)
"""
_PARTICLES = """
from quantize.charge.quantity import Quantity
from quantize.charge.montecarlo import monte_carlo_many
n = size(10_000, 20)
def column(value):
    values = value * (1 + 0.05 * rng.standard_normal(size=n))
    return values, 0.01 * values
own = {"unit": column(10.0), "fall": column(60.0), "weight": column(5e-14)}
def shared(value, error, law="normal"):
    return Quantity(value=value, standard_uncertainty=error, distribution=law)
common = {"separation": shared(4.2e-3, 1e-5), "voltage": shared(227.0, 0.5),
          "supplied": shared(1.0, 0.01, "rectangular"), "tilt": shared(0.0, 0.01)}
def model(**x):
    plates = x["supplied"] * x["separation"] / (x["voltage"] * np.cos(x["tilt"]))
    return x["unit"] / x["fall"] * x["weight"] * plates
measure(lambda: monte_carlo_many(model, own, common, trials=size(10_000, 500), rng=2), 1)
"""
_GROUPS = """
import pandas as pd
n, samples = size(200), []
for i in range(n):
    k = rng.integers(-4, 5, size=20) if i % 4 else rng.normal(scale=2.6, size=20)
    samples.append(rng.uniform(3, 9) * (k + 0.1 * rng.normal(size=20)))
table = pd.DataFrame({"particle": np.repeat(np.arange(n), 20), "q": np.concatenate(samples)})
few = 49 if part < 1 else 999
def groups(workers):
    return qz.analyze_groups(
        table, by="particle", value="q", n_resamples=few, rng=20, workers=workers
    )
"""
_LOOP = "`analyze` in a loop, 200 particles (20 of them, times ten)"
_ALONE = "`analyze_groups`, 200 particles, one worker"
_COUNTS = """
n = size(10**6, 20_000)
k = rng.poisson(2.2, size=n)
x = 12 + 7.3 * k + rng.normal(size=n) * np.sqrt(0.5**2 + 0.4**2 * k)
units = (1 / (1 / 20 + 10_000 / 550), 20)
measure(lambda: qz.null.analyze_counts(x, units, offset="free", window=(0.0, 110.0)),
        say=lambda f: f"{f.verdict}, {f.unit:.4f} ± {f.unit_err:.1g} (truth 7.3)")
"""
_SCORE = "x = comb(60); high = np.ptp(x) / 2; low = high / (1 + 400 * high / 9)\n"
_PLAIN = """
from scipy.stats import monte_carlo_test
f = np.linspace(1 / high, 1 / low, 2000)
top = lambda page: np.cos(2 * np.pi * np.outer(f, page)).sum(axis=1).max()
null = lambda size: rng.normal(0, 2.6, size=size)
measure(lambda: monte_carlo_test(x, null, top, n_resamples=99, vectorized=False), times=101)
"""
_TEST = "the same statistic, plain, by scipy.stats.monte_carlo_test (99, times 101)"
_NUMPY = 'python -c "import numpy"'
_PARTS = "from benchmarks import speed_parts as parts\n"
_FILE = f"{_PARTS}path = parts.parquet(folder, size(10**8, 10**5))\n"
_READ, _KERNEL = "reading 1e8 readings from parquet (800 MB)", "the bare kernel for 1e8 readings"
_STUDY = "study of 400 samples of 20 ms on a warm {} of {}, on the clock"
_ONE = "1e8 readings from parquet on one Dask worker, on the clock"


def _analyze(n: int, options: str = "", runs: int = 3, s: float = 0.1) -> str:
    call = f"lambda: qz.analyze(x, rng=1, n_resamples=resamples, {options})"
    return f"{_WARM}x = comb(size({n}), {s})\nmeasure({call}, {runs}, say=lambda f: f.verdict)"


def _mixture(n: int, options: str = "", runs: int = 10) -> str:
    call = f"lambda: qz.fit_mixture(x, (0.4, 2.5), {options}).log_bayes_factor"
    return f"{_WARM}x = comb(size({n}))\nmeasure({call}, {runs})"


def _levels(n: int) -> str:
    call = "lambda: level_evidence(qz.fit_mixture(x, (0.4, 4)).posterior)"
    return f"{_EVIDENCE}{_WARM}x = comb(size({n}))\nmeasure({call}, 10)"


_FREE, _GROWING = "offset='free'", "model=qz.MixtureModel(noise='proportional')"
_BOTH = "model=qz.MixtureModel(noise='proportional', offset='free')"

ROWS: tuple[Row, ...] = (
    *_sums(60, 20_000),
    *_sums(20, 20_000),
    Row(
        _BARE,
        _MANY + "measure(lambda: finufft.nufft1d1(angle, strengths, m, eps=sums.ACCURACY, "
        "isign=1, nthreads=1), 5)",
    ),
    Row("astropy's fast mode, 1e6 readings, 6e4 units", _MANY + _FAST + "measure(call, 1)"),
    Row(
        "sums, 1e6 readings, 6e4 units, conversions included",
        _MANY + "measure(lambda: sums.sums_at_many_units(x, w, 0.1, step, m), 5)",
        "≤ 1.3 × the bare call, ≤ 0.017 × astropy",
        (("the bare call", _BARE), ("astropy", "astropy's fast mode, 1e6 readings, 6e4 units")),
    ),
    Row(
        "`periodogram`, 1e6 readings, 6e4 units, peaks and errors included",
        _MANY + "measure(lambda: qz.periodogram(x, (1 / f[-1], 1 / f[0])))",
        "≤ 2 × the bare call",
        (("the bare call", _BARE),),
    ),
    Row("1e6 readings, 10,000 units, whole answer", _COUNTS, "≤ 5 s"),
    *(
        Row(f"analyze, {n:,} readings", _analyze(n, runs=3 if n < 100 else 1), f"≤ {target}")
        for n, target in (
            (20, "0.06 s"),
            (50, "0.12 s, 100 MB"),
            (1000, "2 s"),
            (5000, "5 s"),
            (50_000, "5 s"),
        )
    ),
    Row("analyze, 20 readings, offset free", _analyze(20, _FREE), "≤ 0.2 s"),
    Row("analyze, 20 readings, growing noise", _analyze(20, _GROWING, 1), "≤ 0.3 s"),
    Row("analyze, 200 readings, growing noise", _analyze(200, _GROWING, 1), "≤ 2 s"),
    *(
        Row(f"analyze, {n} readings, growing noise, offset free", code, target, large=True)
        for n, code, target in (
            (10, _analyze(10, _BOTH, 1), "≤ 3 s"),
            (20, _analyze(20, _BOTH, 1), "≤ 5 s, 200 MB"),
        )
    ),
    Row(_TEST, _SCORE + _PLAIN),
    Row(
        "largest cosine score, 60 readings, 2,000 units, 9,999 resamples",
        _SCORE + "measure(lambda: qz.compare_null(x, (low, high), null='smooth', rng=1, "
        "n_resamples=resamples))",
        "≤ 1.5 s, 200 MB",
        (("scipy", _TEST),),
    ),
    Row("mixture, 20 readings, sigma unknown", _mixture(20), "≤ 0.03 s"),
    Row("mixture, 100 readings, sigma known", _mixture(100, "sigma_range=0.1"), "≤ 0.2 s"),
    Row("mixture, 100 readings, sigma unknown", _mixture(100), "≤ 1 s"),
    Row("mixture, 20 readings, offset free", _mixture(20, _FREE, 3), "≤ 0.1 s"),
    Row("mixture, 1,000 readings, offset free", _mixture(1000, _FREE, 1), "≤ 1 s"),
    Row("mixture, 5,000 readings, offset free", _mixture(5000, _FREE, 1), "≤ 5 s"),
    *(
        Row(f"mixture and level evidence, {n} readings", _levels(n), f"≤ {seconds} s")
        for n, seconds in ((8, 0.01), (20, 0.015), (60, 0.035), (200, 0.17))
    ),
    Row(
        _LOOP,
        f"{_WARM}{_GROUPS}few_of_them = samples[: max(n // 10, 1)]\n"
        "measure(lambda: [qz.analyze(x, n_resamples=few, rng=1) for x in few_of_them], 1, "
        "times=n / len(few_of_them))",
    ),
    Row(_ALONE, f"{_WARM}{_GROUPS}measure(lambda: groups(1), 1)", "≤ 8 s", (("the loop", _LOOP),)),
    Row(
        "the same, two workers, on the clock",
        f"{_WARM}{_GROUPS}measure(lambda: groups(2), 1, clock=time.perf_counter)",
        "≤ 0.56 × one worker",
        (("one worker", _ALONE),),
    ),
    Row("10,000 spheres by 10,000 trials to coulombs", _PARTICLES, "≤ 15 s, 1000 MB"),
    Row("a run of 1,000 rows, read and converted", _RUN, "≤ 0.05 s"),
    Row(_NUMPY, "started('-c', 'import numpy')"),
    Row(
        'python -c "import quantize"',
        "started('-c', 'import quantize')",
        "≤ 1.5 × numpy",
        (("numpy", _NUMPY),),
    ),
    *(
        Row(
            f"quantize {option}",
            f"started('-c', 'from quantize.cli import main; main()', '{option}')",
            "≤ 2 × numpy",
            (("numpy", _NUMPY),),
        )
        for option in ("--version", "--help")
    ),
    *(
        Row(
            _STUDY.format(way, number),
            f"{_PARTS}report(parts.study('{way}', {number}, size(400, 40)))",
            "" if number == 1 else "≤ 0.56 × one worker",
            () if number == 1 else (("one worker", _STUDY.format(way, 1)),),
        )
        for way in ("pool", "cluster")
        for number in (1, 2)
    ),
    Row(
        "a task of 20 ms of a study, beyond the work in it",
        f"{_PARTS}report(parts.overhead(size(400, 40)))",
    ),
    Row(_READ, f"{_FILE}measure(lambda: parts.read(path), 1)", large=True),
    Row(_KERNEL, f"{_FILE}measure(lambda: parts.kernel(path), 1)", large=True),
    Row(
        "1e8 readings from parquet, 10,000 units, spectrum, estimate and verdict",
        f"{_FILE}flow = parts.spectrum()\n"
        "measure(lambda: parts.whole(path, flow), 1, say=lambda f: "
        'f"{f.verdict}, {f.unit:.5f} ± {f.unit_err:.1g} (truth 7.3)")',
        "≤ 2 × both together, 1024 MiB",
        (("reading", _READ), ("the kernel", _KERNEL)),
        large=True,
    ),
    Row(_ONE, f"{_FILE}report(parts.on_cluster(path, 1))", large=True),
    Row(
        "the same on two Dask workers, on the clock",
        f"{_FILE}report(parts.on_cluster(path, 2))",
        "≤ 0.63 × one worker",
        (("one worker", _ONE),),
        large=True,
    ),
)


def table(rows: Sequence[Row], part: float, folder: Path) -> Lines:
    """The rows of the table."""
    times: dict[str, float] = {}
    for each in rows:
        times[each.work], mebibytes, said = measured(each.code, part, folder)
        if math.isnan(times[each.work]):
            raise SystemExit(f"{each.work}: {said}")
        beside = [said] if said else []
        beside += [f"{times[each.work] / times[peer]:.3g} × {name}" for name, peer in each.peers]
        figures = (f"{times[each.work]:.3g}", f"{mebibytes:.0f}", "; ".join(beside))
        yield row(each.work, *figures, each.target)


TINY = (
    "20 readings, 20,000",
    "6e4 units, conv",
    "analyze, 1,000",
    "mixture, 20",
    "two workers",
    "rows",
)
"""Words of a row of each kind: `--tiny` sees that they can still be made."""


def chosen(words: Sequence[str], large: bool) -> list[Row]:
    """The rows that hold one of the words, and the peers that they are held against."""
    rows = [r for r in ROWS if any(word in r.work for word in words) and (large or not r.large)]
    wanted = {r.work for r in rows}
    for each in reversed(ROWS):
        wanted |= {peer for _, peer in each.peers if each.work in wanted}
    return [r for r in ROWS if r.work in wanted]


@benchmark(
    "Speed and memory",
    flag("--large", "also what takes minutes, such as 1e8 readings"),
    Option("--only", metavar="WORD", default="", help="rows that hold the word"),
)
def main(options: Options) -> Lines:
    part = 0.01 if options.tiny else 1
    words = TINY if options.tiny and not options.only else (options.only,)
    columns = ("work", "seconds", "MiB", "beside", "target")
    yield from told(__doc__, options, *columns, machine=machine())
    with tempfile.TemporaryDirectory() as folder:
        yield from table(chosen(words, options.large), part, Path(folder))
    if not options.only:
        with threadpool_limits(1):
            yield from ("", *growth_lines(options.write, tiny=options.tiny))
