"""What is printed for the bench: apparatus files, pages for readings, and cautions."""

from __future__ import annotations

from importlib import resources

from quantize._support import validation
from quantize.charge.apparatus import Apparatus, ApparatusLike, load_apparatus

KINDS = ("fixed time", "fall and rise", "balance voltages", "tracks")
"""Experiments with an apparatus file and a page of their own."""

_ROWS = 32
_STATES = """
Number the STATE anew each time the charge may have changed, before you look at
what it does. Keep every row; strike none out: write no, and the reason.
"""
_OBSERVER = "Observer ____________________   plan: stop after ______ readings\n"
_SIGNS = "Read some rows at 0 V in between. Up is positive. Off the scale: >last line.\n"
_HEADS = {
    "fixed time": (
        "READINGS",
        "Balance voltage ________ V   interval ________ s   temperature ______ degC\n"
        + _OBSERVER + _STATES + _SIGNS,
    ),
    "fall and rise": (
        "FALLS AND RISES",
        "Gate ________ mm   temperature ______ degC   pressure ________ hPa\n"
        + _OBSERVER + _STATES
        + "One row is one fall without field and one rise at the voltage V, over the gate.\n",
    ),
    "balance voltages": (
        "BALANCE VOLTAGES",
        "Weight of the sphere ____________ N   gap of the plates ________ mm\n"
        + _OBSERVER + _STATES
        + "One row is one voltage at which the sphere stood still; turn the knob away and\n"
        "find it again for the next one, several times in each state.\n",
    ),
    "tracks": (
        "TRACKS",
        "Balance voltage ________ V   frames a second ______   temperature ______ degC\n"
        + _OBSERVER + _STATES
        + "One row is one position in divisions. A new track begins with each movement.\n",
    ),
    "reticle": (
        "THE RETICLE AGAINST A STAGE MICROMETER",
        "Objective __________   eyepiece __________   certificate: ______ +/- ______ mm\n\n"
        "Focus where the spheres are seen, and focus anew for every row. Take long\n"
        "lengths, from different starts; write where they start and end on the reticle.\n",
    ),
    "balance": (
        "ONE BALANCE, REPEATED",
        "Particle ________   voltmeter: ________ +/- ________ V\n\n"
        "With one charge: turn the voltage away, find the balance again, write it down.\n",
    ),
}  # fmt: skip
_NUMBERED, _WHOSE, _KEPT = (
    (("no", 4),),
    (("particle", 9), ("state", 6), ("V", 7)),
    (("keep", 5), ("reason", 16)),
)
_COLUMNS: dict[str, tuple[tuple[str, int], ...]] = {
    "fixed time": (*_NUMBERED, *_WHOSE, ("start", 7), ("end", 7), ("t (s)", 7), *_KEPT),
    "fall and rise": (*_NUMBERED, *_WHOSE, ("t_fall (s)", 11), ("t_rise (s)", 11), *_KEPT),
    "balance voltages": (*_NUMBERED, *_WHOSE, ("clock", 7), *_KEPT),
    "tracks": (*_NUMBERED, *_WHOSE, ("track", 6), ("t (s)", 8), ("position", 9), *_KEPT),
    "reticle": (*_NUMBERED, ("stage (mm)", 12), ("start", 9), ("end", 9), *_KEPT),
    "balance": (*_NUMBERED, ("V", 9), ("clock", 7), *_KEPT),
}
PAGES = tuple(_HEADS)
"""What there is a page for: the experiments, and what is measured before them."""

TOUCH_LIMIT = 60.0  # V d.c., dry hands; lower when wet or for a.c. (IEC 61010-1; common practice)

DEFERENCE = (
    "These are reminders, not rules: local regulations, the makers' manuals, the institution's "
    "safety officer and licensed practice come first."
)
_VOLTAGE = (
    "At {volts:.0f} V on the plates: a covered or interlocked cell, shrouded leads, a "
    "current-limited supply with a bleed resistor, a polarity switch that breaks before it makes; "
    "discharge before opening, the supply's own capacitor above all, and never work alone "
    "(IEC 61010-1 names the limits for parts that can be touched; they are lower than 60 V when "
    "wet or with alternating current)."
)
_HAZARDS = {
    "x-ray": (
        "X-ray tube: registered equipment and a trained operator only, with shielding and "
        "interlock, and never unsupervised students (NCRP Report 157, 2007; ICRP on teaching)."
    ),
    "sealed source": (
        "Sealed source: an authorised site, an inventory, tongs, the shortest time and the "
        "greatest distance, hands washed, damage reported (NCRP Report 157, 2007)."
    ),
    "lamp": (
        "Bright lamp seen through a microscope: filter or dim it, take breaks against eye "
        "strain, or use a camera."
    ),
    "laser": (
        "Laser: no eye at the eyepiece with a laser in the path; use a camera (IEC 60825-1)."
    ),
    "uv": "UV lamp: shield eyes and skin, and carry off the ozone (IEC 62471).",
    "ioniser": (
        "Ioniser or piezo striker: shock and ozone; smoke detectors and gas mantles are never "
        "taken apart."
    ),
    "spray": (
        "Spray: ventilate, small puffs, goggles at a compressed-air atomiser, never near "
        "energised plates or hot lamps, and read the safety data sheet."
    ),
    "flammable": "Flammable carrier liquid: keep it away from high voltage and hot lamps.",
}


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
    file = resources.files("quantize") / "data" / "apparatus_template.toml"
    lines: list[str] = []
    wanted = True
    for line in file.read_text(encoding="utf-8").splitlines():
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
    title, head = _HEADS[validation.choice("kind", kind, PAGES)]
    columns = _COLUMNS[kind]
    rule = "+" + "+".join("-" * width for _, width in columns) + "+"
    names = "|" + "|".join(name.center(width) for name, width in columns) + "|"
    lines = [f"{title:<48}date ____________  bench ______", "", *head.splitlines(), "", rule, names]
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
    given = bench.get("plates.voltage")
    volts = max(abs(given.value) if given else 0.0, abs(largest_voltage or 0.0))
    found = [_VOLTAGE.format(volts=volts)] if volts > TOUCH_LIMIT else []
    found += [_HAZARDS[hazard] for hazard in bench.hazards]
    return (*found, DEFERENCE) if found else ()
