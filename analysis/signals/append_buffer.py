"""Arrays that grow by appending: a list of many small parts would take memory beside the array made from them."""

from __future__ import annotations

from typing import Generic, TypeVar

import numpy as np
import numpy.typing as npt

T = TypeVar("T", bound=np.generic)


class AppendBuffer(Generic[T]):
    """Values that arrive in parts; memory is used as they arrive, not as capacity is reserved."""

    def __init__(self, kind: type[T], capacity: int) -> None:
        """`capacity`: how many are expected; the buffer grows beyond it."""
        self._held: npt.NDArray[T] = np.empty(max(capacity, 1), kind)
        self._count = 0

    def __len__(self) -> int:
        return self._count

    @property
    def filled(self) -> npt.NDArray[T]:
        """All values so far, not copied."""
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
