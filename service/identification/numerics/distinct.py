"""Rows of numbers told apart."""

from __future__ import annotations

import numpy as np

from service.domain.arrays import Floats, Ints


def distinct(*columns: Floats) -> tuple[Ints, Ints]:
    """(one place of each distinct row of the columns, each row's own among them); NaN is NaN's like."""
    table = np.nan_to_num(np.stack(columns), nan=np.inf)
    order = np.lexsort(table)
    sorted_ = table[:, order]
    new = np.ones(order.size, bool)
    new[1:] = (sorted_[:, 1:] != sorted_[:, :-1]).any(axis=0)
    of_row = np.empty(order.size, np.int64)
    of_row[order] = np.cumsum(new) - 1
    return order[new], of_row


_MOST_LABELS = 2**40
_FEW = 50
"""So many are told apart sooner one by one."""


def distinct_places(places: Ints) -> tuple[Ints, Ints]:
    """The same for rows of whole numbers from -1 on, (H, columns): those of nothing but -1 come first."""
    label = np.zeros(places.shape[0], np.int64)
    for column in places.T:
        if label.max(initial=0) > _MOST_LABELS:
            label = np.unique(label, return_inverse=True)[1]
        label = label * (int(column.max(initial=-1)) + 2) + column + 1
    if label.size > _FEW:
        _, first, of = np.unique(label, return_index=True, return_inverse=True)
        return first, of
    listed = label.tolist()
    number = {one: i for i, one in enumerate(sorted(set(listed)))}
    return np.array([listed.index(one) for one in number], np.int64), np.array(
        [number[one] for one in listed], np.int64
    )
