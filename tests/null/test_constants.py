"""Every constant of the test is in the table of constants, and few are statistical choices."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from benchmarks.constants import changed, constants, patched
from benchmarks.constants_listed import DEFINED, NUMERICAL, ROWS
from quantize.null import choices, evidence, exclusion, hypotheses, occupancy

TABLE = Path(__file__).parents[2] / "docs/tables/constants.md"


def test_every_constant_is_listed_once() -> None:
    assert len(constants()) > 100
    assert sorted([*ROWS, *NUMERICAL, *DEFINED]) == sorted(constants())


def test_every_choice_and_rule_has_its_row_in_the_table() -> None:
    text = TABLE.read_text(encoding="utf-8")
    assert [name for name in ROWS if f"| `{name}`" not in text] == []
    assert all(row.why and (row.does or constants()[name][1]) for name, row in ROWS.items())


def test_choices_are_few() -> None:
    assert sum(row.kind == "choice" for row in ROWS.values()) <= 12


def test_one_in_twenty_is_written_once() -> None:
    # The values before they were derived.
    assert evidence.SURE == 0.95
    assert math.log(20) == exclusion.AGAINST
    assert evidence._SHARE_PRIOR == 19.0


def test_another_value_reaches_every_module_and_is_taken_back() -> None:
    before = choices.CONCENTRATIONS
    with patched("choices.CONCENTRATIONS", changed(before, 2.0)):
        assert (math.inf, 2.0, 0.6) == occupancy.CONCENTRATIONS
    assert occupancy.CONCENTRATIONS is before
    with patched("choices.LEVELS_FREE", 10):
        assert hypotheses.LEVELS_FREE == 10
    assert hypotheses.LEVELS_FREE == 5
    with patched("choices.RARE", 0.1):
        assert pytest.approx(0.9) == evidence.SURE


def test_shares_near_one_change_by_what_is_missing() -> None:
    assert changed((0.6, 1.0), 0.5, "from one") == (0.8, 1.0)
