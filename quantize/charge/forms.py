"""What is printed for the bench: apparatus files, pages for readings, and cautions."""

from __future__ import annotations

import functools
import tomllib
from importlib import resources
from typing import Any

from quantize._support import validation
from quantize.charge.apparatus import Apparatus, ApparatusLike, load_apparatus, value_of

KINDS = ("fixed time", "fall and rise", "balance voltages", "tracks")
"""Experiments with an apparatus file and a page of their own."""
PAGES = (*KINDS, "reticle", "balance")
"""What there is a page for: the experiments, and what is measured before them."""

_ROWS = 32
TOUCH_LIMIT = 60.0  # V d.c., dry hands; lower when wet or for a.c. (IEC 61010-1; common practice)


def _printed(file: str) -> str:
    """The text of one of the forms in the package."""
    return (resources.files("quantize") / "data" / file).read_text(encoding="utf-8")


@functools.cache
def _forms() -> dict[str, Any]:
    """Title, head and columns of every page, and all cautions."""
    return tomllib.loads(_printed("forms.toml"))


def template(kind: str = "fixed time") -> str:
    """Give the text of an apparatus file to fill in.

    Every ____ wants a value; as long as one is left, the file is refused.

    Parameters
    ----------
    kind : {"fixed time", "fall and rise", "balance voltages", "tracks"}
        The experiment: movements of a balanced sphere in a fixed time, timed falls and rises
        through a gate, voltages at which the sphere stood still, or tracks of positions.

    Returns
    -------
    str
        TOML with comments, at most 80 columns wide.

    Raises
    ------
    InputError
        For another kind.

    Examples
    --------
    >>> import tomllib
    >>> list(tomllib.loads(template("balance voltages")))
    ['apparatus', 'plates', 'sphere', 'hazards']
    >>> print(template("fall and rise").splitlines()[0])
    # Apparatus file: fall and rise.
    """
    validation.choice("kind", kind, KINDS)
    lines: list[str] = []
    wanted = True
    for line in _printed("apparatus_template.toml").splitlines():
        if line.startswith("#: "):
            kinds = line.removeprefix("#: ").split(", ")
            wanted = kind in kinds or kinds == ["all"]
        elif wanted and (line or lines[-1]):
            lines.append(line)
    return "\n".join(lines).replace("{kind}", kind) + "\n"


def blank_page(kind: str = "fixed time", *, rows: int = _ROWS) -> str:
    """Give a page to print and fill in by hand.

    Its columns are those that `read_run` knows, or `calibrate_reticle` and `repeat_balance`.

    Parameters
    ----------
    kind : str
        An experiment, as in `template`; "reticle", to calibrate the reticle against a stage
        micrometer; or "balance", to repeat one balance.
    rows : int
        How many empty rows it has.

    Returns
    -------
    str
        Plain text, at most 80 columns wide.

    Raises
    ------
    InputError
        For another kind.

    Examples
    --------
    >>> print(blank_page(rows=1).splitlines()[10])
    | no | particle|state |   V   | start |  end  | t (s) | keep|     reason     |
    """
    page = _forms()["pages"][validation.choice("kind", kind, PAGES)]
    columns, head = page["columns"], page["head"].splitlines()
    rule = "+" + "+".join("-" * width for _, width in columns) + "+"
    names = "|" + "|".join(name.center(width) for name, width in columns) + "|"
    lines = [f"{page['title']:<48}date ____________  bench ______", "", *head, "", rule, names]
    for i in range(1, validation.count("rows", rows, least=1) + 1):
        cells = [str(i).center(columns[0][1]), *(" " * width for _, width in columns[1:])]
        lines += [rule, "|" + "|".join(cells) + "|"]
    return "\n".join([*lines, rule]) + "\n"


def cautions(
    apparatus: ApparatusLike | None, *, largest_voltage: float | None = None
) -> tuple[str, ...]:
    """Give the cautions that a setup calls for.

    Parameters
    ----------
    apparatus : Apparatus, mapping, str, path-like or None
        What its ``[hazards]`` section lists, and its voltage.
    largest_voltage : float, optional
        The largest voltage on the plates in volts, where it is more than that of the apparatus.

    Returns
    -------
    tuple of str
        Sentences; empty when nothing calls for one, else the last of them defers to local rules.

    Examples
    --------
    >>> from quantize import charge
    >>> for sentence in charge.cautions({"hazards": {"present": ["laser"]}}):
    ...     print(sentence)
    Laser: no eye at the eyepiece with a laser in the path; use a camera (IEC 60825-1).
    These are reminders, not rules: ...
    """
    bench = Apparatus.of({}) if apparatus is None else load_apparatus(apparatus)
    volts = max(abs(value_of(bench, "plates.voltage", 0.0)), abs(largest_voltage or 0.0))
    say = _forms()["cautions"]
    found = [say["voltage"].format(volts=volts)] if volts > TOUCH_LIMIT else []
    found += [say[hazard] for hazard in bench.hazards]
    return (*found, say["deference"]) if found else ()
