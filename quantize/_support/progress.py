"""Progress on long work: a bar, a callable, or nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any, TypeVar

Progress = bool | Callable[[int, int], object]
Item = TypeVar("Item")


class Steps:
    """Counts finished pieces of work and tells whoever asked."""

    def __init__(self, progress: Progress, total: int, label: str) -> None:
        self.total = total
        self.done = 0
        self.tell = progress if callable(progress) else None
        self.bar: Any = None
        if progress is True:
            from tqdm.auto import tqdm

            self.bar = tqdm(total=total, desc=label)

    def advance(self) -> None:
        """One piece is finished."""
        self.done += 1
        if self.tell is not None:
            self.tell(self.done, self.total)
        if self.bar is not None:
            self.bar.update()

    def over(self, items: Iterable[Item]) -> Iterator[Item]:
        """The items, each counted when it arrives."""
        for item in items:
            self.advance()
            yield item

    def close(self) -> None:
        """Leave the bar as it stands."""
        if self.bar is not None:
            self.bar.close()


def steps(progress: Progress, total: int, label: str) -> Steps:
    """A counter for `total` pieces of work."""
    return Steps(progress, total, label)
