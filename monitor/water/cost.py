"""What treated water costs: a train of one's own against an exchange service.

Every price is a setting, in the shop's own currency. The defaults are editable examples, common in the trade
without a source; nothing here knows a shop's prices. At shop volumes the train is not always the cheaper.
"""

from __future__ import annotations

from typing import NamedTuple

from monitor.water.errors import positive, within
from monitor.water.resin import di_litres_to_exhaustion_l
from monitor.water.softener import softener_salt_stoichiometric_g

__all__ = ["ServiceCost", "TrainCost", "exchange_service_cost", "train_cost"]

MOST_PRICE = 1e7


class TrainCost(NamedTuple):
    """Cost of a month, by part, and of the permeate, in the currency of the prices."""

    feed_water_money_month: float
    reject_money_month: float
    salt_money_month: float
    electricity_money_month: float
    resin_money_month: float
    filters_money_month: float
    capital_money_month: float
    total_money_month: float
    total_money_m3: float
    total_money_l: float


class ServiceCost(NamedTuple):
    """Cost of water from an exchange service, in the currency of the fee."""

    total_money_month: float
    total_money_m3: float
    total_money_l: float


def train_cost(
    permeate_m3_month: float,
    hardness_mg_l: float,
    di_load_meq_l: float,
    recovery_pct: float = 50.0,
    mixed_bed_l: float = 30.0,
    mixed_bed_capacity_eq_l: float = 0.412,
    water_money_m3: float = 2.0,
    sewer_money_m3: float = 3.0,
    salt_money_kg: float = 0.35,
    salt_efficiency_fraction: float = 0.5,
    electricity_money_kwh: float = 0.15,
    energy_kwh_m3: float = 2.0,
    exchange_money: float = 220.0,
    filters_money_month: float = 12.0,
    capital_money: float = 5400.0,
    lifetime_month: float = 60.0,
) -> TrainCost:
    """Monthly cost of softener, reverse osmosis and mixed bed, and of each cubic metre they make.

    Equation: v permeate, f = v/Y feed; f x water + (f - v) x sewer + f x H/50.0435 x 58.443/1000/e x salt
        + v x kWh/m3 x price + v / (litres per bed / 1000) x exchange + filters + capital/months
    Range: permeate above 0 to 100,000 m3 a month; hardness 0 to 5000 mg/L as CaCO3; load above 0 meq/L;
        recovery 1 to 99 %; salt efficiency above 0 to 1 of the stoichiometric; prices 0 to 10 million
    Raises: OutOfRange
    Source: sum of its parts
    Assumes: all the feed is softened; every price an editable default, none of it a quotation; labour and
        floor space not counted
    Not for: comparing offers that leave out other parts
    Example:
        >>> own = train_cost(6, hardness_mg_l=250, di_load_meq_l=0.7, mixed_bed_capacity_eq_l=0.5)
        >>> round(own.total_money_month, 2), round(own.total_money_m3, 2)
        (209.85, 34.98)
    """
    made = positive("permeate_m3_month", permeate_m3_month, 100_000.0, "m3 a month")
    feed = made / (within("recovery_pct", recovery_pct, 1.0, 99.0, "%") / 100.0)
    efficiency = positive("salt_efficiency_fraction", salt_efficiency_fraction, 1.0)
    hardness = within("hardness_mg_l", hardness_mg_l, 0.0, 5000.0, "mg/L as CaCO3")
    removed_g = feed * hardness  # mg/L x m3 is g
    salt_kg = softener_salt_stoichiometric_g(removed_g) / efficiency / 1000.0 if removed_g else 0.0
    exchanges = 1000.0 * made / di_litres_to_exhaustion_l(mixed_bed_l, mixed_bed_capacity_eq_l, di_load_meq_l)
    parts = (
        feed * _price("water_money_m3", water_money_m3),
        (feed - made) * _price("sewer_money_m3", sewer_money_m3),
        salt_kg * _price("salt_money_kg", salt_money_kg),
        made
        * within("energy_kwh_m3", energy_kwh_m3, 0.0, 100.0, "kWh/m3")
        * _price("electricity_money_kwh", electricity_money_kwh),
        exchanges * _price("exchange_money", exchange_money),
        _price("filters_money_month", filters_money_month),
        _price("capital_money", capital_money) / positive("lifetime_month", lifetime_month, 1200.0, "months"),
    )
    month = sum(parts)
    return TrainCost(*parts, month, month / made, month / made / 1000.0)


def exchange_service_cost(water_m3_month: float, fee_money_month: float) -> ServiceCost:
    """Cost of water from rented beds that a service exchanges.

    Equation: fee / volume
    Range: volume above 0 to 100,000 m3 a month; fee 0 to 10 million
    Raises: OutOfRange
    Source: definition. Fees of 80 to 200 a month are common in the trade, no source
    Assumes: the fee holds for this volume
    Not for: a contract with a price per exchange; enter the fee that comes of it
    Example:
        >>> exchange_service_cost(6, fee_money_month=120).total_money_m3
        20.0
    """
    volume = positive("water_m3_month", water_m3_month, 100_000.0, "m3 a month")
    fee = _price("fee_money_month", fee_money_month)
    return ServiceCost(fee, fee / volume, fee / volume / 1000.0)


def _price(name: str, value: float) -> float:
    return within(name, value, 0.0, MOST_PRICE, "of the currency")
