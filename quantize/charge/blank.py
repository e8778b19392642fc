"""A commented apparatus file, and a blank page for readings, ready to print."""

from __future__ import annotations

_APPARATUS = """\
# Apparatus file. Copy it, fill in what you know, delete what you do not.
#
# Text:  "number unit", "number +/- number unit", "number(n) unit" or
# "number unit +/- number %"; decimal point, no commas. A value without a +/- is
# taken for exact. A +/- is a standard uncertainty, unless a word follows:
#   limit   half the width of a rectangle, such as a maker's tolerance
#   k=2     a quoted multiple of the standard uncertainty
#   n=5     the standard error of the mean of five repeats
# and, if need be, what shares the error: reading, state, particle, session,
# bench, batch.

[apparatus]
name = "bench 1"

[plates]
separation = "4.00 +/- 0.02 mm"
voltage = "250.0 +/- 0.5 V"        # at which the sphere was balanced
positive_plate = "lower"           # the positive one when V is positive
# tilt = "0 +/- 1 deg limit"

[sphere]
weight = "5.00(10)e-14 N"          # as supplied, if it was
weight_of = "the batch"            # or "this sphere", if it was weighed itself
buoyancy = "already off"           # or "not off"
# diameter = "2.10 +/- 0.02 um"    # mean of the batch
# diameter_spread = "0.03 um"      # standard deviation in the batch; the weight
#                                  # of one sphere spreads three times as much
# density = "1055 +/- 5 kg/m3 limit"

[reticle]
division = "25.0 +/- 0.1 um"       # at the working focus
length = "90 div"
rounding = "both ends"             # or "one end", if the start sat on a line
# step = "0.5 div"                 # positions are read to; else as written
# localisation = "0.05 div"        # error of one position, for tracks

[watch]
press = "0.10 s"                   # standard deviation of one press

[air]
temperature = "21.0 +/- 0.5 degC limit"
pressure = "1013 +/- 3 hPa limit"
humidity = "45 %"

[run]
timing = "fixed time"              # or "fixed distance"
interval = "10.0 s"
image_inverted = false             # true if a falling sphere seems to rise
# blank_voltage = "as above"       # or "zero"; else a blank is refused
# blank_state = "as above"
# held_state = "1"                 # label of the state held at balance
# residual_voltage = "taken off"   # corrects falls for a voltage left on

[hazards]
# of: x-ray, sealed source, lamp, laser, uv, ioniser, spray, flammable
present = []

# What holds for one particle only:
# [particles.A.sphere]
# diameter = "2.08 +/- 0.01 um"
"""

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


def template() -> str:
    """The text of a commented apparatus file; it can be read as it stands.

    Returns
    -------
    str

    Examples
    --------
    >>> import tomllib
    >>> sorted(tomllib.loads(template()))[:3]
    ['air', 'apparatus', 'hazards']
    """
    return _APPARATUS


def blank_page(*, rows: int = _ROWS) -> str:
    """A page for readings in plain text, 80 columns wide, to print and fill in by hand.

    Its columns are those that `read_run` knows.

    Parameters
    ----------
    rows : int

    Returns
    -------
    str

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
