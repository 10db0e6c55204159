"""Rows sorted once by stratum, and sums, maxima and spreading over the strata.

Layer: survival. numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    Result = TypeVar("Result", bound=DataclassInstance)

__all__ = ["Strata", "of_wanted", "sorted_strata", "strata_of_sizes"]


@dataclass(frozen=True, slots=True, eq=False)
class Strata:
    """Ragged rows of ``n_strata`` strata, one stratum after the other."""

    starts: NDArray[np.intp]  #: first row of each stratum, (n_strata,)
    sizes: NDArray[np.intp]  #: rows of each stratum; 0 is allowed, (n_strata,)
    order: NDArray[np.intp] | None = None  #: given row at each sorted place; None: as given

    @property
    def n_strata(self) -> int:
        """Number of strata."""
        return len(self.sizes)

    @property
    def n_rows(self) -> int:
        """Number of rows over all strata."""
        return int(self.starts[-1] + self.sizes[-1]) if len(self.sizes) else 0

    def arranged(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return values given in the caller's row order, one stratum after the other."""
        return values if self.order is None else values[self.order]

    def given_order(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return arranged values in the order in which the caller gave the rows."""
        if self.order is None:
            return values
        back = np.empty_like(values)
        back[self.order] = values
        return back

    def sums(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sum of the arranged values over each stratum; 0 where it has no rows."""
        return _reduced(np.add, values, self, 0.0)

    def maxima(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Largest arranged value of each stratum; minus infinity where it has no rows."""
        return _reduced(np.maximum, values, self, -np.inf)

    def minima(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Smallest arranged value of each stratum; infinity where it has no rows."""
        return _reduced(np.minimum, values, self, np.inf)

    def spread(self, per_stratum: NDArray[Any]) -> NDArray[Any]:
        """Return each stratum's value on every one of its rows."""
        return np.repeat(per_stratum, self.sizes)

    def codes(self) -> NDArray[np.intp]:
        """Return the stratum of each arranged row."""
        return np.repeat(np.arange(self.n_strata, dtype=np.intp), self.sizes)

    def of_rows(self, keep: NDArray[np.bool_]) -> Strata:
        """Return the same strata over the arranged rows that are kept, perhaps none of one."""
        return strata_of_sizes(self.sums(keep.astype(np.float64)).astype(np.intp))


def sorted_strata(codes: ArrayLike, n_strata: int | None = None) -> Strata:
    """Return the strata of rows whose stratum codes are given; sorted rows are not sorted again.

    Parameters
    ----------
    codes : array_like of integers, shape (n_rows,)
        Stratum of each row, 0 to ``n_strata - 1``.
    n_strata : int, optional
        Number of strata; the largest code and one more, if not given.

    Raises
    ------
    ValueError
        A code is below 0 or not below ``n_strata``: position and value are named.

    Examples
    --------
    >>> strata = sorted_strata([1, 0, 1])
    >>> strata.sizes.tolist(), strata.order.tolist()
    ([1, 2], [1, 0, 2])
    """
    array = np.asarray(codes)
    if array.size and not np.issubdtype(array.dtype, np.integer):
        raise ValueError(f"codes are of type {array.dtype}: must be integers")
    array = array.astype(np.intp, copy=False)
    count = int(array.max()) + 1 if n_strata is None and array.size else int(n_strata or 0)
    wrong = np.flatnonzero((array < 0) | (array >= count))
    if wrong.size:
        raise ValueError(
            f"codes at position {wrong[0]} is {array[wrong[0]]}: must be from 0 to {count - 1} "
            f"({wrong.size} of {array.size} values are not)"
        )
    order = None
    if array.size and (array[1:] < array[:-1]).any():
        # numpy sorts 16-bit integers by counting, several times faster than wider ones
        narrow = array.astype(np.uint16) if count <= np.iinfo(np.uint16).max else array
        order = np.argsort(narrow, kind="stable")
    sizes = np.bincount(array, minlength=count).astype(np.intp)
    return strata_of_sizes(sizes, order)


def strata_of_sizes(sizes: NDArray[np.intp], order: NDArray[np.intp] | None = None) -> Strata:
    """Return strata that follow one another with the given numbers of rows."""
    return Strata(starts=np.cumsum(sizes) - sizes, sizes=sizes, order=order)


def of_wanted(result: Result, wanted: NDArray[np.bool_]) -> Result:
    """Return a result whose fields are arrays, or lists of arrays, for the wanted strata only."""
    if wanted.all():
        return result
    parts: dict[str, Any] = {}
    for field in fields(result):
        values = getattr(result, field.name)
        several = isinstance(values, list)
        parts[field.name] = [v[wanted] for v in values] if several else values[wanted]
    return type(result)(**parts)


def _reduced(
    operation: np.ufunc, values: NDArray[np.float64], strata: Strata, empty: float
) -> NDArray[np.float64]:
    filled = strata.sizes > 0
    if filled.all() and strata.n_strata:
        reduced: NDArray[np.float64] = operation.reduceat(values, strata.starts)
        return reduced
    result = np.full(strata.n_strata, empty)
    if filled.any():  # reduceat would give a neighbour's value for a stratum without rows
        result[filled] = operation.reduceat(values, strata.starts[filled])
    return result
