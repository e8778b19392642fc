"""The apparatus: every number about the bench that a conversion needs, from a TOML file."""

from __future__ import annotations

import dataclasses
import tomllib
from collections.abc import Mapping
from os import PathLike
from pathlib import Path
from typing import Any, Union

import numpy as np

from quantize._support import validation
from quantize._support.errors import InputError, InputTypeError
from quantize._support.results import jsonable
from quantize._support.validation import FloatArray
from quantize.charge import units
from quantize.charge.entries import (
    FLAGS,
    HAZARDS,
    QUANTITIES,
    SECTIONS,
    TEXTS,
    WORDS,
    measured,
    refuse_blanks,
    unknown,
)
from quantize.charge.quantity import OWN_SCOPES, Quantity, QuantityLike, Scope, normal

_LARGEST_FILE = 1_000_000
_OTHERWISE = ("correlations", "hazards", "particles")  # sections with entries of another kind


@dataclasses.dataclass(frozen=True, eq=False, repr=False)
class Apparatus:
    """Measured entries and declarations of one bench.

    Attributes
    ----------
    quantities : dict of str to Quantity
        Measured entries under dotted names such as ``"plates.separation"``.
    declared : dict of str to object
        Words and flags, such as ``"plates.positive_plate"``.
    correlations : dict of (str, str) to float
        Correlation coefficients between entries.
    hazards : tuple of str
        What on the bench calls for cautions.
    particles : dict of str to dict
        Measured entries that hold for one particle only.
    particle_words : dict of str to dict
        Declarations about the sphere that hold for one particle only.
    source : str
        File name, or "given in Python".

    Examples
    --------
    >>> from quantize.charge.apparatus import Apparatus
    >>> bench = Apparatus.of({"plates": {"separation": "4.24 +/- 0.02 mm"}})
    >>> bench.need("plates.separation").value
    0.00424
    """

    quantities: dict[str, Quantity]
    declared: dict[str, Any]
    correlations: dict[tuple[str, str], float]
    hazards: tuple[str, ...]
    particles: dict[str, dict[str, Quantity]]
    source: str
    particle_words: dict[str, dict[str, Any]] = dataclasses.field(default_factory=dict)

    @classmethod
    def of(
        cls,
        tables: Mapping[str, Any],
        *,
        source: str = "given in Python",
        scope: Scope | None = None,
    ) -> Apparatus:
        """Make an apparatus from nested tables, as they stand in a file.

        Parameters
        ----------
        tables : mapping of mappings
            Sections by name, each with its entries.
        source : str
            What to call the file in a message.
        scope : {"reading", "state", "particle", "session", "bench", "batch"}, optional
            What shares the errors of entries whose text names nothing; what is usual for each
            entry if left out.

        Raises
        ------
        InputError
            For unknown sections or entries, units of the wrong kind, values out of range, and
            blanks of a template that are left.
        """
        refuse_blanks(tables, source)
        quantities: dict[str, Quantity] = {}
        declared: dict[str, Any] = {}
        for section, table in tables.items():
            if section in _OTHERWISE:
                continue
            if section not in SECTIONS:
                raise InputError(unknown(section, (*SECTIONS, *_OTHERWISE[1:]), source))
            if not isinstance(table, Mapping):
                raise InputTypeError(
                    f"`{section}` is {table!r}; it is a section, written [{section}] with entries "
                    "below."
                )
            for key, value in table.items():
                name = f"{section}.{key}"
                if name in QUANTITIES:
                    quantities[name] = measured(name, value, scope)
                else:
                    declared[name] = _declared(name, value, source)
        _say_whose_weight(quantities, declared)
        own = _particles(tables.get("particles", {}), source)
        return cls(
            quantities=quantities,
            declared=declared,
            correlations=_correlations(tables.get("correlations", []), quantities),
            hazards=_hazards(tables.get("hazards", {})),
            particles={label: bench.quantities for label, bench in own.items()},
            source=source,
            particle_words={label: bench.declared for label, bench in own.items()},
        )

    def get(self, name: str) -> Quantity | None:
        """The measured entry `name`, such as "plates.separation"; None where it is missing."""
        return self.quantities.get(name)

    def need(self, name: str, *, purpose: str = "the conversion to coulombs") -> Quantity:
        """Give a measured entry that may not be missing.

        Parameters
        ----------
        name : str
            Dotted name, such as "plates.separation".
        purpose : str
            What needs it, for the message.

        Raises
        ------
        InputError
            Where it is missing, with a line to add to the file.
        """
        found = self.quantities.get(name)
        if found is None:
            entry = QUANTITIES[name]
            example = units.KINDS[entry.unit][1]
            section, _, key = name.partition(".")
            raise InputError(
                f"`{name}` ({entry.meaning}) is missing from the apparatus ({self.source}), and "
                f'{purpose} needs it; add {key} = "{example}" under [{section}].'
            )
        return found

    def has(self, *names: str) -> bool:
        """Whether all these measured entries are there."""
        return all(name in self.quantities for name in names)

    def word(self, name: str, default: Any = None) -> Any:
        """The declaration `name`, such as "run.timing"; `default` where it is missing."""
        return self.declared.get(name, default)

    def changed(self, **entries: QuantityLike) -> Apparatus:
        """Copy the apparatus with some measured entries replaced.

        Parameters
        ----------
        **entries : str, float or Quantity
            New values by name, the dot written as ``__``, as in ``plates__voltage="200 V"``.

        Raises
        ------
        InputError
            For names that are no entry, and values out of range.
        """
        quantities = dict(self.quantities)
        for key, value in entries.items():
            name = key.replace("__", ".")
            if name not in QUANTITIES:
                raise InputError(unknown(name, tuple(QUANTITIES), "given in Python"))
            quantities[name] = measured(name, value)
        _say_whose_weight(quantities, self.declared)
        return dataclasses.replace(self, quantities=quantities)

    def for_particle(self, label: object) -> Apparatus:
        """This apparatus with the entries of one particle put in."""
        own = self.particles.get(str(label), {})
        # What is said of the common weight says nothing of this one.
        gone = "sphere.weight_of" if "sphere.weight" in own else None
        words = {name: word for name, word in self.declared.items() if name != gone}
        words |= self.particle_words.get(str(label), {})
        return dataclasses.replace(self, quantities=self.quantities | own, declared=words)

    @property
    def weight_is_own(self) -> bool:
        """Whether `sphere.weight` is that of this very sphere, and not of its batch."""
        word = self.word("sphere.weight_of")
        found = self.get("sphere.weight")
        if word is None:
            return found is not None and found.scope in OWN_SCOPES
        return bool(word == "this sphere")

    def spread_about(self, name: str) -> Quantity | None:
        """How far the diameter of this sphere may be from the one behind `name` of its batch.

        A deviation of zero with the spread of the batch for its uncertainty; None where `name`,
        the weight or the diameter, was measured on this sphere, or no spread is known.
        """
        spread = value_of(self, "sphere.diameter_spread", 0.0)
        own = self.weight_is_own if name == "sphere.weight" else _own(self.get(name))
        if own or spread == 0 or not self.has("sphere.diameter"):
            return None
        return normal(0.0, spread, "m", "particle")

    def need_weight_of_each(self, labels: tuple[str, ...]) -> None:
        """Raise InputError where the weight of one sphere would have to serve for several."""
        without = [k for k in labels if "sphere.weight" not in self.particles.get(str(k), {})]
        if len(labels) > 1 and without and self.has("sphere.weight") and self.weight_is_own:
            raise InputError(
                f"`sphere.weight_of` is 'this sphere', and the run holds the particles "
                f"{', '.join(labels)}; write the weight of each under "
                f'[particles.{without[0]}.sphere], or weight_of = "the batch".'
            )

    def __repr__(self) -> str:
        name = self.declared.get("apparatus.name", "unnamed")
        return f"<Apparatus {name!r}: {len(self.quantities)} entries, {self.source}>"

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary."""
        fields = {f.name: getattr(self, f.name) for f in dataclasses.fields(self)}
        fields["correlations"] = [[a, b, r] for (a, b), r in self.correlations.items()]
        plain: dict[str, Any] = jsonable({"schema": "quantize.Apparatus/1"} | fields)
        return plain


ApparatusLike = Union[Apparatus, Mapping[str, Any], str, "PathLike[str]"]
"""What an apparatus may be loaded from."""


def load_apparatus(path: ApparatusLike) -> Apparatus:
    """Read an apparatus file.

    Parameters
    ----------
    path : str, path-like, mapping or Apparatus
        Name of a TOML file; a mapping of sections is checked like one, and an `Apparatus` comes
        back as it is.

    Returns
    -------
    Apparatus

    Raises
    ------
    InputError
        For a file that is missing, too large or not TOML, and for every entry that is wrong.

    Examples
    --------
    >>> from quantize.charge import load_apparatus
    >>> load_apparatus({"air": {"temperature": "21.5 degC"}}).need("air.temperature")
    <Quantity 294.65 K>
    """
    if isinstance(path, Apparatus):
        return path
    if isinstance(path, Mapping):
        return Apparatus.of(path)
    file = Path(path)
    if not file.is_file():
        raise InputError(f"`apparatus` is {str(path)!r}, and there is no such file.")
    if file.stat().st_size > _LARGEST_FILE:
        raise InputError(f"`apparatus` {file.name!r} is larger than 1 MB; it must be a short file.")
    try:
        return Apparatus.of(tomllib.loads(file.read_text(encoding="utf-8-sig")), source=file.name)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        reason = "nested too deeply" if isinstance(error, RecursionError) else error
        raise InputError(
            f"`apparatus` {file.name!r} is not valid TOML ({reason}); "
            'write text in quotes, as in separation = "4.24 +/- 0.02 mm".'
        ) from None


def value_of(apparatus: Apparatus, name: str, default: float) -> float:
    """The value of a measured entry in its SI unit; `default` where it is missing."""
    found = apparatus.get(name)
    return default if found is None else found.value


def scaled_by_gate(apparatus: Apparatus, divisions: FloatArray) -> Apparatus:
    """The length of a division from that of the gate, of so many `divisions`, where none is given.

    Nothing changes where the scale is stated, or the gate is no length.
    """
    gate = apparatus.get("run.distance")
    if gate is None or gate.unit != "m" or apparatus.has("reticle.division"):
        return apparatus
    scale = gate.value / float(np.nanmedian(np.abs(divisions)))
    one = normal(scale, scale * gate.relative, "m/div")
    return apparatus.changed(reticle__division=one)


def _declared(name: str, value: Any, source: str) -> Any:
    if name in WORDS:
        return validation.choice(name, value, WORDS[name])
    if name in FLAGS:
        if not isinstance(value, bool):
            raise InputTypeError(f"`{name}` is {value!r}; write true or false.")
        return value
    if name in TEXTS:
        return str(value)
    raise InputError(unknown(name, (*QUANTITIES, *WORDS, *FLAGS, *TEXTS), source))


_INDEPENDENT = dict.fromkeys(
    ("plates.setting", "reticle.length", "reticle.step", "reticle.localisation", "watch.press"),
    "whose own error enters no result; leave it out.",
) | {
    "fall.divisions": "whose error goes into the readings; state the fall as fall.speed instead.",
    "sphere.diameter_spread": "which is no error but how much spheres differ; leave it out.",
}


def _correlations(rows: Any, known: Mapping[str, Quantity]) -> dict[tuple[str, str], float]:
    out: dict[tuple[str, str], float] = {}
    for row in rows:
        try:
            (first, second), value = row["between"], row["value"]
        except (TypeError, KeyError, ValueError):
            raise InputError(
                f"`correlations` holds {row!r}; write [[correlations]] with between = "
                '["sphere.diameter", "sphere.density"] and value = 0.5.'
            ) from None
        for name in (first, second):
            unknown = "" if name in known else "which is not among the measured entries."
            if why := _INDEPENDENT.get(name, unknown):
                raise InputError(f"`correlations` names {name!r}, {why}")
        r = validation.number("correlations.value", value)
        if not -1 <= r <= 1 or first == second or {(first, second), (second, first)} & set(out):
            raise InputError(
                f"`correlations` between {first} and {second} is {r:g}; a correlation joins two "
                "different entries, once, and lies between -1 and 1."
            )
        out[first, second] = r
    return out


def _hazards(table: Any) -> tuple[str, ...]:
    present = table.get("present", []) if isinstance(table, Mapping) else table
    every = [present] if isinstance(present, str) else present
    return tuple(validation.choice("hazards.present", item, HAZARDS) for item in every)


def _say_whose_weight(quantities: dict[str, Quantity], declared: Mapping[str, Any]) -> None:
    """Let the error of a weight be shared by its batch, or by nobody, as it is declared."""
    weight, word = quantities.get("sphere.weight"), declared.get("sphere.weight_of")
    if weight is None or word is None:
        return
    if word == "this sphere" and weight.scope == "batch":
        quantities["sphere.weight"] = dataclasses.replace(weight, scope="particle")
    elif word == "the batch" and _own(weight):
        quantities["sphere.weight"] = dataclasses.replace(weight, scope="batch")


def _own(quantity: Quantity | None) -> bool:
    return quantity is not None and quantity.scope in OWN_SCOPES


def _particles(tables: Any, source: str) -> dict[str, Apparatus]:
    out: dict[str, Apparatus] = {}
    for label, sections in tables.items():
        if not isinstance(sections, Mapping):
            raise InputTypeError(
                f"`particles.{label}` is {sections!r}; write [particles.{label}.sphere] with "
                "entries below."
            )
        if strange := sorted(set(sections) & set(_OTHERWISE)):
            raise InputError(
                f"`particles.{label}` holds {strange[0]}, which are those of the whole bench; "
                f"write them outside of [particles.{label}]."
            )
        # What is measured for one particle has an error of its own.
        own = Apparatus.of(sections, source=source, scope="particle")
        for name in own.declared:
            if not name.startswith("sphere."):
                raise InputError(
                    f"`particles.{label}` declares {name}, which holds for the whole run; write it "
                    f"under [{name.partition('.')[0]}]."
                )
        out[str(label)] = own
    return out
