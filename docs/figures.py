"""Every picture of the documentation, drawn from the examples, and what each example prints.

The build of the docs does this by itself, before it reads the pages (`setup` below). By hand:

    python docs/figures.py FOLDER       draw everything into FOLDER
    python docs/figures.py --readme     draw the one picture that the README shows
"""

from __future__ import annotations

import ast
import contextlib
import functools
import importlib.util
import io
import os
import re
import runpy
import subprocess
import sys
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

DOCS = Path(__file__).resolve().parent
ROOT = DOCS.parent
EXAMPLES = ROOT / "examples"
FOLDER = DOCS / "_figures"
README_PICTURE = DOCS / "_static" / "thirteen_charges.svg"

Names = Mapping[str, Any]
"""What an example leaves behind."""


class Ran(dict[str, Names]):
    """Examples by name, each run when first asked for; `printed` holds what they print."""

    def __init__(self) -> None:
        self.printed: dict[str, str] = {}

    def __missing__(self, name: str) -> Names:
        path = EXAMPLES / f"{name}.py"
        out, before = io.StringIO(), sys.argv
        sys.argv = [str(path)]
        try:
            with contextlib.redirect_stdout(out):
                self[name] = runpy.run_path(str(path), run_name="__main__")
        finally:
            sys.argv = before
        self.printed[name] = out.getvalue()
        return self[name]


def several_particles() -> Any:
    """Three invented particles on one bench."""
    import pandas as pd

    from quantize.charge import Run, SimulatedBench

    bench, sheets = SimulatedBench(weight_of="the batch"), []
    for label in "ABC":
        page, apparatus, _ = bench.simulate(rng=ord(label))
        sheets.append(page.assign(particle=label))
    return Run(pd.concat(sheets), apparatus).joint_unit_in_coulombs((6, 16))


@functools.cache
def study_over_readings() -> Any:
    """A class for each number of readings and each scatter."""
    import quantize as qz

    return qz.compare_estimators(
        ["cosine score", "least squares", "mixture, sigma known"],
        {
            "n": [10, 20, 40],
            "sigma": [0.1, 0.2, 0.3],
            "integers": (-4, 4),
            "unit_range": (0.4, 2.5),
        },
        replicates=100,
        tolerance=0.07,
        rng=5,
    )


def live_evidence(left: Names) -> Any:
    """The evidence of the acquisition loop, and of twenty readings more."""
    import numpy as np

    import quantize as qz

    rng = np.random.default_rng(4)
    more = 10 * rng.integers(-5, 6, size=12) + rng.normal(0, 1.0, size=12)
    return (
        qz.RunningEvidence(left["UNIT_RANGE"], left["WINDOW"]).read([*left["page"], *more]).result()
    )


def sampled(left: Names) -> Any:
    """The posterior of the sample that cannot tell, by walkers."""
    import quantize as qz

    first = left["first"]
    return qz.sample_mixture(
        first.readings, (first.unit_range.low, first.unit_range.high), draws=2000, rng=1
    )


def imports_between_layers() -> tuple[list[list[str]], dict[tuple[str, str], int]]:
    """The layers from the lowest up, and how often modules of one import another, when run."""
    with (ROOT / "pyproject.toml").open("rb") as file:
        contracts = tomllib.load(file)["tool"]["importlinter"]["contracts"]
    [contract] = [one for one in contracts if one["type"] == "layers"]
    layers = [row.replace("quantize.", "").split(" : ") for row in reversed(contract["layers"])]
    names = [name for row in layers for name in row]
    package = Path(importlib.util.find_spec("quantize").origin).parent  # type: ignore
    counts: dict[tuple[str, str], int] = {}
    for path in package.rglob("*.py"):
        source = path.relative_to(package).parts[0].removesuffix(".py")
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING":
                node.body = []
        for node in ast.walk(tree):
            module = getattr(node, "module", None) if isinstance(node, ast.ImportFrom) else None
            for alias in node.names if isinstance(node, ast.ImportFrom) else ():
                full = f"{module}.{alias.name}" if module == "quantize" else str(module)
                target = full.removeprefix("quantize.").split(".")[0]
                if full.startswith("quantize.") and target in names and target != source:
                    counts[source, target] = counts.get((source, target), 0) + 1
    return layers, counts


def architecture() -> Any:
    """The layers one above the other, an arc for every real import, as thick as there are many."""
    import matplotlib.pyplot as plt
    from matplotlib.patches import FancyArrowPatch

    layers, counts = imports_between_layers()
    ax = plt.figure(figsize=(6.4, 7.0)).add_subplot()
    heights = {name: height for height, row in enumerate(layers) for name in row}
    for height, row in enumerate(layers):
        ax.text(
            0,
            height,
            "\n".join("  ".join(row[i : i + 2]) for i in range(0, len(row), 2)),
            ha="center",
            va="center",
            family="monospace",
            fontsize=10 if len(row) == 1 else 8,
            zorder=3,
            bbox={"boxstyle": "round,pad=0.35,rounding_size=0.2", "fc": "white", "ec": "0.3"},
        )
    for (source, target), count in counts.items():
        if source not in heights:
            continue
        top, bottom = heights[source], heights[target]
        # Arcs to the right and to the left in turn, so that neighbours do not hide each other.
        side = 1 if (top + bottom) % 2 else -1
        bend = side * 0.32
        ax.add_patch(
            FancyArrowPatch(
                (side * 1.5, top - 0.1), (side * 1.5, bottom + 0.1), arrowstyle="-|>",
                connectionstyle=f"arc3,rad={-bend}", mutation_scale=9, color="C0", alpha=0.55,
                linewidth=0.4 + 0.5 * count**0.5, shrinkA=0, shrinkB=0,
            )
        )  # fmt: skip
    ax.set(xlim=(-4, 4), ylim=(-0.7, len(layers) - 0.3))
    ax.set_axis_off()
    return ax


GALLERY = DOCS / "howto" / "gallery.md"
_THUMB = re.compile(
    r"^```\{figure\} /_figures/(\w+)\.svg\n.*?^```\n\n```python\n(.*?)^```$", re.M | re.S
)


def thumbnails() -> dict[str, Callable[[Ran], Any]]:
    """The pictures of the gallery, each drawn by the code below it on the page."""
    page = GALLERY.read_text(encoding="utf-8")
    return {
        name: lambda ran, code=code: drawn_by(code)  # type: ignore[misc]
        for name, code in _THUMB.findall(page)
    }


def drawn_by(code: str) -> Any:
    """The `axes` that some code leaves behind."""
    names: dict[str, Any] = {"__name__": "__main__"}
    with contextlib.redirect_stdout(io.StringIO()):
        exec(compile(code, str(GALLERY), "exec"), names)
    return names["axes"]


PICTURES: dict[str, Callable[[Ran], Any]] = thumbnails() | {
    "architecture": lambda ran: architecture(),
    "readings": lambda ran: ran["published_drop"]["found"].plot(),
    "phases": lambda ran: ran["published_drop"]["found"].plot(view="phases"),
    "residuals": lambda ran: ran["bench_run"]["found"].plot(view="residuals"),
    "integers": lambda ran: ran["cannot_tell"]["first"].plot(view="integers"),
    "posterior": lambda ran: ran["cannot_tell"]["first"].plot(view="posterior"),
    "sampled": lambda ran: sampled(ran["cannot_tell"]).plot(),
    "null": lambda ran: ran["sealed_envelopes"]["found"].plot(view="null"),
    "prediction": lambda ran: ran["bench_run"]["found"].mixture.plot(view="prediction"),
    "running": lambda ran: live_evidence(ran["live_acquisition"]).plot(),
    "run": lambda ran: ran["bench_run"]["run"].plot(),
    "voltage": lambda ran: ran["bench_run"]["run"].plot(view="voltage"),
    "fall": lambda ran: ran["bench_run"]["run"].plot(view="fall"),
    "scatter": lambda ran: ran["bench_run"]["run"].plot(view="scatter"),
    "budget": lambda ran: ran["bench_run"]["found"].coulombs.plot(),
    "routes": lambda ran: ran["bench_run"]["found"].coulombs.plot(view="routes"),
    "forest": lambda ran: several_particles().plot(),
    "study": lambda ran: ran["compare_estimators"]["study"].plot(against="sigma_over_unit"),
    "study_curves": lambda ran: study_over_readings().plot(),
    "study_map": lambda ran: study_over_readings().plot(view="map"),
    "bench_run": lambda ran: ran["bench_run"]["found"].plot(),
    "no_steps": lambda ran: ran["no_steps"]["found"].plot(),
    "cannot_tell": lambda ran: ran["cannot_tell"]["second"].plot(),
    "sealed_envelopes": lambda ran: ran["sealed_envelopes"]["found"].plot(),
    "photon_spectrum": lambda ran: ran["photon_spectrum"]["found"].plot(),
}


def gallery() -> list[str]:
    """The examples that the gallery shows, by name."""
    page = (DOCS / "howto" / "examples.md").read_text(encoding="utf-8")
    return [path.stem for path in sorted(EXAMPLES.glob("*.py")) if f"/{path.name}\n" in page]


def draw(folder: Path) -> None:
    """All pictures as SVG, the same bytes every time, and all printed texts."""
    from quantize.show.plots.style import save_plot

    folder.mkdir(parents=True, exist_ok=True)
    ran = Ran()
    for name, picture in PICTURES.items():
        save_plot(picture(ran), folder / f"{name}.svg")
    for name in gallery():
        assert ran[name] is not None
        (folder / f"{name}.txt").write_text(ran.printed[name], encoding="utf-8")


def draw_readme(path: Path = README_PICTURE) -> None:
    """The picture that stands in the repository, since a README is shown without a build."""
    from quantize.show.plots.style import save_plot

    save_plot(PICTURES["readings"](Ran()), path)


def _newest() -> float:
    """When anything that the pictures come from was last changed."""
    import quantize

    folders = (Path(quantize.__file__).parent, EXAMPLES, DOCS)
    files = [f for folder in folders for f in folder.rglob("*.py")]
    return max(file.stat().st_mtime for file in [*files, GALLERY])


def _draw_if_old(app: Any) -> None:
    stamp = FOLDER / "drawn"
    if stamp.exists() and stamp.stat().st_mtime >= _newest():
        return
    # A process of its own: examples may start workers, and sphinx keeps its own state.
    done = subprocess.run(
        [sys.executable, str(Path(__file__).resolve()), str(FOLDER)],
        env={**os.environ, "MPLBACKEND": "Agg"},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        from sphinx.errors import ExtensionError

        raise ExtensionError(f"the pictures cannot be drawn:\n{done.stderr}")
    stamp.touch()


def setup(app: Any) -> dict[str, bool]:
    """Called by Sphinx."""
    app.connect("builder-inited", _draw_if_old)
    return {"parallel_read_safe": True}


if __name__ == "__main__":
    if sys.argv[1:] == ["--readme"]:
        draw_readme()
    else:
        draw(Path(sys.argv[1]))
