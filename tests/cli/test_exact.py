"""What a conversion took for exact, in text, JSON and report."""

from __future__ import annotations

import json
from pathlib import Path

from command_line import Run

BENCH = """
[plates]
separation = "4.24 mm"
[sphere]
weight = "5.15e-14 N +/- 2 %"
weight_of = "this sphere"
buoyancy = "already off"
"""
PAGE = "state,V,div,t\n" + "".join(
    f"{i},227.4,{x},10\n{i},227.4,{x + 1},10\n{i},0,{y},10\n"
    for i, x, y in ((1, 0, -60), (2, 10, -61), (3, -20, -60), (4, 20, -61), (5, -30, -60))
)
LINE = (
    "taken for exact, since no uncertainty is stated: plates.separation, plates.voltage; add one "
    "as in '4.24 +/- 0.02 mm'"
)


def test_every_face_of_a_conversion_lists_it(quantize: Run, tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(BENCH)
    (tmp_path / "run.csv").write_text(PAGE)
    given = ("run.csv", "--apparatus", "bench.toml")
    rows = quantize("convert", *given)
    assert LINE in " ".join(rows.out.split())
    assert max(map(len, rows.out.splitlines())) <= 80
    assert json.loads(quantize("convert", *given, "--json").out)["exact"] == [
        "plates.separation",
        "plates.voltage",
    ]
    quick = ("--resamples", "49", "--seed", "1", "--unit-range", "5", "20")
    told = quantize("analyze", *given, *quick, "--report", "run.html", "--full")
    assert f"Note: {LINE}" in " ".join(told.out.split())
    page = " ".join((tmp_path / "run.html").read_text(encoding="utf-8").split())
    assert (
        "taken for exact, since no uncertainty is stated: plates.separation, plates.voltage" in page
    )
    found = json.loads(quantize("analyze", *given, *quick, "--json").out)
    assert found["coulombs"]["exact"] == ["plates.separation", "plates.voltage"]
    assert LINE in found["coulombs"]["notes"]
