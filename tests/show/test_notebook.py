"""A notebook that is really run by a kernel: the card of an analysis, the pictures, no window."""

from __future__ import annotations

import base64
import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.image import imread
from needed import needed

pytestmark = pytest.mark.slow

CELLS = (
    """
import quantize as qz
found = qz.analyze(qz.Readings(
    [19.66, 24.60, 29.62, 34.47, 39.38, 44.42, 49.41, 53.91, 59.12, 63.68, 68.65, 78.34, 83.22],
    unit_name="1e-10 esu"), n_resamples=499, rng=1)
found
""",
    "found.plot()",
    "found.score.plot()",
    "found.mixture.alternatives.head(1)",
    "import sys; 'matplotlib.pyplot' in sys.modules",
    "qz.analyze([1.0, 1.0, 1.0])",
    "qz.compare_null(found.readings, null='smooth', n_resamples=99, rng=1, progress=True).p_value",
)
"""The published charges (Phys. Rev. 32:349, 1911), and readings that cannot be used."""


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> list[list[Any]]:
    """What each cell shows when the notebook is run, in an empty folder and an empty home."""
    folder = tmp_path_factory.mktemp("notebook")
    with pytest.MonkeyPatch.context() as patch:
        for name in ("HOME", "IPYTHONDIR", "JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR"):
            patch.setenv(name, str(folder / "home"))
        patch.setenv("JUPYTER_RUNTIME_DIR", str(folder / "runtime"))
        patch.setenv("JUPYTER_PLATFORM_DIRS", "1")
        return run(CELLS, folder)


def run(cells: tuple[str, ...], folder: Path) -> list[list[Any]]:
    needed("ipykernel")
    nbformat, nbclient = needed("nbformat"), needed("nbclient")
    version = nbformat.v4
    notebook = version.new_notebook(cells=[version.new_code_cell(cell.strip()) for cell in cells])
    work = folder / "work"
    work.mkdir()
    client = nbclient.NotebookClient(
        notebook,
        timeout=120,
        allow_errors=True,
        kernel_name="python3",
        resources={"metadata": {"path": str(work)}},
    )
    client.execute()
    nbformat.validate(notebook)
    assert list(work.iterdir()) == []
    return [list(cell.outputs) for cell in notebook.cells]


def test_the_analysis_shows_its_card(shown: list[list[Any]]) -> None:
    [card] = shown[0]
    assert card.output_type == "execute_result"
    page = card.data["text/html"]
    for words in ("steps", "The readings come in whole-number steps of one unit.", "4.9089(50)"):
        assert words in page
    for row in ("unit", "how sure", "look at", "next"):
        assert f">{row}</td>" in page
    assert card.data["text/plain"].startswith("<Analysis: steps, unit 4.90")


@pytest.mark.parametrize("cell", [1, 2])
def test_a_plot_shows_its_picture_once(shown: list[list[Any]], cell: int) -> None:
    [picture] = shown[cell]
    assert picture.output_type == "execute_result"
    pixels = imread(io.BytesIO(base64.b64decode(picture.data["image/png"])))
    high, wide = pixels.shape[:2]
    # Drawn at twice the size at which it is shown, for fine screens.
    assert abs(picture.metadata["image/png"]["width"] - wide / 2) < 1
    assert wide > 1000
    assert high > 600
    ink = np.abs(pixels[..., :3] - pixels[0, 0, :3]).max(axis=-1) > 0.2
    # Ink in each quarter: neither blank nor pushed into a corner.
    for rows in (ink[: high // 2], ink[high // 2 :]):
        assert 0.005 < rows[:, : wide // 2].mean() < 0.5
        assert 0.005 < rows[:, wide // 2 :].mean() < 0.5


def test_no_window_system_was_asked_and_tables_are_tables(shown: list[list[Any]]) -> None:
    assert "<table" in shown[3][0].data["text/html"]
    assert shown[4][0].data["text/plain"] == "False"


def test_an_error_is_one_sentence(shown: list[list[Any]]) -> None:
    [error] = shown[5]
    assert error.output_type == "error"
    assert error.ename == "InputError"
    assert error.evalue.startswith("every value of `readings` is 1; ")


def test_progress_is_shown_and_not_in_red(shown: list[list[Any]]) -> None:
    told = [output for output in shown[6] if output.output_type == "stream"]
    assert {output.name for output in told} <= {"stdout"}
    # With widgets the bar is one of them.
    said = "".join(output.text for output in told)
    assert "100%" in said or any(output.output_type == "display_data" for output in shown[6])
