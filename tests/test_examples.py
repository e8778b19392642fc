"""Every example runs as it is, and says what it should."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[1]
EXAMPLES = ROOT / "examples"

SAYS = {
    # Phys. Rev. 32:349 (1911), recomputed: 1.637e-19 C.
    "published_drop": r"VERDICT: steps[\s\S]*4\.9089 ± 0\.00\d\d[\s\S]*1\.637e-19",
    "bench_run": r"INVENTED[\s\S]*Verdict: steps[\s\S]*10⁻¹⁹ C[\s\S]*Was the measurement sound\?",
    "no_steps": r"Verdict: no steps",
    "cannot_tell": r"Six readings of five seconds: cannot tell[\s\S]*ten seconds: steps",
    "sealed_envelopes": r"Verdict: steps[\s\S]*All right: True",
    "photon_spectrum": r"200 invented flashes: steps[\s\S]*Gain 7\.\d{3} channels",
    "compare_estimators": r"mixture, sigma known +\d\.\d\d ± \d\.\d\d",
    "live_acquisition": r"Strong enough after \d+ readings",
}


def test_every_example_is_listed() -> None:
    there = {path.stem for path in EXAMPLES.glob("*.py")} - {"make_invented_run"}
    assert there == set(SAYS)


@pytest.mark.parametrize("name", SAYS)
def test_the_example_runs(name: str, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, str(EXAMPLES / f"{name}.py")],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=tmp_path,
        env={**os.environ, "PYTHONIOENCODING": "utf-8"},
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert re.search(SAYS[name], done.stdout), done.stdout
    assert list(tmp_path.iterdir()) == []


def test_the_gallery_shows_every_example() -> None:
    page = (ROOT / "docs" / "howto" / "examples.md").read_text(encoding="utf-8")
    assert set(re.findall(r"include} ../../examples/(\w+)\.py", page)) == set(SAYS)
