"""Cane by weight and prices for several pieces: "0.5 kg" in a cell, "price per 50" as a heading."""

from __future__ import annotations

import re
from collections.abc import Mapping

import pandas as pd

from reedlab.records.findings import Findings
from reedlab.records.read.cell_values import Trouble, read_word
from reedlab.records.tables import TABLES, name_in_reeds

_PER = r"(?:\b(?:per|pro|je|al|par|por|pour|für|voor|ogni|cada|each|for)\s+|/\s*)"
_PIECES = re.compile(rf"{_PER}(\d{{1,4}})\b(?!\s*(?:k?g|gr|grams?|mm|cm|min)\b)", re.IGNORECASE)
_KG = re.compile(rf"{_PER}(?:kg|kilos?|kilogram(?:me?|mo|s)?)\b", re.IGNORECASE)
_WITH_UNIT = r"(?P<number>[\d.,'’\s]*\d)\s*(?P<unit>[^\W\d_]+)\.?"
_UNIT = TABLES["lots"].columns["quantity_unit"]
UNIT_OF = {"quantity": _UNIT.name} | {
    name_in_reeds("lots", "quantity"): name_in_reeds("lots", _UNIT.name)
}
"""The columns of quantities in sheets of lots and of reeds, and those of their units."""

_ROUNDED = 0.05


def price_for(heading: str) -> tuple[str, str, int]:
    """Return what stands before "per 50" or "per kg" in a heading, its column, and how many.

    >>> price_for("Price per 50 pieces"), price_for("Preis/kg"), price_for("Price per piece")
    (('Price', 'price_per_piece', 50), ('Preis', 'price_per_kg', 1), ('', '', 1))
    """
    if several := _PIECES.search(heading):
        return heading[: several.start()].strip(), "price_per_piece", int(several[1]) or 1
    if weighed := _KG.search(heading):
        return heading[: weighed.start()].strip(), "price_per_kg", 1
    return "", "", 1


def unit_apart(body: pd.DataFrame, heads: pd.Series, own: Mapping[str, str]) -> pd.DataFrame:
    """Put the unit of a quantity, in its cell or heading, under quantity_unit where that is empty.

    `heads` are the headings of the columns, `own` the maker's words for units.
    """
    for quantity, unit in UNIT_OF.items():
        if quantity not in body:
            continue
        apart = body[quantity].astype("str").str.strip().str.extract(f"^{_WITH_UNIT}$")
        of_all = unit_in(str(heads[quantity]), own)
        said = body[unit] if unit in body else pd.Series(None, body.index, dtype=object)
        is_unit = apart["unit"].map(lambda word: _is_unit(word, own)).astype(bool)
        is_unit &= said.isna() | said.eq(apart["unit"])
        if is_unit.any() or of_all:
            said = said.mask(is_unit, apart["unit"])
            said = said.mask(said.isna() & body[quantity].notna(), of_all or None)
            numbers = body[quantity].mask(is_unit, apart["number"])
            body = body.assign(**{quantity: numbers, unit: said})
    return body


def unit_in(heading: str, own: Mapping[str, str]) -> str:
    """Return the unit that a heading of quantities ends in; empty if it names none.

    >>> unit_in("Quantity (kg)", {}), unit_in("Weight g", {}), unit_in("Quantity", {})
    ('kg', 'g', '')
    """
    last = re.split(r"[(\[\s_]+", heading.strip(" )].*"))[-1]
    return last if _is_unit(last, own) else ""


def _is_unit(word: object, own: Mapping[str, str]) -> bool:
    try:
        return isinstance(word, str) and bool(read_word(word, _UNIT, own))
    except Trouble:
        return False


def in_grams(lots: pd.DataFrame, found: Findings) -> pd.DataFrame:
    """Return lots with kilograms as grams, and a price per kilogram as that of the whole lot."""
    lots = lots.copy(deep=False)
    heavy = lots["quantity_unit"].eq("kg") & lots["quantity"].notna()
    grams = lots["quantity"].mask(heavy, lots["quantity"] * 1000)
    said = {kg: f"is read as {kg * 1000:g} g" for kg in lots.loc[heavy, "quantity"]}
    found.each("lots", "quantity", lots.loc[heavy, "quantity"], "read_as", said, "leave it")
    lots["quantity"], lots["quantity_unit"] = grams, lots["quantity_unit"].mask(heavy, "g")
    each = lots["price_per_kg"].dropna()
    whole = each * grams.where(lots["quantity_unit"].eq("g")).reindex(each.index) / 1000
    found.each("lots", "price_per_kg", each[whole.isna()], "warning",
               "is not used, since the weight of the lot is not known",
               "fill in quantity, and g or kg under quantity_unit")  # fmt: skip
    whole = whole.dropna()
    price = lots["price"].reindex(whole.index)
    differ = (whole / price - 1).abs() > _ROUNDED
    found.each("lots", "price_per_kg", each[whole.index[differ]], "warning",
               "is not price divided by quantity; price is used", "check the three")  # fmt: skip
    for row, total in whole[price.isna()].items():
        problem = f"is read as a price of {total:.10g} for the whole lot"
        found.add("lots", int(row), "price_per_kg", each[row], "read_as", problem, "leave it")
    lots["price"] = lots["price"].fillna(whole)
    return lots
