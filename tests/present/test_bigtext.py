"""Are big digits whole, distinct and within their space?"""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfbeat.present import bigtext

SIGNS = "0123456789.-<? AEGIKLNOPSTUW"


@given(st.text(alphabet=SIGNS, min_size=1, max_size=8), st.integers(1, 200), st.integers(1, 40))
def test_never_larger_than_its_space(text: str, columns: int, rows: int) -> None:
    lines = bigtext.big(text, columns=columns, rows=rows)
    assert len(lines) <= rows
    assert len({len(line) for line in lines}) == 1
    assert len(lines[0]) <= columns


@pytest.mark.parametrize(("columns", "rows"), [(6, 4), (12, 7), (40, 20)])
def test_no_two_signs_look_alike(columns: int, rows: int) -> None:
    signs = SIGNS.replace("O", "")  # the letter O and the zero are one form
    drawn = {sign: "\n".join(bigtext.big(sign, columns=columns, rows=rows)).rstrip() for sign in signs}
    assert not [pair for pair in itertools.combinations(drawn, 2) if drawn[pair[0]] == drawn[pair[1]]]


def test_digits_are_equally_wide_so_that_a_number_does_not_jump() -> None:
    assert len({bigtext.width(digit) for digit in "0123456789"}) == 1


@pytest.mark.parametrize(("columns", "rows", "least"), [(60, 7, 7), (90, 12, 10), (150, 21, 20)])
def test_grows_with_the_space(columns: int, rows: int, least: int) -> None:
    assert len(bigtext.big("81.3", columns=columns, rows=rows)) >= least


def test_plain_text_where_nothing_fits() -> None:
    assert bigtext.big("81.3", columns=10, rows=2) == ("81.3",)
    assert bigtext.big("81.3", columns=3, rows=2) == ("81.",)
