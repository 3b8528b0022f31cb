"""Rows of numbers told apart."""

from __future__ import annotations

import numpy as np

from service.identification.table import Floats, Ints


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
