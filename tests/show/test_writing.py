"""Files appear whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

import quantize as qz
from quantize.show.style import check_plot_target
from quantize.show.writing import write_whole


def test_an_existing_file_is_replaced(tmp_path: Path) -> None:
    target = tmp_path / "a.svg"
    target.write_bytes(b"old")
    assert write_whole(target, b"new") == target
    assert target.read_bytes() == b"new"
    assert list(tmp_path.iterdir()) == [target]


def test_a_failure_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "a.svg"
    target.write_bytes(b"old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(qz.InputError, match=r"cannot be written \(No space left on device\)"):
        write_whole(target, b"new")
    assert target.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [target]


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("", "a folder; give the name of a file in it"),
        ("no/a.svg", "there is no folder"),
        ("a.gif", r"a picture ends in .svg, .pdf or .png"),
        ("a", r"a picture ends in .svg, .pdf or .png"),
        ("a\0.svg", "cannot be written"),
    ],
)
def test_places_that_cannot_be_written(tmp_path: Path, name: str, message: str) -> None:
    with pytest.raises(qz.InputError, match=message):
        write_whole(check_plot_target(tmp_path / name), b"")
    assert list(tmp_path.iterdir()) == []
