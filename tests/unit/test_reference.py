"""References: short, digits alone, and checked by ISO/IEC 7064 MOD 11,10."""

from __future__ import annotations

import random

import pytest

from service.domain.reference import REFERENCES, read_reference, reference_of, spoken


def mod_11_10(body: str) -> str:
    """The check digit by the recursive method of ISO/IEC 7064:2003, clause 8 (hybrid systems), from memory."""
    product = 10
    for digit in body:
        total = (int(digit) + product) % 10 or 10
        product = total * 2 % 11
    return str((11 - product) % 10)


@pytest.mark.parametrize("published", ["07945"])
def test_the_check_digit_here_is_that_of_the_standard_s_own_example(published: str) -> None:
    """0794 has the check digit 5: the worked example of MOD 11,10 in ISO/IEC 7064:2003, 8.3 (from memory)."""
    assert mod_11_10(published[:-1]) == published[-1]


def test_a_reference_ends_in_the_standard_s_check_digit() -> None:
    chance = random.Random(7064)
    for number in [0, REFERENCES - 1, *(chance.randrange(REFERENCES) for _ in range(500))]:
        reference = reference_of(number)
        assert reference[-1] == mod_11_10(reference[:-1])
        assert len(reference) == 8
        assert read_reference(reference) == reference


def test_no_two_numbers_have_one_reference() -> None:
    assert len({reference_of(number) for number in range(0, REFERENCES, 1009)}) == len(range(0, REFERENCES, 1009))


def test_one_digit_misheard_is_always_noticed() -> None:
    chance = random.Random(10)
    for _ in range(200):
        reference = reference_of(chance.randrange(REFERENCES))
        for place, digit in enumerate(reference):
            for other in "0123456789".replace(digit, ""):
                assert read_reference(reference[:place] + other + reference[place + 1 :]) is None


def test_it_is_written_and_read_in_groups() -> None:
    reference = reference_of(4_242_424)
    assert spoken(reference) == f"{reference[:4]} {reference[4:]}"
    assert read_reference(spoken(reference)) == reference
    assert read_reference(f" {reference[:4]}-{reference[4:]} ") == reference


@pytest.mark.parametrize("said", ["", "1234", "123456789", "abcdefgh", "١٢٣٤٥٦٧٨", "0234 5678"])
def test_what_is_no_reference_is_none(said: str) -> None:
    assert read_reference(said) is None


@pytest.mark.parametrize("number", [-1, REFERENCES])
def test_there_are_so_many_and_no_more(number: int) -> None:
    with pytest.raises(ValueError, match="numbered from 0"):
        reference_of(number)
