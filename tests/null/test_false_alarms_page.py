"""The benchmark of false alarms: what it counts, what it finds, and that it can fail."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy import stats

from benchmarks import false_alarms, false_alarms_page
from benchmarks.combs import COMBS, COMBS_KNOWN
from benchmarks.families import HELD_OUT, LATTICES

FAMILIES = [("held out", f"unseen {i}") for i in range(20)] + [
    ("named", f"known {i}") for i in range(45)
]


def planted(rng, samples, high=0.05, rest=0.05):
    """Counts of families at `rest`, the first at `high`, all with so many samples."""
    cells = {}
    for group, label in FAMILIES:
        rate = high if label == "unseen 0" else rest
        for n in (8, 20):
            part = samples // 2 if n == 8 else samples - samples // 2
            cells[f"{group}/default/{label}/{n}"] = {
                "samples": part,
                "0.05": int(rng.binomial(part, rate)),
                "0.01": int(rng.binomial(part, 0.005)),
                "no steps": 0,
                "refused": 0,
                "steps are": [],
            }
    return cells


@pytest.mark.slow
def test_a_family_at_a_tenth_is_found_with_the_samples_that_the_page_states():
    rng = np.random.default_rng(1)
    samples, _ = false_alarms_page.needed(len(FAMILIES))
    text = "\n".join(false_alarms_page.page(planted(rng, samples))[0])
    assert f"{samples:,} samples" in text
    assert f"which {len(FAMILIES)} of the\n{len(FAMILIES)} have" in text
    runs = 150
    found = [
        any(
            line.startswith("unseen 0: ")
            for line in false_alarms_page.found_above(planted(rng, samples, 0.10, 0.02))
        )
        for _ in range(runs)
    ]
    assert np.mean(found) > 0.9 - 4 * np.sqrt(0.09 / runs)
    # With a fifth of them it mostly is not: the number that is stated matters.
    few = [
        bool(false_alarms_page.found_above(planted(rng, samples // 5, 0.10, 0.02)))
        for _ in range(100)
    ]
    assert np.mean(few) < 0.5


def test_families_at_the_level_are_not_found():
    rng = np.random.default_rng(2)
    samples, _ = false_alarms_page.needed(len(FAMILIES))
    runs = 150
    found = [false_alarms_page.found_above(planted(rng, samples)) for _ in range(runs)]
    # Families and ways of asking at 0.025 each, the whole table at 0.025.
    assert np.mean([bool(lines) for lines in found]) < 0.075 + 4 * np.sqrt(0.07 / runs)
    assert np.mean([bool(lines) for lines in (
        false_alarms_page.found_above(planted(rng, samples, 0.05, 0.02)) for _ in range(runs)
    )]) < 0.03  # fmt: skip


def test_the_whole_table_at_six_per_cent_is_found_with_the_samples_that_the_page_states():
    rng = np.random.default_rng(3)
    _, whole = false_alarms_page.needed(len(FAMILIES))
    samples, runs = -(-whole // len(FAMILIES)), 150
    found = [
        any(
            line.startswith("The whole table")
            for line in false_alarms_page.found_above(planted(rng, samples, 0.06, 0.06))
        )
        for _ in range(runs)
    ]
    assert np.mean(found) > 0.9 - 4 * np.sqrt(0.09 / runs)


def test_a_family_that_fails_in_one_way_of_asking_is_found_and_named():
    cells = planted(np.random.default_rng(4), 2000, 0.02, 0.02)
    counts = {"samples": 60, "0.05": 20, "0.01": 0, "no steps": 0, "refused": 0, "steps are": []}
    cells["held out/free offset/unseen 3/20"] = counts
    p = 66 * stats.binomtest(20, 60, 0.05, "greater").pvalue
    assert false_alarms_page.found_above(cells) == [
        "unseen 3, free offset: 20 of 60 samples are called steps, above 5 % "
        f"(p = {p:.2g}, adjusted for 66 of them)."
    ]


@pytest.mark.slow
def test_the_exit_status_is_one_where_a_family_is_found(tmp_path, capsys):
    keep = tmp_path / "counts.json"
    arguments = ["--table", "--keep", str(keep)]
    for high, status in ((0.02, 0), (0.12, 1)):
        cells = planted(np.random.default_rng(5), 1000, high, 0.02)
        keep.write_text(json.dumps({**false_alarms.origin(), "cells": cells}))
        assert false_alarms.main(arguments) == status
        told = capsys.readouterr()
        assert ("unseen 0: " in told.err) == bool(status)
        assert "65,000 samples without steps" in told.out


def test_counts_of_another_calibration_are_not_added_to(tmp_path):
    keep = tmp_path / "counts.json"
    keep.write_text(json.dumps({**false_alarms.origin(), "calibration": "another", "cells": {}}))
    with pytest.raises(SystemExit, match="another calibration"):
        false_alarms.main(["--resume", "--keep", str(keep)])


def test_holm_and_the_binomial_power_are_those_of_the_textbook():
    # Holm by hand: sorted p .01, .02, .04 times 3, 2, 1, made monotone.
    assert false_alarms_page.holm([0.04, 0.01, 0.02]).tolist() == pytest.approx([0.04, 0.03, 0.04])
    p = stats.binomtest(12, 100, 0.05, "greater").pvalue
    assert false_alarms_page.excess(12, 100, 0.05) == pytest.approx(p)
    needed = false_alarms_page.samples_for(0.10, 0.05, 0.001)
    for n, enough in ((needed, True), (needed - 1, False)):
        least = next(k for k in range(n) if stats.binomtest(k, n, 0.05, "greater").pvalue <= 0.001)
        assert (stats.binom.sf(least - 1, n, 0.10) >= 0.9) == enough
        assert stats.binom.sf(
            least - 1, n, false_alarms_page.found_from(n, 0.05, 0.001)
        ) == pytest.approx(0.9)
    assert false_alarms_page.found_from(1, 0.05, 0.001) == 1.0


def test_the_counts_are_those_of_analyze_whatever_the_block(tmp_path, monkeypatch):
    """Two blocks in one run or in two give the same; the seed is that of the cell."""
    few = ["power/default/-4..4, 8 at .08/8", "held out/sigma given/levels at logarithms/20"]
    chosen = {key: false_alarms.cells()[key] for key in few}
    monkeypatch.setattr(false_alarms, "cells", lambda: chosen)
    monkeypatch.setattr(false_alarms, "BLOCKS", 1)
    keep, once = tmp_path / "counts.json", {}
    false_alarms.run(once, keep, minutes=5)
    assert json.loads(keep.read_text())["cells"] == once["cells"]
    assert [once["cells"][key]["samples"] for key in few] == [8, 4]
    monkeypatch.setattr(false_alarms, "verdicts", lambda cell, number: {"0.05": number % 2})
    monkeypatch.setattr(false_alarms, "BLOCKS", 2)
    false_alarms.run(once, keep, minutes=5)
    both = once["cells"][few[0]]
    assert both["samples"] == 16
    assert [i for i in both["steps are"] if i >= 8] == [9, 11, 13, 15]
    false_alarms.run(stopped := {}, keep, minutes=0)
    assert sum(cell["samples"] for cell in stopped["cells"].values()) == 8


def test_every_way_of_asking_and_every_comb_has_cells():
    cells = false_alarms.cells()
    labels = {cell.label for cell in cells.values()}
    assert {cell.mode for cell in cells.values()} == set(false_alarms.MODES)
    assert {*COMBS, *COMBS_KNOWN, *LATTICES} <= labels
    for families in HELD_OUT.values():
        for label in families:
            sizes = {c.n for c in cells.values() if (c.label, c.mode) == (label, "default")}
            assert sizes == {5, 8, 10, 20, 35, 60, 200}
    for cell in cells.values():
        assert abs(cell.last(200) - 201 * cell.rate) <= 0.5 + 1e-9
