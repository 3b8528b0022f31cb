"""Lists of entries held as places in a pool say the same as the lists written out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.identification.entries.entries import Entry, Truth
from service.identification.entries.entry_lists import EntryLists
from service.identification.likelihood.variants import grouped
from service.identification.numerics import distinct
from service.identification.numerics.distinct import distinct_places

POOL = tuple(
    Entry(f"/readings/{i}", Truth.BASE, ("lobe", i % 3, 0), mean=20.0 + i, sd=0.1, own_log=0.25 * i) for i in range(9)
)
LISTS = st.lists(st.lists(st.sampled_from(POOL), unique_by=id, max_size=6), min_size=1, max_size=70)


@given(LISTS)
def test_the_lists_come_back_as_they_were_given(lists: list[list[Entry]]) -> None:
    held = EntryLists.holding(lists)

    assert list(held) == [tuple(one) for one in lists]
    assert set(held.pool) == {e for one in lists for e in one}
    assert held.total([e.own_log for e in held.pool]) == pytest.approx([sum(e.own_log for e in one) for one in lists])
    assert held.most(lambda e: e.mean > 24) == max(sum(e.mean > 24 for e in one) for one in lists)


@given(LISTS)
def test_what_is_left_out_is_in_no_list_and_not_in_the_pool(lists: list[list[Entry]]) -> None:
    less = EntryLists.holding(lists).without(lambda e: e.mean > 24)

    assert list(less) == [tuple(e for e in one if e.mean <= 24) for one in lists]
    assert set(less.pool) == {e for one in less for e in one}


@given(LISTS)
def test_each_group_s_variants_are_the_sets_that_the_lists_hold_of_it(lists: list[list[Entry]]) -> None:
    groups = grouped(EntryLists.holding(lists))

    assert set(groups) == {e.group for one in lists for e in one}
    for key, variants in groups.items():
        assert all(variants.sets)
        for one, of in zip(lists, variants.of, strict=True):
            own = tuple(e for e in one if e.group == key)
            assert own == (variants.sets[of] if of >= 0 else ())


@pytest.mark.parametrize("most", [2**40, 3])
@given(st.lists(st.lists(st.integers(-1, 6), min_size=4, max_size=4), min_size=1, max_size=120))
def test_rows_of_places_are_told_apart_as_numpy_tells_them(most: int, rows: list[list[int]]) -> None:
    places = np.array(rows)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(distinct, "_MOST_LABELS", most)
        first, of = distinct_places(places)

    unique = np.unique(places, axis=0)
    assert first.size == unique.shape[0]
    assert (places[first][of] == places).all()
    if (unique[0] == -1).all():
        assert (places[first[0]] == -1).all()
