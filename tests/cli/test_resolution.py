"""The step to which a run was read, on the command line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from command_line import Run
from plain_bench import PlainBench


@pytest.mark.slow
def assert_alike(one: Any, other: Any) -> None:
    """The same but for the last digits of numbers."""
    if isinstance(one, dict):
        assert one.keys() == other.keys()
        for key in one:
            assert_alike(one[key], other[key])
    elif isinstance(one, list):
        assert len(one) == len(other)
        for each, its in zip(one, other, strict=True):
            assert_alike(each, its)
    elif isinstance(one, float):
        assert one == pytest.approx(other, rel=1e-7, abs=0)
    else:
        assert one == other


def test_the_resolution_of_a_run_goes_into_readings_checks_and_coulombs(
    quantize: Run, tmp_path: Path
) -> None:
    drawn = PlainBench(step=0.5, weight_of="this sphere").draw(np.random.default_rng(4))
    page, bench = tmp_path / "half.csv", tmp_path / "bench.toml"
    drawn.page.drop(columns="particle").to_csv(page, index=False)

    def told(step: dict[str, str], *options: str) -> dict[str, Any]:
        tables = drawn.apparatus | {"reticle": drawn.apparatus["reticle"] | step}
        lines = [
            f"[{section}]\n" + "\n".join(f"{k} = {json.dumps(v)}" for k, v in table.items())
            for section, table in tables.items()
        ]
        bench.write_text("\n".join(lines))
        done = quantize(
            *("analyze", str(page), "--apparatus", str(bench), "--json"),
            *("--resamples", "99", "--seed", "1", *options),
        )
        assert done.status == 0
        found: dict[str, Any] = json.loads(done.out)
        return found

    plain, declared = told({}), told({"step": "2 div"})
    asked = told({}, "--resolution", "2")
    # Correlations of inputs that have none are zero but for rounding.
    one, other = (
        pd.DataFrame(d["coulombs"]["bench"].pop("correlations")) for d in (asked, declared)
    )
    pd.testing.assert_frame_equal(one, other, check_exact=False, rtol=0, atol=1e-8)
    for key in ("checks", "coulombs", "unit_err"):
        assert_alike(asked[key], declared[key])
        with pytest.raises(AssertionError):
            assert_alike(asked[key], plain[key])


def test_a_resolution_must_be_above_zero(quantize: Run) -> None:
    done = quantize("analyze", "invented_run.csv", "--apparatus", "invented_apparatus.toml",
                    "--resolution", "0")  # fmt: skip
    assert done.status == 2
    assert done.err.strip() == "quantize: --resolution is 0; it must be above zero."
