"""A change of the catalogue in words."""

from __future__ import annotations

from service.catalogue_files.difference import FieldChange

TABLE = "3 points (-2:0.3126 0:0.3130 2:0.3126)"
OTHER = "3 points (-2:0.3126 0:0.3131 2:0.3126)"


def test_a_lift_table_is_told_by_how_many_points_it_has() -> None:
    gone, new, changed = (
        FieldChange("intake.lift_table", *pair) for pair in ((TABLE, None), (None, TABLE), (TABLE, OTHER))
    )

    assert gone.words == "intake.lift_table is no longer stated, and was 3 points"
    assert new.words == "intake.lift_table is 3 points, and was not stated"
    assert changed.words == "intake.lift_table is 3 points, 1 of them other than before, and was 3 points"


def test_a_size_is_told_as_it_is_and_as_it_was() -> None:
    assert FieldChange("intake.lift", "0.3130", "0.3131").words == "intake.lift is 0.3131, and was 0.3130"
