"""Readings: the one place where measured values are checked and given their standard form."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Hashable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from quantize._support import results
from quantize._support.errors import InputError, InputTypeError, listed
from quantize._support.validation import (
    BoolArray,
    Columns,
    FloatArray,
    IntArray,
    moderate,
    name_of_unit,
    one_of_few,
    per_reading,
    read_only,
    relative_to,
    state_codes,
)
from quantize.array_kinds import only_column, plain_values
from quantize.levels import Levels, far_values, levels_of
from quantize.recording import recorded_steps, rounded_alike
from quantize.shared_shift import SharedShift
from quantize.tables.origin import Origin, with_origin

if TYPE_CHECKING:
    import pandas as pd

_PRINTED_SAMPLE = 10_000
_OF_EACH = ("sigma", "relative_sigma", "resolution", "ends", "beyond", "changed")


@dataclasses.dataclass(frozen=True, eq=False, init=False, repr=False)
class Readings:
    """Measured values that may be whole multiples of an unknown unit.

    Parameters
    ----------
    values : array_like, shape (n,)
        The readings, all in one unit of measurement (divisions, coulombs, grams, ...); quantities
        of pint or astropy with their unit, or values of `uncertainties` with their sigma.
    sigma : float or array_like, shape (n,), optional
        Standard deviation of each reading, in the same unit. One number is used for all.
    relative_sigma : array_like, shape (n,), optional
        In place of `sigma`: the standard deviations in proportion. Reading i then has
        ``relative_sigma[i]`` times the sigma that is unknown, or that the model says; give a
        typical reading 1.
    state : array_like, shape (n,), optional
        Label of the charge state of each reading. Readings of one state share one whole number.
        Take the labels from the log of when the charge was changed, never from the readings.
    resolution : float or array_like, shape (n,), optional
        Step to which each reading was rounded. When left out, the printed decimals of the values
        determine it (`printed_resolution`).
    ends : {1, 2} or array_like, shape (n,), optional
        How many ends of the distance were read on the ruler; 1 when left out.
    beyond : array_like, shape (n,), optional
        1 for a reading off the scale that is at least the value, −1 for at most, 0 for measured.
    changed : array_like of bool, shape (n,), optional
        True where the charge changed by one unit within the interval.
    shift : SharedShift, optional
        An error that moves all readings together and is no part of their sigma.
    unit_name : str, optional
        What the values are measured in, such as "div" or "1e-19 C"; shown, never computed with.

    Attributes
    ----------
    values, sigma, relative_sigma, resolution : numpy.ndarray or None
        Read-only float arrays of shape (n,).
    ends, beyond, changed : numpy.ndarray or None
        Read-only whole numbers and truth values.
    state : numpy.ndarray or None
        Read-only whole numbers 0, 1, ... in order of first appearance.
    state_labels : tuple
        The labels as given, in the same order.
    unit_name : str or None
    origin : Origin or None
        The columns and rows of a file that they were read from.

    Raises
    ------
    InputError
        For text, blanks, NaN, infinities, wrong lengths, a sigma or resolution not above zero, both
        kinds of sigma at once, relative ones far from 1, and quantities of different kinds.

    Examples
    --------
    >>> import quantize as qz
    >>> sample = qz.Readings([3.1, 6.0, 9.2, 6.1], sigma=0.1, state=list("abcb"))
    >>> sample
    <Readings: 4 values from 3.1 to 9.2, sigma given, 3 states>
    >>> float(sample.span)
    6.1
    """

    values: FloatArray
    sigma: FloatArray | None
    relative_sigma: FloatArray | None
    state: IntArray | None
    resolution: FloatArray | None
    ends: IntArray | None
    beyond: IntArray | None
    changed: BoolArray | None
    shift: SharedShift | None
    state_labels: tuple[Any, ...]
    unit_name: str | None
    origin: Origin | None = None

    def __init__(
        self,
        values: npt.ArrayLike,
        *,
        sigma: npt.ArrayLike | None = None,
        relative_sigma: npt.ArrayLike | None = None,
        state: npt.ArrayLike | Sequence[Hashable] | None = None,
        resolution: npt.ArrayLike | None = None,
        ends: npt.ArrayLike | None = None,
        beyond: npt.ArrayLike | None = None,
        changed: npt.ArrayLike | None = None,
        shift: SharedShift | None = None,
        unit_name: str | None = None,
    ) -> None:
        if isinstance(values, Readings):
            raise InputTypeError("`values` are Readings already; change them with `.replace`.")
        checked, sigma, unit_name = plain_values(values, sigma, unit_name)
        if checked.size == 0:
            raise InputError("`values` is empty; give at least one reading.")
        moderate("values", float(np.abs(checked).max()))
        states, labels = state_codes(state, checked.size)
        put = object.__setattr__
        put(self, "values", read_only(checked))
        put(self, "sigma", per_reading("sigma", sigma, checked.size))
        put(self, "relative_sigma", relative_to(sigma, relative_sigma, checked.size))
        put(self, "resolution", per_reading("resolution", resolution, checked.size))
        put(self, "ends", one_of_few("ends", ends, checked.size, (1, 2)))
        put(self, "beyond", one_of_few("beyond", beyond, checked.size, (-1, 0, 1)))
        flags = one_of_few("changed", changed, checked.size, (0, 1))
        put(self, "changed", None if flags is None else read_only(flags.astype(bool)))
        put(self, "shift", None if shift is None else SharedShift.checked(shift, checked.size))
        put(self, "state", states)
        put(self, "state_labels", labels)
        put(self, "unit_name", name_of_unit(unit_name))

    def __setstate__(self, state: dict[str, Any]) -> None:
        # A pickled array forgets that it was read-only.
        state = results.frozen_arrays(state)
        self.__dict__.update({name: value for name, value in state.items() if name != "_levels"})

    def __len__(self) -> int:
        return int(self.values.size)

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> npt.NDArray[Any]:
        return np.array(self.values, dtype=dtype, copy=copy)

    def __getitem__(self, keep: Any) -> Any:
        """One value for a whole number; for a slice, a mask or positions, as `select`."""
        if isinstance(keep, (int, np.integer)):
            return float(self.values[keep])
        return self.select(keep)

    def __repr__(self) -> str:
        parts = [f"{len(self)} values from {self.values.min():g} to {self.values.max():g}"]
        if self.sigma is not None or self.relative_sigma is not None:
            parts.append("sigma given" if self.sigma is not None else "relative sigma given")
        if self.state is not None:
            parts.append(f"{len(self.state_labels)} states")
        if self.resolution is not None:
            parts.append("resolution given")
        if not self.measured.all():
            parts.append(f"{int(np.sum(~self.measured))} off the scale or changing")
        if self.shift is not None:
            parts.append("a shared shift")
        return f"<Readings: {', '.join(parts)}>"

    @property
    def plain(self) -> bool:
        """Whether nothing but values came: no kind of sigma, no states, no marks."""
        bare = self.sigma is None and self.relative_sigma is None and self.state is None
        return bare and bool(self.measured.all())

    @property
    def scale(self) -> FloatArray:
        """By what the sigma of a model is multiplied for each reading, shape (n,)."""
        given = self.relative_sigma if self.sigma is None else self.sigma
        return np.ones(len(self)) if given is None else given

    @property
    def weights(self) -> FloatArray:
        """1/sigma² of each reading, over the largest, shape (n,)."""
        return np.asarray((self.scale.min() / self.scale) ** 2)

    @property
    def measured(self) -> BoolArray:
        """False for readings off the scale and for those within which the charge changed."""
        keep: BoolArray = np.ones(len(self), dtype=bool)
        if self.beyond is not None:
            keep &= self.beyond == 0
        if self.changed is not None:
            keep &= ~self.changed
        return keep

    @property
    def span(self) -> float:
        """Largest value minus smallest value."""
        return float(np.ptp(self.values))

    @functools.cached_property
    def far(self) -> IntArray:
        """Positions of the few readings that lie far from all the others; mostly none.

        At most a tenth of them, ten in all: each farther from the nearest of the others than three
        times what the others span.
        """
        place = np.flatnonzero(self.measured)
        return read_only(np.sort(place[far_values(self.values[place])]))

    @property
    def reach(self) -> float:
        """Length of the shortest interval that holds every value and zero."""
        return float(max(self.values.max(), 0.0) - min(self.values.min(), 0.0))

    @property
    def printed_resolution(self) -> float | None:
        """The finest step that the decimals show, or None for values in full machine precision."""
        steps = recorded_steps(self.values[:_PRINTED_SAMPLE])
        return None if steps is None else float(steps.min())

    @functools.cached_property
    def steps(self) -> FloatArray | None:
        """The step of each reading: the resolution, or what its decimals show; None without.

        See `quantize.recording`.
        """
        if self.resolution is not None:
            return self.resolution
        sample = recorded_steps(self.values[:_PRINTED_SAMPLE])
        if sample is None or len(self) <= _PRINTED_SAMPLE:
            return None if sample is None else read_only(sample)
        if np.all(sample == sample[0]):
            return read_only(np.full(len(self), sample[0]))
        steps = recorded_steps(self.values)
        return None if steps is None else read_only(steps)

    @property
    def rounding_step(self) -> float | None:
        """The step to which at least half of the readings are recorded, or finer; None without."""
        steps = self.steps
        return None if steps is None else float(np.quantile(steps, 0.5, method="higher"))

    def recorded(self, values: FloatArray) -> FloatArray:
        """Other values, rounded as these readings were."""
        return values if self.steps is None else rounded_alike(values, self.values, self.steps)

    def levels(self) -> Levels:
        """The distinct charge states as weighted means; without states each reading is one."""
        return self._levels

    @functools.cached_property
    def _levels(self) -> Levels:
        found = levels_of(self.values, self.scale, self.state)
        return dataclasses.replace(found, sigma_given=self.sigma is not None)

    def select(self, keep: npt.ArrayLike | slice) -> Readings:
        """Those at `keep` (a mask, positions, a slice), with everything that belongs to them."""
        every = np.arange(len(self))
        index = every[keep if isinstance(keep, slice) else np.asarray(keep)]
        if np.array_equal(index, every):
            return self
        changes = {n: of[index] for n in _OF_EACH if (of := getattr(self, n)) is not None}
        if self.state is not None:
            changes["state"] = [self.state_labels[c] for c in self.state[index]]
        if self.shift is not None:
            changes["shift"] = self.shift.select(index)
        chosen = Readings(self.values[index], unit_name=self.unit_name, **changes)
        origin = self.origin and dataclasses.replace(self.origin, rows=index.size)
        return with_origin(chosen, origin)

    def replace(self, **changes: Any) -> Readings:
        """The same readings with other values, sigmas and so on, under their names."""
        kept = {name: getattr(self, name) for name in ("values", *_OF_EACH, "shift", "unit_name")}
        kept["state"] = None if self.state is None else [self.state_labels[c] for c in self.state]
        return with_origin(Readings(**(kept | changes)), self.origin)

    def to_frame(self) -> pd.DataFrame:
        """A row for each reading, a column for all that is known; the unit's name is in `attrs`."""
        import pandas as pd

        columns = {name: getattr(self, name) for name in ("values", *_OF_EACH)}
        if self.state is not None:
            columns["state"] = [self.state_labels[code] for code in self.state]
        columns |= {} if self.shift is None else self.shift.columns()
        table = pd.DataFrame({name: of for name, of in columns.items() if of is not None})
        table.attrs = {"unit_name": self.unit_name}
        return table

    @classmethod
    def from_frame(cls, frame: pd.DataFrame, value: str = "values") -> Readings:
        """The readings in a table with the columns of `to_frame`; `value` is that of the values."""
        if value not in frame:
            raise InputError(f"`value` is {value!r}, and the columns are {listed([*frame])}.")
        known: dict[str, Any] = {k: frame[k] for k in (*_OF_EACH, "state") if k in frame}
        name = frame.attrs.get("unit_name") if value == "values" else None
        return cls(frame[value], shift=SharedShift.of_columns(frame), unit_name=name, **known)

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary."""
        kept = {name: getattr(self, name) for name in ("values", *_OF_EACH)}
        listed = {name: None if of is None else of.tolist() for name, of in kept.items()}
        names = [str(label) for label in self.state_labels]
        names = names if len(set(names)) == len(names) else [*map(str, range(len(names)))]
        labels = None if self.state is None else [names[c] for c in self.state]
        return {
            "schema": "quantize.Readings/1",
            **listed,
            "state": labels,
            "shift": None if self.shift is None else self.shift.to_dict(),
            "unit_name": self.unit_name,
            "origin": None if self.origin is None else self.origin.to_dict(),
        }

    @classmethod
    def from_dict(cls, state: dict[str, Any]) -> Readings:
        """The readings that `to_dict` wrote, those of older versions included.

        Labels of charge states come back as text.

        Raises
        ------
        InputError
            For anything else, or what a newer version of the library wrote.
        """
        kept = results.up_to_date("Readings", 1, state)
        # The first files of this schema knew nothing of these.
        names = ("relative_sigma", "ends", "beyond", "changed", "unit_name")
        late = {name: kept.get(name) for name in names}
        with results.reading_back("Readings"):
            named = {name: kept[name] for name in ("sigma", "state", "resolution")}
            late["shift"] = kept.get("shift") and SharedShift.from_dict(kept["shift"])
            origin = Origin.from_dict(kept.get("origin"))
            return with_origin(cls(kept["values"], **named, **late), origin)


def as_readings(
    data: Any, *, least: int = 2, measured: bool = True, columns: Columns | None = None
) -> Readings:
    """Standardise the first argument of every estimator, with what was said of each reading.

    With `measured`, readings off the scale and those within which the charge changed are left
    out: only the mixture has a likelihood for them.

    Raises InputError for fewer than `least` readings, or when all of them are equal or of one
    charge state.
    """
    plain = columns or not isinstance(data, Readings)
    readings: Readings = _from_data(data, columns or {}) if plain else data
    if measured and not readings.measured.all():
        if not readings.measured.any():
            raise InputError("`readings` are all off the scale or changing; measure some of them.")
        readings = readings.select(readings.measured)
    if len(readings) < least:
        noun = "reading" if len(readings) == 1 else "readings"
        raise InputError(
            f"`readings` has {len(readings)} {noun}; at least {least} are needed to look for steps."
        )
    if least > 1 and readings.span == 0:
        raise InputError(
            f"every value of `readings` is {readings.values[0]:g}; steps show only in readings "
            "that differ, so add readings of other charge states."
        )
    if least > 1 and readings.state is not None and readings.state.max() == 0:
        raise InputError(
            f"the state is '{readings.state_labels[0]}' for every reading, which makes one level "
            "of them; steps need readings of at least three charge states, or none labelled."
        )
    return readings


def _from_data(data: Any, columns: Columns) -> Readings:
    if isinstance(data, Readings) or hasattr(data, "_as_readings"):
        for name in columns:
            said = f"`{name}` goes with plain values, and `readings` is {type(data).__name__}"
            raise InputError(f"{said} already; Readings are changed by `.replace({name}=...)`.")
        return data if isinstance(data, Readings) else data._as_readings()
    return readings_called("readings", data, **columns)


def readings_called(name: str, data: Any, **columns: Any) -> Readings:
    """Readings of an argument whose `name` is in what is said of bad ones."""
    try:
        return Readings(only_column(data), **columns)
    except InputError as error:
        raise type(error)(str(error).replace("`values`", f"`{name}`")) from None
