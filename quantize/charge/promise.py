"""Blinding, and a plan that is dated before the first reading and held against the result."""

from __future__ import annotations

import dataclasses
import datetime
import hashlib
import json
from pathlib import Path
from typing import Any

import numpy.typing as npt

from quantize._support import validation
from quantize._support.errors import InputError, explained
from quantize._support.randomness import RngLike, generator
from quantize._support.writing import write_whole
from quantize.readings import Readings, readings_called

_WIDEST = 0.15  # the hidden factor lies between 1/(1 + this) and 1 + this


class Blind:
    """A hidden factor on all readings, taken off once.

    Parameters
    ----------
    rng : None, int, SeedSequence or Generator

    Examples
    --------
    >>> from quantize.charge import Blind
    >>> blind = Blind(rng=7)
    >>> hidden = blind.readings([10.0, 20.0])
    >>> bool(hidden.values[1] / hidden.values[0] == 2)
    True
    >>> round(blind.open(float(hidden.values[0])), 9)
    10.0
    >>> blind.open(1.0)
    Traceback (most recent call last):
    quantize._support.errors.InputError: `Blind` was opened before; ...
    """

    @explained()
    def __init__(self, *, rng: RngLike = None) -> None:
        step = generator(rng).uniform(-1, 1)
        self.__factor = float((1 + _WIDEST) ** step)
        self._opened: str | None = None

    def readings(self, data: Readings | npt.ArrayLike) -> Readings:
        """The readings times the hidden factor, with sigmas and resolutions in proportion."""
        given = data if isinstance(data, Readings) else readings_called("data", data)
        factor = self.__factor
        return given.replace(
            values=given.values * factor,
            sigma=None if given.sigma is None else given.sigma * factor,
            resolution=None if given.resolution is None else given.resolution * factor,
            shift=None if given.shift is None else given.shift.scaled(factor),
        )

    def open(self, value: float) -> float:
        """The value with the factor taken off; works once, when everything else is settled."""
        if self._opened is not None:
            raise InputError(
                f"`Blind` was opened before; the value shown then was {self._opened}, and a second "
                "look at a changed analysis would not be blind."
            )
        told = validation.number("value", value) / self.__factor
        self._opened = f"{told:.6g}"
        return told

    def __repr__(self) -> str:
        return f"<Blind, {'open' if self._opened else 'closed'}>"

    def __getstate__(self) -> object:
        raise InputError("`Blind` cannot be copied or stored; that would be a second look.")


@dataclasses.dataclass(frozen=True, kw_only=True)
class DatedPlan:
    """What was promised before the first reading.

    Attributes
    ----------
    unit_range : (float, float)
        Divisions per interval, in which a unit is looked for.
    rejection : str
        The rule by which rows may be discarded.
    readings : int
        How many readings end the run.
    alpha : float
    written : str
        Date and time, ISO 8601, UTC.

    Examples
    --------
    >>> plan = DatedPlan(rejection="door, draught or lost sphere only", readings=32,
    ...                  unit_range=(4, 25), written="2026-03-02T09:00:00+00:00")
    >>> plan.digest()[:8]
    'e5931269'
    """

    unit_range: tuple[float, float]
    rejection: str
    readings: int
    alpha: float = 0.05
    written: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "unit_range", validation.unit_range(self.unit_range))
        validation.count("readings", self.readings, least=2)
        validation.fraction("alpha", self.alpha)
        if not self.rejection.strip():
            raise InputError("`rejection` is blank; write the rule, or 'none'.")
        if not self.written:
            now = datetime.datetime.now(datetime.UTC).replace(microsecond=0)
            object.__setattr__(self, "written", now.isoformat())
        try:
            datetime.datetime.fromisoformat(self.written)
        except ValueError:
            raise InputError(
                f"`written` is {self.written!r}; write a date as 2026-03-02T09:00:00+00:00."
            ) from None

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready dictionary."""
        body = dataclasses.asdict(self) | {"unit_range": list(self.unit_range)}
        return {"schema": "quantize.DatedPlan/1"} | body

    def digest(self) -> str:
        """SHA-256 of the plan, to be noted in the log of the day."""
        text = json.dumps(self.to_dict(), sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()

    def save(self, path: Any) -> None:
        """Write the plan with its digest; an existing plan is never written over."""
        file = Path(path)
        if file.exists():
            raise InputError(f"`path` {file.name!r} exists; a dated plan is not written over.")
        body = self.to_dict() | {"digest": self.digest()}
        write_whole(file, (json.dumps(body, indent=2) + "\n").encode())

    @classmethod
    def load(cls, path: Any) -> DatedPlan:
        """Read a plan, and refuse one that was changed after it was written."""
        file = Path(path)
        if not file.is_file():
            raise InputError(f"`path` is {str(path)!r}, and there is no such file.")
        try:
            body = json.loads(file.read_text(encoding="utf-8"))
            plan = cls(**{field.name: body[field.name] for field in dataclasses.fields(cls)})
        except (json.JSONDecodeError, UnicodeDecodeError, KeyError, TypeError) as error:
            raise InputError(f"`path` {file.name!r} is no dated plan ({error}).") from None
        if body.get("digest") != plan.digest():
            raise InputError(
                f"`path` {file.name!r} was changed after it was written: its digest does not fit."
            )
        return plan

    def held_against(self, analysis: Any, run: Any) -> tuple[str, ...]:
        """Sentences for a report: that the analysis kept to the plan, or where it did not.

        Parameters
        ----------
        analysis : Analysis
            Of `Run.readings`.
        run : Run
        """
        unit_range = analysis.unit_range
        lines = self.against(
            unit_range=(unit_range.low, unit_range.high), run=run, alpha=analysis.alpha
        )
        head = f"The plan of {self.written} (SHA-256 {self.digest()[:12]}…)"
        if not lines:
            return (f"{head} was kept to.",)
        return (f"{head} was departed from:", *lines)

    def against(self, *, unit_range: Any, run: Any, alpha: float | None = None) -> tuple[str, ...]:
        """Where an analysis departed from the plan; empty when it kept to it.

        Parameters
        ----------
        unit_range : (float, float)
            As used.
        run : Run
        alpha : float, optional
            As used.
        """
        low, high = validation.unit_range(unit_range)
        out = []
        if abs(low / self.unit_range[0] - 1) > 1e-6 or abs(high / self.unit_range[1] - 1) > 1e-6:
            out.append(
                f"units were looked for from {low:g} to {high:g}, not from "
                f"{self.unit_range[0]:g} to {self.unit_range[1]:g} as planned."
            )
        number = len(run.informative)
        if number != self.readings:
            out.append(f"the run has {number} readings, and {self.readings} were planned.")
        gone = run.table[~run.table["kept"]]
        bare = int((gone["reason"] == "").sum())
        if bare:
            out.append(f"{bare} rows were discarded without a reason; the rule: {self.rejection}.")
        elif len(gone) and self.rejection.strip().lower() == "none":
            out.append(f"{len(gone)} rows were discarded, and none were to be.")
        if alpha is not None and abs(alpha - self.alpha) > 1e-12:
            out.append(f"the level was {alpha:g}, and {self.alpha:g} was planned.")
        return tuple(out)
