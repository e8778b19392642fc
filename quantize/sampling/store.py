"""The file that a run is kept in, so that it can be gone on with.

Its first 512 bytes say what it is, with a checksum of all the rest: an HDF5 file with what the
samples belong to, and one group for each ensemble in the layout of emcee's HDFBackend, which can
read it. It is written anew after each round and then takes the place of the older one, so that
neither a crash nor a full disk harms the samples that were kept.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from quantize._support.errors import InputError, warn
from quantize._support.writing import check_target, write_whole
from quantize.sampling.ensembles import Ensemble

_FORMAT = b"quantize samples, 2, sha256 "
_TEXT = 512
"""Bytes before the HDF5 file: the least that HDF5 allows for."""
_MOST_SHOWN = 40


class Store:
    """Samples in a file, for one run alone while it is entered.

    `described` is what the samples belong to, JSON-ready.
    """

    def __init__(self, path: str | os.PathLike[str], described: dict[str, Any]) -> None:
        self.path = check_target(path, name="checkpoint", whole=True)
        self.described = json.loads(json.dumps(described))
        self.seed: np.random.SeedSequence | None = None
        self._image = b""
        self._lock = _Lock(self.path)
        self._warned = False
        self._steps = -1

    def __enter__(self) -> Store:
        """Lock the file, and read what is in it.

        `InputError` for a file that another process uses, that is no file of samples, that
        is damaged, or that holds samples of something else. It is left as it is.
        """
        self._lock.take()
        try:
            if self.path.exists():
                self._read()
        except BaseException:
            self._lock.release()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._lock.release()

    def _refused(self, what: str, remedy: str) -> InputError:
        return InputError(
            f"`checkpoint` {str(self.path)!r} {what}; nothing in it was changed, so {remedy}."
        )

    def _read(self) -> None:
        try:
            image = self.path.read_bytes()
        except OSError as error:
            raise self._refused(f"cannot be read ({error.strerror})", "mend that") from None
        if not image.startswith(_FORMAT):
            raise self._refused("is not a file of samples", "give another name")
        stated = image[len(_FORMAT) : _TEXT].rstrip(b"\n\0")
        if stated != _checksum(image):
            raise self._refused(
                "is cut short or damaged, since its contents do not match their checksum",
                "bring back a good copy, or give another name",
            )
        try:
            with _opened(image) as file:
                header = json.loads(file.attrs["header"])
            differing = _first_difference(header["described"], self.described)
            entropy, key = header["entropy"], tuple(header["spawn_key"])
            seed = np.random.SeedSequence(entropy, spawn_key=key)
        except (OSError, ValueError, LookupError, TypeError, RecursionError):
            raise self._refused("is not a file of samples", "give another name") from None
        if differing is not None:
            what, there, here = differing
            raise self._refused(
                f"holds samples of another run: {what} is {there} in the file and {here} now",
                "repeat the call that made it, or give another name",
            )
        self.seed = seed
        self._image = image

    def check_seed(self, given: np.random.SeedSequence) -> None:
        """Refuse another seed than that of the samples in the file."""
        if self.seed is not None and _text_of(given) != _text_of(self.seed):
            raise self._refused(
                f"holds samples of another run: `rng` is {_text_of(self.seed)} in the file and "
                f"{_text_of(given)} now",
                "leave `rng` out to go on with these, or give another name",
            )

    def load(self, begun: list[Ensemble]) -> list[Ensemble]:
        """The ensembles, as begun, with the steps from the file."""
        if not self._image:
            return begun
        out = []
        with _opened(self._image) as file:
            for i, ensemble in enumerate(begun):
                group = file[f"ensemble_{i}"]
                piece = Ensemble(
                    theta=np.concatenate([ensemble.theta, group["chain"][...]]),
                    log_prob=np.concatenate([ensemble.log_prob, group["log_prob"][...]]),
                    random=tuple(group.attrs[f"random_state_{j}"] for j in range(5)),
                    moves={k: tuple(v) for k, v in json.loads(group.attrs["moves"]).items()},
                )
                out.append(ensemble.then(piece))
        self._image = b""
        self._steps = sum(ensemble.steps for ensemble in out)
        return out

    def save(self, ensembles: list[Ensemble], seed: np.random.SeedSequence) -> None:
        """Write the samples, if there are new ones; where that fails the older ones stay.

        `InputError` when nothing could be kept from the beginning.
        """
        steps = sum(ensemble.steps for ensemble in ensembles)
        if steps == self._steps:
            return
        try:
            write_whole(self.path, self._written(ensembles, seed), name="checkpoint")
        except InputError as error:
            if self.seed is None:
                raise
            if not self._warned:
                reason = str(error).partition(";")[0]
                warn(
                    f"{reason}; it keeps the samples of before, and those drawn since are in the "
                    "result alone until there is room."
                )
            self._warned = True
        else:
            self.seed, self._steps = seed, steps
            self._warned = False

    def _written(self, ensembles: list[Ensemble], seed: np.random.SeedSequence) -> bytes:
        """The contents of the file."""
        import h5py

        header = {
            "described": self.described,
            "entropy": np.asarray(seed.entropy).tolist(),
            "spawn_key": list(seed.spawn_key),
        }
        stream = io.BytesIO()
        with h5py.File(stream, "w", userblock_size=_TEXT) as file:
            file.attrs["header"] = json.dumps(header)
            for i, ensemble in enumerate(ensembles):
                _write(file.create_group(f"ensemble_{i}"), ensemble)
        image = bytearray(stream.getvalue())
        text = _FORMAT + _checksum(image) + b"\n"
        image[: len(text)] = text
        return bytes(image)


def _opened(image: bytes) -> Any:
    import h5py

    return h5py.File(io.BytesIO(image), "r")


class _Lock:
    """A file beside another, locked while that is used; the lock ends with the process."""

    def __init__(self, path: Path) -> None:
        real = Path(os.path.realpath(path))
        self.path, self.shown = real.with_name(f".{real.name}.lock"), str(path)
        self.held: int | None = None

    def take(self) -> None:
        """Take the lock, where the system has locks.

        `InputError` when another process has it, or it cannot be made.
        """
        try:
            import fcntl
        except ImportError:  # as on Windows
            return
        try:
            while self.held is None:
                number = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o666)
                try:
                    fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    # Whoever had it may have removed the file since it was opened here.
                    if os.path.samestat(os.fstat(number), os.stat(self.path)):
                        self.held = number
                except FileNotFoundError:
                    pass
                finally:
                    if self.held is None:
                        os.close(number)
        except BlockingIOError:
            raise InputError(
                f"`checkpoint` {self.shown!r} is in use by another process; wait for it, or give "
                "another name."
            ) from None
        except OSError as error:
            raise InputError(
                f"`checkpoint` {self.shown!r} cannot be locked ({error.strerror}); give a name in "
                "another folder."
            ) from None

    def release(self) -> None:
        """Leave the file to others."""
        if self.held is not None:
            self.path.unlink(missing_ok=True)
            os.close(self.held)
            self.held = None


def _checksum(image: bytes | bytearray) -> bytes:
    return hashlib.sha256(memoryview(image)[_TEXT:]).hexdigest().encode()


def _text_of(seed: np.random.SeedSequence) -> str:
    children = "".join(f", child {key}" for key in seed.spawn_key)
    return f"seed {np.asarray(seed.entropy).tolist()}{children}"


def _write(group: Any, ensemble: Ensemble) -> None:
    """One ensemble in the layout of emcee."""
    import emcee

    _, walkers, dimensions = ensemble.theta.shape
    group.attrs.update(
        version=emcee.__version__,
        nwalkers=walkers,
        ndim=dimensions,
        has_blobs=False,
        iteration=ensemble.steps,
        moves=json.dumps(ensemble.moves),
    )
    for j, item in enumerate(ensemble.random):
        group.attrs[f"random_state_{j}"] = item
    group["accepted"] = np.zeros(walkers)
    for name, values in (("chain", ensemble.theta[1:]), ("log_prob", ensemble.log_prob[1:])):
        group.create_dataset(name, data=values, maxshape=(None, *values.shape[1:]))


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
