"""What mypy accepts and refuses in code that calls the library."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[1]

# Each line as a client would write it; a comment says of what mypy is to complain.
CLIENT = """
from concurrent.futures import ThreadPoolExecutor
import numpy as np
import quantize as qz

sample = [2.1, 3.9, 6.0, 8.1]
counts = qz.counts.Histogram(np.array([0.0, 1.0, 2.0]), np.array([3, 4]))
found = qz.analyze(sample)
qz.analyze(np.array(sample), (1.2, 7.0), offset="free", workers=2)
qz.analyze(qz.Readings(sample, sigma=0.1, state=["a", "b", "c", "a"]), found.unit_range, offset=0.5)
qz.analyze(counts, sigma_range=(0.1, 0.5), null="smooth", rng=1)
qz.analyze(sample, model=qz.MixtureModel(), group=["A", "A", "B", "B"], workers=map)
qz.analyze(sample, workers=ThreadPoolExecutor(2), progress=True)
qz.read_readings("page.csv", value="divisions", resolution=0.5).select([0, 1])
said: str = found.verdict
qz.analyze(sample, workers=3.5)  # workers
qz.analyze(sample, "x")  # tuple[float, float]
qz.analyze(sample, (1.2, 7.0, 9.0))  # tuple[float, float]
qz.analyze(sample, offset="nil")  # offset
qz.analyze(sample, null="some")  # null
qz.analyze(sample, sigma_range="wide")  # sigma_range
qz.analyze(sample, model="comb")  # model
qz.analyze(sample, n_resamples="many")  # n_resamples
qz.Readings(sample, shift=0.1)  # shift
qz.read_readings("page.csv", value=3)  # value
found.verdict == "perhaps"  # Non-overlapping
"""


def test_mypy_refuses_what_is_wrong_in_client_code_and_nothing_else(tmp_path: Path) -> None:
    pytest.importorskip("mypy")
    from mypy import api

    file = tmp_path / "client.py"
    file.write_text(CLIENT, encoding="utf-8")
    settings = ["--strict-equality", "--no-color-output", "--hide-error-context", "--no-pretty"]
    settings += ["--config-file", str(ROOT / "pyproject.toml"), "--follow-imports", "silent"]
    said, errors, _ = api.run([*settings, "--cache-dir", str(tmp_path / "cache"), str(file)])
    assert errors == ""
    faults = re.findall(r"client\.py:(\d+): error: (.*)", said)
    lines = CLIENT.splitlines()
    wanted = {n: line.split("  # ")[1] for n, line in enumerate(lines, 1) if "  # " in line}
    assert sorted({int(number) for number, _ in faults}) == sorted(wanted), said
    for number, fault in faults:
        assert wanted[int(number)] in fault, fault
