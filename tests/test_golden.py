"""Every public function gives on some sixty data sets what is kept in golden.json, and the parts
of the comb, the model, the nulls and the charge formulas what is kept in ``tests/kept``.

A change that moves a number on purpose writes the file anew (``python tests/helpers/golden.py``
and ``python tests/helpers/kept.py``, which print what moved) and says so in the changelog.
"""

import golden
import kept
import pytest


def test_nothing_moved_on_every_twelfth():
    now, kept = golden.computed(every=12), golden.stored()
    moved = golden.differences({name: kept[name] for name in now}, now, rel=1e-3)
    assert len(now) > 25
    assert not moved, "\n".join(moved)


@pytest.mark.slow
def test_nothing_moved():
    moved = golden.differences(golden.stored(), golden.computed(), rel=1e-3)
    assert not moved, "\n".join(moved)


def test_a_move_would_be_seen():
    kept = golden.stored()
    name = next(iter(kept))
    changed = kept | {name: kept[name] | {"unit": kept[name]["unit"] * 1.01}}
    assert golden.differences(kept, changed, rel=1e-3) == [
        f"{name}: unit {kept[name]['unit']} -> {changed[name]['unit']}"
    ]


CASES = {part: kept.cases(part) for part in kept.PARTS}


TOGETHER = 10
"""Cases in a test: as tests of their own they would take longer to hand out than to make."""


@pytest.mark.parametrize(
    ("part", "first"),
    [(part, first) for part, cases in CASES.items() for first in range(0, len(cases), TOGETHER)],
)
def test_every_part_gives_what_is_kept(part, first):
    """Every field of a result, refusals, and what is accepted at a limit."""
    some = list(CASES[part].items())[first : first + TOGETHER]
    moved = [line for name, case in some for line in kept.moved(part, name, case, rel=1e-6)]
    assert not moved, "\n".join(moved)


@pytest.mark.parametrize("part", kept.PARTS)
def test_every_answer_kept_has_its_case(part):
    assert list(kept.stored(part)) == list(CASES[part])
