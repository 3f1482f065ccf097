"""``[rates]``: what electricity costs and emits."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from plantview.config.problems import Problems
from plantview.config.schema import RatesTable
from plantview.model.rates import Rates


def read_rates(raw: Mapping[str, Any], problems: Problems) -> Rates | None:
    """Return the rates; None where the description has none."""
    if "rates" not in raw:
        return None
    table = problems.parse(RatesTable, raw["rates"], ("rates",))
    if table is None:
        return None
    if table.energy_price is not None and not table.currency:
        problems.add(("rates", "currency"), "a price without its currency", 'write currency = "USD"')
    return Rates(table.energy_price, table.currency, table.carbon_kg_per_kwh)
