"""The letter to a customer, set three ways."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser
from typing import Any

import pypdf
import pytest

from service.documents.letter import Bullets, Facts, Letter, Table, Verdict, compose
from service.documents.letter_html import letter_html
from service.documents.letter_pdf import letter_pdf
from service.documents.letter_text import WIDTH, letter_text
from service.domain.catalogue import Core, Journal, LobeNominal, Part, StatedDuration
from service.domain.cautions import CAUTIONS
from service.domain.identification import Advice, AnswerState, NextReading, Slip, SuspectedSlip
from service.domain.readings import Contact, Instrument, LobeKind, Marking, Position
from service.domain.supplier import Supplier
from tests.unit.documents.answers import candidate, identification, typical

SUPPLIER = Supplier(
    name="Thrumbleby Cam Works",
    address=("1 Invented Lane", "Thrumbleby"),
    email="desk@thrumbleby.example",
    phone="01234 000000",
    opening="Good day to you.",
    closing="Yours, with a caliper.",
)
LOBE = LobeNominal(7.9502, 21.8694, lash_mm=0.1524, durations=(StatedDuration(1.27, 232.0),))
PARTS = {
    number: Part(number, "RW", {LobeKind.INTAKE: LOBE, LobeKind.EXHAUST: LOBE}, title, lobe_separation_cam_deg=108.0)
    for number, title in {"WREN 7-31": "Hill climb", "WREN 7-30": "Towing"}.items()
}
CORES = {"RW": Core("RW", "Wren single", (Journal(Position.FRONT, 19.05),), ("Wren 4", "Wren 5"))}


def facts(**said: Any) -> Facts:
    sent, found = typical()
    sent = replace(sent, contact=Contact("A. Caller", "caller@shop.example"))
    given: dict[str, Any] = {"submission": sent, "identification": found, "catalogue_revision": 3}
    given |= {"parts": PARTS, "cores": CORES, "reference": "LD-1234", "written_on": date(2026, 3, 1)}
    return Facts(**given | said)


class _Words(HTMLParser):
    """The words of a page, and how deep its elements lie."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.feed(page)

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def pdf_words(letter: Letter) -> str:
    pages = pypdf.PdfReader(io.BytesIO(letter_pdf(letter))).pages
    return " ".join(page.extract_text() for page in pages)


def said_of(letter: Letter) -> dict[str, str]:
    """The words of each form, white space apart."""
    forms = {
        "html": " ".join(_Words(letter_html(letter)).words),
        "text": letter_text(letter),
        "pdf": pdf_words(letter),
    }
    return {name: re.sub(r"\s+", "", words) for name, words in forms.items()}


def texts_of(letter: Letter) -> list[str]:
    """Every text the letter holds."""
    supplier = letter.supplier
    texts = [supplier.name, *supplier.address, supplier.opening, supplier.closing, letter.footing, letter.subject]
    for section in letter.sections:
        texts.append(section.heading)
        for block in section.blocks:
            if isinstance(block, Table):
                texts += [cell for row in (block.columns, *block.rows) for cell in row]
            else:
                texts += block.items if isinstance(block, Bullets) else [block]
    return texts


@pytest.mark.parametrize("form", ["html", "text", "pdf"])
def test_every_form_says_everything(form: str) -> None:
    letter = compose(facts(), SUPPLIER)
    words = said_of(letter)[form]
    wanted = [*texts_of(letter), "A. Caller", "desk@thrumbleby.example", "01234 000000", "1 March 2026"]
    missing = [text for text in wanted if re.sub(r"\s+", "", text) not in words]
    assert missing == []
    assert re.sub(r"\s+", "", letter.headline).casefold() in words.casefold()


def test_a_named_part_is_named_with_how_sure_what_it_fits_and_every_caution() -> None:
    letter = compose(facts(), SUPPLIER)
    words = letter_text(letter)
    assert letter.headline == "It is WREN 7-31, Hill climb"
    assert "98.1 %" in words
    assert "WREN 7-13" in words
    assert "Wren 4 and Wren 5" in words
    flat = " ".join(words.split())
    assert all(caution in flat for caution in CAUTIONS)
    assert "We cannot rule out WREN 7-30, Towing: 1.2 %." in flat


def test_every_length_stands_in_inches_and_in_millimetres() -> None:
    """An inch is 25.4 mm exactly (international yard and pound agreement, 1959)."""
    for section in compose(facts(), SUPPLIER).sections:
        for block in section.blocks:
            for row in block.rows if isinstance(block, Table) else ():
                if row[3]:
                    assert float(row[2]) * 25.4 == pytest.approx(float(row[3]), abs=0.0005 + 25.4 * 0.00005)
    words = letter_text(compose(facts(), SUPPLIER))
    assert "0.3130" in words
    assert "7.950" in words
    assert len(re.findall(r"\d\.\d{4} in\s+\(\d+\.\d{3} mm\)", words)) >= 6


def test_angles_say_whose_degrees_they_are() -> None:
    words = letter_text(compose(facts(), SUPPLIER))
    assert "231.0° crank" in words
    assert "232° crank" in words
    assert "108° cam" in words


@pytest.mark.parametrize(
    ("state", "headline"),
    [
        (AnswerState.AMBIGUOUS, "It is one of a few parts"),
        (AnswerState.NOT_IN_CATALOGUE, "It is none of the parts in our catalogue"),
        (AnswerState.MORE_READINGS_NEEDED, "We cannot say yet which part it is"),
    ],
)
def test_an_answer_that_names_no_part_promises_no_engine(state: AnswerState, headline: str) -> None:
    sent, _ = typical()
    found = identification(sent, candidate("WREN 7-31", 0.5), candidate("WREN 7-30", 0.4), state=state)
    letter = compose(facts(identification=found), SUPPLIER)
    words = letter_text(letter)
    assert letter.headline == headline
    assert "we cannot say what it fits" in " ".join(words.split())
    assert "Wren 4" not in words
    assert all(caution.split(".")[0] in " ".join(words.split()) for caution in CAUTIONS)


def test_what_could_not_be_told_names_slips_advice_and_the_next_reading() -> None:
    sent, typically = typical()
    found = identification(
        sent,
        candidate("WREN 7-31", 0.9),
        derived=typically.derived,
        suspected_slips=(SuspectedSlip(Slip.LOBES_SWAPPED, "/readings/1", 0.4, "Perhaps the lobes were swapped."),),
        advice=(Advice("no_journal", "No journal was measured."),),
        next_reading=NextReading("base_circle", Instrument.OUTSIDE_MICROMETER, 1.0, "Measure the heel again."),
    )
    words = letter_text(compose(facts(identification=found), SUPPLIER))
    for said in ("Perhaps the lobes were swapped.", "No journal was measured.", "Measure the heel again."):
        assert said in words
    assert "as they were given, the suspected slip included" in " ".join(words.split())


def test_a_lift_that_cannot_be_is_not_given_in_a_letter() -> None:
    _, found = typical()
    lift = replace(found.derived[0], value=-8.8, corrected=-8.8, interval=(-8.9, -8.7))
    words = " ".join(letter_text(compose(facts(identification=replace(found, derived=(lift,))), SUPPLIER)).split())
    assert "none, since the height is no larger than the base circle" in words
    assert "-8." not in words
    assert "-0.3" not in words


def test_a_person_s_decision_stands_before_the_engine_s() -> None:
    verdict = Verdict(AnswerState.IDENTIFIED, "WREN 7-30", "likely")
    words = letter_text(compose(facts(verdict=verdict), SUPPLIER))
    assert "IT IS WREN 7-30, TOWING" in words
    assert "How sure we are: likely" in " ".join(words.split())
    assert "98.1 %" not in words


def test_nothing_told_in_private_gets_into_a_letter() -> None:
    said = facts().submission
    said = replace(
        said,
        markings=(Marking("gear", "POISON-MARK"),),
        note="POISON-NOTE",
        engine_family="POISON-FAMILY",
        contact=Contact("A. Caller", "POISON@shop.example", "POISON-PHONE"),
    )
    found = replace(
        typical()[1], advice=(Advice("engine_family_unknown", "Nobody knows POISON-FAMILY.", "/engine_family"),)
    )
    letter = compose(facts(submission=said, identification=found), SUPPLIER)
    for form, words in said_of(letter).items():
        assert "POISON" not in words, form


def test_a_name_is_printed_as_it_is_written_and_never_obeyed() -> None:
    contact = Contact("Zoë Łącka <b>\N{RIGHT-TO-LEFT OVERRIDE}&", None)
    letter = compose(facts(submission=replace(facts().submission, contact=contact)), SUPPLIER)
    page = letter_html(letter)
    assert "Zoë Łącka &lt;b&gt;\N{REPLACEMENT CHARACTER}&amp;" in page
    assert "Zoë Łącka <b>" in pdf_words(letter)
    assert "\N{RIGHT-TO-LEFT OVERRIDE}" not in letter_text(letter) + page


def test_a_character_no_font_of_ours_has_is_a_question_mark_on_paper() -> None:
    contact = Contact("\N{HIRAGANA LETTER A}nn", None)
    assert "?nn" in pdf_words(compose(facts(submission=replace(facts().submission, contact=contact)), SUPPLIER))


def test_the_same_letter_is_the_same_bytes_and_loads_nothing() -> None:
    letter = compose(facts(), SUPPLIER)
    assert letter_pdf(letter) == letter_pdf(letter)
    page = letter_html(letter)
    assert not re.search(r"(src|href)=|url\(|@import|<script", page)


def test_the_text_keeps_to_its_width_where_it_can_be_broken() -> None:
    for line in letter_text(compose(facts(), SUPPLIER)).splitlines():
        assert len(line) <= WIDTH or "  " in line.strip()


def test_the_pdf_names_its_title_and_language() -> None:
    read = pypdf.PdfReader(io.BytesIO(letter_pdf(compose(facts(), SUPPLIER))))
    assert read.metadata is not None
    assert read.metadata.title == "Your camshaft, our reference LD-1234"
    assert read.metadata.author == SUPPLIER.name
    assert read.root_object["/Lang"] == "en"


def test_what_became_of_a_posted_shaft_comes_first() -> None:
    letter = compose(facts(shaft=("Received on 2 March 2026.",)), SUPPLIER)
    assert letter.sections[0].heading == "Your shaft"
    assert "Received on 2 March 2026." in letter_text(letter)
