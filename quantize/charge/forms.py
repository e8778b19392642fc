"""What is printed for the bench: an apparatus file, a page for readings, and cautions."""

from __future__ import annotations

from importlib import resources

from quantize.charge.apparatus import Apparatus, ApparatusLike, load_apparatus

_PAGE_HEAD = """\
READINGS                                        date ____________  bench ______

Balance voltage ________ V   interval ________ s   temperature ______ degC
Observer ____________________   plan: stop after ______ readings

Number the STATE anew each time the charge may have changed, before you look at
what it does. Keep every row; strike none out: write no, and the reason.
Read some rows at 0 V in between. Up is positive. Off the scale: >last line.

"""
_COLUMNS = (
    ("no", 4),
    ("particle", 9),
    ("state", 6),
    ("V", 7),
    ("start", 7),
    ("end", 7),
    ("t (s)", 7),
    ("keep", 5),
    ("reason", 16),
)
_ROWS = 32

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


def template() -> str:
    """Give the text of a commented apparatus file; it can be read as it stands.

    Returns
    -------
    str
        TOML, to be copied and filled in.

    Examples
    --------
    >>> import tomllib
    >>> sorted(tomllib.loads(template()))[:3]
    ['air', 'apparatus', 'hazards']
    """
    file = resources.files("quantize") / "data" / "apparatus_template.toml"
    return file.read_text(encoding="utf-8")


def blank_page(*, rows: int = _ROWS) -> str:
    """Give a page for readings, to print and fill in by hand.

    Its columns are those that `read_run` knows.

    Parameters
    ----------
    rows : int
        How many empty rows it has.

    Returns
    -------
    str
        Plain text, at most 80 columns wide.

    Examples
    --------
    >>> print(blank_page(rows=1).splitlines()[10])
    | no | particle|state |   V   | start |  end  | t (s) | keep|     reason     |
    """
    rule = "+" + "+".join("-" * width for _, width in _COLUMNS) + "+"
    head = "|" + "|".join(name.center(width) for name, width in _COLUMNS) + "|"
    lines = [rule, head, rule]
    for i in range(1, rows + 1):
        cells = [str(i).center(_COLUMNS[0][1]), *(" " * width for _, width in _COLUMNS[1:])]
        lines += ["|" + "|".join(cells) + "|", rule]
    return _PAGE_HEAD + "\n".join(lines) + "\n"


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
