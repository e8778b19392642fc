"""Every public function gives on some sixty data sets what is kept in golden.json.

A change that moves a number on purpose writes the file anew (``python tests/helpers/golden.py``,
which prints what moved) and says so in the changelog.
"""

import golden
import pytest


def test_nothing_moved_on_every_fourth():
    now, kept = golden.computed(every=4), golden.stored()
    moved = golden.differences({name: kept[name] for name in now}, now, rel=1e-3)
    assert len(now) > 60
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
