"""What was written by an older version is read; what a newer one wrote is refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import quantize as qz
from quantize._support import results

DATA = Path(__file__).parent / "data"


def test_readings_of_the_first_version() -> None:
    state = json.loads((DATA / "readings_of_the_first_version.json").read_text(encoding="utf-8"))
    sample = qz.Readings.from_dict(state)
    assert sample.values.tolist() == [3.1, 6.0, 9.2, 6.1]
    assert sample.state_labels == ("a", "b", "c")
    assert sample.measured.all()


def test_readings_and_back() -> None:
    sample = qz.Readings(
        [3.1, 6.0, 9.2], sigma=0.1, state=["a", "b", "a"], beyond=[0, 1, 0], changed=[0, 0, 1]
    )
    again = qz.Readings.from_dict(json.loads(json.dumps(sample.to_dict())))
    assert again.to_dict() == sample.to_dict()


@pytest.mark.parametrize("kind", [qz.Readings, qz.counts.Histogram, qz.counts.Spectrum])
@pytest.mark.parametrize(
    ("state", "message"),
    [
        ([], "is not what `{}.to_dict` wrote, but 'list'"),
        ({"schema": "quantize.Other/1"}, "is not what `{}.to_dict` wrote, but 'quantize.Other/1'"),
        ({"schema": "quantize.{}/2"}, "which a newer version of this library wrote"),
        ({"schema": "quantize.{}/1"}, "is not what `{}.to_dict` wrote .no entry"),
        ({"schema": "quantize.{}/0"}, "which is no longer read"),
    ],
)
def test_what_cannot_be_read(kind, state, message) -> None:
    if isinstance(state, dict):
        state = {"schema": state["schema"].format(kind.__name__)}
    with pytest.raises(qz.InputError, match=message.format(kind.__name__)):
        kind.from_dict(state)


def test_an_older_version_is_brought_up_to_date_step_by_step() -> None:
    steps = {
        1: lambda old: {"unit": old["u"]},
        2: lambda old: {"unit": old["unit"], "unit_err": None},
    }
    kept = {"schema": "quantize.Thing/1", "u": 4.9}
    assert results.up_to_date("Thing", 3, kept, steps=steps) == {"unit": 4.9, "unit_err": None}
    assert np.isfinite(kept["u"])
