"""Pictures drawn in several threads: the same as one by one, and no setting is left changed."""

from __future__ import annotations

import sys
from concurrent.futures import ThreadPoolExecutor

import matplotlib as mpl
import numpy as np

import quantize as qz
from quantize.show.plots.style import picture


def test_four_threads_draw_what_one_does() -> None:
    rng = np.random.default_rng(1)
    found = []
    for unit in (1.0, 1.3):
        sample = unit * rng.integers(1, 7, 12) + 0.05 * rng.normal(size=12)
        found.append(qz.periodogram(sample))
    one_by_one = [picture(each.plot()) for each in found]
    before = dict(mpl.rcParams)
    usual = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)
    try:
        with ThreadPoolExecutor(4) as pool:
            drawn = list(pool.map(lambda i: picture(found[i % 2].plot()), range(8)))
    finally:
        sys.setswitchinterval(usual)
    assert drawn == 4 * one_by_one
    assert {name: v for name, v in mpl.rcParams.items() if v != before[name]} == {}
