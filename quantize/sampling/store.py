"""The file that a run is kept in, so that it can be gone on with.

It is an HDF5 file with one group for each ensemble, in the layout of emcee's HDFBackend, which can
read it, and beside them what the samples belong to. Steps are added to a copy in memory that then
takes the place of the file, so that a crash at any moment leaves the older samples whole.
"""

from __future__ import annotations

import contextlib
import io
import json
from collections.abc import Iterator
from typing import Any

import numpy as np

from quantize._support.errors import InputError
from quantize._support.writing import check_target, write_whole
from quantize.sampling.ensembles import Ensemble
from quantize.sampling.target import Target

_FORMAT = "samples of a comb, 1"
_MOST_SHOWN = 40


class Store:
    """Samples in a file, opened for one target."""

    def __init__(self, path: Any, target: Target, chains: int) -> None:
        self.path = check_target(path, name="backend", whole=True)
        self.described = json.loads(json.dumps(target.describe()))
        self.chains = chains
        self.header = self._read_header() if self.path.exists() else None

    def seed(self) -> np.random.SeedSequence | None:
        """The seed of the run in the file, if there is one."""
        if self.header is None:
            return None
        seed = self.header["seed"]
        return np.random.SeedSequence(seed["entropy"], spawn_key=tuple(seed["spawn_key"]))

    def _read_header(self) -> dict[str, Any]:
        with self._opened() as file:
            if file.attrs.get("format") != _FORMAT:
                raise InputError(
                    f"`backend` {str(self.path)!r} is a file of another kind; give another name. "
                    "It was left as it is."
                )
            header: dict[str, Any] = json.loads(file.attrs["header"])
        header["target"]["chains"] = header["chains"]
        differing = _first_difference(header["target"], self.described | {"chains": self.chains})
        if differing is not None:
            what, there, here = differing
            raise InputError(
                f"`backend` {str(self.path)!r} holds samples of another run: {what} is {there} in "
                f"the file and {here} now; repeat the call that made it, or give another name. "
                "The samples were left as they are."
            )
        return header

    @contextlib.contextmanager
    def _opened(self) -> Iterator[Any]:
        import h5py

        try:
            file = h5py.File(self.path, "r")
        except OSError:
            raise InputError(
                f"`backend` {str(self.path)!r} is cut short or not a file of samples; give another "
                "name. It was left as it is."
            ) from None
        with file:
            yield file

    def load(self, ensembles: list[Ensemble]) -> list[Ensemble]:
        """The ensembles, as begun, with the steps from the file."""
        if self.header is None:
            return ensembles
        out = []
        with self._opened() as file:
            for i, ensemble in enumerate(ensembles):
                group = file[f"ensemble_{i}"]
                random = tuple(group.attrs[f"random_state_{j}"] for j in range(5))
                out.append(
                    Ensemble(
                        start=ensemble.start,
                        start_log_prob=ensemble.start_log_prob,
                        theta=group["chain"][...],
                        log_prob=group["log_prob"][...],
                        random=random if len(group["chain"]) else ensemble.random,
                        moves={k: tuple(v) for k, v in json.loads(group.attrs["moves"]).items()},
                    )
                )
        return out

    def save(self, ensembles: list[Ensemble], seed: np.random.SeedSequence) -> None:
        """Add the steps that the file does not have yet.

        Raises
        ------
        InputError
            When the file cannot be written; what was kept before stays.
        """
        import h5py

        kept = self.path.exists()
        whole = io.BytesIO(self.path.read_bytes() if kept else b"")
        with h5py.File(whole, "r+" if kept else "w") as file:
            if not kept:
                self._begin(file, ensembles, seed)
            for i, ensemble in enumerate(ensembles):
                _append(file[f"ensemble_{i}"], ensemble)
        write_whole(self.path, whole.getvalue(), name="backend")

    def _begin(self, file: Any, ensembles: list[Ensemble], seed: np.random.SeedSequence) -> None:
        import emcee

        file.attrs["format"] = _FORMAT
        file.attrs["header"] = json.dumps(
            {
                "target": self.described,
                "chains": self.chains,
                "seed": {"entropy": seed.entropy, "spawn_key": list(seed.spawn_key)},
            }
        )
        for i, ensemble in enumerate(ensembles):
            walkers, dimensions = ensemble.start.shape
            group = file.create_group(f"ensemble_{i}")
            group.attrs.update(
                version=emcee.__version__,
                nwalkers=walkers,
                ndim=dimensions,
                has_blobs=False,
                iteration=0,
                moves="{}",
            )
            group.create_dataset("accepted", data=np.zeros(walkers))
            for name, shape in (("chain", (walkers, dimensions)), ("log_prob", (walkers,))):
                group.create_dataset(name, (0, *shape), maxshape=(None, *shape), dtype=np.float64)


def _append(group: Any, ensemble: Ensemble) -> None:
    have = int(group.attrs["iteration"])
    for name, values in (("chain", ensemble.theta), ("log_prob", ensemble.log_prob)):
        group[name].resize(ensemble.steps, axis=0)
        group[name][have:] = values[have:]
    for j, item in enumerate(ensemble.random):
        group.attrs[f"random_state_{j}"] = item
    group.attrs["moves"] = json.dumps(ensemble.moves)
    group.attrs["iteration"] = ensemble.steps


def _first_difference(there: Any, here: Any, name: str = "") -> tuple[str, str, str] | None:
    """Name of the first entry that differs, and what it is on either side."""
    if isinstance(there, dict) and isinstance(here, dict):
        for key in dict.fromkeys([*there, *here]):
            inner = f"{name}.{key}" if name else key
            found = _first_difference(there.get(key), here.get(key), inner)
            if found is not None:
                return found
        return None
    if there == here:
        return None
    if isinstance(there, list) and isinstance(here, list) and len(there) == len(here) > 3:
        i = next(j for j, pair in enumerate(zip(there, here, strict=True)) if pair[0] != pair[1])
        return f"{name}, entry {i},", _short(there[i]), _short(here[i])
    return name, _short(there), _short(here)


def _short(value: Any) -> str:
    if isinstance(value, list) and len(value) > 3:
        return f"a list of {len(value)}"
    text = str(value)
    return text if len(text) <= _MOST_SHOWN else text[: _MOST_SHOWN - 1] + "…"
