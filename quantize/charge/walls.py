"""What the plates do to a sphere midway between them, besides holding the field."""

from __future__ import annotations

import math
from typing import Any

ACROSS = 1.4516  # first-order coefficient of the drag for motion towards the plates


def slowing(diameter: Any, separation: Any) -> Any:
    r"""Share by which two plates slow a sphere that moves from one to the other, midway.

    Parameters
    ----------
    diameter, separation : float or array
        Metres.

    Notes
    -----
    First order in the radius a over half the separation l: the drag is
    :math:`1 + \kappa\,a/l` times that of Stokes, with

    .. math:: \kappa = \frac34\int_0^\infty e^{-x}\,
        \frac{(1+x)(\sinh x + x\cosh x) + x^2\sinh x}{\sinh x\cosh x + x}\,dx = 1.4516 ,

    the velocity that both plates send back to a point force midway, by Hankel transform. For
    motion along the plates Faxén has 1.004 in its place, and one plate alone 9/8 (Lorentz 1907).

    Examples
    --------
    >>> round(slowing(2.1e-6, 4.24e-3), 6)
    0.000719
    """
    return ACROSS * diameter / separation


def image_pull(charge: Any, separation: Any) -> Any:
    r"""Force, N, with which its image in one plate draws a sphere midway to it.

    The image in the other plate draws it as much the other way; off the middle, a part is left.

    Parameters
    ----------
    charge, separation : float or array
        Coulombs, metres.

    Notes
    -----
    :math:`q^2/(16\pi\varepsilon_0 h^2)` at the distance h from a conducting plane, here half the
    separation (the method of images).

    Examples
    --------
    >>> image_pull(9.6e-19, 4.24e-3) < 1e-21
    True
    """
    from scipy.constants import epsilon_0

    return charge**2 / (16 * math.pi * epsilon_0 * (separation / 2) ** 2)
