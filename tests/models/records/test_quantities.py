"""Numbers, distances and volumes as people write them."""

import polars as pl
import pytest

from models.records.quantities import distances_km, numbers, volumes_litres


def _one(frame: pl.DataFrame) -> float | None:
    assert frame["fault"].to_list() == [None], frame["fault"].to_list()
    return frame["value"][0]


def _fault(frame: pl.DataFrame) -> str:
    assert frame["value"].to_list() == [None] or frame["fault"][0]
    return frame["fault"][0]


@pytest.mark.parametrize(
    ("text", "decimal", "expected"),
    [
        ("12", ".", 12.0),
        ("+12.50", ".", 12.5),
        ("-3.", ".", -3.0),
        (".5", ".", 0.5),
        ("1e-05", ".", 1e-5),
        ("1,234", ".", 1234.0),
        ("1,234,567.8", ".", 1234567.8),
        ("1 234 567", ".", 1234567.0),
        ("1\u202f234", ".", 1234.0),
        ("1'234", ".", 1234.0),
        ("1’234’567.8", ".", 1234567.8),
        ("€ 12.50", ".", 12.5),
        ("12,5", ",", 12.5),
        ("1.234,5", ",", 1234.5),
        ("1.234", ",", 1234.0),
        ("n/a", ".", None),
        ("-", ".", None),
        (None, ".", None),
    ],
)
def test_a_number_is_read_by_its_declared_mark(text: str | None, decimal: str, expected: float | None) -> None:
    assert _one(numbers(pl.Series([text], dtype=pl.String), decimal=decimal)) == expected


@pytest.mark.parametrize(
    ("text", "decimal"),
    [("12,5", "."), ("0,125", "."), ("12.5", ","), ("1,23,456", "."), ("1.2.3", "."), ("twelve", "."), ("nan", "."),
     ("inf", "."), ("1 1/2", "."), ("0x10", "."), ("1,2345", ".")],
)  # fmt: skip
def test_what_does_not_fit_the_mark_is_no_number(text: str, decimal: str) -> None:
    assert "is not a number" in _fault(numbers(pl.Series([text]), decimal=decimal))


def test_in_a_file_of_number_cells_a_point_is_a_point_and_what_could_be_both_is_refused() -> None:
    text = pl.Series(["12.5", "12,5", "0.125", "1.500", "1234.5", "1609.344"])
    read = numbers(text, decimal=",", marks="typed")
    assert read["value"].to_list() == [12.5, 12.5, 0.125, None, 1234.5, 1609.344]
    assert read["fault"].is_not_null().to_list() == [False, False, False, True, False, False]


@pytest.mark.parametrize(
    ("unit", "litres"),
    # A US gallon is 231 cubic inches of 25.4 mm (NIST Handbook 44), an imperial gallon 4.54609 L (Weights and Measures
    # Act 1985), both exactly; a quart is a quarter of it, a pint an eighth.
    [
        ("L", 2.0),
        ("mL", 0.002),
        ("cL", 0.02),
        ("dL", 0.2),
        ("US gal", 2 * 3.785411784),
        ("US qt", 2 * 3.785411784 / 4),
        ("US pt", 2 * 3.785411784 / 8),
        ("imp gal", 2 * 4.54609),
        ("imp qt", 2 * 4.54609 / 4),
        ("imp pt", 2 * 4.54609 / 8),
    ],
)
def test_a_declared_unit_is_converted(unit: str, litres: float) -> None:
    assert _one(volumes_litres(pl.Series(["2"]), unit=unit, decimal=".")) == pytest.approx(litres, rel=1e-12)


@pytest.mark.parametrize(
    ("cell", "litres"),
    [
        ("2 qt", 2 * 0.946352946),
        ("2qts.", 2 * 0.946352946),
        ("1.5l", 1.5),
        ("1,5 L", 1.5),
        ("500 ml", 0.5),
        ("1 US quart", 0.946352946),
        ("1 imp. pint", 0.56826125),
        ("1 UK gal", 4.54609),
        ("750 mL", 0.75),
        (".5 litre", 0.5),
    ],
)
def test_a_unit_is_read_from_the_cell(cell: str, litres: float) -> None:
    assert _one(volumes_litres(pl.Series([cell]), unit="cell", decimal=".")) == pytest.approx(litres, abs=1e-9)


def test_a_plain_quart_is_imperial_where_the_columns_own_unit_is() -> None:
    read = volumes_litres(pl.Series(["1 qt", "1"]), unit="cell or imp pt", decimal=".")
    assert read["value"].to_list() == pytest.approx([1.1365225, 0.56826125])


@pytest.mark.parametrize(
    ("cell", "unit", "reason"),
    [
        ("1.5", "cell", "names no unit"),
        ("1 furlong", "cell", "unknown unit"),
        ("3 km", "cell", "unknown unit"),
        ("2 qt", "L", "another unit than the declared L"),
        ("2 qt 3", "cell", "unknown unit"),
        ("some", "cell", "not a number"),
    ],
)
def test_a_unit_that_cannot_be_used_is_a_fault(cell: str, unit: str, reason: str) -> None:
    assert reason in _fault(volumes_litres(pl.Series([cell]), unit=unit, decimal="."))


def test_the_declared_unit_may_stand_in_the_cell_too() -> None:
    assert _one(volumes_litres(pl.Series(["2 litres"]), unit="L", decimal=".")) == 2.0


def test_miles_become_kilometres() -> None:
    # International yard and pound agreement, 1959: one mile is 1.609344 km exactly.
    read = distances_km(pl.Series(["1,000", "1000 km", "1000 miles"]), unit="cell or mi", decimal=".")
    assert read["value"].to_list() == pytest.approx([1609.344, 1000.0, 1609.344])
