"""The command that writes an invented catalogue of any size."""

from __future__ import annotations

from pathlib import Path

import pytest

from fixtures.grow_catalogue import PARTS_PER_CORE, main
from service.catalogue_files import read_csv, read_json
from tests.benchmarks.catalogues import grown_catalogue


def test_both_forms_hold_the_same_catalogue_and_a_seed_gives_the_same_bytes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["--parts", "150", "--seed", "7", str(tmp_path / "one.json")])
    assert "6 cores and 150 parts" in capsys.readouterr().out
    main(["--parts", "150", "--seed", "7", str(tmp_path / "again.json")])
    main(["--parts", "150", "--seed", "7", str(tmp_path / "sheets")])
    main(["--parts", "150", "--seed", "8", str(tmp_path / "other.json")])
    one, again, other = ((tmp_path / f"{name}.json").read_bytes() for name in ("one", "again", "other"))
    assert one == again != other
    sheets = [(tmp_path / "sheets" / name).read_bytes() for name in ("cores.csv", "parts.csv")]
    assert read_csv(*sheets) == read_json(one) == grown_catalogue(150, seed=7)


def test_more_parts_are_more_cores_and_no_denser(tmp_path: Path) -> None:
    for parts in (25, 250):
        target = tmp_path / f"{parts}.json"
        main(["--parts", str(parts), str(target)])
        grown = read_json(target.read_bytes())
        assert len(grown.parts) == parts == PARTS_PER_CORE * len(grown.cores)
        assert {sum(part.core == core.code for part in grown.parts) for core in grown.cores} == {PARTS_PER_CORE}


def test_a_size_that_cannot_be_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SystemExit):
        main(["--parts", "0", str(tmp_path / "none.json")])
