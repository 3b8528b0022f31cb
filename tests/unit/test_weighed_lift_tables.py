"""Of a lobe whose table was read again the last one counts; withdrawn ones never do."""

from datetime import UTC, datetime
from decimal import Decimal
from uuid import UUID

from service.domain.readings import Degrees, LobeKind
from service.domain.units import LengthUnit
from service.lobe.sent_sheet import SentLobe, SentSheet
from service.workflows.identifying.weighed_tables import weighed
from service.workflows.ports.lift_tables import KeptSheet, Withdrawal

NOW = datetime(2031, 7, 4, tzinfo=UTC)
INTAKE, EXHAUST = LobeKind.INTAKE, LobeKind.EXHAUST


def kept(number, *lobes, withdrawn=False):
    rows = ((Decimal(number), Decimal("0.1")),)
    sent = SentSheet(LengthUnit.INCH, Degrees.CAM, tuple(SentLobe(kind, rows, cylinder) for kind, cylinder in lobes))
    withdrawal = Withdrawal("R. Bench", NOW, "another shaft's") if withdrawn else None
    return KeptSheet(UUID(int=number), UUID(int=99), None, "R. Bench", NOW, sent, withdrawal)


def told(*sheets):
    return [[(lobe.kind, lobe.cylinder, int(lobe.rows[0][0])) for lobe in sent.lobes] for sent in weighed(sheets)]


def test_every_lobe_counts_once_by_its_last_table():
    first = kept(1, (INTAKE, 1), (EXHAUST, 1))
    again = kept(2, (EXHAUST, 1), (EXHAUST, 2))
    assert told(first, again) == [[(INTAKE, 1, 1)], [(EXHAUST, 1, 2), (EXHAUST, 2, 2)]]


def test_a_sheet_that_was_read_again_whole_does_not_count():
    assert told(kept(1, (INTAKE, 1)), kept(2, (INTAKE, 1), (EXHAUST, 1))) == [[(INTAKE, 1, 2), (EXHAUST, 1, 2)]]


def test_withdrawn_tables_do_not_count_and_the_ones_before_them_do_again():
    assert told(kept(1, (INTAKE, 1)), kept(2, (INTAKE, 1), withdrawn=True)) == [[(INTAKE, 1, 1)]]
    assert told() == []
