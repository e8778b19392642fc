"""Random numbers: one way in, independent children, and a record that reproduces them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quantize._support.errors import InputTypeError
from quantize._support.randomness import generator, record, spawn


def test_seeds_sequences_and_generators_are_taken() -> None:
    expected = np.random.default_rng(5).random(size=3).tolist()
    for rng in (5, np.int64(5), np.random.SeedSequence(5), np.random.default_rng(5)):
        assert generator(rng).random(size=3).tolist() == expected
    given = np.random.default_rng(5)
    assert generator(given) is given
    assert generator(None).random() != generator(None).random()


@pytest.mark.parametrize("rng", [np.random.RandomState(5), np.random, "5", -1, 2.5])
def test_anything_else_is_refused(rng: Any) -> None:
    with pytest.raises(InputTypeError, match=r"^`rng` is "):
        generator(rng)


def test_children_differ_within_and_between_calls(rng: np.random.Generator) -> None:
    children = spawn(rng, 3) + spawn(rng, 3)
    first = {np.random.default_rng(child).integers(2**63) for child in children}
    assert len(first) == 6


def test_spawning_leaves_the_parents_stream_alone(seed: int) -> None:
    one, two = generator(seed), generator(seed)
    spawn(one, 4)
    assert one.random() == two.random()


def test_a_record_draws_the_same_children_again(rng: np.random.Generator) -> None:
    spawn(rng, 4)
    kept = json.loads(json.dumps(record(rng)))
    expected = [np.random.default_rng(child).random() for child in spawn(rng, 3)]
    again = np.random.SeedSequence(
        kept["entropy"],
        spawn_key=kept["spawn_key"],
        n_children_spawned=kept["children_spawned"],
    )
    found = [np.random.default_rng(child).random() for child in again.spawn(3)]
    assert found == expected


def test_two_calls_on_one_generator_leave_different_records(rng: np.random.Generator) -> None:
    before = record(rng)
    spawn(rng, 1)
    assert record(rng)["entropy"] == before["entropy"]
    assert record(rng) != before


def test_the_documented_variable_sets_the_seed_of_the_tests() -> None:
    root = Path(__file__).parents[2]
    variable = "QUANTIZE_TEST_SEED"
    assert variable in (root / "DEVELOPERS.md").read_text(encoding="utf-8")
    probe = "import numpy\ndef test_seed(seed): assert seed == 77\n"
    settings = ["-p", "no:cacheprovider", "-c", os.devnull, "--rootdir", str(root), "-q"]
    code = f"""
import pathlib, sys, tempfile, pytest
with tempfile.TemporaryDirectory() as folder:
    there = pathlib.Path(folder)
    (there / "conftest.py").write_text(pathlib.Path("tests/conftest.py").read_text())
    (there / "test_probe.py").write_text({probe!r})
    sys.exit(pytest.main([*{settings!r}, folder]))
"""
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=root,
        env=os.environ | {variable: "77"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_numpys_global_state_is_left_alone() -> None:
    before = np.random.get_state()[1].tolist()  # type: ignore[union-attr]  # noqa: NPY002
    spawn(generator(5), 2)
    generator(None).random(size=10)
    assert np.random.get_state()[1].tolist() == before  # type: ignore[union-attr]  # noqa: NPY002
