"""Progress on long work: a bar, a callable, or nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any, TypeVar

Progress = bool | Callable[[int, int], object]
Item = TypeVar("Item")


class Steps:
    """Counts finished pieces of work and tells whoever asked."""

    def __init__(self, progress: Progress, total: int, label: str, done: int = 0) -> None:
        self.total = total
        self.done = done
        self.tell = progress if callable(progress) else None
        self.bar: Any = None
        if progress is True:
            from tqdm.auto import tqdm

            self.bar = tqdm(total=total, desc=label, initial=done)

    def advance(self, pieces: int = 1) -> None:
        """So many pieces are finished."""
        self.done += pieces
        if self.tell is not None:
            self.tell(self.done, self.total)
        if self.bar is not None:
            self.bar.update(pieces)

    def left(self, seconds: float | None) -> None:
        """Show the time left as the work itself reckons it."""
        if self.bar is not None and seconds is not None:
            self.bar.set_postfix_str(f"{_clock(seconds)} left")

    def over(self, items: Iterable[Item]) -> Iterator[Item]:
        """The items, each counted when it arrives."""
        for item in items:
            self.advance()
            yield item

    def close(self) -> None:
        """Leave the bar as it stands."""
        if self.bar is not None:
            self.bar.close()


def steps(progress: Progress, total: int, label: str, *, done: int = 0) -> Steps:
    """A counter for `total` pieces of work, of which some may be done already."""
    return Steps(progress, total, label, done)


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}"
