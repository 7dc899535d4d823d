"""Arrays that parts are appended to: a list of many small parts would lie in memory beside what is made of them."""

from __future__ import annotations

from typing import Generic, TypeVar

import numpy as np
import numpy.typing as npt

T = TypeVar("T", bound=np.generic)


class AppendBuffer(Generic[T]):
    """Values that come one part after the other; memory is used as they come, not as room is asked for."""

    def __init__(self, kind: type[T], room: int) -> None:
        """`room`: how many are expected; more find place too."""
        self._held: npt.NDArray[T] = np.empty(max(room, 1), kind)
        self._count = 0

    def __len__(self) -> int:
        return self._count

    @property
    def filled(self) -> npt.NDArray[T]:
        """All of them so far, not copied."""
        return self._held[: self._count]

    def add(self, part: npt.NDArray[T]) -> None:
        """Append."""
        end = self._count + len(part)
        if end > len(self._held):
            larger = np.empty(max(end, 2 * len(self._held)), self._held.dtype)
            larger[: self._count] = self.filled
            self._held = larger
        self._held[self._count : end] = part
        self._count = end
