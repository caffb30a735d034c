from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from wearlore.book.codes import (
    FAILURE_MECHANISMS,
    FAILURE_MODES,
    HOT,
    WINTER,
    nearest_oil_grades,
    oil_grade_exists,
)
from wearlore.book.model import Hazard


def test_viscosities_are_those_of_sae_j300(reference):  # check 9.01
    for row in reference("book_oils.csv"):
        if row["high"]:
            assert HOT[row["grade"]] == (float(row["low"]), float(row["high"]))
        else:
            assert WINTER[row["grade"]] == float(row["low"])


def test_which_oil_grades_exist(reference):  # check 9.02
    rows = [row for row in reference("book_codes.csv") if row["what"] == "oil"]
    assert [row["code"] for row in rows if oil_grade_exists(row["code"])] == [
        row["code"] for row in rows if row["valid"] == "yes"
    ]


@pytest.mark.parametrize("grade", ["5W", "30", "15W-40", "25W-30", "20W-50"])
def test_single_grades_and_heavy_ones_exist(grade):
    assert oil_grade_exists(grade)


@pytest.mark.parametrize("grade", ["25W-20", "W-30", "5w-30", "5W30", "5W-", "-30", "", "30-5W", "5W-30-40", "5W-30 "])
def test_a_grade_that_contradicts_itself_or_is_spelt_otherwise_does_not_exist(grade):
    assert not oil_grade_exists(grade)


def test_the_nearest_oil_grades_are_those_around():
    assert nearest_oil_grades("5W-25") == ["5W-20", "5W-30"]
    assert nearest_oil_grades("3W-30")[0] == "5W-30"
    assert nearest_oil_grades("thick") == []


@given(st.text(max_size=12))
def test_whatever_is_proposed_exists(grade):
    assert all(map(oil_grade_exists, nearest_oil_grades(grade)))


@pytest.mark.parametrize(("what", "table"), [("mode", FAILURE_MODES), ("mechanism", FAILURE_MECHANISMS)])
def test_codes_of_iso_14224_mean_what_it_says(reference, what, table):  # checks 10.01, 10.02
    for row in (row for row in reference("book_codes.csv") if row["what"] == what):
        assert table.get(row["code"], "") == row["meaning"]


def test_codes_have_the_form_that_the_book_asks_for():
    assert all(re.fullmatch(r"[A-Z]{3}", code) for code in FAILURE_MODES)
    assert all(re.fullmatch(r"\d\.\d", code) for code in FAILURE_MECHANISMS)


def test_signal_words_are_those_of_ansi_z535_and_no_other(reference):  # check 10.04
    for row in (row for row in reference("book_codes.csv") if row["what"] == "signal"):
        hazard = {"name": "hot coolant", "signal": row["code"], "caution": "Let it cool down."}
        if row["valid"] == "yes":
            assert Hazard.model_validate(hazard).signal == row["code"]
        else:
            with pytest.raises(ValidationError):
                Hazard.model_validate(hazard)
