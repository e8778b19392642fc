"""Old names work for a while and say what has taken their place."""

from __future__ import annotations

import pytest

import quantize as qz
from quantize._support.deprecation import Moved, renamed_argument


@renamed_argument("limits", "unit_range", since="0.2", until="0.4")
def width(values: list[float], *, unit_range: tuple[float, float] = (0, 1)) -> float:
    """Width of a range."""
    return unit_range[1] - unit_range[0]


def test_an_old_argument_warns_and_works() -> None:
    with pytest.warns(
        DeprecationWarning, match="`limits` is called `unit_range` since 0.2"
    ) as seen:
        assert width([], limits=(1, 3)) == 2  # type: ignore[call-arg]
    assert seen[0].filename == __file__
    assert width.__doc__ == "Width of a range."
    assert width([], unit_range=(1, 2)) == 1


def test_both_names_at_once_are_refused() -> None:
    with pytest.raises(qz.InputError, match="are one argument; give `unit_range` alone"):
        width([], limits=(1, 3), unit_range=(1, 2))  # type: ignore[call-arg]


def test_an_old_public_name_warns_and_works(monkeypatch: pytest.MonkeyPatch) -> None:
    moved = {"old_fit": Moved("quantize.comb.least_squares", "fit_comb", "0.2", "0.4")}
    monkeypatch.setattr(qz, "_MOVED", moved)
    with pytest.warns(DeprecationWarning, match=r"`quantize.old_fit` is called"):
        assert qz.old_fit is qz.fit_comb  # type: ignore[attr-defined]
    with pytest.raises(AttributeError, match="no attribute 'never_there'"):
        _ = qz.never_there  # type: ignore[attr-defined]
