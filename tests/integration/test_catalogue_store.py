"""Catalogue revisions in a real Postgres: exact, whole, and one at a time."""

from __future__ import annotations

import threading
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import psycopg
import pytest

from fixtures.make_catalogue import generate
from service.adapters.postgres.pool import Pool, PostgresStores, open_pool
from service.catalogue_files import read_csv, read_json
from service.domain.catalogue import Catalogue, LobeNominal, PartStatus
from service.domain.errors import InvalidInput, Unavailable
from service.domain.readings import LobeKind
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.ports.catalogue import CatalogueRevision
from tests.catalogues import catalogue, core, part, plain_lobe

FIXTURES = Path(__file__).parents[2] / "fixtures"


def invented() -> Catalogue:
    return read_json((FIXTURES / "catalogue.json").read_bytes())


def active(stores: PostgresStores) -> int | None:
    with stores.transaction() as transaction:
        return transaction.catalogue.active_revision()


def loaded(stores: PostgresStores, revision: int) -> Catalogue:
    with stores.transaction() as transaction:
        return transaction.catalogue.load(revision)


def imported(stores: PostgresStores, read: Catalogue) -> int:
    revision = import_catalogue(stores, read, who="tests", why="").revision
    assert revision is not None
    return revision


def test_before_the_first_import_nothing_is_active(stores: PostgresStores) -> None:
    assert active(stores) is None


def test_what_is_loaded_is_what_was_imported(stores: PostgresStores) -> None:
    revision = imported(stores, invented())
    assert loaded(stores, revision) == invented()


def test_whoever_loads_a_catalogue_is_given_time_for_it(stores: PostgresStores) -> None:
    revision = imported(stores, read_json(catalogue()))
    with stores.transaction() as transaction:
        transaction.catalogue.load(revision)
        assert transaction.connection.execute("SHOW statement_timeout").fetchone() == {"statement_timeout": "10min"}


def test_parts_keep_the_supplier_s_order(stores: PostgresStores) -> None:
    numbers = ["P-10", "p-2", "P-1", "É-1", "A", "P-0"]
    parts = [part(part_number=number, superseded_by=None) for number in numbers]
    revision = imported(stores, read_json(catalogue(parts=parts)))
    assert [one.part_number for one in loaded(stores, revision).parts] == numbers
    with stores.transaction() as transaction:
        page = transaction.catalogue.find_parts(revision, core=None, status=None, beginning=None, after=1, limit=3)
    assert [(place, one.part_number) for place, one in page] == [(2, "P-1"), (3, "É-1"), (4, "A")]


def test_an_import_that_cannot_be_worked_out_leaves_nothing(
    stores: PostgresStores, pool: Pool, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = imported(stores, read_json(catalogue()))

    def too_many(*_: object) -> None:
        raise InvalidInput("too many pairs")

    stored: list[tuple[int, int]] = []
    monkeypatch.setattr("service.workflows.catalogue.import_catalogue.look_alikes", too_many)
    with pytest.raises(InvalidInput, match="too many pairs"):
        import_catalogue(stores, invented(), who="tests", why="", told=lambda done, of: stored.append((done, of)))
    parts = len(invented().parts)
    assert stored == [(parts, parts)]
    assert active(stores) == before
    with pool.connection() as connection:
        for table, number in (
            ("catalogue_revision", "number"),
            ("catalogue_part", "revision"),
            ("engine_tables", "catalogue_revision"),
            ("look_alike_maps", "catalogue_revision"),
        ):
            found = connection.execute(f"SELECT DISTINCT {number} AS number FROM {table}".encode()).fetchall()
            assert [row["number"] for row in found] == [before], table


def test_both_forms_of_a_catalogue_load_as_one(stores: PostgresStores) -> None:
    files = [(FIXTURES / "catalogue" / f"{name}.csv").read_bytes() for name in ("cores", "parts", "lift_tables")]
    from_json = imported(stores, invented())
    from_csv = imported(stores, read_csv(*files))
    assert loaded(stores, from_json) == loaded(stores, from_csv)


def test_a_larger_catalogue_loads_as_it_was(stores: PostgresStores) -> None:
    large = read_json(generate(cores=60, seed=3))
    assert loaded(stores, imported(stores, large)) == large


def test_sizes_are_kept_as_exact_millimetres(stores: PostgresStores, pool: Pool) -> None:
    """25.4 mm an inch exactly (international yard of 1959)."""
    imported(
        stores,
        read_json(
            catalogue(
                cores=[core(journals=[{"position": "front", "diameter": "0.71234567"}])],
                parts=[
                    part(lobes={"intake": plain_lobe("0.31234567", "0.86100001")}),
                    part(part_number="P-2", unit="mm", lobes={"intake": plain_lobe("7.9502", "21.86940003")}),
                ],
            )
        ),
    )
    with pool.connection() as connection:
        (journal,) = connection.execute("SELECT diameter_mm FROM catalogue_journal").fetchall()
        lobes = connection.execute("SELECT lift_mm, base_circle_mm, height_mm FROM catalogue_lobe ORDER BY part_number")
        inch, metric = lobes.fetchall()
    assert journal["diameter_mm"] == Decimal("0.71234567") * Decimal("25.4")
    assert inch["lift_mm"] == Decimal("0.31234567") * Decimal("25.4")
    assert inch["base_circle_mm"] == Decimal("0.86100001") * Decimal("25.4")
    assert inch["height_mm"] == Decimal("1.17334568") * Decimal("25.4")
    assert (metric["lift_mm"], metric["base_circle_mm"]) == (Decimal("7.9502"), Decimal("21.86940003"))


def test_an_inch_part_and_a_metric_part_of_one_size_are_one_size(stores: PostgresStores) -> None:
    parts = [
        part(lobes={"intake": plain_lobe("0.3130", "0.8610")}),
        part(part_number="P-2", unit="mm", lobes={"intake": plain_lobe("7.9502", "21.8694")}),
    ]
    one, other = loaded(stores, imported(stores, read_json(catalogue(parts=parts)))).parts
    assert one.lobes == other.lobes
    assert one.unit != other.unit


def test_an_import_says_who_when_why_and_how_much(stores: PostgresStores) -> None:
    report = import_catalogue(stores, invented(), who="the desk", why="spring prices")
    assert (report.cores, report.parts, report.lift_tables) == (12, 263, 12)
    assert len(report.look_alikes) > 50
    with stores.transaction() as transaction:
        kept = transaction.catalogue.revision(1)
    assert kept is not None
    expected = CatalogueRevision(1, "active", "the desk", "spring prices", kept.made_at, 12, 263)
    assert (report.revision, kept) == (1, expected)


def test_a_later_import_is_the_active_one_and_the_earlier_stays_readable(stores: PostgresStores) -> None:
    first = imported(stores, read_json(catalogue()))
    second = imported(stores, invented())
    assert (first, second, active(stores)) == (1, 2, 2)
    assert loaded(stores, first) == read_json(catalogue())
    with stores.transaction() as transaction:
        states = [(kept.number, kept.state) for kept in transaction.catalogue.revisions(None, 10)]
    assert states == [(2, "active"), (1, "retired")]


def test_an_import_that_fails_half_way_leaves_everything_as_it_was(stores: PostgresStores) -> None:
    imported(stores, read_json(catalogue()))
    whole = read_json(catalogue())
    swapped = replace(whole.parts[0], part_number="P-9", lobes={LobeKind.INTAKE: LobeNominal(21.8694, 7.9502)})
    with pytest.raises(psycopg.errors.CheckViolation):
        imported(stores, replace(whole, parts=(*whole.parts, swapped)))
    assert active(stores) == 1
    assert imported(stores, replace(whole, parts=(*whole.parts, replace(whole.parts[0], part_number="P-9")))) == 2


def test_a_successor_that_is_missing_is_found_at_the_commit(stores: PostgresStores) -> None:
    whole = read_json(catalogue())
    with pytest.raises(psycopg.errors.ForeignKeyViolation):
        imported(stores, replace(whole, parts=whole.parts[1:]))
    assert active(stores) is None


def test_imports_at_once_happen_one_after_the_other(database_url: str) -> None:
    catalogues = [read_json(catalogue(parts=[part(part_number=f"P-{i}-{j}") for j in range(40)])) for i in range(4)]
    revisions: dict[int, int] = {}
    seen: list[int] = []
    done = threading.Event()
    with open_pool(database_url, size=6) as pool:
        stores = PostgresStores(pool)

        def load(i: int) -> None:
            revisions[i] = imported(stores, catalogues[i])

        def look() -> None:
            while not done.is_set():
                revision = active(stores)
                if revision is not None:
                    seen.append(revision)
                    assert len(loaded(stores, revision).parts) == 40

        watching = threading.Thread(target=look)
        loading = [threading.Thread(target=load, args=(i,)) for i in range(4)]
        watching.start()
        for thread in loading:
            thread.start()
        for thread in loading:
            thread.join()
        done.set()
        watching.join()
        assert sorted(revisions.values()) == [1, 2, 3, 4]
        assert active(stores) == 4
        assert seen == sorted(seen)
        for i, revision in revisions.items():
            assert loaded(stores, revision) == catalogues[i]


def test_readers_are_not_held_up_by_an_import(database_url: str) -> None:
    with open_pool(database_url, lock_timeout=0.5) as pool:
        stores = PostgresStores(pool)
        imported(stores, read_json(catalogue()))
        with stores.transaction() as transaction:
            transaction.catalogue.add_revision(invented(), made_by="tests", reason="")
            assert active(stores) == 1
            assert loaded(stores, 1) == read_json(catalogue())
        assert active(stores) == 2


def find(stores: PostgresStores, **wanted: object) -> list[str]:
    given = {"core": None, "status": None, "beginning": None, "after": -1, "limit": 1000} | wanted
    with stores.transaction() as transaction:
        return [found.part_number for _, found in transaction.catalogue.find_parts(1, **given)]  # type: ignore[arg-type]


def test_parts_are_found_by_core_status_and_beginning(stores: PostgresStores) -> None:
    whole = invented()
    imported(stores, whole)
    assert find(stores) == [p.part_number for p in whole.parts]
    assert find(stores, core="LQ") == [p.part_number for p in whole.parts if p.core == "LQ"]
    superseded = [p.part_number for p in whole.parts if p.status is PartStatus.SUPERSEDED]
    assert find(stores, status=PartStatus.SUPERSEDED) == superseded
    wanted = whole.parts[17].part_number
    assert find(stores, beginning=wanted.lower()) == [wanted]
    assert find(stores, beginning=wanted[0]) == [p.part_number for p in whole.parts if p.part_number[0] == wanted[0]]


def test_a_beginning_is_taken_as_it_stands(stores: PostgresStores) -> None:
    parts = [part(part_number=name) for name in ("A_1", "AB1", "A%1", "A\\1", "É1")]
    imported(stores, read_json(catalogue(parts=parts)))
    assert find(stores, beginning="A_") == ["A_1"]
    assert find(stores, beginning="a%") == ["A%1"]
    assert find(stores, beginning="A\\") == ["A\\1"]
    assert find(stores, beginning="é") == ["É1"]
    assert find(stores, beginning="'; DROP TABLE catalogue_part") == []


def test_pages_of_parts_join_up(stores: PostgresStores) -> None:
    imported(stores, invented())
    after, numbers = -1, []
    while True:
        with stores.transaction() as transaction:
            page = transaction.catalogue.find_parts(1, core="KD", status=None, beginning=None, after=after, limit=5)
        if not page:
            break
        numbers += [found.part_number for _, found in page]
        after = page[-1][0]
    assert numbers == find(stores, core="KD")


def test_one_part_is_read_whole(stores: PostgresStores) -> None:
    whole = invented()
    imported(stores, whole)
    wanted = next(p for p in whole.parts if p.lobes.get(LobeKind.INTAKE) and p.lobes[LobeKind.INTAKE].lift_table)
    with stores.transaction() as transaction:
        assert transaction.catalogue.part(1, wanted.part_number) == wanted
        assert transaction.catalogue.part(1, "none such") is None
        assert transaction.catalogue.part(2, wanted.part_number) is None


def test_a_changed_catalogue_holds_what_the_same_import_would_hold(stores: PostgresStores) -> None:
    whole = invented()
    named = {part.superseded_by for part in whole.parts}
    free = [part for part in whole.parts if part.part_number not in named]
    changed = replace(
        whole,
        cores=(replace(whole.cores[0], name="Another name"), *whole.cores[1:]),
        parts=(
            *(replace(one, title="Changed") if one is free[3] else one for one in whole.parts if one is not free[0]),
            replace(free[0], part_number="NEW-9"),
        ),
    )
    # a gap is left where something was taken out, and does no harm to what is changed next
    again = replace(changed, parts=tuple(part for part in changed.parts if part is not free[5]))
    with stores.transaction() as transaction:
        kept = transaction.catalogue
        assert kept.add_revision(whole, made_by="tests", reason="first") == 1
        assert kept.add_changed(changed, 1, whole, made_by="tests", reason="changed") == 2
        assert kept.load(2) == changed
        assert kept.add_changed(again, 2, changed, made_by="tests", reason="again") == 3
        assert kept.load(3) == again
        old = kept.revision(1)
        assert old is not None
        assert kept.repeat_revision(old, made_by="tests", reason="back") == 4
        assert kept.load(4) == whole


def test_a_statement_about_a_large_catalogue_may_take_its_time_and_the_next_transaction_may_not(
    database_url: str,
) -> None:
    with open_pool(database_url, 1, statement_timeout=0.1) as pool:
        stores = PostgresStores(pool)
        with stores.transaction() as transaction:
            transaction.catalogue.allow_time()
            transaction.connection.execute("SELECT pg_sleep(2.5)")  # longer than 0.1 s and what is waited beyond
        with pytest.raises(Unavailable), stores.transaction() as transaction:
            transaction.connection.execute("SELECT pg_sleep(2.5)")
